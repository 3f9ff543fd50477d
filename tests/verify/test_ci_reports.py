"""JUnit files, annotations and summaries for CI; annotations are escaped as hosted runners document it."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

from tests.songs import JUDGED


def test_junit_annotations_and_summary(song, session, chainrun):
    chainrun("verify", song, "--accept")
    broken = session.write("grammar = 1\n", name="broken")
    session.write(JUDGED.replace("gain_db = 3", "gain_db = 6").replace("to = 30", "to = 1.5"))
    ran = chainrun("verify", song, broken, "--junit-xml", "r.xml", "--markdown", "r.md", "--format", "github")
    assert ran.code == 3
    root = ET.parse("r.xml").getroot()
    suites = {suite.get("name"): suite for suite in root}
    suite = suites["song"]
    cases = suite.findall("testcase")
    assert (suite.get("tests"), suite.get("failures")) == (str(len(cases)), str(len(suite.findall("testcase/failure"))))
    assert int(suite.get("failures")) >= 2
    named = {case.get("name"): case for case in cases}
    failed = named["expect: stems.kick.chain.squash.gain_reduction_max_db"]
    assert float(failed.find("properties/property[@name='measured']").get("value")) > 1.5
    assert suites["broken.recipe.toml"].find("testcase/error") is not None
    # The same attributes as pytest's own files have, beside the host and the time of day.
    known = {"name", "errors", "failures", "skipped", "tests", "time", "timestamp", "hostname"}
    assert all(set(one.attrib) <= known for one in root)
    assert all(set(case.attrib) == {"classname", "name", "time"} for case in root.iter("testcase"))
    lines = ran.out.splitlines()
    assert len(lines) == 2  # one a recipe and variant
    (own,) = [line for line in lines if line.startswith("::error file=song.recipe.toml,line=9,title=song%3A")]
    assert "expect: stems.kick" in own or "gain_reduction_max_db" in own
    assert "cause: first in snare" in own
    assert any(line.startswith("::error file=broken.recipe.toml") for line in lines)
    summary = Path("r.md").read_text()
    assert "| broken.recipe.toml | **not verified** |" in summary
    assert "| song | **failed** |" in summary and "first in snare" in summary


def test_annotations_are_escaped():
    from chainrun.verify.aspects import Aspect
    from chainrun.verify.checks import Check, RenderFailure
    from chainrun.verify.reports import junit, markdown, workflow_annotations
    from chainrun.verify.verdicts import Verdict

    odd = Check(Aspect.SAMPLES, False, delivery="100%", detail=RenderFailure("moved 5 %\r\nand <script>\x1b[31m"))
    verdict = Verdict("a<b>|`", Path("x,y:z.recipe.toml"), Path("b"), checks=(odd,))
    (line,) = workflow_annotations([verdict]).splitlines()
    title = "a<b>|`%3A 1 of 1 checks failed"
    assert line.endswith(f"x%2Cy%3Az.recipe.toml,title={title}::100%25: moved 5 %25%0D%0Aand <script>\x1b[31m")
    assert ET.fromstring(junit([verdict]).encode()).find("testsuite/testcase/failure") is not None
    assert "<script>" not in markdown([verdict]) and "\x1b" not in markdown([verdict])
