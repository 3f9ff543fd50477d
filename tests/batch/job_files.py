"""Batches of small and of heavy jobs."""

from __future__ import annotations

import pytest
import soundfile

from chainrun.batch.jobs import open_jobs
from chainrun.batch.run import BatchOptions, run_batch
from tests.signals import noise

RECIPE = """grammar = 1
[stems.kick]
file = "kick.wav"
chain = [ { do = "compressor", threshold_dbfs = -20 } ]
[main]
chain = []
[[deliver]]
file = "{recipe}.wav"
[variants.loud]
"main.chain" = [ { do = "gain", gain_db = 3 } ]
"""


def run(path, **options):
    result = run_batch(open_jobs(path), BatchOptions(**options))
    return result, {name: record.state.value for name, record in result.records.items()}


def heavy(session):
    soundfile.write("kick.wav", noise(48000 * 15, 0.005), 48000)
    text = RECIPE.replace("chain = [", 'chain = [ { do = "saturate" }, { do = "saturate" }, { do = "saturate" },')
    for name in ("one", "two", "three"):
        session.write(text.replace("-20", str(-18 - len(name))), name)


pytestmark_cluster = pytest.mark.filterwarnings("ignore")
