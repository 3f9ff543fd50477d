"""The song that is walked through."""

from __future__ import annotations

import pytest

from tests.songs import DRAWN


@pytest.fixture
def song(session):
    return session.write(DRAWN)
