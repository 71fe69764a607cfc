"""Frames whose picture is that of another: copies that have neither its name nor its time any more."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.shoot.pictures.looks import KeptLooks, look
from pipeline.shoot.pictures.originals import Originals, Role
from pipeline.shoot.pictures.same import SAME, Hit, Looks
from pipeline.shoot.pictures.shared import Shares, shares
from pipeline.types import Frame

_AT_ONCE = 64  # frames that are looked for at a time
_AS_NEAR = 0.02  # share by which several may be the original of one: a raw and its JPEG, two exports. No source


@dataclass(frozen=True)
class Found:
    """A frame whose picture seems to be that of one that is held: `of`, which it is to it, and whether surely."""

    frame: Frame
    of: str
    role: Role
    surely: bool


@dataclass(frozen=True)
class Compared:
    """What came of comparing frames with those that are held.

    unseen  of those that are held, which cannot be looked at; asked  the frames that were compared, or would have been
    hall    of those that are held -> frames that show nearly the same, and are not held since many do
    """

    found: Sequence[Found] = ()
    unseen: Sequence[str] = ()
    asked: Sequence[str] = ()
    hall: Mapping[str, Sequence[str]] = field(default_factory=dict)


def same_pictures(
    frames: Sequence[Frame],
    held: Collection[str],
    settled: Collection[str],
    *,
    of_copies: bool = False,
    paired: Mapping[str, Collection[str]] | None = None,
    kept: KeptLooks | None = None,
) -> Compared:
    """Frames that are not `settled` and seem to show what one of `held` does, of those whose files do not say credibly
    that they are pictures of their own, and which may be the original of one of `held`; see `Originals`.

    of_copies  `held` are copies of what was compared before: the next in a burst is near to one of them, too
    paired     of `held`, which others have their name, moment or octets: of the rest an original is looked for
    """
    kept = kept or KeptLooks()
    of = [frame for frame in frames if frame.name in held]
    originals = Originals(frames, () if of_copies else of, None if of_copies else paired)
    asked = originals.asked(frames, settled)
    if not asked:
        return Compared()
    looks = [(frame, look(frame, SAME.held, SAME.among, kept)) for frame in of]
    known = [(frame, one) for frame, one in looks if one is not None and len(one.at) >= SAME.matched]
    names = {frame.name for frame, _ in known}
    among = Looks([one for _, one in known])
    seen: list[Frame] = []
    hits: list[list[Hit]] = []
    for start in range(0, len(asked) if known else 0, _AT_ONCE):
        some = [(frame, look(frame, SAME.edge, SAME.points, kept)) for frame in asked[start : start + _AT_ONCE]]
        there = [(frame, one) for frame, one in some if one is not None]
        seen += [frame for frame, _ in there]
        for (frame, _), every in zip(there, among.same_as([one for _, one in there]), strict=True):
            hits.append([hit for hit in every if originals.role(frame, known[hit.which][0]) is not None])
    agree = shares(hits)
    held_frames = [frame for frame, _ in known]
    return Compared(
        [one for one in _found(seen, held_frames, agree, originals) if one.frame.name not in settled],
        [frame.name for frame in of if frame.name not in names],
        [frame.name for frame in asked if frame.name not in settled],
        _of_hall(seen, held_frames, agree, originals),
    )


def _found(seen: Sequence[Frame], held: Sequence[Frame], agree: Shares, originals: Originals) -> list[Found]:
    """For each frame the one that it is most like. Of the frames that may be the original of one, only the likest is
    taken for it; of the others in their place, only one that surely shows the same."""
    most: dict[int, float] = {}
    for frame, some in zip(seen, agree.of, strict=True):
        for which, share in some.items():
            if originals.role(frame, held[which]) is Role.ORIGINAL:
                most[which] = max(share, most.get(which, 0.0))
    found = []
    for frame, some in zip(seen, agree.of, strict=True):
        fits: list[tuple[float, int, Role]] = []
        for which, share in some.items():
            role = originals.role(frame, held[which])
            least = SAME.sure if originals.must_be_sure(frame, held[which]) else SAME.share
            least = max(least, most[which] - _AS_NEAR) if role is Role.ORIGINAL else least
            if role is not None and share >= least:
                fits.append((share, -which, role))
        if fits:
            share, which, role = max(fits, key=lambda one: one[:2])
            found.append(Found(frame, held[-which].name, role, share >= SAME.sure))
    return found


def _of_hall(seen: Sequence[Frame], held: Sequence[Frame], agree: Shares, originals: Originals) -> dict[str, list[str]]:
    """Of a camera that stands still, and whose files do not say when they were taken: which frames are not held."""
    hall = {}
    for which, some in sorted(agree.hall.items()):
        lost = [seen[at].name for at in some if not agree.of[at] and not originals.is_in_place(seen[at])]
        if lost:
            hall[held[which].name] = lost
    return hall
