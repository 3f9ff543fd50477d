"""chainrun verify: holds renders to their baselines and expectations."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Annotated

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
from chainrun.errors import EXIT_DONE, EXIT_FAILED, ChainrunError
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.load import recipe_name


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
    ] = "text",
    report: Report = None,
    embed: Embed = False,
    verbose: Annotated[bool, typer.Option("--all", help="Show the checks that passed, too.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Render recipes and hold them to their baselines and to [expect]; exit 1 if one moved."""
    from chainrun.verify import reports
    from chainrun.verify.ci import in_ci
    from chainrun.verify.run import Verdict, VerifyOptions, document, verify
    from chainrun.whole_file import write_whole

    if format_ not in ("text", "github"):
        raise refuse("--format knows no such word", given=format_, allowed="text, github")
    if format_ == "github" and as_json:
        raise refuse("--format github and --json both write to stdout", hint="--junit-xml FILE goes with either")
    if accept and not force and in_ci(os.environ):
        raise refuse(
            "--accept in CI would let every change pass", hint="accept on your own machine and commit it; or --force"
        )
    if with_audio and not accept:
        raise refuse("--with-audio goes with --accept")
    reports.refuse_other_files(junit_xml, markdown)
    place = place_of_page(report, embed)
    chosen = overrides(variant, overlay, set_, allow_root, limit)
    kept = store_folder(store, no_store)
    verdicts: list[Verdict] = []
    failed: list[tuple[Path, ChainrunError]] = []
    mixes = [(path, one) for path in recipes for one in ([chosen] if variant else [chosen, *_variants(path, chosen)])]
    for path, changes in mixes:
        line = ProgressLine(quiet=quiet or as_json or format_ == "github")
        mix = recipe_name(path) + (f".{changes.variant}" if changes.variant else "")
        folder = out if out is None or len(mixes) == 1 else out / mix
        options = VerifyOptions(accept, with_audio, kept, workers, folder)
        try:
            verdict = verify(open_recipe(path, changes), options, progress=line.node)
        except ChainrunError as error:
            failed.append((path, error_for_command_line(error)))
            continue
        finally:
            line.done()
        verdicts.append(verdict)
        if format_ == "text" and not as_json:
            put_lines(reports.text(verdict, everything=verbose))
    if junit_xml is not None:
        write_whole(junit_xml, reports.junit(verdicts, failed))
    if markdown is not None:
        write_whole(markdown, reports.markdown(verdicts, failed))
    if place is not None:
        from chainrun.report.compared import verify_page
        from chainrun.report.page import write_page

        talk(f"wrote {write_page(verify_page(verdicts, failed), place)}")
    if format_ == "github" and (lines := reports.workflow_annotations(verdicts, failed)):
        put(lines)
    if as_json:
        record = document(verdicts, len(failed))
        record["problems"] = [problem.record() for _, refusal in failed for problem in refusal.problems]
        put_json(record)
    for _, refusal in failed:
        talk(reports.told(refusal))
    if failed:
        return max(refusal.exit_code for _, refusal in failed)
    return EXIT_DONE if all(verdict.passed for verdict in verdicts) else EXIT_FAILED


def _variants(path: Path, chosen: Overrides) -> list[Overrides]:
    """The recipe's variants, each of which has a baseline of its own; and those whose baseline lies there yet."""
    from chainrun.verify.changed import orphans

    try:
        variants = list(open_recipe(path, replace(chosen, variant=None)).recipe.variants)
    except ChainrunError:
        return []
    return [replace(chosen, variant=one) for one in [*variants, *orphans(path.absolute(), variants)]]
