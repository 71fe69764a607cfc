"""What is held for a typing mistake, and needlessly: `python -m tests.slips`

Of the names in tests/tables/common_names.txt (common practice, no source) each pair of a withheld name and another is
compared: the other names somebody who is not in the roster. Mistakes are made at random, one or two in a name (Damerau,
CACM 1964: a letter wrong, too many, missing, or two that changed places). The prose is this project's own.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from pathlib import Path

from pipeline.shoot.names import mistyped_in, names_part, slips_of

ROOT = Path(__file__).resolve().parents[1]
PAIRS, TYPED, SHORT = 400_000, 4_000, 12  # SHORT: letters of a name from which on it is a long one
PROSE = ("README.md", "DEVELOPERS.md", "tests/MEASURED.md", "recipes/README.md")


def common_names() -> tuple[list[str], list[str]]:
    """Given names and surnames."""
    text = (ROOT / "tests/tables/common_names.txt").read_text(encoding="utf-8").split("\n", 1)[1]
    given, surnames = text.removeprefix("given").split("surnames")
    return given.split(), surnames.split()


def mistyped(name: str, chance: random.Random) -> str:
    """A name with one mistake in a place chosen at random."""
    at = chance.choice([i for i, letter in enumerate(name) if letter != " "])
    letter, kind = chance.choice("abcdefghijklmnopqrstuvwxyz"), chance.randrange(4)
    if kind == 3 and name[at + 1 : at + 2].strip():
        return name[:at] + name[at + 1] + name[at] + name[at + 2 :]
    return name[:at] + ("" if kind == 0 else letter) + name[at + (kind < 2) :]


def main() -> None:
    """Prints the figures."""
    given, surnames = common_names()
    chance = random.Random(1)

    def anyone() -> str:
        return f"{chance.choice(given)} {chance.choice(surnames)}"

    pairs = ((anyone(), anyone()) for _ in range(PAIRS))
    false = [(one, other) for one, other in pairs if one != other and _may_be(one, other) and mistyped_in(other, one)]
    print(f"needlessly: {1e6 * len(false) / PAIRS:.0f} of a million pairs, such as {false[:4]}")
    for mistakes in (1, 2):
        for is_short in (True, False):
            found = tried = 0
            while tried < TYPED:
                name = typed = anyone()
                for _ in range(mistakes):
                    typed = mistyped(typed, chance)
                if typed != name and (len(name) - 1 < SHORT) == is_short:
                    tried, found = tried + 1, found + mistyped_in(typed, name)
            kind = "short" if is_short else "long"
            print(f"{mistakes} in a {kind} name: {100 * found / tried:.0f} % seen")
    words = " ".join((ROOT / file).read_text(encoding="utf-8") for file in PROSE).split()
    texts = [" ".join(words[at : at + 4000]) for at in range(0, len(words), 4000)]
    withheld = [anyone() for _ in range(400)]
    meant = [one for one in withheld if any(place.mistakes for text in texts for place in slips_of(text, one))]
    print(f"in {len(words):,} words of prose: {len(meant)} of 400 names, {meant}")
    sentences = re.split(r"(?<=[.!?:;|])\s+", " ".join(words))
    parts = [{part for name in withheld for part in name.split()} & {*text.title().split()} for text in sentences]
    alone = Counter(
        name
        for text, some in zip(sentences, parts, strict=True)
        for name in withheld
        if not some.isdisjoint(name.split()) and names_part(text, name)
    )
    print(f"by a part alone, {alone.total()} of {len(sentences):,} sentences for 400 names, {alone.most_common(6)}")


def _may_be(one: str, other: str) -> bool:
    return all(abs(len(a) - len(b)) <= 2 for a, b in zip(one.split(), other.split(), strict=True))


if __name__ == "__main__":
    main()
