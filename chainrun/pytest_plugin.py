"""Recipes as tests: with `chainrun = true` in pytest's settings, or --chainrun, every *.recipe.toml that has an
[expect] or a baseline is collected, an item a check: `render` (it renders, and deliveries reach their targets), one for
each expectation, and one for each GROUP of what a baseline holds. Nothing of chainrun is imported before it is needed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from chainrun.engine import RenderResult
    from chainrun.loudness import Measured
    from chainrun.verify.judge import Check
    from chainrun.verify.run import Verdict

ENDING = ".recipe.toml"
GROUPS = {
    "samples": ("baseline", "rate", "channels", "length"),
    "loudness": ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "range_lu"),
    "true_peak": ("true_peak_dbtp",),
    "spectrum": ("third octaves",),
    "image": ("correlation", "side_to_mid_db"),
    "residual": ("residual", "exact residual"),
}
"""What is held to a baseline, by the items' names; `samples` are whole, or as many as there were."""


def pytest_addoption(parser: pytest.Parser) -> None:
    """The plugin's options."""
    group = parser.getgroup("chainrun")
    group.addoption("--chainrun", action="store_true", help="collect *.recipe.toml as tests")
    group.addoption("--chainrun-accept", action="store_true", help="write the baselines of collected recipes anew")
    group.addoption("--chainrun-force", action="store_true", help="let --chainrun-accept work where CI is set")
    parser.addini("chainrun", "collect *.recipe.toml as tests", type="bool", default=False)


def pytest_configure(config: pytest.Config) -> None:
    """Registers the marker that all items of recipes carry; refuses to accept where nobody looks."""
    if config.getoption("--chainrun-accept") and not config.getoption("--chainrun-force"):
        import os

        from chainrun.verify.ci import in_ci

        if in_ci(os.environ):
            raise pytest.UsageError(
                "--chainrun-accept in CI would let every change pass; accept on your own machine and commit it, "
                "or add --chainrun-force"
            )
    config.addinivalue_line("markers", "chainrun: a check of a mix recipe")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """A recipe with something to hold it to."""
    config = parent.config
    wanted = config.getoption("--chainrun") or config.getoption("--chainrun-accept") or config.getini("chainrun")
    if not wanted or not file_path.name.endswith(ENDING):
        return None
    return RecipeFile.from_parent(parent, path=file_path)


class RecipeFile(pytest.File):
    """A recipe; it is rendered once, when the first of its checks is run."""

    _verdict: Verdict | None = None
    _error: Exception | None = None

    def collect(self) -> Iterator[pytest.Item]:
        """The items. A recipe that cannot be opened is one item, which tells why when it is run."""
        from chainrun.errors import ChainrunError
        from chainrun.recipe import open_recipe
        from chainrun.verify.baseline import kept_already
        from chainrun.verify.changed import baseline_path

        try:
            opened = open_recipe(self.path)
        except ChainrunError:
            yield self._item("recipe")
            return
        expected = [key for key, _ in opened.recipe.expect.items()]
        baseline = baseline_path(opened)
        accept = self.config.getoption("--chainrun-accept")
        if not expected and not baseline.exists() and not accept:
            return
        yield self._item("render")
        for key in expected:
            yield self._item(key, f"expect: {key}")
        if accept or not baseline.exists():
            return
        known = kept_already(baseline).get("deliveries")
        names = list(known) if isinstance(known, dict) and known else [""]
        for name in names:
            for group in GROUPS:
                yield self._item(group if len(names) == 1 else f"{group}[{name}]", f"{name}: {group}")

    def _item(self, name: str, check: str = "") -> RecipeCheck:
        item: RecipeCheck = RecipeCheck.from_parent(self, name=name, check=check)
        item.add_marker(pytest.mark.chainrun)
        return item

    def verdict(self) -> Verdict:
        """What became of the recipe. Raises ChainrunError, the same for every check."""
        from chainrun.engine.store import default_folder
        from chainrun.errors import ChainrunError
        from chainrun.recipe import open_recipe
        from chainrun.verify.run import VerifyOptions, verify

        if self._verdict is None and self._error is None:
            accept = bool(self.config.getoption("--chainrun-accept"))
            options = VerifyOptions(accept=accept, store=default_folder(), write_missing=False)
            try:
                self._verdict = verify(open_recipe(self.path), options)
            except ChainrunError as error:
                self._error = error
        if self._verdict is None:
            assert self._error is not None
            raise self._error
        return self._verdict


class MovedError(Exception):
    """A check that failed."""


class RecipeCheck(pytest.Item):
    """One check, or a group of them."""

    def __init__(self, *, check: str = "", **more: Any):
        super().__init__(**more)
        self._check = check

    def runtest(self) -> None:
        """Render the recipe, if that was not done yet, and look at this check."""
        assert isinstance(self.parent, RecipeFile)
        verdict = self.parent.verdict()
        mine = [check for check in verdict.checks if self._mine(check)]
        for check in mine:
            self.user_properties += [
                (name, value) for name, value in (("measured", check.measured), ("limit", check.limit)) if value
            ]
        if not all(check.passed for check in mine):
            from chainrun.verify.reports import text

            raise MovedError(text(verdict, everything=True))

    def _mine(self, check: Check) -> bool:
        """An expectation by its name; `DELIVERY: GROUP` by the quantities of the group; `render` has what is left."""
        if check.name.startswith("expect: ") or self._check.startswith("expect: "):
            return check.name == self._check
        head, _, quantity = check.name.rpartition(": ")
        wanted, _, group = self._check.rpartition(": ")
        if not group:
            return not any(quantity in quantities for quantities in GROUPS.values())
        return quantity in GROUPS[group] and wanted in ("", head)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """The table, or the problems as chainrun tells them; no traceback."""
        from chainrun.errors import ChainrunError

        if isinstance(excinfo.value, MovedError):
            return str(excinfo.value)
        if isinstance(excinfo.value, ChainrunError):
            return "\n".join(problem.text() for problem in excinfo.value.problems)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where it stands."""
        return self.path, None, f"{self.path.name}: {self.name}"


@pytest.fixture
def render_recipe(tmp_path: Path) -> Callable[..., RenderResult]:
    """Renders a recipe into a temporary folder: render_recipe(path, variant=…, overlays=[…], sets=[…])."""
    from chainrun.engine import RenderOptions, render
    from chainrun.engine.store import default_folder
    from chainrun.recipe import Overrides, open_recipe

    def call(path: Path | str, *, variant: str | None = None, overlays: Any = (), sets: Any = ()) -> RenderResult:
        chosen = Overrides(variant, tuple(Path(one) for one in overlays), tuple(sets))
        return render(open_recipe(Path(path), chosen), tmp_path / "out", RenderOptions(store=default_folder()))

    return call


@pytest.fixture
def measure() -> Callable[[Path | str], Measured]:
    """Measures an audio file: measure(path).integrated_lufs."""
    from chainrun.engine.measure import measure_file

    def call(path: Path | str) -> Measured:
        return measure_file(Path(path))

    return call
