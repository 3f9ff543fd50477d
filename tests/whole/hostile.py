"""Recipes that a stranger might write to cost a server its time, memory or disk; all invented here."""

from __future__ import annotations

from pathlib import Path

HEAD = "grammar = 1\n"
STEM = '[stems.k]\nfile = "k.wav"\n'


def _many(text: str, count: int, between: str = ",") -> str:
    return between.join(text.replace("@", str(i)) for i in range(count))


def recipes() -> dict[str, str]:
    """By name; each must be refused."""
    steps = _many('{do="branches",branches=[{chain=[{do="gain"}]}]}', 64)
    wide = '[{do="gain"}]'
    for _ in range(4):
        wide = '[{do="branches",branches=[' + ",".join(["{chain=" + wide + "}"] * 8) + "]}]"
    rooms = _many('{do="room",width_m=60.0,depth_m=60.0,height_m=30.0,decay_s=10.0}', 128)
    return {
        "unknown keys": HEAD + STEM + _many("x@ = 1", 45_000, "\n"),
        "unknown steps": HEAD + STEM + "chain=[" + _many('{do="gian",x=1}', 25_000) + "]",
        "many stems": HEAD + _many('[stems.s@]\nfile="k.wav"', 17_000, "\n"),
        "many sends": HEAD + STEM + "sends={" + _many("b@={level_db=1.0}", 20_000) + "}",
        "a key of many parts": HEAD + STEM + ".".join(["a"] * 200_000) + "=1",
        "headers of many parts": HEAD + STEM + _many("[" + ".".join(["a"] * 500) + ".x@]", 400, "\n"),
        "dotted keys": HEAD + STEM + _many("a." * 30 + "b@=1", 7_000, "\n"),
        "quoted parts": HEAD + STEM + ".".join(['"a b"'] * 60_000) + "=1",
        "deep arrays": HEAD + STEM + "note=" + "[" * 200_000 + "]" * 200_000,
        "deep tables": HEAD + STEM + "a=" + "{a=" * 100_000 + "1" + "}" * 100_000,
        "a long text": HEAD + STEM + 'note="' + "x" * 500_000 + '"',
        "a long number": HEAD + STEM + "at_s=" + "9" * 500_000,
        "a large file": HEAD + STEM + "#" + "x" * 5_000_000,
        "many rides": HEAD + STEM + "ride=[" + _many("{at_s=@.0,gain_db=0.0}", 30_000) + "]",
        "many variants": HEAD + STEM + _many('[variants.v@]\n"stems.k.level_db"=-1.0', 10_000, "\n"),
        "many deliveries": HEAD + STEM + _many('[[deliver]]\nfile="m@.wav"', 16_000, "\n"),
        "branches in branches": HEAD + STEM + "chain=" + '[{do="branches",branches=[{chain=' * 20 + "[]" + "}]}]" * 20,
        "too many branches": HEAD + STEM + "chain=" + wide,
        "large rooms": HEAD + STEM + "chain=[" + rooms + "]",
        "a late stem": HEAD + STEM + "at_s=86400.0",
        "a long tail": HEAD + "max_tail_s=600.0\n" + STEM,
        "much work": HEAD
        + "max_tail_s=120.0\n"
        + _many('[stems.s@]\nfile="k.wav"\nat_s=14000.0\nchain=[' + _many('{do="declip"}', 30) + "]", 130, "\n"),
        "much disk": HEAD
        + "rate_hz=384000\n"
        + _many('[stems.s@]\nfile="k.wav"\nat_s=14000.0\nchain=[{do="pan"}]', 250, "\n"),
        "presets in presets": HEAD + STEM + 'chain=[{preset="p0"}]',
        "presets of nothing": HEAD + STEM + 'chain=[{preset="q0"}]',
        "steps in presets": HEAD + STEM + 'chain=[{preset="r0"}]',
        "a chain of chains": HEAD + _many('[stems.s@]\nfile="k.wav"\nchain=[' + steps + "]", 60, "\n"),
        "a circle of bases": 'base = "a-circle-of-bases.recipe.toml"\n' + HEAD + STEM,
        "a pipe as its stem": HEAD + '[stems.k]\nfile = "pipe"',
        "a device as its stem": HEAD + '[stems.k]\nfile = "/dev/zero"',
        "a file of the system": HEAD + '[stems.k]\nfile = "/etc/hostname"',
        "paths up": HEAD + '[stems.k]\nfile = "../../../../../etc/hostname"',
        "a link out": HEAD + '[stems.k]\nfile = "link.wav"',
        "a preset that is a link out": HEAD + STEM + 'chain=[{preset="link"}]',
        "a response that is a link out": HEAD + STEM + 'chain=[{do="convolve",file="link.wav"}]',
        "presets elsewhere": 'presets_dirs=["/usr"]\n' + HEAD + STEM,
        "stems elsewhere": 'stems_dir="/"\n' + HEAD + STEM,
        "a base elsewhere": 'base = "/etc/hostname"\n' + HEAD + STEM,
        "a base that is a pipe": 'base = "pipe"\n' + HEAD + STEM,
        "a delivery up": HEAD + STEM + '[[deliver]]\nfile="../k.wav"',
        "a delivery of the system": HEAD + STEM + '[[deliver]]\nfile="/tmp/k.wav"',
        "letters that are none": HEAD + STEM + 'note="\\u0000\\u001b[2J\\u202e" \n"\\u001b[31mkey" = 1',
        "not utf-8": HEAD + STEM + "\udcff\udcfe",
        "a colossal version": "recipe = 99999999999999999999\n" + STEM,
    }


def write(folder: Path) -> list[str]:
    """All of them as files, with presets and links beside them. Returns the files' names."""
    import os

    presets = folder / "presets"
    presets.mkdir()
    for i in range(14):
        for letter, inner in (("p", '{{preset="p{n}"}}'), ("q", '{{preset="q{n}"}}'), ("r", '{{preset="r{n}"}}')):
            last = {"p": 13, "q": 8, "r": 5}[letter]
            chain = ",".join([inner.format(n=i + 1)] * 10) if i < last else ('{do="gain"}' if letter != "q" else "")
            (presets / f"{letter}{i}.preset.toml").write_text(f"preset=1\nchain=[{chain}]\n")
    outside = folder.parent / "outside"
    outside.mkdir()
    (outside / "link.preset.toml").write_text('grammar = 1\nchain = [ { do = "gain" } ]\n')
    (outside / "link.wav").write_bytes((folder / "k.wav").read_bytes())
    (presets / "link.preset.toml").symlink_to(outside / "link.preset.toml")
    (folder / "link.wav").symlink_to(outside / "link.wav")
    os.mkfifo(folder / "pipe")
    names = []
    for name, text in recipes().items():
        path = folder / f"{name.replace(' ', '-')}.recipe.toml"
        path.write_bytes(text.encode("utf-8", "surrogateescape"))
        names.append(path.name)
    return names
