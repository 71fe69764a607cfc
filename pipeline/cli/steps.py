"""evencourt steps: what each step does and takes, out of its own declaration."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, get_args, get_origin

from pipeline.cli.console import say_lines
from pipeline.errors import InputError
from pipeline.steps import REGISTRY
from pipeline.steps.base import AnyStep
from pipeline.textfile.messages import describe, did_you_mean

_PLACES = {"shared": "under steps", "delivery": "in a delivery", "both": "under steps or in a delivery"}


def show_steps(name: str | None) -> None:
    """Print the reference of one step, or of all. Raises InputError where there is no step of that name."""
    if name is not None and name not in REGISTRY:
        raise InputError(
            f"there is no step {name!r}{did_you_mean(name, REGISTRY)} (the steps are {', '.join(REGISTRY)})"
        )
    say_lines(steps_text([REGISTRY[name]] if name else list(REGISTRY.values())))


def steps_text(steps: Sequence[AnyStep]) -> str:
    """Markdown that the README's recipe reference and `evencourt steps` share."""
    parts = []
    for step in steps:
        lines = [f"### {step.name}", "", f"{step.summary} Goes {_PLACES[step.place]}.", ""]
        for name, info in step.Params.model_fields.items():
            lines.append(f"- `{name}` ({_range(info)}; default `{_default(info.default)}`): {info.description}")
        parts.append("\n".join(lines).rstrip())
    return "\n\n".join(parts)


def _default(value: Any) -> str:
    if value is None:
        return "none"
    return str(value).lower() if isinstance(value, bool) else str(value)


def _range(info: Any) -> str:
    bounds = {key: getattr(m, key) for m in info.metadata for key in ("ge", "le") if hasattr(m, key)}
    text = str(info.annotation)
    if "Literal" in text:
        parts = [info.annotation] if get_origin(info.annotation) is Literal else get_args(info.annotation)
        options = ", ".join(f"`{o}`" for part in parts if get_origin(part) is Literal for o in get_args(part))
        numbers = [part for part in parts if "float" in str(part)]
        return f"one of {options}" + "".join(f", or {describe(part, ())}" for part in numbers)
    kind = "yes or no" if "bool" in text else "number" if "float" in text or "int" in text else "text"
    if "tuple" in text or "list" in text:
        kind = "list"
    if "ge" in bounds and "le" in bounds:
        kind += f" {bounds['ge']:g} to {bounds['le']:g}"
    return kind
