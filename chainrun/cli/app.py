"""The program: its commands, and what becomes of errors and signals."""

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

  chainrun render RECIPE -o DIR    mix a session
  chainrun check RECIPE            is the recipe valid, are its stems there?
  chainrun explain                 the processors, and the tables of a recipe
  chainrun draft FOLDER            a first recipe for a folder of recordings
  chainrun compare A B             what differs between two mixes?
  chainrun verify RECIPE           does it still sound as it was accepted?
  chainrun survey RECIPE|FOLDER    what is wrong with the stems
  chainrun presets, chainrun cull  the preset library, and its yearly cull
  chainrun walkthrough RECIPE      a mix step by step, to teach from
  chainrun pack RECIPE             stems, recipe and mix to give away
  chainrun measure FILE            loudness and peaks of audio files
  chainrun --help                  all commands

A first recipe to look at: recipes/tithe-barn.recipe.toml"""


@cache
def _commands() -> Callable[..., Any]:
    """All commands, read from their functions once: that takes 20 ms."""
    found: Callable[..., Any] = typer.main.get_command(app)
    return found


COMPLETING = "_CHAINRUN_COMPLETE"
"""The variable by which a shell asks how a line could go on."""


def _told_stop(signum: int) -> int:
    """Tell that a signal ended the program, and leave nothing half-written; returns its exit code."""
    drop_all_parts()
    interrupted = signum == signal.SIGINT
    talk(f"{'interrupted' if interrupted else 'terminated'}; no delivery was left half-written")
    return exit_code(signum)


def _close_stdout() -> None:
    """Let the interpreter not stumble over unwritten output at its end."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _asks_for_help(error: Exception) -> bool:
    """Whether a command was given without its sub-command, so that its help is the answer.

    By the name of the error's class, as typer itself does: the class lies in click, or in typer's own copy of it.
    """
    return any(kind.__name__ == "NoArgsIsHelpError" for kind in type(error).__mro__)


def _told_defect(error: Exception, arguments: list[str]) -> int:
    """Tell of a defect of ours; returns its exit code."""
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
        return _told_stop(stopped.signum)
    except Exception as error:
        return _told(error, arguments)


def _told(error: Exception, arguments: list[str]) -> int:
    """Tell of an error that ended the program; returns its exit code. Raises it where a traceback is wanted."""
    as_json = "--json" in arguments
    if isinstance(error, ChainrunError):
        show_error(error, as_json=as_json)
        return error.exit_code
    if isinstance(error, typer.Exit):
        return int(error.exit_code)
    if isinstance(error, BrokenPipeError):
        # Who read our output has gone; the interpreter must not stumble over the rest at its end.
        _close_stdout()
        return EXIT_DONE
    if isinstance(error, UnicodeEncodeError | MemoryError):
        return _told_unfit(error, as_json=as_json)
    if StoppedError.arrived:
        return _told_stop(StoppedError.arrived[0])
    if isinstance(error, OSError):
        return _told_loss(error, as_json=as_json)
    usage = getattr(error, "exit_code", None)
    if usage is not None and hasattr(error, "format_message"):
        return _told_usage(error, int(usage), as_json=as_json)
    if wants_traceback():
        raise error
    return _told_defect(error, arguments)


def _told_unfit(error: UnicodeEncodeError | MemoryError, *, as_json: bool) -> int:
    """Tell of a name or a session that is too much for the machine; returns the exit code."""
    if isinstance(error, MemoryError):
        scarce = Problem("there is not enough memory", code=Code.OUT_OF_MEMORY)
        show_error(ResourceError(scarce), as_json=as_json)
        return EXIT_RESOURCES
    given = shown(error.object) if isinstance(error.object, str) else None
    message = "a name that is no UTF-8 cannot be used here"
    told = Problem(message, given=given, hint="rename the file", code=Code.NAME_NOT_UTF8)
    show_error(UsageError(told), as_json=as_json)
    return EXIT_USAGE


def _told_loss(error: OSError, *, as_json: bool) -> int:
    """Tell of a file that could not be written or read, on stderr where it is stdout; returns the exit code."""
    file = str(error.filename) if error.filename is not None else None
    message = f"could not write or read ({error.strerror or type(error).__name__})"
    lost = Problem(message, file=file, code=Code.READING_OR_WRITING_FAILED)
    try:
        show_error(ResourceError(lost), as_json=as_json)
        if sys.stdout is not None:
            sys.stdout.flush()
    except (OSError, ValueError):  # it is stdout that cannot be written to
        _close_stdout()
        show_error(ResourceError(lost), as_json=False)
    return EXIT_RESOURCES


def _told_usage(error: Any, code: int, *, as_json: bool) -> int:
    """Tell what typer found wrong with the command line, or show the help asked for; returns the exit code."""
    message = error.format_message()
    if _asks_for_help(error):
        put(message)
        return EXIT_DONE
    show_error(UsageError(Problem(message, hint="chainrun --help", code=Code.BAD_COMMAND_LINE)), as_json=as_json)
    return code
