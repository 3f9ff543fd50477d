"""Damaged, odd and hostile input that once ended in a defect: each ends in words and the right exit code."""

from __future__ import annotations

import json
import lzma
import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest
import soundfile

from chainrun.scheduler.scheduler import Scheduler
from tests.signals import noise

SONG = 'recipe = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'


# -- packs ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def pack(session, chainrun):
    """A good pack, and `remade(change)`: its entries by name, changed and zipped again."""
    session.write(SONG)
    assert chainrun("pack", "song.recipe.toml", "--no-licence", "-o", "good.zip").code == 0
    with zipfile.ZipFile("good.zip") as file:
        entries = {one.filename: file.read(one) for one in file.infolist()}

    def remade(change, compression=zipfile.ZIP_DEFLATED):
        changed = change(dict(entries))
        with zipfile.ZipFile("bad.zip", "w", compression) as file:
            for name, data in changed.items():
                info = zipfile.ZipInfo("x" if name in ("", ".") else name)
                info.compress_type = compression
                if name in ("", "."):
                    info.filename = name
                file.writestr(info, data)
        return Path("bad.zip")

    return remade


def sums_name(entries):
    return next(name for name in entries if name.endswith("SHA256SUMS"))


def test_a_long_list_of_sums_is_refused(pack, chainrun):
    line = "0" * 64 + "  name\n"
    path = pack(lambda entries: {**entries, sums_name(entries): (line * 40000).encode()})
    ran = chainrun("check", path)
    assert (ran.code, "SHA256SUMS is too long" in ran.err) == (3, True)


def test_unlisted_files_are_refused_before_anything_is_unpacked(pack, chainrun, monkeypatch):
    folder = None

    def change(entries):
        nonlocal folder
        folder = next(iter(entries)).split("/")[0]
        return {**entries, f"{folder}/extra.bin": b"x"}

    path = pack(change)
    import chainrun.pack.check as module

    def unpack(*_):
        raise AssertionError("something was unpacked")

    monkeypatch.setattr(module, "work_folder", unpack)
    ran = chainrun("check", path)
    assert (ran.code, "is in the pack, and not in its list" in ran.err) == (1, True)


def test_the_whole_unpacked_size_is_bounded(pack, chainrun, monkeypatch):
    path = pack(lambda entries: entries)
    monkeypatch.setenv("CHAINRUN_LIMITS", "disk_gb=0.000001")
    ran = chainrun("check", path)
    assert (ran.code, "over the limit disk_gb" in ran.err) == (3, True)


def test_a_pack_is_its_own_root_wherever_it_is_unpacked(session, chainrun, monkeypatch, tmp_path_factory):
    """A mark above the place for temporary files does not let a stranger's recipe reach what lies there."""
    place = tmp_path_factory.mktemp("marked")
    (place / ".chainrun-root").touch()
    shutil.copy("kick.wav", place / "kick.wav")
    session.write(SONG)
    assert chainrun("pack", "song.recipe.toml", "--no-licence", "-o", "good.zip").code == 0
    import hashlib

    with zipfile.ZipFile("good.zip") as old, zipfile.ZipFile("bad.zip", "w") as new:
        entries = {one.filename: old.read(one) for one in old.infolist()}
        recipe = next(name for name in entries if name.endswith(".recipe.toml"))
        before = hashlib.sha256(entries[recipe]).hexdigest()
        entries[recipe] = entries[recipe].replace(b'"stems"', b'".."').replace(b'"kick.flac"', b'"kick.wav"')
        sums = sums_name(entries)
        entries[sums] = entries[sums].replace(before.encode(), hashlib.sha256(entries[recipe]).hexdigest().encode())
        for name, data in entries.items():
            new.writestr(name, data)
    monkeypatch.setenv("TMPDIR", str(place))
    import tempfile

    monkeypatch.setattr(tempfile, "tempdir", None)
    ran = chainrun("check", "bad.zip")
    assert (ran.code, "outside the recipe's root" in ran.err) == (3, True), ran.err


@pytest.mark.parametrize("name", ["", "."])
def test_entries_without_a_name(pack, chainrun, name):
    ran = chainrun("check", pack(lambda entries: {name: b"x", **entries}))
    assert ran.code == 3, ran.err
    assert "defect" not in ran.err


def test_lzma_damage_and_false_flags(pack, chainrun):
    path = pack(lambda entries: entries, zipfile.ZIP_LZMA)
    data = bytearray(path.read_bytes())
    with zipfile.ZipFile(path) as file:
        big = max(file.infolist(), key=lambda one: one.compress_size)
    at = big.header_offset + 30 + len(big.filename)
    data[at + 9 : at + 60] = b"\xff" * 51
    path.write_bytes(bytes(data))
    ran = chainrun("check", path)
    assert (ran.code, "defect" in ran.err) == (3, False), ran.err
    path = pack(lambda entries: entries)
    data = bytearray(path.read_bytes())
    at = data.find(b"PK\x01\x02")
    data[at + 9] |= 0x08  # "the name is UTF-8"
    data[at + 46 : at + 48] = b"\xff\xfe"
    path.write_bytes(bytes(data))
    ran = chainrun("check", path)
    assert (ran.code, "defect" in ran.err) == (3, False), ran.err
    assert lzma


# -- culls ---------------------------------------------------------------------------------------------------------

DAMAGE = [
    "[" * 50000, "{}", "[]", "null", '{"cull": 1}', '{"operations": 3, "libraries": []}',
    '{"operations": [3], "libraries": []}', '{"operations": [{"file": 3}], "libraries": []}',
    '{"operations": [{"file": "a.preset.toml", "target": "b"}], "libraries": ["."]}',
    '{"operations": [{"file": "a\\u0000.overlay.toml", "text": "x"}], "libraries": []}',
    '{"operations": [], "libraries": [7]}', '{"operations": [{"text": "x"}], "libraries": []}', "\xff\xfe",
    '{"direction": "sideways", "operations": [], "earlier": [], "libraries": [], "plan_hash": "", "record": ""}',
    '{"direction": "undo", "operations": [{}], "earlier": [], "libraries": ["."], "plan_hash": "", "record": ""}',
    '{"direction": "undo", "operations": [], "earlier": [], "libraries": [], "plan_hash": 3, "record": ""}',
]  # fmt: skip


@pytest.mark.parametrize("text", DAMAGE)
def test_damaged_journals_and_records(tmp_path, monkeypatch, chainrun, text):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "presets").mkdir()
    (tmp_path / "presets" / "a.preset.toml").write_text(
        'preset = 1\nsince = 2020\nchain = [ { do = "gain", gain_db = 1 } ]\n'
    )
    plan = tmp_path / "2026.cull.toml"
    plan.write_text('cull = 1\nyear = 2026\npresets_dirs = ["presets"]\n')
    for name in (".2026.cull.toml.cull-journal.json", "2026.cull.undo.json"):
        (tmp_path / name).write_bytes(text.encode("latin-1"))
        for command in (("cull", "apply", plan), ("cull", "undo", plan)):
            ran = chainrun(*command)
            assert ran.code in (0, 3, 5), (command, ran.code, ran.err)
            assert "defect" not in ran.err
        (tmp_path / name).unlink(missing_ok=True)
    (tmp_path / "presets" / ".cull-in-progress").write_bytes(b"\xff\0x")
    ran = chainrun("cull", "apply", plan)
    assert (ran.code, "defect" in ran.err) == (0, False), ran.err


# -- recipes, jobs, stems ------------------------------------------------------------------------------------------


def test_a_zero_byte_in_a_file_of_jobs(session, chainrun):
    Path("night.jobs.toml").write_text('jobs = 1\n[[job]]\nrecipes = ["a\\u0000b.recipe.toml"]\n')
    ran = chainrun("batch", "night.jobs.toml")
    assert (ran.code, "zero byte" in ran.err) == (3, True), ran.err


def test_raw_samples_are_refused_by_name(session, chainrun):
    Path("kick.raw").write_bytes(bytes(9600))
    ran = chainrun("check", session.write(SONG.replace("kick.wav", "kick.raw")))
    assert (ran.code, "raw samples have no header" in ran.err) == (4, True), ran.err
    assert chainrun("measure", "kick.raw").code == 4


def test_names_that_are_no_utf8(session, chainrun):
    odd = os.fsdecode(b"st\xffem.wav")
    shutil.copy("kick.wav", odd)
    assert chainrun("measure", odd).code == 0
    recipe = session.folder / os.fsdecode(b"s\xffng.recipe.toml")
    recipe.write_text(SONG)
    for command in (("check", recipe), ("render", recipe, "-o", "out"), ("resolve", recipe), ("verify", recipe)):
        ran = chainrun(*command)
        assert ran.code in (0, 1, 2), (command, ran.code, ran.err)
        assert "defect" not in ran.err, ran.err
    Path("folder").mkdir()
    shutil.copy("kick.wav", Path("folder") / odd)
    ran = chainrun("draft", "folder")
    assert ran.code in (0, 2, 4), ran.err
    assert "defect" not in ran.err


def test_true_is_no_version(session, chainrun):
    ran = chainrun("check", session.write(SONG.replace("recipe = 1", "recipe = true")))
    assert (ran.code, "a version is a number" in ran.err) == (3, True), ran.err


def test_a_value_with_a_line_end_is_refused(session, chainrun):
    ran = chainrun("check", session.write(SONG), "--set", "title='a'\nnote='b'")
    assert (ran.code, "one assignment is one line" in ran.err) == (3, True), ran.err


def test_a_circle_through_a_key_names_every_node_in_it(session, chainrun):
    text = SONG.replace('file = "kick.wav"\n', 'file = "kick.wav"\nto = "kit"\n', 1)
    text += '[stems.snare]\nfile = "snare.wav"\nto = "kit"\n[buses.kit]\n'
    key = 'chain = [ { do = "gate", threshold_db = -30, key = { from = ["kit"], tap = "raw" } } ]\n'
    ran = chainrun("check", session.write(text.replace("[[deliver]]", key + "[[deliver]]")))
    assert ran.code == 3
    circle = next(line for line in ran.err.splitlines() if "goes in a circle" in line)
    assert "kick -> kit -> kick" in circle or "kit -> kick -> kit" in circle, circle


def test_the_stems_folder_is_blamed_where_it_is_wrong(session, chainrun):
    text = 'stems_dir = "nowhere"\n' + SONG + '[stems.snare]\nfile = "snare.wav"\n'
    ran = chainrun(
        "check", session.write(text.replace("recipe = 1\n", "", 1).replace("stems_dir", "recipe = 1\nstems_dir", 1))
    )
    assert ran.code == 4
    assert "stems_dir  there is no such folder" in ran.err
    assert "snare.wav" not in ran.err


def test_stems_outside_the_root_are_one_problem_with_the_line_that_mends_it(session, chainrun, monkeypatch):
    Path("song").mkdir()
    stems = "".join(f'[stems.s{i}]\nfile = "kick.wav"\n' for i in range(18))
    Path("song/song.recipe.toml").write_text(f'recipe = 1\nstems_dir = ".."\n{stems}[[deliver]]\nfile = "mix.wav"\n')
    for folder in (".", "song"):
        monkeypatch.chdir(session.folder / folder)
        ran = chainrun("check", session.folder / "song" / "song.recipe.toml")
        assert ran.code == 3
        assert ran.err.count("outside the recipe's root") == 1
        (line,) = [line for line in ran.err.splitlines() if "hint: touch " in line]
        command = line.partition("hint: ")[2]
        mark = Path(command.removeprefix("touch "))
        mark.touch()
        assert chainrun("check", session.folder / "song" / "song.recipe.toml").code == 0
        mark.unlink()


@pytest.mark.parametrize("kind", ["stem", "response", "preset", "base"])
def test_one_exit_code_for_files_outside_the_root(session, chainrun, kind):
    Path("inside").mkdir()
    Path("p").mkdir()
    Path("p/a.preset.toml").write_text("preset = 1\nsince = 2020\nchain = []\n")
    Path("b.recipe.toml").write_text("recipe = 1\n")
    shutil.copy("kick.wav", "inside/kick.wav")
    text = {
        "stem": SONG.replace('"kick.wav"', '"../kick.wav"'),
        "response": SONG.replace("[[del", 'chain = [ { do = "convolve", file = "../kick.wav" } ]\n[[del'),
        "preset": SONG.replace("recipe = 1", 'recipe = 1\npresets_dirs = ["../p"]').replace(
            "[[del", 'chain = [ { preset = "a" } ]\n[[del'
        ),
        "base": SONG.replace("recipe = 1", 'recipe = 1\nbase = "../b.recipe.toml"'),
    }[kind]
    Path("inside/song.recipe.toml").write_text(text)
    ran = chainrun("check", "inside/song.recipe.toml")
    assert (ran.code, "outside the recipe's root" in ran.err) == (3, True), ran.err


def test_a_long_path_keeps_its_end(session, chainrun):
    name = "a/" * 40 + "the-one-that-is-missing.wav"
    ran = chainrun("check", session.write(SONG.replace("kick.wav", name)))
    assert ran.code == 4
    assert "the-one-that-is-missing.wav" in ran.err


# -- output --------------------------------------------------------------------------------------------------------


def test_an_output_folder_that_cannot_be_written_is_noticed_before_rendering(session, chainrun, monkeypatch):
    import chainrun.delivery.rendering as module

    def rendered(*_):
        raise AssertionError("something was rendered")

    monkeypatch.setattr(module, "run_task", rendered)
    ran = chainrun("render", session.write(SONG), "-o", "/proc/self")  # no file can be made there, not even by root
    assert (ran.code, "the output folder" in ran.err) == (5, True), ran.err


@pytest.mark.parametrize(
    ("command", "code"),
    [
        (("render", "none.recipe.toml"), 3), (("render", "song.recipe.toml", "--nonsense"), 2),
        (("verify", "none.recipe.toml"), 3), (("batch", "none.jobs.toml"), 3), (("measure", "none.wav"), 4),
        (("compare", "none.wav", "kick.wav"), 4), (("survey", "none"), 3), (("draft", "none"), 2),
        (("render", "song.recipe.toml", "-o", "kick.wav"), 5), (("presets", "list", "--presets", "none"), None),
        (("check", "none.recipe.toml"), 3), (("store", "info", "--store", "kick.wav"), 5),
    ],
)  # fmt: skip
def test_every_error_under_json_is_one_document(session, chainrun, command, code):
    session.write(SONG)
    ran = chainrun(*command, "--json")
    document = json.loads(ran.out)
    assert isinstance(document, dict)
    assert code is None or ran.code == code, (ran.code, ran.err)
    if code is not None:
        assert document["problems"], document


def test_a_defect_under_json_is_a_document_too(session, chainrun, monkeypatch):
    import chainrun.cli.measure as module

    def broken(*_, **__):
        raise KeyError("x")

    import chainrun.measuring as engine

    monkeypatch.setattr(engine, "measure_file", broken)
    ran = chainrun("measure", "kick.wav", "--json")
    assert ran.code == 70
    assert "has a defect" in json.loads(ran.out)["problems"][0]["message"]
    assert module


# -- signals -------------------------------------------------------------------------------------------------------


def start(*arguments, **more):
    return subprocess.Popen(
        [sys.executable, "-m", "chainrun", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **more,
    )


@pytest.fixture
def heavy(session):
    soundfile.write("kick.wav", noise(48000 * 10, 0.05), 48000)
    step = '{ do = "saturate" }'
    text = SONG.replace("[[del", f"chain = [ {step}, {step}, {step} ]\n[[del", 1).replace(
        '"mix.wav"', '"mix.wav"\nsidecar = true'
    )
    for name in ("a", "b", "c"):
        session.write(text, name)
    Path("night.jobs.toml").write_text('jobs = 1\n[[job]]\nrecipes = ["[abc].recipe.toml"]\n')
    return session.folder


def parts(folder):
    return list(Path(folder).rglob(".*.part"))


@pytest.mark.parametrize("signum", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_at_any_moment_leaves_no_part_and_no_noise(heavy, store, signum):
    """From the program's own start to the end of a batch, with workers."""
    for moment in (0.15, 0.22, 0.3, 0.6, 0.9, 1.3, 1.8, 2.4):
        process = start("batch", "night.jobs.toml", "--workers", "2", "--no-store", start_new_session=True)
        time.sleep(moment)
        process.send_signal(signum)
        _, err = process.communicate(timeout=30)
        assert "Exception ignored" not in err, (moment, err)
        assert "Traceback" not in err, (moment, err)
        assert process.returncode in (0, 130, 143, -signum), (moment, process.returncode, err)
        assert not parts(heavy), (moment, parts(heavy))


def test_a_signal_while_the_program_is_imported_is_quiet():
    """As a person who has changed their mind: no traceback."""
    code = (
        "import os, signal, sys, threading\n"
        "import chainrun.cli.start as start\n"
        "class Slow:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'chainrun.cli.app':\n"
        "            os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Slow())\n"
        "start.run()\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert (ran.returncode, ran.stderr, ran.stdout) == (130, "", "")


def _dies(task):
    os.kill(os.getpid(), signal.SIGKILL)


def test_several_killed_workers_in_a_row_are_told(tmp_path):
    failed = {}
    crew = Scheduler(_dies, lambda key: key, lambda key, result: None, failed.__setitem__)
    crew.run(dict.fromkeys("abcd", ()), 2)
    assert sorted(failed) == list("abcd")
    assert all(error.exit_code == 5 for error in failed.values())


def test_pages_leave_nothing_in_the_home_folder(session, tmp_path_factory):
    pytest.importorskip("matplotlib")
    pytest.importorskip("jinja2")
    home = tmp_path_factory.mktemp("home")
    session.write(SONG)
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("XDG_", "MPL"))}
    process = start(
        "render",
        "song.recipe.toml",
        "-o",
        "out",
        "--report",
        "page",
        "--no-store",
        env={**environment, "HOME": str(home)},
    )
    _, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    assert list(home.rglob("*")) == []
