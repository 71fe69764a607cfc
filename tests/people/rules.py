"""Whether each number of the rules is guarded: a small scenario holds, and no longer holds when the number is changed.

A scenario is a sentence about people that is true under the rules as they are, at a value worked out by hand from what
the rule says. It has to break when the number grows or shrinks by a tenth (whole numbers: at least by one).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from typing import Any

import pytest

from pipeline.people import detect

Scenario = Callable[[], bool]


def turns(verdict: Callable[[float], bool], at: float, by: float = 0.03) -> bool:
    """Whether a verdict is false a little below a value and true a little above it."""
    return bool(verdict(at * (1 + by))) and not verdict(at * (1 - by))


def near(value: float, expected: float, within: float = 0.03) -> bool:
    """Whether a value is what it should be, but for a small share of it."""
    return bool(value == pytest.approx(expected, rel=within))


def _variants(value: Any, factor: float) -> Iterator[Any]:
    """The value changed by a factor, or, of several values, one of them at a time."""
    if isinstance(value, tuple):
        for at, one in enumerate(value):
            yield from ((*value[:at], changed, *value[at + 1 :]) for changed in _variants(one, factor))
    elif isinstance(value, int):
        yield round(value * factor) if abs(value * (factor - 1)) >= 1 else value + (1 if factor > 1 else -1)
    else:
        yield value * factor


@contextmanager
def _held(rules: object, name: str, value: Any) -> Iterator[None]:
    before = getattr(rules, name)
    object.__setattr__(rules, name, value)
    detect._encoded.cache_clear()
    try:
        yield
    finally:
        object.__setattr__(rules, name, before)
        detect._encoded.cache_clear()


def assert_guarded(rules: object, name: str, scenario: Scenario) -> None:
    assert scenario(), f"{name}: the scenario does not hold"
    for factor in (0.9, 1.1):
        for value in _variants(getattr(rules, name), factor):
            with _held(rules, name, value):
                assert not scenario(), f"{name} = {value}: nobody notices"


def guards(
    rules: Mapping[str, object], scenarios: Mapping[str, Scenario], flat: Mapping[str, str] | None = None
) -> tuple[Callable[[str], None], Callable[[], None]]:
    """Two tests: every scenario breaks with its number; every number has a scenario, or a reason in `flat`.

    rules  name -> dataclass; the keys of the others are NAME.field
    """

    @pytest.mark.parametrize("name", scenarios)
    def each(name: str) -> None:
        group, field = name.split(".")
        assert_guarded(rules[group], field, scenarios[name])

    def all_guarded() -> None:
        names = {f"{group}.{field.name}" for group, one in rules.items() for field in fields(one)}  # type: ignore[arg-type]
        assert names == set(scenarios) | set(flat or {})

    return each, all_guarded
