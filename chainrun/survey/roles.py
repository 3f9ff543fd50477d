"""Derives instrument, microphone and side from a file's name."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

WORDS: dict[str, str] = {
    "kick": (
        "kick kik kck bd bassdrum grossecaisse grosse_caisse grancassa gran_cassa bombo bumbo grosstrommel "
        "grosse_trommel kicktrommel basstrommel bass_drum stortromme stortrumma taka beater zentralny"
    ),
    "snare": (
        "snare snr sn sd caisseclaire caisse_claire rullante caja caixa kleine_trommel kleinetrommel "
        "snaredrum lilletromme virveltrumma werbel"
    ),
    "hat": "hat hats hh hihat hi_hat charleston charley chaston hihats",
    "floor_tom": (
        "floor floortom flrtom ft standtom stand_tom tombasse tom_basse timpano base floor_tom lowtom low_tom goliat"
    ),
    "rack_tom": "rack racktom rt tom toms tomtom hightom high_tom midtom mid_tom haengetom tomalto tom_alto",
    "ride": "ride rd",
    "cymbal": "crash cymbal cymbals cym becken cymbale piatto piatti plato splash china",
    "overhead": "overhead overheads oh ohs over overs ovh galgen",
    "room": "room rooms raum salle sala hall ambience ambient amb barn far church attic kirche",
    "bass": "bass basse basso bajo baixo kontrabass contrabass upright upr basgitarre bassgtr bassguitar bs",
    "guitar": (
        "guitar gtr git gitarre guitare chitarra guitarra acgtr elgtr egtr agtr banjo mandolin ukulele bouzouki"
    ),
    "keys": (
        "keys piano pno klavier organ orgel orgue rhodes synth keyboard epiano accordion accordeon akkordeon "
        "harmonium melodeon concertina"
    ),
    "voice": ("vocal vocals vox voc voice lead_vocal leadvox bv bvs bgv choir sang gesang stimme voix voce voz chant"),
    "strings": "violin fiddle geige viola cello violon violine strings streicher",
    "winds": "sax saxophone trumpet trombone horn horns flute whistle clarinet brass pipes tuba",
    "shaker": (
        "shaker tambourine tamb conga congas bongo bongos cajon cowbell clave claves maracas perc percussion "
        "handdrum djembe bodhran tabla darbuka triangle schellenkranz"
    ),
}
"""Words of several languages by instrument; `_` joins words that belong together."""
UNDER = {
    "under",
    "bottom",
    "bot",
    "btm",
    "unten",
    "dessous",
    "sotto",
    "abajo",
    "dn",
    "down",
    "wires",
    "below",
    "teppich",
    "btom",
}
TOP = {"top", "up", "oben", "dessus", "sopra", "arriba", "upper"}
INSIDE = {"in", "inside", "innen", "beater"}
OUTSIDE = {"out", "outside", "aussen", "front", "reso", "sub", "shell"}
LINE = {"di", "line", "direct", "dibox"}
AMPLIFIER = {"amp", "cab", "cabinet", "amplifier"}
PARTS = {"under": UNDER, "top": TOP, "out": OUTSIDE, "in": INSIDE, "line": LINE, "amp": AMPLIFIER}
"""Parts of an instrument and their words; if several match, the first one counts."""
LEFT = {"l", "left", "links", "gauche", "sinistra", "izquierda", "izq", "lft", "li", "lh"}
RIGHT = {"r", "right", "rechts", "droite", "destra", "derecha", "der", "rgt", "re", "rh"}
CLOSE = {"kick", "snare", "hat", "floor_tom", "rack_tom", "ride", "shaker"}
DRUMS = CLOSE | {"cymbal", "overhead", "room"}
FAR = {"overhead", "room"}


@dataclass(frozen=True)
class Role:
    """Role derived from a name."""

    instrument: str | None
    part: str | None = None
    """Part of the instrument: top, under, in, out, line or amp."""
    side: str | None = None
    base: str = ""
    """The name without its side's word."""


def tokens(name: str) -> list[str]:
    """Lower-case words of a name, without accents, split at capitals and digits."""
    plain = unicodedata.normalize("NFKD", name.replace("ß", "ss"))
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    plain = re.sub(r"([a-z])([A-Z])", r"\1 \2", plain)
    return re.findall(r"[a-z]+|[0-9]+", plain.lower())


def role_of(name: str) -> Role:
    """The role of a file by its name without ending."""
    side, words = _side_of(tokens(name))
    found = _instrument_of(words)
    if side is None and found in (None, "overhead", "room"):
        match = re.fullmatch(r"(oh|ovh|over|overhead|room|amb)(l|r)", words[-1]) if words else None
        if match:
            side = "left" if match[2] == "l" else "right"
            words[-1] = match[1]
            found = "overhead" if match[1].startswith("o") else "room"
    return Role(found, _part_of(words, found), side, "_".join(words) or name)


def _side_of(words: list[str]) -> tuple[str | None, list[str]]:
    """The side in a name of several words, by its last, its first or any long word; and the other words."""
    if len(words) < 2:
        return None, words
    ends = [(at, words[at]) for at in (len(words) - 1, 0) if words[at] in LEFT | RIGHT]
    inner = [
        (at, word)
        for at, word in enumerate(words)
        if word in (LEFT | RIGHT) - {"in", "re", "li", "der"} and len(word) > 1
    ]
    for at, word in [*ends, *inner][:1]:
        return "left" if word in LEFT else "right", words[:at] + words[at + 1 :]
    return None, words


def _instrument_of(words: list[str]) -> str | None:
    """The first instrument that matches a word, several words together, or the begin of a word."""
    joined = "_".join(words)
    for instrument, known in WORDS.items():
        if any(("_" in one and one in joined) or one in words for one in known.split()):
            return instrument
    for instrument, known in WORDS.items():  # words without separators: snaretop, kickin, ohl
        if any(len(one) >= 4 and word.startswith(one) for one in known.split() for word in words):
            return instrument
    return None


def _part_of(words: list[str], instrument: str | None) -> str | None:
    """The part of the instrument by a word, or by the end of a snare's or kick's name."""
    text = "".join(words)
    for part, marks in PARTS.items():
        ends = instrument in ("snare", "kick") and any(len(mark) > 2 and text.endswith(mark) for mark in marks)
        if ends or any(word in marks for word in words):
            return None if instrument == "rack_tom" and part == "under" else part
    return None


def stem_name(name: str, taken: Iterable[str] = ()) -> str:
    """A valid name for a recipe (letters, digits, - and _) that is not in `taken`."""
    plain = "_".join(tokens(name)) or "stem"
    plain = plain[:60]
    names, made, count = set(taken) | {"main"}, plain, 2
    while made in names:
        made = f"{plain}_{count}"
        count += 1
    return made


def pairs(roles: dict[str, Role]) -> list[tuple[str, str]]:
    """Pairs of names that are left and right of the same source."""
    by_base: dict[str, dict[str, str]] = {}
    for name, role in roles.items():
        if role.side is not None:
            by_base.setdefault(role.base, {})[role.side] = name
    return [(both["left"], both["right"]) for both in by_base.values() if len(both) == 2]
