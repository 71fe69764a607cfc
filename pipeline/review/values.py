"""Values of decisions: as JSON between the page and the server, and as text in a cell.

keep     "" the recipe decides, "no", "always" ("yes" is taken for "")
rating   -1 to 5, null for none
players  [["home", "7"], ["away", "12"]], from left to right
words    one line of text
crop     [x0, y0, x1, y1], fractions of the upright frame, null for what the recipe decides
reference  {"patch": [x0, y0, x1, y1] or "auto"} or {"chart": "auto" or four [x, y]}, with "end"; null for none
publish  true or false
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import JsonValue

from pipeline.errors import InputError
from pipeline.review.changes import Field
from pipeline.shoot.eventfile import box_of
from pipeline.shoot.facts import SIDES, FrameFacts, Reference
from pipeline.textfile.table_edits import one_line
from pipeline.textfile.yaml_text import Value as YamlValue

Value = JsonValue
MOST_WORDS = 2000  # letters of words; a caption is a few lines
_DIGITS = 5  # of a fraction: a tenth of a pixel of the largest frames


def value_of(row: FrameFacts, field: Field, delivery: str | None = None) -> Value:
    """The value of a field of a row."""
    if field == "keep":
        return "always" if row.always else "" if row.keep else "no"
    if field == "rating":
        return row.rating
    if field == "players":
        return [list(one) for one in row.players]
    if field == "words":
        return row.words
    box = dict(row.crops).get(delivery.casefold()) if delivery else row.crop
    return None if box is None else list(box)


def wrote(row: FrameFacts) -> dict[str, Value]:
    """All that is written of a frame; crops  delivery, folded -> crop."""
    fields: tuple[Field, ...] = ("keep", "rating", "players", "words", "crop")
    return {**{field: value_of(row, field) for field in fields}, "crops": {of: list(box) for of, box in row.crops}}


def same(one: Value, other: Value) -> bool:
    """Whether two values are one: "yes" is as empty, and fractions count as they are written."""
    return _plain(one) == _plain(other)


def _plain(value: Value) -> Value:
    if value == "yes":
        return ""
    if isinstance(value, float) and not isinstance(value, bool):
        return round(value, _DIGITS)
    if isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if isinstance(value, list):
        return [_plain(one) for one in value]
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items() if one is not None}
    return value


def cell_of(field: Field, value: Value) -> str:
    """The text of a cell. Raises InputError for what is no value of the field."""
    text: str | None = None
    if field == "keep" and value in ("", "yes", "no", "always"):
        text = str(value)
    elif field == "rating" and (value is None or (type(value) is int and -1 <= value <= 5)):
        text = "" if value is None else str(value)
    elif field == "words" and isinstance(value, str) and len(value) <= MOST_WORDS:
        text = one_line(value)
    elif field == "crop":
        box = box_of([round(v, _DIGITS) for v in value]) if _is_box(value) and isinstance(value, list) else None  # type: ignore[arg-type]
        if value is None or box is not None:
            text = "" if box is None else " ".join(f"{v:.10g}" for v in box)
    elif field == "players" and isinstance(value, list) and all(map(_is_player, value)):
        text = "; ".join(" ".join(map(str, one)) for one in value if isinstance(one, list))
    if text is None:
        raise InputError(f"{field}: this is no value that can be written there")
    return text


def _is_box(value: Value) -> bool:
    return isinstance(value, list) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)


def _is_player(value: Value) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 2
        and value[0] in SIDES
        and isinstance(value[1], str)
        and value[1].isdecimal()
        and len(value[1]) <= 10
    )


def shown_reference(reference: Reference | None) -> Value:
    """A reference of shoot.yaml as a value."""
    if reference is None:
        return None
    found: dict[str, Value] = {}
    if reference.patch is not None:
        found["patch"] = reference.patch if isinstance(reference.patch, str) else list(reference.patch)
    if reference.chart is not None:
        chart = reference.chart
        found["chart"] = chart if isinstance(chart, str) else [list(corner) for corner in chart]
    if reference.end is not None:
        found["end"] = reference.end
    return found


def entry_of(called: str, value: Value) -> Mapping[str, YamlValue] | None:
    """An entry of `references` in shoot.yaml; None for none. Raises InputError for what is none."""
    if value is None:
        return None
    unfit = InputError("a reference is a patch (four numbers or auto) or a chart (auto or four corners)")
    if not isinstance(value, dict) or not set(value) <= {"patch", "chart", "end"}:
        raise unfit
    given = {key: one for key, one in value.items() if one is not None}
    if not ("patch" in given or "chart" in given):
        return None
    entry: dict[str, Any] = {"frame": called}
    for key in ("patch", "chart"):
        if key in given:
            one = given[key]
            if key == "patch" and one != "auto" and box_of(one) is None:
                raise unfit
            entry[key] = _rounded(one)
    if isinstance(given.get("end"), str) and (end := one_line(str(given["end"]))):
        entry["end"] = end[:100]
    return entry


def _rounded(value: Value) -> Any:
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    return round(value, _DIGITS) if isinstance(value, float) else value
