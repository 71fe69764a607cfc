"""What comparing pictures could not tell, said in words: who could go out unseen, and where to look."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from pipeline.textfile.messages import and_more, counted


def unseen_said(unseen: Collection[str], free: Sequence[str]) -> list[str]:
    """Of frames that are held and cannot be looked at. free  frames that may be copies of them, and are not held"""
    if not unseen or not free:
        return []
    one = len(unseen) == 1
    are, them = ("is", "it") if one else ("are", "them")
    pictures = "its picture cannot be read, or shows" if one else "their pictures cannot be read, or show"
    where = f"whether {free[0]} shows" if len(free) == 1 else f"whether one of {_some(free)} shows"
    return [
        f"{and_more(list(unseen))} {are} held back, but {pictures} too little, so no copy "
        f"of {them} can be found by its looks: see {where} the same, and if so "
        "write under players who is in it"
    ]


def hall_said(hall: Mapping[str, Sequence[str]], found: Collection[str]) -> list[str]:
    """Of frames of a camera that stands still: those that are held -> others that show the same hall. found  held"""
    every, of = dict[str, None](), list[str]()
    for name, some in hall.items():
        free = dict.fromkeys(one for one in some if one not in found)
        of += [] if free.keys() <= every.keys() else [name]
        every |= free
    if not of:
        return []
    are, them = ("is", "that frame") if len(of) == 1 else ("are", "those held back")
    show, they = ("shows", "it is") if len(every) == 1 else ("show", "they are")
    return [
        f"{_some(list(every))} {show} nearly the same as {and_more(of)}, which {are} held back: their camera seems "
        f"to have stood still, so {they} not held back. Who sits or stands still there cannot be told from the hall: "
        f"if {them} may show somebody who must not be shown, look for that player in the others too, and write under "
        "players where that player is"
    ]


def _some(names: Sequence[str]) -> str:
    """How many, and which: a person has to find them, and others may lie between the first and the last."""
    return f"{counted(len(names), 'frame')} ({', '.join(names)})"
