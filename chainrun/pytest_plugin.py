"""Recipes as tests: with `chainrun = true` in pytest's settings, or --chainrun, every *.recipe.toml is collected.

A recipe and each of its variants have one item per check: `render` (it renders, and deliveries reach their targets),
one for each expectation, and one for each group of a baseline's values. A recipe or variant without a baseline has an
item that fails, unless its [expect] says `baseline = "none"`. chainrun is imported only when it is needed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from chainrun.delivery import RenderResult
    from chainrun.loudness import Measured
    from chainrun.recipe import Opened
    from chainrun.verify.aspects import AspectGroup
    from chainrun.verify.checks import Check
    from chainrun.verify.verdicts import Verdict

ENDING = ".recipe.toml"


@dataclass(frozen=True)
class ItemChecks:
    """The checks that belong to an item: an expectation, a group of a delivery's checks, or all that are left."""

    expectation: str | None = None
    """A path of [expect]."""
    group: AspectGroup | None = None
    delivery: str = ""
    """The delivery of a group; empty for all deliveries."""
    with_items: tuple[str, ...] = ()
    """Deliveries whose groups are items of their own, for an item without expectation and group."""

    def holds(self, check: Check) -> bool:
        """Whether a check belongs to the item."""
        from chainrun.verify.aspects import GROUP_OF, Aspect

        if check.aspect is Aspect.EXPECTATION or self.expectation is not None:
            return check.aspect is Aspect.EXPECTATION and check.path == self.expectation
        group, delivery = GROUP_OF.get(check.aspect), check.delivery or ""
        if self.group is None:  # also what belongs to no other item, such as a delivery that is not in the baseline
            return group is None or delivery not in self.with_items
        return group is self.group and self.delivery in ("", delivery)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the plugin's options."""
    group = parser.getgroup("chainrun")
    group.addoption("--chainrun", action="store_true", help="collect *.recipe.toml files as tests")
    group.addoption(
        "--chainrun-accept", action="store_true", help="accept the sound of collected recipes: write their baselines"
    )
    group.addoption("--chainrun-force", action="store_true", help="allow --chainrun-accept in CI")
    parser.addini("chainrun", "collect *.recipe.toml as tests", type="bool", default=False)


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker of recipe items; refuse to accept in CI."""
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
    """Collect a recipe, if recipes are wanted as tests."""
    config = parent.config
    wanted = config.getoption("--chainrun") or config.getoption("--chainrun-accept") or config.getini("chainrun")
    if not wanted or not file_path.name.endswith(ENDING):
        return None
    return RecipeFile.from_parent(parent, path=file_path)


class RecipeFile(pytest.File):
    """A recipe as a test file; it is rendered once, when the first of its checks runs."""

    def __init__(self, **more: Any):
        super().__init__(**more)
        self._known: dict[str | None, Verdict | Exception] = {}

    def collect(self) -> Iterator[pytest.Item]:
        """The items of a recipe and its variants; a recipe or variant without a baseline has one that fails.

        A recipe that cannot be opened is one item; it fails with the reason.
        """
        from chainrun.errors import ChainrunError
        from chainrun.recipe import Overrides, open_recipe
        from chainrun.verify.changed import orphans

        try:
            opened = open_recipe(self.path)
        except ChainrunError:
            yield self._item("recipe")
            return
        yield from self._items(opened)
        for variant in opened.recipe.variants:
            try:
                other = open_recipe(self.path, Overrides(variant))
            except ChainrunError:
                yield self._item("recipe", variant=variant)
                continue
            yield from self._items(other)
        for variant in orphans(self.path, opened.recipe.variants):
            yield self._item("recipe", variant=variant)

    def _items(self, opened: Opened) -> Iterator[pytest.Item]:
        from chainrun.verify.aspects import AspectGroup
        from chainrun.verify.baseline import kept_deliveries
        from chainrun.verify.changed import baseline_path

        baseline, variant = baseline_path(opened), opened.variant
        accept = self.config.getoption("--chainrun-accept")
        names = (kept_deliveries(baseline) if baseline.exists() and not accept else []) or [""]
        yield self._item("render", ItemChecks(with_items=tuple(names)), variant)
        for key, _ in opened.recipe.expect.items():
            yield self._item(key, ItemChecks(expectation=key), variant)
        if not accept and not baseline.exists() and opened.recipe.expect.baseline == "required":
            yield self._item("baseline", ItemChecks(group=AspectGroup.SAMPLES), variant)
        if accept or not baseline.exists():
            return
        for name in names:
            for group in AspectGroup:
                label = group.value if len(names) == 1 else f"{group.value}[{name}]"
                yield self._item(label, ItemChecks(group=group, delivery=name), variant)

    def _item(self, name: str, share: ItemChecks | None = None, variant: str | None = None) -> RecipeCheck:
        shown = f"{name}+{variant}" if variant else name
        item: RecipeCheck = RecipeCheck.from_parent(self, name=shown, share=share or ItemChecks(), variant=variant)
        item.add_marker(pytest.mark.chainrun)
        return item

    def verdict(self, variant: str | None) -> Verdict:
        """The verdict about the recipe or a variant. Raises ChainrunError, the same for every check."""
        from chainrun.errors import ChainrunError
        from chainrun.recipe import Overrides, open_recipe
        from chainrun.store.store import default_folder
        from chainrun.verify.run import VerifyOptions, accept, verify_recipe

        if variant not in self._known:
            judge = accept if self.config.getoption("--chainrun-accept") else verify_recipe
            options = VerifyOptions(store=default_folder())
            try:
                self._known[variant] = judge(open_recipe(self.path, Overrides(variant)), options)
            except ChainrunError as error:
                self._known[variant] = error
        found = self._known[variant]
        if isinstance(found, Exception):
            raise found
        return found


class MovedError(Exception):
    """A check that failed."""


class RecipeCheck(pytest.Item):
    """A test item: one check, or a group of checks."""

    def __init__(self, *, share: ItemChecks, variant: str | None = None, **more: Any):
        super().__init__(**more)
        self._share, self._variant = share, variant

    def runtest(self) -> None:
        """Render the recipe if it is not rendered yet, and test this item's checks."""
        from chainrun.verify.wording import limit_text

        assert isinstance(self.parent, RecipeFile)
        verdict = self.parent.verdict(self._variant)
        mine = [check for check in verdict.checks if self._share.holds(check)]
        for check in mine:
            figures = (("measured", check.figure), ("baseline", check.figure_before), ("limit", limit_text(check)))
            self.user_properties += [(f"{check.name} {word}", value) for word, value in figures if value is not None]
        if not all(check.passed for check in mine):
            from chainrun.verify.reports import text

            raise MovedError(text(verdict, everything=True))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """The table of checks, or the problems; no traceback."""
        from chainrun.errors import ChainrunError

        if isinstance(excinfo.value, MovedError):
            return str(excinfo.value)
        if isinstance(excinfo.value, ChainrunError):
            return "\n".join(problem.text() for problem in excinfo.value.problems)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """The file and name of the item, for pytest's reports."""
        return self.path, None, f"{self.path.name}: {self.name}"


@pytest.fixture
def render_recipe(tmp_path: Path) -> Callable[..., RenderResult]:
    """Renders a recipe into a temporary folder of its own.

    Example: render_recipe(path, variant=…, overlays=[…], sets=[…]).
    """
    from chainrun.delivery import RenderOptions, render
    from chainrun.plan import build_plan
    from chainrun.recipe import Overrides, open_recipe
    from chainrun.store.store import default_folder, hasher

    number = count(1)

    def call(path: Path | str, *, variant: str | None = None, overlays: Any = (), sets: Any = ()) -> RenderResult:
        chosen = Overrides(variant, tuple(Path(one) for one in overlays), tuple(sets))
        out = tmp_path / f"out-{next(number)}"
        store = default_folder()
        plan = build_plan(open_recipe(Path(path), chosen), hash_file=hasher(store))
        return render(plan, out, RenderOptions(store=store))

    return call


@pytest.fixture
def measure() -> Callable[[Path | str], Measured]:
    """Measures an audio file.

    Example: measure(path).integrated_lufs.
    """
    from chainrun.measuring import measure_file

    def call(path: Path | str) -> Measured:
        return measure_file(Path(path))

    return call
