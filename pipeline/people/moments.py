"""Which frames show one moment: near-duplicates of a better frame, in the same burst or in one soon before or after."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box


@dataclass(frozen=True)
class Likeness:
    """When two frames are near-duplicates. Correlations are -1 to 1.

    Chosen on ../shared/data: frames of one rally a tenth of a second apart are alike by 0.95 and more, two rallies in
    one hall by 0.87 (tests/people/test_moments.py).
    """

    hall: float = 0.95  # correlation of two whole frames
    # The same of two frames of one burst, whose camera may have followed the play: ten frames of a rally, 0.36 s, fall
    # to 0.83. Where the same person looks alike in both, it does not count.
    followed: float = 0.8
    person: float = 0.9  # of what is around the subject
    taller: float = 1.3  # ratio of the heights of two subjects, at most
    near: int = 3  # bursts before and after one in which the same moment is looked for: two cameras take turns
    fine: float = 1.5  # pixels of a frame of 160: standard deviation of what smooths noise away
    coarse: float = 6.0  # cells: of what is taken off as light, so that flicker is not seen
    room: float = 0.1  # heights of the subject around its box
    least: int = 15  # pixels of a subject's shorter side, below which it cannot be compared
    tall: float = 0.3  # of the frame: who is smaller is not compared, since the pose of so small a figure is no picture


LIKENESS = Likeness()
_HALL, _PERSON = (30, 20), (10, 16)  # cells, (across, down)


@dataclass(frozen=True)
class Look:
    """What a frame looks like, for comparing: unit vectors of its hall and of what is around its subject.

    hall (600,); person (160,), None without one that is large enough; tall  height of the subject, in frames
    wide  whether the frame is wider than tall
    """

    hall: NDArray[np.float16]
    person: NDArray[np.float16] | None
    tall: float
    wide: bool


def look_of(small: NDArray[np.uint8], subject: Box | None) -> Look:
    """The look of a frame from its small grey picture (h, w), and where its subject is."""
    import cv2

    light = np.log1p(small.astype(np.float32))
    height, width = light.shape
    person, tall = None, 0.0
    if subject is not None:
        tall = subject.y1 - subject.y0
        room = LIKENESS.room * tall * height
        x0, x1 = (round(v) for v in (subject.x0 * width - room, subject.x1 * width + room))
        y0, y1 = (round(v) for v in (subject.y0 * height - room, subject.y1 * height + room))
        part = light[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)]
        if tall >= LIKENESS.tall and part.size and min(part.shape) >= LIKENESS.least:
            person = _unit(cv2.resize(part, _PERSON, interpolation=cv2.INTER_AREA))
    smooth = cv2.GaussianBlur(light, (0, 0), LIKENESS.fine)
    cells = cv2.resize(smooth, _HALL, interpolation=cv2.INTER_AREA)
    hall = _unit(np.asarray(cells - cv2.GaussianBlur(cells, (0, 0), LIKENESS.coarse), dtype=np.float32))
    return Look(hall, person, tall, width >= height)


def same_view(one: Look | None, other: Look | None) -> bool:
    """Whether two frames of a burst are known to show the same part of the hall."""
    if one is None or other is None or one.wide != other.wide:
        return False
    return float(one.hall.astype(np.float32) @ other.hall.astype(np.float32)) >= LIKENESS.followed


def _unit(values: NDArray[np.generic]) -> NDArray[np.float16]:
    flat = values.ravel().astype(np.float32)
    flat -= flat.mean()
    return np.asarray(flat / max(float(np.linalg.norm(flat)), 1e-6), dtype=np.float16)


def better_ones(
    bursts: Sequence[Sequence[str]],
    looks: Mapping[str, Look],
    points: Mapping[str, float],
    held: Collection[str] = (),
) -> dict[str, str]:
    """For each frame that is a near-duplicate of a better one: that one, which is no near-duplicate itself.

    bursts  of frames in order of time; points  by frame, more is better; of equals the earlier frame is the better
    held    frames that no delivery may hold: any other of the same moment is better

    Greedy from the best frame down, so every frame is compared with those that stand for their moments only. A burst
    that begins as the one before ends, with nobody large in it, goes on with the same rally.
    """
    place = {name: (at, i) for at, names in enumerate(bursts) for i, name in enumerate(names) if name in looks}
    first: dict[int, list[str]] = {}  # burst -> those that stand for a moment
    rally = _rallies([[looks[n] for n in names if n in looks] for names in bursts])
    found: dict[str, str] = {}
    for name in sorted(place, key=lambda one: (one in held, -points[one], place[one])):
        at = place[name][0]
        near = [(one, k) for k in range(at - LIKENESS.near, at + LIKENESS.near + 1) for one in first.get(k, ())]
        best = _most_alike(looks[name], [(looks[one], rally[k] == rally[at]) for one, k in near])
        if best is None:
            first.setdefault(at, []).append(name)
        else:
            found[name] = near[best][0]
    return found


def _rallies(bursts: Sequence[Sequence[Look]]) -> list[int]:
    """A number for each burst, the same for those that go on with one rally."""
    found: list[int] = []
    for at, looks in enumerate(bursts):
        before = bursts[at - 1] if at else ()
        goes_on = bool(looks and before) and _goes_on(before[-1], looks[0])
        found.append(found[-1] if goes_on else at)
    return found


def _goes_on(one: Look, other: Look) -> bool:
    alike = float(one.hall.astype(np.float32) @ other.hall.astype(np.float32))
    return one.person is None and other.person is None and one.wide == other.wide and alike >= LIKENESS.hall


def _most_alike(one: Look, others: Sequence[tuple[Look, bool]]) -> int | None:
    """Which of the others, and whether they are of the same rally, is a near-duplicate; None where none is."""
    if not others:
        return None
    halls = np.stack([other.hall for other, _ in others]).astype(np.float32) @ one.hall.astype(np.float32)
    for at in np.argsort(-halls, kind="stable"):
        other, together = others[at]
        seen = one.person is not None and other.person is not None
        least = (-1.0 if seen else LIKENESS.followed) if together else LIKENESS.hall
        if halls[at] >= least and _same_person(one, other, together) and one.wide == other.wide:
            return int(at)
    return None


def _same_person(one: Look, other: Look, together: bool) -> bool:
    """Whether both show nobody who can be compared, or somebody alike. together: in one rally, which follows one."""
    if one.person is None and other.person is None:
        return True
    ratio = max(one.tall, other.tall) / max(min(one.tall, other.tall), 1e-6)
    if one.person is None or other.person is None:  # at the edge of what can be compared: a pixel decides
        return together or ratio <= LIKENESS.taller
    alike = float(one.person.astype(np.float32) @ other.person.astype(np.float32))
    return ratio <= LIKENESS.taller and alike >= LIKENESS.person
