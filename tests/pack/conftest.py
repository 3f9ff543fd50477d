"""The song that is packed."""

from __future__ import annotations

import pytest

from tests.songs import DRAWN


@pytest.fixture
def song(session):
    return session.write(DRAWN)
