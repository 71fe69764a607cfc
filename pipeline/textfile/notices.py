"""Notices put in order: one line a kind, the most serious first, with the frames that it is about."""

from __future__ import annotations

import re
from collections.abc import Container, Iterable
from dataclasses import dataclass, field
from enum import IntEnum

from pipeline.textfile.messages import and_more


class Weight(IntEnum):
    """How serious a notice is."""

    HARM = 0  # somebody may be shown or named who must not be
    LOST = 1  # something is not there, damaged or not as it was
    LOOK = 2  # a person should look
    KNOW = 3
    MENDED = 4  # by the run itself: nobody has to do anything


# Words by which a notice is weighed, from the most serious on: messages of the program say these things in these words
# (tests/textfile/test_notices.py holds those of each part to it).
_WORDS = (
    (
        Weight.HARM,
        r"withheld|publish|must not be shown|may no longer|held back|may not stay|may be a name|minors",
    ),
    (
        Weight.LOST,
        r"damaged|cannot be|could not|not used|missing|is not there|is no longer in|set aside|left alone|failed|"
        r"refused|no record says|does not match|fits? no frame|is not complete|cut short|disk",
    ),
    (
        Weight.LOOK,
        r"look at|not sure|least sure|check |compare it|guess|doubt|disagree|may be wrong|burnt out|clipped|"
        r"nearly all of it|send (?:it|them) again|clock|hardly anything|may show a card",
    ),
    (Weight.MENDED, r"(?:is|are) (?:repaired|taken out)$"),
)
_EACH = "before you publish"  # a person must find every frame of which this is said, in the terminal too
_NUMBER = re.compile(r"[+\N{MINUS SIGN}-]?\d+(?:[.,:]\d+)*")


@dataclass
class Said:
    """Notices of one kind.

    text  of the first of them; frames  it is about, in order; alike  whether the others differ in numbers or names
    """

    text: str
    weight: Weight
    frames: list[str] = field(default_factory=list)
    alike: bool = False

    def line(self) -> str:
        """The kind on one line: "TH1_0001 and 2 more: TEXT"; every name where a person must look before publishing."""
        names = (", ".join(self.frames) if _EACH in self.text else and_more(self.frames)) + ": " if self.frames else ""
        return names + self.text + (" (as it says of the first; the others are like it)" if self.alike else "")


def weigh(text: str) -> Weight:
    """How serious a notice is, by its words."""
    return next((weight for weight, words in _WORDS if re.search(words, text)), Weight.KNOW)


def by_kind(notices: Iterable[str], frames: Container[str]) -> list[Said]:
    """The notices, one of each kind: those that say the same of several of `frames`, as "NAME: TEXT", also with other
    numbers or names of frames in it. The most serious come first; of those what is about all, then about most."""
    kinds: dict[str, Said] = {}
    for whole in notices:
        name, colon, rest = whole.partition(": ")
        about = bool(colon) and name in frames
        text = rest if about else whole
        kind = kinds.setdefault(_alike(text, frames) if about else text, Said(text, weigh(text)))
        kind.alike |= kind.text != text
        if about and name not in kind.frames[-1:]:
            kind.frames.append(name)
    return sorted(kinds.values(), key=lambda kind: (kind.weight, bool(kind.frames), -len(kind.frames)))


def lines_by_kind(notices: Iterable[str], frames: Iterable[str]) -> list[str]:
    """The same, each kind on a line of its own."""
    return [kind.line() for kind in by_kind(notices, set(frames))]


def _alike(text: str, frames: Container[str]) -> str:
    """A text without what differs between frames of which the same is said."""
    words = (word if word.strip(",.;:()") not in frames else "a frame" for word in text.split(" "))
    return _NUMBER.sub("0", " ".join(words))
