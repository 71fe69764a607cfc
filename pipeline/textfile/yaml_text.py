"""Writing single values as YAML 1.2, so that any text can stand in a file and nothing in it is taken for YAML."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

# Plain text that no reader takes for anything else, in block and flow style: it begins with a letter, and no sign in it
# means something to YAML (1.2.2, section 7.3.3).
_PLAIN = re.compile(r"[^\W\d_](?:[\w ./&'’()+–-]*[\w.)’])?")
# Read as something else than text by YAML 1.2 (10.3.2) or, as yes and no are, by 1.1, which other programs still read.
_WORDS = frozenset(["null", "true", "false", "yes", "no", "on", "off", "y", "n", "nan", "inf"])
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t"}  # YAML 1.2.2, section 5.7

Value = str | int | float | bool | None | Sequence["Value"] | Mapping[str, "Value"]


def quoted(text: str) -> str:
    """`text` in double quotes; signs that cannot be printed, line breaks among them, as escapes."""
    return '"' + "".join(_escaped(sign) for sign in text) + '"'


def _escaped(sign: str) -> str:
    if sign in _ESCAPES:
        return _ESCAPES[sign]
    if sign.isprintable():
        return sign
    code = ord(sign)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def text_value(text: str) -> str:
    """`text` as a value in block or flow style, in quotes where it needs them."""
    plain = _PLAIN.fullmatch(text) and text.isprintable() and text.casefold() not in _WORDS
    return text if plain else quoted(text)


def flow(value: Value) -> str:
    """A value in one line: text, numbers, yes or no, nothing, lists and mappings of these."""
    if isinstance(value, str):
        return text_value(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "null"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{text_value(key)}: {flow(one)}" for key, one in value.items()) + "}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(map(flow, value)) + "]"
    return repr(value)


def in_comment(text: str) -> str:
    """`text` for a comment, which it cannot end."""
    return text if text.isprintable() else quoted(text)
