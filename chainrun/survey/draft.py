"""Drafts a recipe for a folder of stems: roles from names and sound, chains from the library, each choice explained."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, field

from chainrun.errors import printable
from chainrun.recipe.toml_text import toml_text
from chainrun.recipe.written import chain_lines
from chainrun.survey.advice import LOUD_DC_DBFS, imbalance, to_turn
from chainrun.survey.between import GateLevels
from chainrun.survey.channels import NOTHING_DBFS, Channel
from chainrun.survey.library import preset_text
from chainrun.survey.roles import DRUMS, Role
from chainrun.survey.survey import PERHAPS, GroupSurvey, Survey
from chainrun.units import gain_to_db

WANTED_LUFS = {
    "kick": -24.0,
    "snare": -23.0,
    "hat": -37.0,
    "rack_tom": -28.0,
    "floor_tom": -28.0,
    "ride": -35.0,
    "cymbal": -34.0,
    "overhead": -26.0,
    "room": -31.0,
    "bass": -24.0,
    "guitar": -26.0,
    "keys": -26.0,
    "voice": -22.0,
    "strings": -25.0,
    "winds": -25.0,
    "shaker": -33.0,
}
"""Loudness to which a draft's faders bring stems, before the mix is brought to its target: the author's choice."""
UNDER_LUFS, SECOND_LUFS, OTHER_LUFS = -33.0, -30.0, -27.0
GATED = {"kick": (4.0, 80), "snare": (3.0, 80), "rack_tom": (4.0, 180), "floor_tom": (4.0, 220)}
"""Lookahead and hold in ms, by how long the drum rings (common practice)."""
LISTENS = {"kick": "key_high_cut_hz = 400", "snare": "key_low_cut_hz = 150", "rack_tom": "key_high_cut_hz = 600",
           "floor_tom": "key_low_cut_hz = 40, key_high_cut_hz = 500"}  # fmt: skip
MIN_GAP_DB = 6.0
RANGE_DB = {"kick": 20, "snare": 12, "rack_tom": 20, "floor_tom": 20}
"""Range of a draft's gates: limited, since a level does not distinguish a ghost note from bleed."""
OVER_BLEED_DB = 1.0
"""Height of a tom's threshold above the loudest bleed."""
BRUSHED_CREST_DB = 21.0
"""Crest factor below which a snare counts as played with brushes or rolled."""
TARGET_LUFS = -16.0
MAX_LIMITING_DB = 3.0
SPARE_DB = 0.6
"""Margin for the loudness that limiting takes: making up for it needs more gain, and so more limiting."""
PRESETS_DIRS = 'presets_dirs = ["presets"]  # copies made for this recipe: edit them freely'
STEREO_ONLY = {"overhead": ["overheads/calm-cymbals"]}
"""Presets for a single microphone, instead of those that need a stereo stem."""
CHAINS = {
    ("kick", None): ["kick/close"],
    ("kick", "out"): ["kick/outside"],
    ("snare", None): ["snare/crack", "snare/small-room"],
    ("snare", "under"): ["snare/wires"],
    ("hat", None): ["hat/thin"],
    ("rack_tom", None): ["toms/round", "toms/small-room"],
    ("floor_tom", None): ["toms/round", "toms/small-room"],
    ("overhead", None): ["overheads/airy"],
    ("room", None): ["barn/squeezed"],
    ("bass", None): ["bass/steady"],
    ("guitar", None): ["guitar/strummed"],
    ("keys", None): ["keys/even"],
    ("strings", None): ["fiddle/forward"],
    ("voice", None): ["voice/softer-s"],
    ("shaker", None): ["percussion/shaker"],
}


TARGET_LINE = "target_lufs = {:g}  # {}"


def with_target(text: str, loudness_lufs: float, true_peak_dbtp: float) -> str:
    """The draft with a target that its limiter reaches with MAX_LIMITING_DB, for a main of this loudness and peak."""
    # Each dB of gain above the ceiling costs a dB of limiting of the peaks, and adds less than 1 LU.
    reached = loudness_lufs + (-1.0 - true_peak_dbtp) + MAX_LIMITING_DB - SPARE_DB
    target = math.floor(2.0 * min(TARGET_LUFS, reached)) / 2.0
    if target >= TARGET_LUFS:
        return text
    why = f"what the limiter reaches with {MAX_LIMITING_DB:g} dB; to go louder, compress the loudest hits first"
    lines = [
        TARGET_LINE.format(target, why) if line.startswith("target_lufs = ") else line for line in text.split("\n")
    ]
    return "\n".join(lines)


def stems_copied(survey: Survey) -> dict[str, str]:
    """Stems whose channels are all copies of another stem's, each with that stem."""
    found: dict[str, str] = {}
    stem_of = {channel.name: channel.stem for channel in survey.material.channels}
    copied = {name: stem_of[other] for name, other, _ in survey.copies}
    for stem in survey.material.stems:
        channels = survey.material.of_stem(stem)
        if all(channel.name in copied for channel in channels):
            found[stem] = copied[channels[0].name]
    return found


@dataclass
class Drafted:
    """The text of a drafted recipe, and the presets that it uses."""

    text: str
    presets: list[str] = field(default_factory=list)


@dataclass
class _DraftStrip:
    """One stem to write: keys and steps with their comments."""

    keys: list[tuple[str, str, str]] = field(default_factory=list)
    steps: list[tuple[str, str]] = field(default_factory=list)


def draft(survey: Survey, title: str, stems_dir: str) -> Drafted:
    """Draft a recipe for surveyed stems. `stems_dir` is the folder of the stems, relative to the recipe."""
    made = Drafted("")
    kit = next((group for group in survey.groups if group.name == "kit"), None)
    drum_stems = {c.stem for c in survey.material.channels if c.role.instrument in DRUMS}
    bus = len(drum_stems) > 1
    lines = [
        "grammar = 1",
        f"title = {toml_text(printable(title))}",
        'note = "A draft, made from the names and the sound of the files. Change whatever you like."',
        f"rate_hz = {survey.material.rate_hz}",
        f"stems_dir = {toml_text(stems_dir)}",
        PRESETS_DIRS,
    ]
    for stem in survey.material.stems:
        strip = _stem(survey, kit, stem, bus and stem in drum_stems, made=made, copied=stems_copied(survey))
        lines += ["", f"[stems.{stem}]"]
        lines += [f"{key} = {value}" + (f"  # {printable(why)}" if why else "") for key, value, why in strip.keys]
        lines += _chain(strip, f"stems.{stem}")
    if bus:
        glue = ('{ preset = "bus/glue", name = "glue" }', "one slow compressor over all drums holds them together")
        lines += ["", "[buses.kit]", *_chain(_DraftStrip(steps=[glue]), "buses.kit")]
        made.presets.append("bus/glue")
    lines += [
        "",
        "[[deliver]]",
        'file = "mix.wav"',
        "bits = 24",
        TARGET_LINE.format(TARGET_LUFS, "a common level for streaming; change it as required"),
        "max_dbtp = -1",
        'fit = "limiter"  # a limiter keeps peaks below max_dbtp; the render reports its reduction',
    ]
    made.presets = list(dict.fromkeys(made.presets))
    if not made.presets:
        lines.remove(PRESETS_DIRS)
    made.text = "\n".join(lines) + "\n"
    return made


def _chain(strip: _DraftStrip, header: str) -> list[str]:
    """The steps of a stem or bus, each with its reason above it."""
    steps: list[dict[str, object]] = []
    comments: list[list[str]] = [[]]
    for step, why in strip.steps:
        comments[-1] += [printable(why)] if why else []
        if step:
            steps.append(tomllib.loads(f"step = {step}")["step"])
            comments.append([])
    among, after = chain_lines(steps, header, comments)
    return [*among, *after]


def fits(preset: str, n_channels: int) -> bool:
    """Whether a preset's chain runs on this number of channels: no step needs stereo and gets mono."""
    from chainrun.contract import processors

    chain = tomllib.loads(preset_text(preset)).get("chain", [])
    for written in chain:
        if "do" not in written:
            continue
        step = processors()[written["do"]].model_validate(written)
        if step.needs_stereo and n_channels != 2:
            return False
        n_channels = step.channels_out(n_channels)
    return True


def _stem(
    survey: Survey,
    kit: GroupSurvey | None,
    stem: str,
    in_kit: bool,
    *,
    made: Drafted,
    copied: dict[str, str],
) -> _DraftStrip:
    channels = survey.material.of_stem(stem)
    first = channels[0]
    files = list(dict.fromkeys(channel.path.name for channel in channels))
    strip = _DraftStrip()
    strip.keys.append(("file", toml_text(files[0] if len(files) == 1 else files), ""))
    if first.input.parts[0].n_channels == 2 and (first.doubled or len(files) == 2):
        strip.keys.append(("channel", "1", "both channels are the same"))
    instrument, part = first.role.instrument, first.role.part
    words = _role_in_words(first.role)
    if in_kit:
        strip.keys.append(("group", '"kit"', "survey compares the microphones of a group"))
        strip.keys.append(("to", '"kit"', words))
    else:
        strip.keys.append(("to", '"main"', words))
    reason = _why_mute(survey, channels, copied)
    if reason is not None:
        strip.keys.append(("mute", "true", reason))
        return strip
    _mends(survey, kit, channels, strip)
    hit = kit.hit_levels.get(first.name) if kit is not None else None
    if instrument in GATED or instrument in ("hat", "ride"):
        strip.keys.append(_hit_level(survey, stem, hit))
    strip.keys.append(_fader(survey, channels, instrument, part))
    pan = _pan(kit, first, instrument)
    if pan is not None and len(channels) == 1:
        strip.keys.append(("pan_pct", str(pan[0]), pan[1]))
    _repairs(survey, first, strip)
    if instrument in GATED:
        strip.steps.append(_gate(survey, kit, first, str(instrument), hit))
    chain = CHAINS.get((str(instrument), part)) or CHAINS.get((str(instrument), None), [])
    if len(channels) == 1:
        chain = STEREO_ONLY.get(str(instrument), chain)
    for name in chain:
        if fits(name, len(channels)):
            strip.steps.append((f'{{ preset = "{name}" }}', ""))
            made.presets.append(name)
    return strip


def _role_in_words(role: Role) -> str:
    """The role that a stem is assumed to have, in words."""
    if role.instrument is None:
        return "unknown: the name says nothing, and the sound is not certain enough to choose a chain"
    return f"assumed to be {role.instrument}".replace("_", " ") + (f" ({role.part})" if role.part else "")


def _hit_level(survey: Survey, stem: str, hit: float | None) -> tuple[str, str, str]:
    """The usual peak of a stem's hits, or an estimate."""
    if hit is not None:
        return "hit_level_dbfs", f"{hit:.1f}", "median peak of the louder half of its hits"
    guess = survey.files[stem].measured.sample_peak_dbfs - 2.0
    return "hit_level_dbfs", f"{guess:.1f}", "no hits were identified: 2 dB below its peak"


def _why_mute(survey: Survey, channels: list[Channel], copied: dict[str, str]) -> str | None:
    """The reason to mute a stem: silent, unplugged, or a copy of another one; None if there is none."""
    peak = max(survey.sides[c.name][0].channels[survey.sides[c.name][1]].peak for c in channels)
    if peak == 0.0:
        return "the file is silent"
    if gain_to_db(peak) < NOTHING_DBFS:
        return f"nothing but noise: it peaks at {gain_to_db(peak):.0f} dBFS; was it plugged in?"
    if channels[0].stem in copied:
        return f"the same recording as {copied[channels[0].stem]}"
    return None


def _mends(survey: Survey, kit: GroupSurvey | None, channels: list[Channel], strip: _DraftStrip) -> None:
    """Add the polarity and the balance of a pair that the survey proposes."""
    turned_over = to_turn(survey)
    reasons = [turned_over[channel.name] for channel in channels if channel.name in turned_over]
    if reasons:
        values = [str(channel.name in turned_over).lower() for channel in channels]
        strip.keys.append(("invert", values[0] if len(values) == 1 else f"[{', '.join(values)}]", "; ".join(reasons)))
    told = imbalance(kit, channels[0].stem) if kit is not None else None
    if told is not None and told.sure:
        trims = ["0.0", "0.0"]
        trims[told.side] = f"{-abs(told.db):.1f}"
        strip.keys.append(("trim_db", f"[{', '.join(trims)}]", told.reason))


def _fader(survey: Survey, channels: list[Channel], instrument: str | None, part: str | None) -> tuple[str, str, str]:
    measured = survey.files[channels[0].stem].measured
    lufs = measured.integrated_lufs
    if len({channel.path for channel in channels}) == 2:
        lufs += 3.0  # two files, each measured alone
    wanted = WANTED_LUFS.get(str(instrument), OTHER_LUFS)
    wanted = UNDER_LUFS if part == "under" else SECOND_LUFS if part in ("out", "amp") else wanted
    if not math.isfinite(lufs):
        if measured.rms_dbfs is None or not math.isfinite(measured.rms_dbfs):
            return "level_db", "0.0", "too short to measure its level"
        level = max(-24.0, min(24.0, round((wanted - measured.rms_dbfs) * 2.0) / 2.0))
        return "level_db", f"{level:.1f}", f"too quiet or short for a loudness: its RMS of {measured.rms_dbfs:.0f} dBFS"
    level = max(-24.0, min(24.0, round((wanted - lufs) * 2.0) / 2.0))
    return "level_db", f"{level:.1f}", f"recorded at {lufs:.1f} LUFS; brought to about {wanted:.0f} LUFS as a start"


def _pan(kit: GroupSurvey | None, channel: Channel, instrument: str | None) -> tuple[int, str] | None:
    if instrument not in ("hat", "rack_tom", "floor_tom", "ride") or kit is None:
        return None
    drum = next((drum for drum in kit.drums if channel.name in drum.microphones), None)
    seats = [seat for seats in kit.seats.values() for seat in seats if drum is not None and seat.drum == drum.name]
    usual = {"hat": -30, "rack_tom": -25, "floor_tom": 35, "ride": 30}[instrument]
    if not seats or seats[0].likeness < 0.9:
        return usual, "as the drummer sees it; change the sign for the audience's view"
    if not seats[0].agrees or seats[0].confidence < PERHAPS:
        return usual, "place in the pair unsure: as the drummer sees it; change the sign for the audience's view"
    # Level and arrival time both indicate the place of a drum; their weights are our own choice.
    lean = seats[0].level_db / 15.0 - seats[0].delay_ms / 2.5
    pan = round(max(-50.0, min(50.0, 60.0 * lean)) / 5.0) * 5
    return pan, f"measured in the pair: {seats[0].level_db:+.1f} dB and {-seats[0].delay_ms:+.2f} ms to the right"


def _repairs(survey: Survey, channel: Channel, strip: _DraftStrip) -> None:
    file, index = survey.sides[channel.name]
    one = file.channels[index]
    if one.clipped_runs:
        strip.steps.append(
            ('{ do = "declip", threshold_dbfs = -0.02 }', f"{one.clipped_runs} clipped runs; short ones are repaired")
        )
        strip.steps.append(('{ do = "gain", gain_db = -6 }', "headroom for the restored peaks"))
    elif one.flat_level_dbfs is not None:
        step = f'{{ do = "declip", threshold_dbfs = {one.flat_level_dbfs - 0.05:.2f} }}'
        strip.steps.append((step, f"flat tops in {one.flat_runs} runs: clipped before the converter"))
    if one.dc_dbfs > LOUD_DC_DBFS:
        strip.steps.append(('{ do = "dc_block" }', f"a DC offset of {one.dc_dbfs:.0f} dBFS"))
    if one.hum is not None:
        harmonics = max(k + 1 for k, level in enumerate(one.hum.levels_dbfs) if level is not None)
        step = f'{{ do = "hum", mains_hz = {one.hum.mains_hz:.0f}, harmonics = {harmonics} }}'
        strip.steps.append((step, f"mains hum of {one.hum.mains_hz:.0f} Hz"))


def _gate(
    survey: Survey, kit: GroupSurvey | None, channel: Channel, instrument: str, hit: float | None
) -> tuple[str, str]:
    """A drum's gate, or a step used instead of one, with its reason; or the reason alone if there is neither."""
    drum = next((one for one in kit.drums if channel.name in one.microphones), None) if kit is not None else None
    if kit is None or drum is None:
        return "", "no gate: without other microphones of the kit, hits cannot be distinguished from bleed"
    leading = drum.microphones[0]
    levels = kit.gates.get(leading)
    if levels is None or hit is None:
        return _brushes(survey, channel) if instrument == "snare" else ("", _why_no_gate(drum.is_first))
    gap = levels.hits_dbfs - levels.bleed_dbfs if levels.bleed_dbfs is not None else 2.0 * MIN_GAP_DB
    if instrument == "snare" and channel.name == leading and _crest(survey, channel) < BRUSHED_CREST_DB:
        return _brushes(survey, channel)
    if gap < MIN_GAP_DB:
        return "", f"no gate: after its key filter, bleed is within {max(0.0, gap):.0f} dB of the hits"
    threshold = _threshold(levels, instrument)
    below = max(1.0, levels.unfiltered_dbfs - threshold)
    lookahead, hold = GATED[instrument]
    shape = f"attack_ms = 0.3, hold_ms = {hold}, release_ms = 120, lookahead_ms = {lookahead:g}"
    range_db = RANGE_DB[instrument]
    listens = f", {LISTENS[instrument]}" if instrument in LISTENS else ""
    head = f'do = "gate", name = "door", threshold_below_hits_db = {below:.1f}, range_db = {range_db}, {shape}'
    bleed = f"bleed at up to {levels.bleed_dbfs:.0f} dBFS" if levels.bleed_dbfs is not None else "no bleed was found"
    quieter = kit.soft_hits.get(leading, [])
    below_it = sum(levels.hits_dbfs + one < threshold for one in quieter)
    why = f"after its key filter, hits peak at {levels.hits_dbfs:.0f} dBFS, {bleed}"
    if below_it:
        why += (
            f"; of {len(quieter)} quieter sounds, ghost notes or bleed, {below_it} are reduced by up to {range_db} dB"
        )
    if channel.name != leading:
        key = f'key = {{ from = ["{leading}"], tap = "before_chain" }}'
        return f"{{ {head}{listens}, {key} }}", f"opens with {leading}, where the drum is clearer: {why}"
    return f"{{ {head}{listens} }}", why


def _threshold(levels: GateLevels, instrument: str) -> float:
    """Threshold in dBFS after the key filter: for toms just above the loudest bleed, else two thirds down to it."""
    if levels.bleed_dbfs is None:
        return levels.hits_dbfs - 20.0
    if "tom" in instrument:
        return levels.bleed_dbfs + OVER_BLEED_DB
    return max(levels.hits_dbfs - 30.0, levels.hits_dbfs - 0.67 * (levels.hits_dbfs - levels.bleed_dbfs))


def _why_no_gate(is_first: bool) -> str:
    if not is_first:
        return "no gate: unsure whether its own drum is hit: its hits arrive earlier at other microphones"
    return "no gate: no hits of its own were identified"


def _crest(survey: Survey, channel: Channel) -> float:
    measured = survey.files[channel.stem].measured
    return measured.crest_db if measured.crest_db is not None else 99.0


def _brushes(survey: Survey, channel: Channel) -> tuple[str, str]:
    """The step for a snare without distinct hits: a gentle expander instead of a gate."""
    rms = survey.files[channel.stem].measured.rms_dbfs
    if rms is None or not math.isfinite(rms):
        return "", "no gate: no hits of its own were identified"
    step = f'{{ do = "expander", name = "door", threshold_dbfs = {rms - 6.0:.0f}, ratio = 1.5, range_db = 6 }}'
    return step, "no distinct hits (brushes, a roll, bleed): an expander reduces quiet sounds by at most 6 dB"
