"""What the tests of this folder share: sessions, and how they are run."""

from __future__ import annotations

import pytest

from tests.report.parts import SONG


@pytest.fixture
def song(session):
    return session.write(SONG)
