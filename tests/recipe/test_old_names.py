"""Files of an older grammar: read as before, and rewritten by `check --fix` so that nothing else changes."""

import json
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some

from chainrun import toml_file
from chainrun.recipe.redirects import apply, find, per_cent
from chainrun.recipe.renamed import FileKind
from chainrun.recipe.rewrite import NotRewritableError, todays_text
from chainrun.recipe.tables import Place, plain, wrap
from tests.program import run_in_shell
from tests.signals import ROOT

OLD = ROOT / "tests" / "recipes" / "v0_2"
"""The teaching recipes, presets, plans and baselines as version 0.2.0 had them."""
STEM = '[stems.a]\nfile = "a.wav"\n'
CHAIN = 'chain = [ {{ do = "{}", {} }} ]\n'
KEYS = {
    "the version": ("recipe = 1", "grammar = 1"),
    "the tail": ("tail_max_s = 3", "max_tail_s = 3"),
    "a send": (STEM + "sends = { hall = -18.0 }", STEM + "sends = { hall = { level_db = -18.0 } }"),
    "a send in long form": (
        STEM + "sends = { hall = { level_db = -18, before_fader = true } }",
        STEM + 'sends = { hall = { level_db = -18, tap = "after_chain" } }',
    ),
    "a send after the fader": (
        STEM + "sends = { hall = { level_db = -18, before_fader = false } }",
        STEM + 'sends = { hall = { level_db = -18, tap = "after_fader" } }',
    ),
    "a ride": (
        STEM + "level_points_db = [[0, 0.0], [12.5, -2]]",
        STEM + "ride = [{ at_s = 0, gain_db = 0.0 }, { at_s = 12.5, gain_db = -2 }]",
    ),
    "stretches": (
        STEM + "active_s = [\n  [0.0, 9.5], # verse\n]",
        STEM + "active = [\n  { from_s = 0.0, to_s = 9.5 }, # verse\n]",
    ),
    "a microphone": (STEM + '[stems.a.source]\nmic = "old"', STEM + '[stems.a.microphone]\nmic = "old"'),
    "a microphone by dots": (STEM + "source.distance_m = 1", STEM + "microphone.distance_m = 1"),
    "a key's tap": (
        STEM + CHAIN.format("gate", 'threshold_db = -3, key = { from = ["a"], tap = "raw" }'),
        STEM + CHAIN.format("gate", 'threshold_dbfs = -3, key = { from = ["a"], tap = "before_chain" }'),
    ),
    "a delivery": (
        '[[deliver]]\nfile = "m.wav"\ntap = "fader"\nchannels = "mono"\nfit = "limit"',
        '[[deliver]]\nfile = "m.wav"\ntap = "after_fader"\nlayout = "mono"\nfit = "limiter"',
    ),
    "expectations": (
        "[expect]\nrange_lu = { from = 1, to = 3 }\nplr_lu = { at_least = 1 }\ncrest_db = { at_most = 9 }",
        "[expect]\nrange_lu = { min = 1, max = 3 }\nplr_lu = { min = 1 }\ncrest_db = { max = 9 }",
    ),
    "saturate": (
        STEM + CHAIN.format("saturate", 'curve = "biased_tanh", bias = 0.35, level_db = -3'),
        STEM + CHAIN.format("saturate", 'curve = "biased_tanh", bias_pct = 35, makeup_db = -3'),
    ),
    "convolve": (
        STEM + CHAIN.format("convolve", 'file = "h.wav", gain_db = -3, longest_s = 2'),
        STEM + CHAIN.format("convolve", 'file = "h.wav", wet_db = -3, max_length_s = 2'),
    ),
    "declip": (
        STEM + CHAIN.format("declip", "most_db = 3, longest_ms = 1"),
        STEM + CHAIN.format("declip", "max_over_threshold_db = 3, max_run_ms = 1"),
    ),
    "hum": (STEM + CHAIN.format("hum", "notch_hz = 2"), STEM + CHAIN.format("hum", "bandwidth_hz = 2")),
    "polarity": (
        STEM + CHAIN.format("polarity", 'channel = "left"'),
        STEM + CHAIN.format("polarity", 'acts_on = "left"'),
    ),
    "split": (
        STEM + CHAIN.format("split", "crossovers_hz = [200], order = 8, bands = [{}, { level_db = -3 }]"),
        STEM
        + CHAIN.format("split", "crossovers_hz = [200], slope_db_per_octave = 48, bands = [{}, { level_db = -3 }]"),
    ),
    "eq": (
        STEM
        + CHAIN.format(
            "eq", 'bands = [ { kind = "low_shelf", freq_hz = 90, gain_db = 3, slope = 0.07, channel = "mid" } ]'
        ),
        STEM
        + CHAIN.format(
            "eq", 'bands = [ { kind = "low_shelf", freq_hz = 90, gain_db = 3, steepness_pct = 7, acts_on = "mid" } ]'
        ),
    ),
    "dynamic_eq": (
        STEM + CHAIN.format("dynamic_eq", "bands = [ { freq_hz = 90, threshold_db = -3 } ]"),
        STEM + CHAIN.format("dynamic_eq", 'bands = [ { kind = "bell", freq_hz = 90, threshold_dbfs = -3 } ]'),
    ),
    "a preset use": (
        STEM + 'chain = [ { preset = "x", set = { "comp.threshold_db" = -3, "in.bite.level_db" = 2 } } ]',
        STEM + 'chain = [ { preset = "x", set = { "comp.threshold_dbfs" = -3, "in.bite.makeup_db" = 2 } } ]',
    ),
    "a preset use without quotes": (
        STEM + 'chain = [ { preset = "x", set = { comp = { threshold_db = -3 } } } ]',
        STEM + 'chain = [ { preset = "x", set = { comp = { threshold_dbfs = -3 } } } ]',
    ),
    "chains in chains": (
        STEM + CHAIN.format("branches", 'branches = [ { level_db = -3, chain = [ { do = "hum", notch_hz = 2 } ] } ]'),
        STEM
        + CHAIN.format("branches", 'branches = [ { level_db = -3, chain = [ { do = "hum", bandwidth_hz = 2 } ] } ]'),
    ),
    "a variant": (
        '[variants.x]\n"stems.a.chain.door.threshold_db" = -3\n"stems.a.chain.0.bands.1.channel" = "mid"\n'
        '"stems.a.sends.hall" = -3\n"stems.a.active_s.0" = [1, 2]\nremove = ["stems.a.source"]',
        '[variants.x]\n"stems.a.chain.door.threshold_dbfs" = -3\n"stems.a.chain.0.bands.1.acts_on" = "mid"\n'
        '"stems.a.sends.hall" = { level_db = -3 }\n"stems.a.active.0" = { from_s = 1, to_s = 2 }\n'
        'remove = ["stems.a.microphone"]',
    ),
}
LEFT_ALONE = [
    STEM + "channel = 2",
    STEM + CHAIN.format("gain", "gain_db = -3"),
    STEM + 'chain = [ { preset = "x", set = { "g.gain_db" = -3 } } ]',
    '[variants.x]\n"stems.a.channel" = 2\n"stems.a.level_db" = -3\n"stems.a.chain.g.gain_db" = 1',
    '[variants.x]\n"stems.a.chain.0.branches.0.level_db" = -3\n"stems.a.chain.0.bands.1.level_db" = -3',
    'title = "threshold_db"  # level_points_db',
    "[expect.tolerance]\nresidual_lu = -50",
]


@pytest.mark.parametrize("name", KEYS)
def test_each_old_name_becomes_todays_and_nothing_else_changes(name):
    before, after = KEYS[name]
    text, n = todays_text(f"# mine\n{before}\n# end\n", FileKind.RECIPE)
    assert text == f"# mine\n{after}\n# end\n"
    assert n > 0
    assert todays_text(text, FileKind.RECIPE) == (text, 0)


@pytest.mark.parametrize("text", LEFT_ALONE)
def test_names_that_are_todays_stay(text):
    assert todays_text(text, FileKind.RECIPE) == (text, 0)


def test_a_room_of_an_older_file_keeps_its_level_and_one_of_today_has_the_default():
    room = STEM + 'chain = [ { do = "room", absorption = 0.35 } ]\n'
    old, _ = todays_text("recipe = 1\n" + room, FileKind.RECIPE)
    assert old == "grammar = 1\n" + STEM + 'chain = [ { do = "room", level = "physical", absorption_pct = 35 } ]\n'
    new, _ = todays_text("grammar = 1\n" + room, FileKind.RECIPE)
    assert "level" not in new
    header = 'recipe = 1\n[stems.a]\nfile = "a.wav"\n[[stems.a.chain]]\ndo = "room"  # wide\nseed = 2\n'
    text, _ = todays_text(header, FileKind.RECIPE)
    assert '[[stems.a.chain]]\ndo = "room"  # wide\nlevel = "physical"\nseed = 2\n' in text


@pytest.mark.parametrize(
    ("kind", "before", "after"),
    [
        (FileKind.PRESET, 'preset = 1\nchain = [ { do = "gate", threshold_db = -3 } ]', None),
        (FileKind.JOBS, 'jobs = 1\n[[job]]\nset = { "stems.a.chain.0.threshold_db" = -3 }', None),
        (FileKind.CULL, "cull = 1\nmax_level_lu = 2", "grammar = 1\nmax_level_change_lu = 2"),
        (FileKind.OVERLAY, 'overlay = 1\n[stems.a]\n"chain.0.threshold_db" = -3', None),
    ],
)
def test_other_kinds_of_file(kind, before, after):
    head = {FileKind.PRESET: "preset", FileKind.JOBS: "jobs", FileKind.OVERLAY: "overlay"}.get(kind, "")
    wanted = after or before.replace(f"{head} = 1", "grammar = 1").replace("threshold_db", "threshold_dbfs")
    assert todays_text(before, kind)[0] == wanted


def test_windows_line_ends_stay():
    text, _ = todays_text(
        'recipe = 1\r\n[stems.a]\r\nfile = "a"\r\nlevel_points_db = [\r\n [0, 1],\r\n]\r\n', FileKind.RECIPE
    )
    assert text == 'grammar = 1\r\n[stems.a]\r\nfile = "a"\r\nride = [\r\n { at_s = 0, gain_db = 1 },\r\n]\r\n'


def test_what_cannot_be_rewritten_is_refused():
    with pytest.raises(NotRewritableError, match="comment"):
        todays_text(STEM + "active_s = [ [ 0.0, # from\n 1.0 ] ]\n", FileKind.RECIPE)


@given(some.integers(1, 100))
def test_shares_of_two_digits_are_the_same_number_in_per_cent(share):
    # As people write them, so that the sound is the same to the bit; with more digits within one rounding.
    assert per_cent(share / 100) / 100.0 == share / 100
    assert abs(per_cent(share / 1000) / 100.0 - share / 1000) <= 2**-53


def test_the_data_read_is_the_data_rewritten():
    """Loading an old file and loading its rewritten text give the same tables, for every old file of the repository."""
    n_old = 0
    for path in sorted(OLD.rglob("*.toml")):
        kind = FileKind.of_name(path.name)
        if kind is FileKind.BASELINE:
            continue
        old = wrap(toml_file.parse(path.read_text()), Place(path))
        redirects = find(old, kind)
        n_old += bool(redirects)
        apply(redirects)
        assert plain(old) == toml_file.parse(todays_text(path.read_text(), kind)[0]), path
    assert n_old > 35


@pytest.fixture
def old_session(tmp_path, monkeypatch):
    """The repository's recipes of version 0.2.0 beside its fixtures."""
    shutil.copytree(OLD, tmp_path / "recipes")
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _all_files():
    return [str(path) for path in sorted(Path("recipes").rglob("*")) if path.is_file()]


def test_old_files_pass_verify_before_and_after_the_fix(old_session, chainrun):
    """Same samples: brushes has rides, sends, a room; barn-2024 a retired preset."""
    recipes = ["recipes/brushes.recipe.toml", "recipes/barn-2024.recipe.toml"]
    reach = ["--allow-root", str(ROOT / "fixtures"), "--store", "store"]
    ran = chainrun("verify", *recipes, *reach, "--all", "--json")
    assert ran.code == 0, ran.out
    before = ran.json["results"]
    ran = chainrun("check", "--fix", *_all_files(), "--allow-root", str(ROOT / "fixtures"))
    assert ran.code == 0, ran.err
    ran = chainrun("verify", *recipes, *reach, "--all", "--json")
    assert ran.code == 0, ran.out
    texts = [[check["text"] for check in one["checks"]] for one in ran.json["results"]]
    assert texts == [[check["text"] for check in one["checks"]] for one in before]
    assert "identical samples" in str(texts)
    assert "old-name" not in chainrun("check", *recipes, *reach[:2], "--json").out


def test_a_fix_twice_changes_nothing_the_second_time(old_session, chainrun):
    reach = ["--allow-root", str(ROOT / "fixtures")]
    chainrun("check", "--fix", *_all_files(), *reach)
    once = {path: Path(path).read_bytes() for path in _all_files()}
    ran = chainrun("check", "--fix", *_all_files(), *reach)
    assert {path: Path(path).read_bytes() for path in _all_files()} == once
    assert "nothing changed" in ran.out
    kinds = [line for text in once.values() for line in text.decode().splitlines() if line.endswith(" = 1")]
    assert not [line for line in kinds if line.split(" ")[0] in ("recipe", "preset", "jobs", "cull", "overlay")]


def test_the_record_of_a_cull_is_fixed_with_its_presets(old_session, chainrun):
    """Otherwise the undo would find changed presets."""
    chainrun("check", "--fix", *_all_files(), "--allow-root", str(ROOT / "fixtures"))
    record = json.loads(Path("recipes/2025.cull.undo.json").read_text())
    assert record["grammar"] == 1 and "cull" not in record
    ran = chainrun("cull", "undo", "recipes/2025.cull.toml")
    assert ran.code == 0, ran.err
    assert Path("recipes/presets/kick/first.preset.toml").read_text().startswith("grammar = 1")


def test_check_names_each_old_name_and_other_commands_say_it_once(old_session, chainrun):
    reach = ["--allow-root", str(ROOT / "fixtures")]
    ran = chainrun("check", "recipes/barn-2024.recipe.toml", *reach)
    assert ran.code == 0
    assert "recipe = 1 is now grammar = 1" in ran.err
    assert "threshold_db is now called threshold_dbfs" in ran.err
    ran = chainrun("resolve", "recipes/barn-2024.recipe.toml", *reach)
    assert ran.code == 0 and "grammar = 1" in ran.out and "threshold_db " not in ran.out


def test_git_or_nothing_keeps_the_old_text(session, chainrun):
    path = session.write('recipe = 1\n[stems.kick]\nfile = "kick.wav"\n')
    git = "git -c user.name=a -c user.email=a@example.org"
    ran = chainrun("check", "--fix", path)
    assert "no copy of the old text is kept" in ran.err and "song.recipe.toml" in ran.err
    path.write_text('recipe = 1\n[stems.kick]\nfile = "kick.wav"\n')
    kept = run_in_shell(f"git init -q && git add . && {git} commit -qm x", cwd=session.folder)
    assert kept.code == 0, kept.err
    ran = chainrun("check", "--fix", path)
    assert "no copy of the old text is kept" not in ran.err, ran.err
    assert sorted(one.name for one in session.folder.glob("*.recipe.toml*")) == ["song.recipe.toml"]


def test_a_file_that_cannot_be_rewritten_stops_the_fix_before_anything_is_written(session, chainrun):
    good = session.write('recipe = 1\n[stems.kick]\nfile = "kick.wav"\n')
    bad = session.write('recipe = 1\n[stems.kick\nfile = "kick.wav"\n', name="bad")
    ran = chainrun("check", "--fix", good, bad)
    assert ran.code == 3 and "bad.recipe.toml:2" in ran.err
    assert good.read_text().startswith("recipe = 1")


def test_an_assignment_may_use_an_old_name(session, chainrun):
    path = session.write(
        'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { do = "compressor", threshold_dbfs = -30 } ]\n'
    )
    ran = chainrun("resolve", path, "--set", "stems.kick.chain.0.threshold_db=-12")
    assert ran.code == 0 and "threshold_dbfs = -12" in ran.out, ran.err


def test_an_old_key_beside_todays_is_an_error(session, chainrun):
    path = session.write(
        'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n'
        'chain = [ { do = "gate", threshold_db = -30, threshold_dbfs = -20 } ]\n'
    )
    ran = chainrun("check", path)
    assert ran.code == 3 and "threshold_db" in ran.err
