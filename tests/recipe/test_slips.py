"""Hints for slips: each kind where it is made, in real recipes; none for valid text or other mistakes."""

from __future__ import annotations

import random
import time
import tomllib

import pytest

from chainrun import toml_file
from chainrun.errors import RecipeError
from chainrun.recipe.load import open_recipe, read_toml
from chainrun.recipe.problems import Problems
from chainrun.recipe.slips import known_keys, number_of, pan_of, ratio_of, truth_of, with_unit
from chainrun.recipe.toml_lines import masked
from chainrun.recipe.toml_slips import MAX_SLIPS, slips, where_to_look
from tests.signals import ROOT

RECIPES = sorted((ROOT / "recipes").glob("*.recipe.toml"))


def found_in(text):
    """The slips of a text; none for valid TOML."""
    try:
        tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        return slips(text, error)
    return []


CERTAIN = [
    ("a = [1 2]", "a = [1, 2]"),
    ("a = { b = 1 c = 2 }", "a = { b = 1, c = 2 }"),
    ("a = [ { b = 1 ]", "a = [ { b = 1 } ]"),
    ("a = [ { b = 1 } }", "a = [ { b = 1 } ]"),
    ("a = [1, 2", "a = [1, 2]"),
    ("freq_hz = 13k", "freq_hz = 13000"),
    ("freq_hz = 1.5k", "freq_hz = 1500"),
    ("gain_db = 6,5", "gain_db = 6.5"),
    ("a = { gain_db = -6,5, freq_hz = 13k }", "a = { gain_db = -6.5, freq_hz = 13000 }"),
    ("a = ‘x’", 'a = "x"'),
    ("a = „x“", 'a = "x"'),
    ('a = "x”', 'a = "x"'),
    ("a = −3", "a = -3"),
    ("a = [1, –3]", "a = [1, -3]"),
    ("a = - 3", "a = -3"),
    ("ratio = 4:1", "ratio = 4"),
    ("ratio = 3:2", "ratio = 1.5"),
    ("at_s = 1:30", "at_s = 90"),
    ("pan_pct = 35L", "pan_pct = -35"),
    ("pan_pct = R 20", "pan_pct = 20"),
    ("pan = left", "pan_pct = -100"),
    ("balance_pct = C", "balance_pct = 0"),
    ("mute = YES", "mute = true"),
    ("mute = Off", "mute = false"),
    ("gain_db = -3 dB", "gain_db = -3"),
    ("attack_ms = 0.01 s", "attack_ms = 10"),
    ("attack = 10 ms", "attack_ms = 10"),
    ("at_s = 500ms", "at_s = 0.5"),
    ("mix_pct = 50 %", "mix_pct = 50"),
    ("bits = 24 bit", "bits = 24"),
    ("freq_hz = [80 Hz, 1 kHz]", "freq_hz = [80, 1000]"),
    ("a: 1", "a = 1"),
    ("a == 1", "a = 1"),
    ('{ "a": 1 }'.strip("{} "), '"a" = 1'),
    ("a 1", "a = 1"),
    ('a "x"', 'a = "x"'),
    ("level db = 1", "level_db = 1"),
    ("level\t_db = 1", "level_db = 1"),
    ("level\u00a0_db = 1", "level_db = 1"),
    ("level_db =\u202f1", "level_db = 1"),
    ("a = 1 // b", "a = 1 # b"),
    ("; b", "# b"),
    ("a = 1;", "a = 1"),
    ("a = 1,", "a = 1"),
    ("a = { b = 1, }", "a = { b = 1 }"),
    ("a = {b = 1; c = 2}", "a = {b = 1, c = 2}"),
    ("a = .5", "a = 0.5"),
    ("a = 5.", "a = 5.0"),
    ("a = 05", "a = 5"),
    ("to = drums", 'to = "drums"'),
    ("file = Kick In 1.wav", 'file = "Kick In 1.wav"'),
    ('file = "kick.wav', 'file = "kick.wav"'),
    ('file = kick.wav"', 'file = "kick.wav"'),
    ('a = { do = "gate, b = 1 }', 'a = { do = "gate", b = 1 }'),
    (r'file = "stems\kick.wav"', 'file = "stems/kick.wav"'),
    ("[stems.kick", "[stems.kick]"),
    ("stems.kick]", "[stems.kick]"),
    ("a = {\n  b = 1, # why\n  c = 2,\n}", "a = { b = 1, c = 2 }"),
]


@pytest.mark.parametrize(("broken", "right"), CERTAIN)
@pytest.mark.parametrize(
    "around", ["{}", "x = 1\n{}\ny = [ 2 ]\n", "x = 1\r\n{}\r\ny = 2\r\n", "# 13k “x” //\n{} # 6,5"]
)
def test_the_hint_shows_the_line_as_it_should_be(broken, right, around):
    if broken == "; b" and "# 6,5" in around:
        pytest.skip("a comment that holds another")
    found = found_in(around.format(broken))
    assert len(found) == 1, found
    shown = found[0].hint.rpartition(": ")[2]
    assert shown.partition(" # 6,5")[0] == right
    tomllib.loads(right)


WITHOUT_A_LINE = [
    ("a = 1\na = 2\nb = 3", "a is in line 1 already"),
    ("[a]\nb = 1\n[c]\n[a]\nd = 1", "[a] is in line 1 already"),
    ("[a.chain]\nb = 1\n[a.chain]\nb = 2", "[[a.chain]]"),
    ("[a]\nchain = []\n[[a.chain]]\nb = 2", "chain is written in line 2 already"),
    ("level_db = -Inf", "mute = true"),
    ("a = 1, b = 2", "a line of its own"),
    ("a = 1,000", "nothing between thousands"),
    ("freq_hz = 10ms", "in the unit that its key names"),
    ("[stems.kick in]", "letters, digits"),
    ("größe = 3", "a to z"),
    ("a =\nb = 1", "write a value"),
]


@pytest.mark.parametrize(("broken", "words"), WITHOUT_A_LINE)
def test_a_slip_that_has_no_certain_line_says_what_to_look_at(broken, words):
    found = found_in(broken)
    assert words in found[0].hint


QUIET = [
    'a = "“x” – 6,5 dB // ; 13k yes 4:1"',
    "a = '“x” – 6,5 dB // ; 13k'",
    'a = """\n“x” – 6,5 dB\n// 13k\na: 1\n"""',
    "# “x” – 6,5 dB // ; 13k\na = 1",
    "a = [6,5]",
    "a\t=\t1",
    "a = [\n  1,\n  2,\n]",
    'a = "x" # it\'s "so',
    "a = 12:30:00",
]


@pytest.mark.parametrize("text", QUIET)
def test_valid_text_that_looks_like_a_slip_has_none(text, tmp_path):
    assert found_in(text) == []
    (tmp_path / "a.toml").write_text(text)
    problems = Problems()
    assert read_toml(tmp_path / "a.toml", problems) is not None
    assert problems.found == []


@pytest.mark.parametrize("text", QUIET)
def test_a_slip_beside_it_is_reported_alone(text):
    found = found_in(f"{text}\nlast = 13k\n")
    assert [one.given for one in found] == ["13k"]


OTHERWISE = [
    'a = """\nnever closed 13k',
    "a = 1 2 3",
    "a = @",
    "[]",
    "= 3",
    'a = "\\q"x',
    "a = [[[",
    "\x01",
    "a = 1979-99-99",
]


@pytest.mark.parametrize("text", OTHERWISE)
def test_text_that_is_wrong_in_another_way_has_no_hint_of_a_unit_or_comma(text):
    for one in found_in(text):
        assert not any(word in one.message for word in ("unit", "comma", "minus", "number", "space")), one


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.name)
def test_slips_put_into_real_recipes_are_found_in_their_line_and_corrected_to_the_original(path):
    text = path.read_text()
    lines = text.split("\n")
    hidden = masked(text).split("\n")
    changes = [
        (" = ", ": ", 1),
        ("= true", "= True", 1),
        ("_db = -", "_db = −", 1),
        (" }, { ", " } { ", 1),
        ("]]", "]", 0),
    ]
    tried = 0
    for i, line in enumerate(lines):
        for old, new, certain in changes:
            if old not in hidden[i] or (old == "]]" and not line.startswith("[[")):
                continue
            at = hidden[i].index(old)
            broken = line[:at] + new + line[at + len(old) :]
            found = found_in("\n".join([*lines[:i], broken, *lines[i + 1 :]]))
            tried += 1
            assert len(found) == 1, (i, broken, found)
            assert found[0].line == i + 1
            if certain and len(line.strip()) <= 100:
                assert line.partition("  #")[0].strip() in found[0].hint or new == " } { "
    assert tried > 5


@pytest.mark.parametrize("seed", range(40))
def test_whatever_is_broken_the_hints_that_show_a_line_are_toml_and_near(seed):
    rng = random.Random(seed)
    path = rng.choice(RECIPES)
    text = path.read_text()
    at = rng.randrange(len(text))
    kind = rng.choice(["cut", "put", "swap"])
    sign = rng.choice("\"'[]{},=:;#−k%\n\u00a0")
    broken = {
        "cut": text[:at] + text[at + 1 :],
        "put": text[:at] + sign + text[at:],
        "swap": text[:at] + sign + text[at + 1 :],
    }
    line = text.count("\n", 0, at) + 1
    found = found_in(broken[kind])
    assert len(found) <= MAX_SLIPS
    for one in found[:1]:
        assert one.line >= line - 1 or "line" in one.hint or "several lines" in one.message


def test_a_large_file_costs_little():
    text = "\n".join(f"key_{i} = {i}k" for i in range(40000))
    before = time.process_time()
    found = found_in(text)
    assert time.process_time() - before < 20  # bounded by what is parsed, not by the number of slips
    assert len(found) <= MAX_SLIPS


UNITS = [
    "a",
    " ",
    "a ",
    ", ",
    "a = ",
    '"',
    '"""',
    "'''",
    "{",
    "[",
    "{ a = ",
    "\n[a]",
    "\n[[a",
    "\\",
    "a.",
    "= 1 ",
    "; ",
]


@pytest.mark.parametrize("unit", [*UNITS, "1", "{\n", "[\n", "a = {\n", "a = 1k, "])
def test_no_text_costs_more_than_its_length_allows(unit):
    text = "a = 1\n" + unit * (200_000 // len(unit)) + " ="
    before = time.process_time()
    slips(text, tomllib.TOMLDecodeError("(at line 2, column 1)"))
    assert time.process_time() - before < 20


def test_many_slips_are_reported_up_to_a_bound():
    assert len(found_in("\n".join(f"key_{i} = {i}k" for i in range(100)))) == MAX_SLIPS


def test_an_open_bracket_is_shown_where_nothing_else_is_known():
    text = "a = 1\nb = [\n  @,\n  @@\n]"
    with pytest.raises(tomllib.TOMLDecodeError) as caught:
        toml_file.parse(text)
    assert "line 2" in (where_to_look(text, caught.value) or "")


def test_units_go_to_the_key_that_has_them():
    assert with_unit("attack_ms", 10, "ms").text() == "attack_ms = 10"
    assert with_unit("attack_ms", 0.01, "s").text() == "attack_ms = 10"
    assert with_unit("freq_hz", 1.5, "kHz").text() == "freq_hz = 1500"
    assert with_unit("freq_hz", 10, "ms") is None
    assert with_unit("freq_hz", 10, "parsec") is None
    assert "attack_s" not in known_keys()


def test_values_as_text():
    assert number_of("gain_db", "-3 dB").value == "-3"
    assert number_of("gain_db", "−6,5").value == "-6.5"
    assert number_of("gain_db", "loud") is None
    assert pan_of("pan_pct", "35L").value == "-35"
    assert pan_of("freq_hz", "35L") is None
    assert ratio_of("ratio", "1:4") is None  # 4 or a quarter: not certain
    assert truth_of("mute", "on").value == "true"
    assert truth_of("mute", 7) is None


KEYS = [
    ("phase = 180", "did you mean invert = true?"),
    ('polarity = "reverse"', "did you mean invert = true?"),
    ("phase = 0", "false, which is its default"),
    ("solo = true", "render kick alone"),
    ("gain = -3", "did you mean level_db = -3?"),
    ("volume = -3.5", "did you mean level_db = -3.5?"),
    ("volume = 100", "in dB"),
    ("pan = 0.3", "did you mean pan_pct = 30? It is in percent"),
    ("width = 120", 'do = "width", width_pct = 120'),
    ('mute = "yes"', "mute = true"),
    ("mute = 1", "mute = true"),
    ('bus = "main"', 'did you mean to = "main"?'),
    ('level_db = "-3 dB"', "level_db = -3"),
    ("level_db = -inf", "mute = true silences it"),
    ("trim_db = [6,5,2]", "a decimal number has a point"),
    ("gate = { range_db = 3 }", 'chain = [ { do = "gate", range_db = 3 } ]'),
    ('chain = { do = "gain" }', "[[stems.kick.chain]]"),
]
SILENT = [
    "group = 3.5",
    "wobble = 3",
    "level_db = nan",
    'level_db = "loud"',
    'mute = "perhaps"',
    "mute = 7",
    "sends = 3",
]


def hints_of(line, folder):
    (folder / "a.recipe.toml").write_text(f'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n{line}\n')
    (folder / "kick.wav").write_bytes(b"")
    with pytest.raises(RecipeError) as caught:
        open_recipe(folder / "a.recipe.toml")
    assert [one.key for one in caught.value.problems] == [f"stems.kick.{line.partition(' ')[0]}"]
    return [one.hint for one in caught.value.problems]


@pytest.mark.parametrize(("line", "words"), KEYS)
def test_a_key_or_value_of_another_habit_has_its_hint(line, words, tmp_path):
    (hint,) = hints_of(line, tmp_path)
    assert words in hint


@pytest.mark.parametrize("line", SILENT)
def test_what_cannot_be_guessed_has_no_hint(line, tmp_path):
    (hint,) = hints_of(line, tmp_path)
    assert hint is None or "text has quotes" in hint


def test_a_header_that_lacks_a_bracket_is_not_called_a_table_twice():
    found = found_in("[[a.chain]]\nb = 1\n\n[[a.chain]\nb = 2\n")
    assert [one.message for one in found] == ["a bracket is missing"]
    assert found[0].hint.endswith("[[a.chain]]")
