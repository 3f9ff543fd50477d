"""[expect]: what a recipe says that its own render measures."""

from __future__ import annotations

import math
from pathlib import Path

from chainrun.delivery import RenderResult
from chainrun.errors import Problem, RecipeError, nearest
from chainrun.measured import READINGS, Measured
from chainrun.recipe import Opened
from chainrun.recipe.model import Expectation
from chainrun.recipe.tables import place_of
from chainrun.store.store import Store
from chainrun.verify.facts import print_measured
from chainrun.verify.judge import Check, unit_of


def judge_expectations(opened: Opened, result: RenderResult, store: Store) -> list[Check]:
    """Every entry of [expect]. Raises RecipeError for what is not measured, or a node that is not there."""
    checks, problems = [], []
    for path, expected in opened.recipe.expect.items():
        try:
            value = _value(path, expected, result, store)
        except KeyError as error:
            message, hint = error.args[0], error.args[1] if len(error.args) > 1 else None
            problems.append(_problem(opened, path, str(message), hint))
            continue
        checks.append(_judged(path, expected, value))
    if problems:
        raise RecipeError(problems)
    return checks


def _problem(opened: Opened, path: str, message: str, hint: str | None) -> Problem:
    return opened.problems.at(place_of(opened.table, ("expect", path)), Problem(message, hint=hint))


def _value(path: str, expected: Expectation, result: RenderResult, store: Store) -> float:
    if "." not in path:
        if not result.deliveries:
            raise KeyError("nothing was delivered that it could be about")
        delivery = result.deliveries[0]
        if expected.delivery is not None:
            chosen = [one for one in result.deliveries if Path(one.file).name == expected.delivery]
            if not chosen:
                names = [Path(one.file).name for one in result.deliveries]
                raise KeyError(f"no delivery is called {expected.delivery}", nearest(expected.delivery, names))
            delivery = chosen[0]
        return _measured(delivery.measured, path)
    head, _, quantity = path.rpartition(".")
    if quantity.startswith("gain_reduction"):
        try:
            return result.reading_at(path)
        except KeyError as error:
            raise KeyError(str(error.args[0])) from error
    name = head.partition(".")[2] if head != "main" else head
    node = next((one for one in result.nodes if one.name == name), None)
    if node is None:
        names = [one.name for one in result.nodes]
        raise KeyError(f"there is no node {name!r}", nearest(name, names))
    if getattr(node.measured, quantity, 0.0) is None:  # a render meters less of a node than of a delivery
        return _measured(print_measured(node, result.rate_hz, store), quantity)
    return _measured(node.measured, quantity)


def _measured(measured: Measured, quantity: str) -> float:
    if quantity not in READINGS:
        raise KeyError(f"{quantity!r} is not measured", nearest(quantity, READINGS))
    value = getattr(measured, quantity)
    if value is None:
        raise KeyError(f"{quantity!r} is not measured here (a short sound has no range, a mono one no correlation)")
    return float(value)


def _judged(path: str, expected: Expectation, value: float) -> Check:
    wanted, passed = [], True
    if expected.is_ is not None and expected.within is not None:
        wanted.append(f"{expected.is_:g} within {expected.within:g}")
        passed = passed and abs(value - expected.is_) <= expected.within + 1e-9
    if expected.from_ is not None and expected.to is not None:
        wanted.append(f"from {expected.from_:g} to {expected.to:g}")
        passed = passed and expected.from_ - 1e-9 <= value <= expected.to + 1e-9
    if expected.at_least is not None:
        wanted.append(f"at least {expected.at_least:g}")
        passed = passed and value >= expected.at_least - 1e-9
    if expected.at_most is not None:
        wanted.append(f"at most {expected.at_most:g}")
        passed = passed and value <= expected.at_most + 1e-9
    unit = unit_of(path.rsplit(".", 1)[-1])
    limit = f"{', '.join(wanted)} {unit}".rstrip()
    shown = f"{value:.2f} {unit}".rstrip() if math.isfinite(value) else "silence"
    text = f"{path}: {shown}, expected {limit}"
    return Check(f"expect: {path}", passed, text, value, None, limit, f"expect.{path}")
