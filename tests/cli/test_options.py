"""Options are alike in all commands: one name has one meaning, one form and one help text."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer

from chainrun.cli.app import app
from chainrun.cli.options import WITH_COMMAS
from chainrun.cli.renamed_options import RENAMED
from tests import program

SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[stems.pair]\nfile = "pair.wav"\n[[deliver]]\nfile = "mix.wav"\n'


def found(group, path=""):
    """Every command that has no sub-command, by its words."""
    for name, command in group.commands.items():
        words = f"{path} {name}".strip()
        if hasattr(command, "commands"):
            yield from found(command, words)
        else:
            yield words, command


COMMANDS = dict(found(typer.main.get_command(app)))
GROUPS = ("presets", "cull", "store")


def option(command, name):
    """The option of this name, or None."""
    return next((one for one in COMMANDS[command].params if name in one.opts), None)


def all_options(name):
    """The option of this name in each command that has it."""
    return {command: one for command in COMMANDS if (one := option(command, name)) is not None}


def test_there_are_commands():
    assert {"render", "schema", "cull plan", "presets where", "store check"} <= set(COMMANDS)
    assert len(COMMANDS) >= 23


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_json_and_quiet(command):
    for name in ("--json", "--quiet"):
        assert option(command, name).is_flag, name


@pytest.mark.parametrize("command", COMMANDS)
def test_out_is_a_folder_and_write_is_a_file(command):
    out, write = option(command, "--out"), option(command, "--write")
    for one, metavar, short in ((out, "DIR", True), (write, "FILE", False)):
        if one is not None:
            assert (one.metavar, one.is_flag, "-o" in one.opts) == (metavar, False, short)
    short = option(command, "-o")
    assert short is None or "--out" in short.opts


SHARED = [
    "--only", "--strict", "--all", "--json", "--quiet", "--workers", "--allow-root", "--set", "--overlay", "--limit",
    "--store", "--no-store", "--report", "--embed", "--shares", "--presets",
]  # fmt: skip


@pytest.mark.parametrize("name", SHARED)
def test_an_option_has_one_help_text(name):
    texts = {one.help for one in all_options(name).values()}
    assert len(texts) == 1, texts


@pytest.mark.parametrize("name", WITH_COMMAS)
def test_lists_may_be_repeated(name):
    known = all_options(name)
    assert known
    assert all(one.multiple for one in known.values()), name


READ_RECIPES_OR_PRESETS = {
    "render", "batch", "check", "resolve", "survey", "verify", "compare", "walkthrough", "pack",
    "presets list", "presets show", "presets where", "presets alike", "cull plan", "cull try", "cull apply",
}  # fmt: skip


def test_folders_can_be_allowed_wherever_a_recipe_or_a_preset_is_read():
    assert set(all_options("--allow-root")) == READ_RECIPES_OR_PRESETS


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_has_a_help_text_that_is_a_sentence(command):
    for one in COMMANDS[command].params:
        if one.name not in ("help", "name"):
            assert one.help, one.name
            assert one.help.endswith((".", ")")), one.help
            assert one.help[0].isupper() or one.help.startswith(("text,", "…")), one.help


def test_help_shows_each_command_in_one_whole_line(chainrun):
    for words in ((), *((group,) for group in GROUPS)):
        ran = chainrun(*words, "--help")
        lines = ran.out.split("Commands:\n")[1].splitlines()
        assert lines
        assert not [line for line in lines if line.endswith("...") or len(line) > 80], lines


@pytest.mark.parametrize("group", GROUPS)
def test_a_group_alone_shows_its_help_on_stdout(group):
    ran = program.run_as_process(group)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.lstrip().startswith(f"Usage: chainrun {group}")


@pytest.mark.parametrize(("command", "old"), RENAMED)
def test_an_old_spelling_says_the_new_one(session, chainrun, command, old):
    session.write(SONG)
    ran = chainrun(*command.split(), old, "x")
    assert ran.code == 2
    assert f"No such option: {old}\n" in ran.err
    assert f"hint: {RENAMED[command, old]}" in ran.err
    new = RENAMED[command, old].split()[0]
    assert not new.startswith("-") or option(command, new) is not None


# -- lists ---------------------------------------------------------------------------------------------------------


def test_lists_are_given_with_commas_or_repeated(session, chainrun):
    path = session.write(SONG)
    with_comma = chainrun("render", path, "-o", "a", "--only", "kick,pair", "--json").json
    repeated = chainrun("render", path, "-o", "a", "--only", "kick", "--only", "pair", "--json").json
    assert with_comma["deliveries"][0]["file"] == repeated["deliveries"][0]["file"]
    assert "kick+pair" in repeated["deliveries"][0]["file"]
    assert chainrun("check", path, "--limit", "nodes=50,work_h=2").code == 0
    assert chainrun("check", path, "--limit", "nodes=50,work_h=0").code == 3
    ran = chainrun("render", path, "--only", ",")
    assert (ran.code, "--only names nothing" in ran.err) == (2, True)


def test_a_file_whose_name_holds_a_comma_is_one_file(session, chainrun):
    path = session.write(SONG)
    for name, level in (("a,b.overlay.toml", -6), ("a.overlay.toml", -1), ("b.overlay.toml", -2)):
        Path(name).write_text(f'"stems.kick.level_db" = {level}\n')
    for given, level in (("a,b.overlay.toml", -6), ("a.overlay.toml,b.overlay.toml", -2), ("[ab].overlay.toml", -2)):
        data = chainrun("resolve", path, "--overlay", given, "--json").json["recipe"]
        assert data["stems"]["kick"]["level_db"] == level, given


def test_one_variant_where_a_command_takes_one(session, chainrun):
    path = session.write(SONG + '[variants.x]\n"stems.kick.level_db" = -1\n[variants.y]\n"stems.kick.level_db" = -2\n')
    for given in (["--variant", "x,y"], ["--variant", "x", "--variant", "y"]):
        ran = chainrun("render", path, *given)
        assert (ran.code, "--variant takes one name here; given x, y" in ran.err) == (2, True)
        ran = chainrun("check", path, *given)
        assert (ran.code, ran.out.count("variant x: valid") + ran.out.count("variant y: valid")) == (0, 2)


# -- patterns ------------------------------------------------------------------------------------------------------


def test_quoted_patterns_find_files(session, chainrun):
    session.write(SONG, "one")
    session.write(SONG, "two")
    Path("deep/er").mkdir(parents=True)
    Path("deep/er/three.recipe.toml").write_text(SONG.replace('"', '"').replace("kick.wav", "../../kick.wav"))
    assert chainrun("check", "*.recipe.toml").out.count("valid") == 2
    ran = chainrun("check", "**/*.recipe.toml", "--allow-root", ".")
    assert "three.recipe.toml" in ran.out + ran.err
    assert len(chainrun("measure", "k*.wav", "p*.wav", "--json").json["files"]) == 2


@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "no*.recipe.toml"), ("render", "no*.recipe.toml"), ("verify", "no*.recipe.toml"),
        ("measure", "no*.wav"), ("check", "song.recipe.toml", "--overlay", "no*.overlay.toml"),
    ],
)  # fmt: skip
def test_a_pattern_that_matches_nothing_is_a_usage_error(session, chainrun, arguments):
    session.write(SONG)
    ran = chainrun(*arguments)
    assert (ran.code, " matches; given no*" in ran.err) == (2, True), ran.err


def test_a_name_with_brackets_is_a_file(session, chainrun):
    session.write(SONG, "take [1]")
    assert chainrun("check", "take [1].recipe.toml").code == 0


# -- what is written -----------------------------------------------------------------------------------------------


def test_json_lists_the_files_that_were_written(session, chainrun):
    path = session.write(SONG)
    Path("takes").mkdir()
    Path("takes/kick.wav").write_bytes(Path("kick.wav").read_bytes())
    for arguments, files in (
        (("render", path, "-o", "out"), ["out/mix.wav"]),
        (("resolve", path, "--write", "flat.recipe.toml"), ["flat.recipe.toml"]),
        (("schema", "-o", "docs"), ["docs/chainrun.schema.json", "docs/REFERENCE.md"]),
        (("pack", path, "--write", "song.zip", "--no-licence"), ["song.zip"]),
        (("survey", path, "--write", "mend.overlay.toml"), ["mend.overlay.toml"]),
        (("walkthrough", path, "--write", "page.html", "--stems", "kick"), ["page.html"]),
        (("draft", "takes", "--write", "new/takes.recipe.toml"), ["new/takes.recipe.toml"]),
    ):
        ran = chainrun(*arguments, "--json")
        assert ran.code == 0, (arguments, ran.err)
        written = json.loads(ran.out)["written"]
        assert [one for one in files if one not in written] == [], arguments
        assert all(Path(one).exists() for one in written), arguments


def test_an_error_is_shown_under_quiet(session, chainrun):
    for arguments in (("render", "no.recipe.toml"), ("measure", "no.wav"), ("draft", "no"), ("presets", "list")):
        ran = chainrun(*arguments, "--quiet")
        assert ran.code != 0
        assert ran.err.strip()


def test_a_walkthrough_goes_into_a_folder_or_a_file(session, chainrun):
    path = session.write(SONG)
    for given, said in (
        ((), "needs -o DIR or --write NAME.html"),
        (("-o", "a", "--write", "b.html"), "needs -o DIR or --write NAME.html"),
        (("-o", "page.html"), "hint: --write page.html"),
        (("--write", "page"), "hint: page.html"),
    ):
        ran = chainrun("walkthrough", path, *given)
        assert (ran.code, said in ran.err) == (2, True), ran.err
