"""Judges a render by [expect], the recipe's own limits for its measurements."""

from __future__ import annotations

from pathlib import Path

from chainrun.contract.readings import QUANTITIES as STEP_READINGS
from chainrun.delivery import RenderResult
from chainrun.errors import Problem, RecipeError, nearest
from chainrun.measured import READINGS, Measured
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.recipe.model import Expectation
from chainrun.recipe.tables import place_of
from chainrun.store.store import Store
from chainrun.verify.aspects import Aspect
from chainrun.verify.checks import Bound, Check, Limit
from chainrun.verify.gather import print_measured


class _NotMeasuredError(Exception):
    """An expectation names something that is not measured; carries message and hint."""

    def __init__(self, message: str, hint: str | None = None):
        super().__init__(message)
        self.message, self.hint = message, hint


def judge_expectations(opened: Opened, result: RenderResult, store: Store) -> list[Check]:
    """A check for every entry of [expect].

    Raises RecipeError for a quantity that is not measured, or a node that does not exist.
    """
    checks, problems = [], []
    for path, expected in opened.recipe.expect.items():
        try:
            value = _value(path, expected, result, store)
        except _NotMeasuredError as error:
            problem = Problem(error.message, hint=error.hint, code=Code.NOT_MEASURED)
            problems.append(opened.problems.at(place_of(opened.table, ("expect", path)), problem))
            continue
        checks.append(_judged(path, expected, value))
    if problems:
        raise RecipeError(problems)
    return checks


def _value(path: str, expected: Expectation, result: RenderResult, store: Store) -> float:
    if "." not in path:
        return _of_delivery(path, expected, result)
    head, _, quantity = path.rpartition(".")
    if quantity in STEP_READINGS:
        try:
            return result.reading_at(path)
        except KeyError as error:
            raise _NotMeasuredError(str(error.args[0])) from error
    name = head.partition(".")[2] if head != "main" else head
    node = next((one for one in result.nodes if one.name == name), None)
    if node is None:
        names = [one.name for one in result.nodes]
        raise _NotMeasuredError(f"there is no node {name!r}", nearest(name, names))
    if getattr(node.measured, quantity, 0.0) is None:  # a render meters less of a node than of a delivery
        return _reading(print_measured(node, result.rate_hz, store), quantity)
    return _reading(node.measured, quantity)


def _of_delivery(quantity: str, expected: Expectation, result: RenderResult) -> float:
    if not result.deliveries:
        raise _NotMeasuredError("there is no delivery to measure")
    delivery = result.deliveries[0]
    if expected.delivery is not None:
        chosen = [one for one in result.deliveries if Path(one.file).name == expected.delivery]
        if not chosen:
            names = [Path(one.file).name for one in result.deliveries]
            raise _NotMeasuredError(f"no delivery is called {expected.delivery}", nearest(expected.delivery, names))
        delivery = chosen[0]
    return _reading(delivery.measured, quantity)


def _reading(measured: Measured, quantity: str) -> float:
    if quantity not in READINGS:
        raise _NotMeasuredError(f"{quantity!r} is not measured", nearest(quantity, READINGS))
    value = getattr(measured, quantity)
    if value is None:
        raise _NotMeasuredError(
            f"{quantity!r} is not measured here (a short sound has no loudness range, a mono one no correlation)"
        )
    return float(value)


def _judged(path: str, expected: Expectation, value: float) -> Check:
    limits = limits_of(expected)
    passed = all(limit.allows(value) for limit in limits)
    return Check(Aspect.EXPECTATION, passed, value, limits=limits, path=path, key=f"expect.{path}")


def limits_of(expected: Expectation) -> tuple[Limit, ...]:
    """The limits that an expectation sets."""
    limits = []
    if expected.is_ is not None and expected.within is not None:
        limits.append(Limit(Bound.NEAR, expected.is_, expected.within))
    if expected.min is not None and expected.max is not None:
        limits.append(Limit(Bound.BETWEEN, expected.min, expected.max))
    elif expected.min is not None:
        limits.append(Limit(Bound.AT_LEAST, expected.min))
    elif expected.max is not None:
        limits.append(Limit(Bound.AT_MOST, expected.max))
    return tuple(limits)
