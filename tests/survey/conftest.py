"""The survey of the demo, made once a file."""

from __future__ import annotations

import pytest

from chainrun.survey.channels import of_folder
from chainrun.survey.survey import survey
from tests.survey.sounds import DEMO


@pytest.fixture(scope="module")
def demo_survey():
    return survey(of_folder(DEMO))
