"""Frames beside one that shows somebody who must not be shown: only a person can see whether they show the same."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from pipeline.types import Burst

BESIDE = (
    "in a burst with frames that are held back for a player, and nobody wrote under players who is in it; look at it "
    "before you publish"
)


def beside_withheld(
    bursts: Iterable[Burst], shows_withheld: Callable[[str], bool], goes_out: Callable[[str], bool]
) -> list[str]:
    """The frames that `goes_out` says are delivered without a word of whom they show, taken in the same burst as one of
    which something says that it shows a player who must not be published."""
    names: list[str] = []
    for burst in bursts:
        if any(map(shows_withheld, burst.frames)):
            names += filter(goes_out, burst.frames)
    return names
