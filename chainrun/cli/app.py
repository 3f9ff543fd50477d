"""The program: its commands, and how errors and signals end it."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from typing import Any

import typer

from chainrun import __version__
from chainrun.cli import (
    batch,
    check,
    compare,
    cull,
    draft,
    explain,
    measure,
    pack,
    presets,
    render,
    resolve,
    schema,
    store,
    survey,
    verify,
    walkthrough,
)
from chainrun.cli.renamed_options import new_spelling
from chainrun.cli.stopping import StoppedError, exit_code, stop
from chainrun.cli.terminal import problems_document, put, put_json, show_error, talk
from chainrun.defect import report_defect, wants_traceback
from chainrun.errors import (
    EXIT_DEFECT,
    EXIT_DONE,
    EXIT_RESOURCES,
    EXIT_USAGE,
    ChainrunError,
    Problem,
    ResourceError,
    UsageError,
    shown,
)
from chainrun.problem_codes import Code
from chainrun.program import run_as_program
from chainrun.whole_file import drop_all_parts

app = typer.Typer(
    name="chainrun",
    help="Render drum and band recordings to a measured stereo mix from text recipes.",
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _show_version(value: bool) -> None:
    if value:
        typer.echo(f"chainrun {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(False, "--version", callback=_show_version, is_eager=True, help="Show the version."),
) -> None:
    pass


for module in (
    render,
    batch,
    check,
    resolve,
    explain,
    schema,
    measure,
    survey,
    draft,
    verify,
    compare,
    walkthrough,
    pack,
):
    app.command(name=module.__name__.rsplit(".", 1)[-1])(module.command)

app.add_typer(store.app)
app.add_typer(presets.app)
app.add_typer(cull.app)


NEXT = """chainrun renders recordings to a measured stereo mix from text recipes.

  chainrun draft FOLDER            write a first recipe for a folder of stems
  chainrun check RECIPE            is the recipe valid, are its stems there?
  chainrun render RECIPE -o DIR    render the mix
  chainrun explain                 list the processors and a recipe's tables
  chainrun survey RECIPE|FOLDER    find faults of the stems
  chainrun compare A B             how do two mixes differ?
  chainrun verify RECIPE           does it still sound as it was accepted?
  chainrun presets, chainrun cull  the preset library, and its yearly cull
  chainrun walkthrough RECIPE      a teaching page: the mix step by step
  chainrun pack RECIPE             stems, recipe and mix in one zip
  chainrun measure FILES           loudness and peaks of audio files
  chainrun --help                  all commands

An example: recipes/tithe-barn.recipe.toml"""


@cache
def _commands() -> Callable[..., Any]:
    """All commands, built from their functions once: that takes 20 ms."""
    found: Callable[..., Any] = typer.main.get_command(app)
    return found


COMPLETING = "_CHAINRUN_COMPLETE"
"""Environment variable in which a shell asks for completions."""


def _report_stop(signum: int) -> int:
    """Report that a signal ended the program, and remove half-written files; returns the exit code."""
    drop_all_parts()
    interrupted = signum == signal.SIGINT
    talk(f"{'interrupted' if interrupted else 'terminated'}; no half-written delivery is left")
    return exit_code(signum)


def _close_stdout() -> None:
    """Point stdout to nothing, so that the interpreter does not fail at its end on unwritten output."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _asks_for_help(error: Exception) -> bool:
    """Whether a command was given without its sub-command, so that its help is the answer.

    The error's class is found by its name, as in typer itself: it comes from click, or from typer's own copy of click.
    """
    return any(kind.__name__ == "NoArgsIsHelpError" for kind in type(error).__mro__)


def _report_defect(error: Exception, arguments: list[str]) -> int:
    """Report a defect of the program; returns the exit code."""
    line = report_defect(error, arguments)
    if "--json" in arguments:
        put_json(problems_document([Problem(line, code=Code.DEFECT)]))
    talk(line)
    return EXIT_DEFECT


def run(arguments: list[str] | None = None) -> None:
    """Run the program and end the process with its exit code."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), stop)
    sys.exit(main(sys.argv[1:] if arguments is None else arguments))


def main(arguments: list[str]) -> int:
    """Run the program; returns its exit code."""
    run_as_program()
    try:
        if not arguments and COMPLETING not in os.environ:
            put(NEXT)
            return EXIT_DONE
        code = _commands()(args=arguments, prog_name="chainrun", standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()
        return int(code) if isinstance(code, int) else EXIT_DONE
    except StoppedError as stopped:
        return _report_stop(stopped.signum)
    except Exception as error:
        return _report(error, arguments)


def _report(error: Exception, arguments: list[str]) -> int:
    """Report an error that ended the program; returns the exit code. Raises it if a traceback is wanted."""
    as_json = "--json" in arguments
    if isinstance(error, ChainrunError):
        show_error(error, as_json=as_json)
        return error.exit_code
    if isinstance(error, typer.Exit):
        return int(error.exit_code)
    if isinstance(error, BrokenPipeError):
        # The reader of our output has gone, which is no error: `chainrun explain | head`.
        _close_stdout()
        return EXIT_DONE
    if isinstance(error, UnicodeEncodeError | MemoryError):
        return _report_unfit(error, as_json=as_json)
    if StoppedError.arrived:
        return _report_stop(StoppedError.arrived[0])
    if isinstance(error, OSError):
        return _report_loss(error, as_json=as_json)
    usage = getattr(error, "exit_code", None)
    if usage is not None and hasattr(error, "format_message"):
        return _report_usage(error, int(usage), as_json=as_json)
    if wants_traceback():
        raise error
    return _report_defect(error, arguments)


def _report_unfit(error: UnicodeEncodeError | MemoryError, *, as_json: bool) -> int:
    """Report a name that is not UTF-8, or too little memory; returns the exit code."""
    if isinstance(error, MemoryError):
        scarce = Problem("there is not enough memory", code=Code.OUT_OF_MEMORY)
        show_error(ResourceError(scarce), as_json=as_json)
        return EXIT_RESOURCES
    given = shown(error.object) if isinstance(error.object, str) else None
    message = "a name that is not UTF-8 cannot be used here"
    problem = Problem(message, given=given, hint="rename the file", code=Code.NAME_NOT_UTF8)
    show_error(UsageError(problem), as_json=as_json)
    return EXIT_USAGE


def _report_loss(error: OSError, *, as_json: bool) -> int:
    """Report a file that could not be read or written, on stderr alone if it is stdout; returns the exit code."""
    file = str(error.filename) if error.filename is not None else None
    message = f"could not read or write ({error.strerror or type(error).__name__})"
    lost = Problem(message, file=file, code=Code.READING_OR_WRITING_FAILED)
    try:
        show_error(ResourceError(lost), as_json=as_json)
        if sys.stdout is not None:
            sys.stdout.flush()
    except (OSError, ValueError):  # it is stdout that cannot be written to
        _close_stdout()
        show_error(ResourceError(lost), as_json=False)
    return EXIT_RESOURCES


def _report_usage(error: Any, code: int, *, as_json: bool) -> int:
    """Report what typer found wrong with the command line, or show the help asked for; returns the exit code."""
    message = error.format_message()
    if _asks_for_help(error):
        put(message)
        return EXIT_DONE
    path = error.ctx.command_path if getattr(error, "ctx", None) is not None else "chainrun"
    hint = new_spelling(path.removeprefix("chainrun "), getattr(error, "option_name", None) or "")
    if hint is not None:
        message = message.partition(" (Possible")[0]  # a likely slip of the keyboard is none here
    problem = Problem(message, hint=hint or f"{path} --help", code=Code.BAD_COMMAND_LINE)
    show_error(UsageError(problem), as_json=as_json)
    return code
