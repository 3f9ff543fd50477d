"""Writes verdicts as plain text, Markdown, JUnit XML and annotations of a workflow run."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from pathlib import Path

from chainrun.errors import ChainrunError, printable
from chainrun.recipe.load import recipe_name
from chainrun.verify.checks import Check
from chainrun.verify.verdicts import Refused, Verdict
from chainrun.verify.wording import (
    MAX_CHANGED,
    cause_lines,
    limit_text,
    limited_text,
    note_text,
    subject_text,
    whole_text,
)
from chainrun.whole_file import refuse_others

MAX_PROBLEMS = 6
"""Maximum number of problems of a refused recipe in a summary."""
SUMMARY, SUITES = "## chainrun verify", '<testsuites name="chainrun verify"'
"""Beginnings of the files, by which chainrun recognises its own."""
COMMAND_LINE = "command line"
"""The `file` of problems with values of the command line."""


def error_text(error: ChainrunError) -> str:
    """All problems of an error, one line each."""
    return "\n".join(problem.text() for problem in error.problems)


def headline(verdict: Verdict) -> str:
    """The summary of a verdict in one line."""
    failed = len(verdict.failed)
    of = f"{failed} of {len(verdict.checks)} checks failed" if failed else f"{len(verdict.checks)} checks"
    if verdict.accepted:
        state = "accepted," if verdict.passed else "accepted, but"
    else:
        state = "passed," if verdict.passed else "failed,"
    return f"{verdict.recipe}: {state} {of}, {verdict.seconds:.1f} s"


def text(verdict: Verdict, *, everything: bool = False) -> str:
    """The verdict for a terminal: failed checks (all of them with `everything`), cause and notes."""
    lines = [headline(verdict)]
    for check in verdict.checks:
        if everything or not check.passed:
            mark = "ok  " if check.passed else "FAIL"
            lines.append(f"  {mark}  {subject_text(check)}  {limited_text(check)}")
    if verdict.cause is not None:
        lines += [f"  cause: {line}" for line in cause_lines(verdict.cause)]
    lines += [f"  note: {note_text(note)}" for note in verdict.notes]
    return "\n".join(printable(line) for line in lines)


def markdown(verdicts: Sequence[Verdict], refused: Sequence[Refused] = ()) -> str:
    """The verdicts as a Markdown table for a pull request."""
    lines = [SUMMARY, "", "| recipe | result | what changed | cause |", "| --- | --- | --- | --- |"]
    for verdict in verdicts:
        failed = verdict.failed
        lost = [whole_text(check) for check in failed[:MAX_CHANGED]]
        lost += [f"and {len(failed) - MAX_CHANGED} more"] if len(failed) > MAX_CHANGED else []
        what = "<br>".join(_cell(text) for text in [*lost, *map(note_text, verdict.notes)]) or "nothing"
        cause = "<br>".join(_cell(line) for line in cause_lines(verdict.cause)) if verdict.cause is not None else ""
        result = "accepted" if verdict.accepted else ("passed" if verdict.passed else "**failed**")
        lines.append(f"| {_cell(verdict.recipe)} | {result} | {what} | {cause} |")
    for one in refused:
        problems = one.error.problems[:MAX_PROBLEMS]
        what = "<br>".join(_cell(line) for problem in problems for line in problem.text().split("\n"))
        lines.append(f"| {_cell(one.path.name)} | **not verified** | {what} | |")
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    plain = printable(text)
    for mark, instead in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ("|", "\\|"), ("`", "'")):
        plain = plain.replace(mark, instead)
    return plain


def refuse_other_files(junit_xml: Path | None, markdown_file: Path | None) -> None:
    """Raise UsageError if a report would be written over a file that is not such a report."""
    if junit_xml is not None:
        refuse_others(junit_xml, "a report of chainrun verify", lambda begin: SUITES.encode() in begin)
    if markdown_file is not None:
        refuse_others(markdown_file, "a summary of chainrun verify", lambda begin: begin.startswith(SUMMARY.encode()))


def junit(verdicts: Sequence[Verdict], refused: Sequence[Refused] = ()) -> str:
    """The verdicts as JUnit XML: a suite for each recipe, a case for each check; refused recipes are errors.

    The shape is that of pytest's own `--junit-xml` (its documentation describes it; there is no formal standard).
    """
    root = ET.Element("testsuites", name="chainrun verify")
    for verdict in verdicts:
        _add_suite(root, verdict)
    for one in refused:
        name, message = str(one.path), error_text(one.error)
        suite = ET.SubElement(
            root, "testsuite", name=_xml(name), tests="1", failures="0", errors="1", skipped="0", time="0"
        )
        case = ET.SubElement(suite, "testcase", classname=_xml(f"chainrun.{name}"), name="verify", time="0")
        ET.SubElement(case, "error", message=_xml(message.split("\n")[0]), type="Error").text = _xml(message)
    ET.indent(root)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _add_suite(root: ET.Element, verdict: Verdict) -> None:
    """Add a recipe's suite. Its first failure holds the whole verdict."""
    suite = ET.SubElement(
        root,
        "testsuite",
        name=_xml(verdict.recipe),
        tests=str(len(verdict.checks)),
        failures=str(len(verdict.failed)),
        errors="0",
        skipped="0",
        time=f"{verdict.seconds:.3f}",
    )
    first_failed = next(iter(verdict.failed), None)
    for check in verdict.checks:
        case = ET.SubElement(
            suite, "testcase", classname=_xml(f"chainrun.{verdict.recipe}"), name=_xml(check.name), time="0"
        )
        properties = ET.SubElement(case, "properties")
        for name, value in _figures(check):
            ET.SubElement(properties, "property", name=name, value=_xml(value))
        if not check.passed:
            failure = ET.SubElement(case, "failure", message=_xml(limited_text(check)), type="Failed")
            failure.text = _xml(text(verdict) if check is first_failed else limited_text(check))


def _figures(check: Check) -> list[tuple[str, str]]:
    figures = [("measured", check.figure), ("baseline", check.figure_before)]
    found = [(name, f"{value:g}") for name, value in figures if value is not None and math.isfinite(value)]
    limit = limit_text(check)
    return [*found, ("limit", limit)] if limit else found


def _xml(value: str) -> str:
    """The text without characters that XML 1.0 cannot hold."""
    return printable(value.replace("\n", "\x00")).replace("\\x00", "\n")


def workflow_annotations(verdicts: Sequence[Verdict], refused: Sequence[Refused] = ()) -> str:
    """The verdicts as workflow commands `::error file=…,line=…,title=…::message`, escaped as that format requires.

    There is one for each recipe and variant, with its whole message; paths start at the repository's root.
    """
    lines = [line for verdict in verdicts if (line := _annotation(verdict))]
    return "\n".join(lines + [_refusal(one) for one in refused])


def _annotation(verdict: Verdict) -> str:
    """The annotation of a verdict; empty if there is nothing to report."""
    failed = verdict.failed
    said = [whole_text(check) for check in failed]
    said += [f"cause: {line}" for line in cause_lines(verdict.cause)] if verdict.cause is not None else []
    said += [f"note: {note_text(note)}" for note in verdict.notes]
    if not said:
        return ""
    key = _first_changed(verdict) or next((check.key for check in failed if check.key), "")
    file, line = _place(verdict, key)
    word = "error" if failed else "warning"
    title = f"{verdict.recipe}: {len(failed)} of {len(verdict.checks)} checks failed" if failed else verdict.recipe
    return f"::{word} file={_property(file)}{line},title={_property(title)}::{_message(chr(10).join(said))}"


def _refusal(one: Refused) -> str:
    """The annotation of a refused recipe, at the first problem that has a place in a file."""
    first = next((problem for problem in one.error.problems if problem.file not in (None, "", COMMAND_LINE)), None)
    own = Path(first.file) if first is not None and first.file is not None else one.path
    line = f",line={first.line}" if first is not None and first.line is not None else ""
    title = f"{recipe_name(one.path)}: not verified"
    place = f"file={_property(in_repository(own))}{line}"
    return f"::error {place},title={_property(title)}::{_message(error_text(one.error))}"


def in_repository(path: Path) -> str:
    """A file's path from its repository's root (the nearest folder above with .git), else from the working folder."""
    real = path.resolve()
    root = next((folder for folder in real.parents if (folder / ".git").exists()), None)
    try:
        return real.relative_to(root if root is not None else Path.cwd().resolve()).as_posix()
    except ValueError:
        return real.as_posix()


def _first_changed(verdict: Verdict) -> str:
    changed = verdict.cause.changed if verdict.cause is not None else ()
    return next((one.key for one in changed if one.key in verdict.places), "")


def _place(verdict: Verdict, key: str) -> tuple[str, str]:
    """File and line of a key, in the recipe, a preset or an overlay."""
    place = verdict.places.get(key)
    if place is not None and place.file is not None and place.line is not None:
        return in_repository(Path(place.file)), f",line={place.line}"
    return in_repository(verdict.path), ""


def _message(value: str) -> str:
    return value.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(value: str) -> str:
    return _message(value).replace(":", "%3A").replace(",", "%2C")
