"""Frames that somebody wrote by their numbers, or from one to another: "TH1_0002-0005"."""

from __future__ import annotations

import re
from collections.abc import Collection

# A name or number, alone or to another.
_NUMBERS = re.compile(
    r"(?<![^\s,;，；、&+])(?P<before>[^\s,;，；、&+]*?)(?P<first>\d+)(?:\.[a-z]\w+)?"
    r"(?:\s*(?:[-–—:…~〜→]|\.\.+|\b(?:to|thru|through|till|until|bis|tot|til|a|à|au)\b)\s*"
    r"(?P<again>[^\s,;，；、&+]*?)(?P<last>\d+)(?:\.[a-z]\w+)?)?"
    r"(?![^\s,;，；、&+])",
    re.IGNORECASE,
)


_SPACED = re.compile(r"\s[-–—~〜→]\s")


def numbered(written: str, names: Collection[str], digits: int = 1) -> list[str]:
    """Those of the names that are meant by their numbers; none for one whole name.

    digits  that a number has at least which stands alone, or after a dash that does: as many as in the name where it
            is not 1
    """
    found = []
    for match in _NUMBERS.finditer(written):
        before, first, again, last = match.group("before", "first", "again", "last")
        if not (again.casefold() in ("", before.casefold()) if last else not before):
            continue
        alone = (not before and not last) or bool(_SPACED.search(match[0]))
        if alone and len(last or first) < digits:
            continue
        last = last or first
        ends = int(first), int(first[: max(len(first) - len(last), 0)] + last)
        called = re.compile(rf"(?:.*/)?{re.escape(before)}(\d+)" if before else r"(?:.*\D)?(\d+)", re.IGNORECASE)
        numbers = ((name, one[1]) for name in names if (one := called.fullmatch(name)))
        exact = digits > 1 and not before
        found += [
            name
            for name, number in numbers
            if min(ends) <= int(number) <= max(ends) and not (exact and len(number) != len(first))
        ]
    return found
