"""What the tests of this folder share: sessions, and how they are run."""

from __future__ import annotations

import pytest

from chainrun.survey.channels import of_folder
from chainrun.survey.survey import survey
from tests.survey.parts import DEMO


@pytest.fixture(scope="module")
def demo_survey():
    return survey(of_folder(DEMO))
