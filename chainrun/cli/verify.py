"""chainrun verify: holds renders to their baselines and expectations."""

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
    StoreFolder,
    Variant,
    Workers,
    overrides,
    place_of_page,
    refuse,
    store_folder,
)
from chainrun.cli.terminal import ProgressLine, put, put_json, put_lines, talk
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.report.page import PagePlace
    from chainrun.verify.verdicts import Refused, Verdict, Verified

FORMATS = TEXT, GITHUB = "text", "github"
"""How verdicts are shown."""


def command(
    recipes: Recipes,
    accept: Annotated[bool, typer.Option("--accept", help="Write the baselines: this is how it shall sound.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Let --accept work where CI is set.")] = False,
    with_audio: Annotated[
        bool, typer.Option("--with-audio", help="With --accept: keep the mix as FLAC, too, for exact residuals.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="DIR", help="Keep what was rendered; else it is dropped.")
    ] = None,
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    junit_xml: Annotated[
        Path | None, typer.Option("--junit-xml", metavar="FILE", help="Write JUnit XML, a test case a check.")
    ] = None,
    markdown: Annotated[Path | None, typer.Option("--markdown", metavar="FILE", help="Write a summary.")] = None,
    format_: Annotated[
        str, typer.Option("--format", metavar="FORMAT", help="text, or github: annotations of a workflow run.")
    ] = TEXT,
    report: Report = None,
    embed: Embed = False,
    verbose: Annotated[bool, typer.Option("--all", help="Show the checks that passed, too.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Render recipes and hold them to their baselines and to [expect]; exit 1 if one moved."""
    from chainrun.verify import reports
    from chainrun.verify.many import mixes_of, verify_mixes
    from chainrun.verify.run import VerifyOptions
    from chainrun.verify.verdicts import Verdict, Verified

    _refuse_what_clashes(format_, accept=accept, force=force, with_audio=with_audio, as_json=as_json)
    reports.refuse_other_files(junit_xml, markdown)
    place = place_of_page(report, embed)
    chosen = overrides(variant, overlay, set_, allow_root, limit)
    options = VerifyOptions(store_folder(store, no_store), workers, out)
    line = ProgressLine(quiet=quiet or as_json or format_ == GITHUB)
    results = []
    try:
        for one in verify_mixes(
            mixes_of(recipes, chosen), options, accepting=accept, with_audio=with_audio, progress=line.node
        ):
            line.done()
            results.append(_for_command_line(one))
            if isinstance(one, Verdict) and format_ == TEXT and not as_json:
                put_lines(reports.text(one, everything=verbose))
    finally:
        line.done()
    verified = Verified.of(results)
    _write(verified, junit_xml, markdown, place)
    _show(verified, annotate=format_ == GITHUB, as_json=as_json)
    return verified.exit_code


def _show(verified: Verified, *, annotate: bool, as_json: bool) -> None:
    """Show what is shown when all are verified: annotations or a document, and what was refused."""
    from chainrun.verify import reports

    if annotate and (lines := reports.workflow_annotations(verified.verdicts, verified.refused)):
        put(lines)
    if as_json:
        put_json(verified.record())
    for refused in verified.refused:
        talk(reports.error_text(refused.error))


def _for_command_line(one: Verdict | Refused) -> Verdict | Refused:
    """What was refused, with the options that mend it."""
    from chainrun.verify.verdicts import Refused

    return replace(one, error=error_for_command_line(one.error)) if isinstance(one, Refused) else one


def _refuse_what_clashes(format_: str, *, accept: bool, force: bool, with_audio: bool, as_json: bool) -> None:
    """Raise UsageError for options that do not go together."""
    from chainrun.verify.ci import in_ci

    if format_ not in FORMATS:
        raise refuse("--format knows no such word", given=format_, allowed=", ".join(FORMATS), code=Code.OPTION_VALUE)
    if format_ == GITHUB and as_json:
        raise refuse(
            "--format github and --json both write to stdout",
            hint="--junit-xml FILE goes with either",
            code=Code.OPTIONS_CLASH,
        )
    if accept and not force and in_ci(os.environ):
        raise refuse(
            "--accept in CI would let every change pass",
            hint="accept on your own machine and commit it; or --force",
            code=Code.ACCEPT_IN_CI,
        )
    if with_audio and not accept:
        raise refuse("--with-audio goes with --accept", code=Code.OPTIONS_CLASH)


def _write(verified: Verified, junit_xml: Path | None, markdown: Path | None, place: PagePlace | None) -> None:
    """Write the files that were asked for."""
    from chainrun.verify import reports
    from chainrun.whole_file import write_whole

    if junit_xml is not None:
        write_whole(junit_xml, reports.junit(verified.verdicts, verified.refused))
    if markdown is not None:
        write_whole(markdown, reports.markdown(verified.verdicts, verified.refused))
    if place is not None:
        from chainrun.report.compared import verify_page
        from chainrun.report.page import write_page

        talk(f"wrote {write_page(verify_page(verified.verdicts, verified.refused), place)}")
