"""The package's structure, from its imports: `python -m tests.architecture` prints it, and the imports that break it.

The top row comes first. A module imports only from rows below its own, or from its own package; packages in one row do
not import each other. Imports inside functions and for type checking alone count like all others.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "chainrun"
ROWS: list[dict[str, str]] = [
    {"cli": "one file per command: parse, call, show", "pytest_plugin": "recipes as tests"},
    {"api": "what `import chainrun` offers"},
    {"renders": "several recipes rendered in one go, each with its page"},
    {
        "walkthrough": "a teaching page: each step before and after",
        "pack": "stems, recipe and presets to give away",
        "docs": "reference, schema and explanations, from the declarations",
    },
    {"report": "pages: figures, tables, players"},
    {
        "cull": "the yearly cull of presets",
        "verify": "a render against its baseline and expectations",
        "batch": "many renders from one file of jobs",
    },
    {"library": "preset libraries: contents, likeness, uses"},
    {"comparison": "what differs between two sounds", "survey": "what is in the stems; drafts"},
    {"delivery": "from prints to files: gain, formats, where files may land, disk space"},
    {"engine": "the nodes of a plan to prints; reads no recipe"},
    {"scheduler": "worker processes: tasks in, results out", "store": "kept prints, their identities, pruning"},
    {"plan": "recipe to Plan: frozen steps, streams, deliveries, hashes, notes, problems"},
    {"recipe": "load, locate, validate, presets, overlays, resolve"},
    {"processors": "one file per processor"},
    {"runtime": "how declared steps run: chains, side chains, dynamics"},
    {"contract": "what a processor is: declaration, stream, readings, registry"},
    {"measuring": "an audio file through the meters"},
    {"loudness": "meters to ITU-R BS.1770 and EBU R 128", "audiofile": "reads and writes audio files"},
    {"dsp": "pure kernels, one subject a file"},
    {"toml_file": "TOML within bounds"},
    {"whole_file": "files that are whole or not there"},
    {"limits": "what a stranger's file may cost"},
    {
        "units": "dB to gain, ms to frames",
        "errors": "problems with their codes, exit codes",
        "measured": "the names of all readings",
        "program": "whether this process is the program, or a library in another one",
        "json_hash": "the hash of a JSON document",
        "blas": "threads and kernel of the BLAS library",
        "defect": "the report of a defect, without the user's names",
    },
    {"problem_codes": "the stable codes of problems"},
]
ROW_OF = {name: i for i, row in enumerate(ROWS) for name in row}
FREE = {"__init__", "__main__"}
ONLY_IN = {"soundfile": {"audiofile"}, "typer": {"cli"}, "rich": {"cli"}}
READS_NO_RECIPE = {"engine", "scheduler", "store", "delivery"}


def files() -> list[Path]:
    """Every module of the package."""
    return sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    """The package or module below chainrun/ that a file belongs to."""
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def module_of(path: Path) -> str:
    """`chainrun.plan.build` for chainrun/plan/build.py."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: Path) -> Iterator[str]:
    """Every module that a file imports, wherever the import is, and every name that it takes from one."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def broken_imports(path: Path) -> list[str]:
    """Imports of a file that the rows forbid."""
    room = room_of(path)
    if room in FREE:
        return []
    if room not in ROW_OF:
        return [f"{path.relative_to(ROOT)} stands in no row"]
    found = []
    for module in dict.fromkeys(imports_of(path)):
        parts = module.split(".")
        if parts[0] in ONLY_IN and room not in ONLY_IN[parts[0]]:
            found.append(f"{path.relative_to(ROOT)} imports {parts[0]}, which only {', '.join(ONLY_IN[parts[0]])} may")
        if parts[0] != "chainrun" or len(parts) < 2 or parts[1] in (room, "__version__"):
            continue
        lower = parts[1] in ROW_OF and ROW_OF[parts[1]] > ROW_OF[room]
        sealed = (room in READS_NO_RECIPE and parts[1] == "recipe") or (room == "dsp" and parts[1] != "units")
        if not lower or sealed:
            found.append(f"{path.relative_to(ROOT)} imports {module}")
    return found


def graph() -> dict[str, set[str]]:
    """Each module with the modules of the package that it imports. A package's `__init__` counts by itself."""
    known = {module_of(path): path for path in files()}
    found: dict[str, set[str]] = {}
    for name, path in known.items():
        imported = set(imports_of(path))
        here = {module for module in imported if module in known and module != name}
        if "chainrun.__version__" in imported:  # a constant; the package imports the rest on demand
            here.discard("chainrun")
        # `from package import name` means the module of that name, where there is one; else the package itself
        found[name] = {one for one in here if not any(other.startswith(f"{one}.") for other in here)}
    return found


def circles() -> list[list[str]]:
    """Groups of modules that import each other, directly or by others (Tarjan, 1972: strongly connected components)."""
    edges, index, low, stack, found = graph(), {}, {}, [], []

    def visit(name: str) -> None:
        index[name] = low[name] = len(index)
        stack.append(name)
        for other in sorted(edges[name]):
            if other not in index:
                visit(other)
                low[name] = min(low[name], low[other])
            elif other in stack:
                low[name] = min(low[name], index[other])
        if low[name] == index[name]:
            group = stack[stack.index(name) :]
            del stack[stack.index(name) :]
            if len(group) > 1:
                found.append(sorted(group))

    for name in sorted(edges):
        if name not in index:
            visit(name)
    return found


def main() -> int:
    """Print the rows, the imports that break them, and circles. Exit code 1 if there are any."""
    counts = {room: sum(room_of(path) == room for path in files()) for room in ROW_OF}
    for row in ROWS:
        for i, (name, what) in enumerate(row.items()):
            place = f"{name}/" if counts[name] > 1 or (PACKAGE / name).is_dir() else f"{name}.py"
            print(f"{' ' if i else '-'} {place:<18} {counts[name]:>3}  {what}")
    broken = [one for path in files() for one in broken_imports(path)]
    round_ = circles()
    print(f"\nimports that break the rows: {len(broken) or 'none'}")
    print("".join(f"  {one}\n" for one in broken), end="")
    print(f"circles: {len(round_) or 'none'}")
    print("".join(f"  {' <-> '.join(one)}\n" for one in round_), end="")
    return 1 if broken or round_ else 0


if __name__ == "__main__":
    sys.exit(main())
