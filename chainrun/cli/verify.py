"""chainrun verify: compares renders with their baselines and expectations."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.option_hints import error_for_command_line
from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    Embed,
    LimitWords,
    NoStore,
    Overlays,
    Quiet,
    Recipes,
    Report,
    Sets,
    ShowAll,
    StoreFolder,
    Variants,
    Workers,
    each_variant,
    overrides,
    place_of_page,
    recipe_files,
    refuse,
    store_folder,
    write_page,
    written,
)
from chainrun.cli.progress import ProgressLines
from chainrun.cli.terminal import bad, doubtful, good, put, put_json, put_lines, talk
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.report.page import PagePlace
    from chainrun.verify.verdicts import Refused, Verdict, Verified

FORMATS = TEXT, GITHUB = "text", "github"
"""How verdicts are shown."""
STATES = {"ok": good, "FAIL": bad, "note:": doubtful}
"""Colours of the words that lines of a verdict begin with."""
JunitXml = Annotated[
    Path | None, typer.Option("--junit-xml", metavar="FILE", help="Write JUnit XML, one test case per check.")
]
Markdown = Annotated[Path | None, typer.Option("--markdown", metavar="FILE", help="Write a summary in Markdown.")]
Format = Annotated[
    str, typer.Option("--format", metavar="FORMAT", help="text, or github (annotations of a workflow run).")
]


def command(
    recipes: Recipes,
    accept: Annotated[
        bool, typer.Option("--accept", help="Accept the sound as it is now: write the baselines.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Allow --accept in CI.")] = False,
    with_audio: Annotated[
        bool, typer.Option("--with-audio", help="With --accept: keep the mix as FLAC, for exact residuals.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="DIR", help="Keep the rendered files in this folder.")
    ] = None,
    variant: Variants = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    junit_xml: JunitXml = None,
    markdown: Markdown = None,
    format_: Format = TEXT,
    report: Report = None,
    embed: Embed = False,
    everything: ShowAll = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Render recipes and compare them with their baselines.

    Exit 1 if one of them sounds different, or does not meet its [expect].
    """
    from chainrun.verify import reports
    from chainrun.verify.many import mixes_of, verify_mixes
    from chainrun.verify.run import VerifyOptions
    from chainrun.verify.verdicts import Verdict, Verified

    _refuse_what_clashes(format_, accept=accept, force=force, with_audio=with_audio, as_json=as_json)
    reports.refuse_other_files(junit_xml, markdown)
    place = place_of_page(report, embed)
    chosen = each_variant(variant, overrides(None, overlay, set_, allow_root, limit))
    mixes = [mix for one in chosen for mix in mixes_of(recipe_files(recipes), one)]
    options = VerifyOptions(store_folder(store, no_store), workers, out)
    line = ProgressLines(quiet=quiet or as_json or format_ == GITHUB)
    results = []
    try:
        for one in verify_mixes(mixes, options, accepting=accept, with_audio=with_audio, progress=line.node):
            line.done()
            results.append(_for_command_line(one))
            if isinstance(one, Verdict) and format_ == TEXT and not as_json:
                put_lines(reports.text(one, everything=everything), states=STATES)
    finally:
        line.done()
    verified = Verified.of(results)
    page = _write(verified, junit_xml, markdown, place)
    if as_json:
        put_json({**verified.record(), "written": written(junit_xml, markdown, page)})
    _show(verified, annotate=format_ == GITHUB)
    return verified.exit_code


def _show(verified: Verified, *, annotate: bool) -> None:
    """Show annotations, and the recipes that could not be verified."""
    from chainrun.verify import reports

    if annotate and (lines := reports.workflow_annotations(verified.verdicts, verified.refused)):
        put(lines)
    for refused in verified.refused:
        talk(reports.error_text(refused.error))


def _for_command_line(one: Verdict | Refused) -> Verdict | Refused:
    """The verdict, or the error with the options that solve it."""
    from chainrun.verify.verdicts import Refused

    return replace(one, error=error_for_command_line(one.error)) if isinstance(one, Refused) else one


def _refuse_what_clashes(format_: str, *, accept: bool, force: bool, with_audio: bool, as_json: bool) -> None:
    """Raise UsageError for options that do not go together."""
    from chainrun.verify.ci import in_ci

    if format_ not in FORMATS:
        raise refuse("--format takes another word", given=format_, allowed=", ".join(FORMATS), code=Code.OPTION_VALUE)
    if format_ == GITHUB and as_json:
        raise refuse(
            "--format github and --json both write to stdout",
            hint="use --junit-xml FILE with one of them",
            code=Code.OPTIONS_CLASH,
        )
    if accept and not force and in_ci(os.environ):
        raise refuse(
            "--accept in CI would let every change pass",
            hint="accept on your own machine and commit the baseline; or add --force",
            code=Code.ACCEPT_IN_CI,
        )
    if with_audio and not accept:
        raise refuse("--with-audio needs --accept", code=Code.OPTIONS_CLASH)


def _write(verified: Verified, junit_xml: Path | None, markdown: Path | None, place: PagePlace | None) -> Path | None:
    """Write the files that were asked for; returns the page."""
    from chainrun.verify import reports
    from chainrun.whole_file import write_whole

    if junit_xml is not None:
        write_whole(junit_xml, reports.junit(verified.verdicts, verified.refused))
    if markdown is not None:
        write_whole(markdown, reports.markdown(verified.verdicts, verified.refused))
    if place is None:
        return None
    from chainrun.report.compared import verify_page

    return write_page(verify_page(verified.verdicts, verified.refused), place)
