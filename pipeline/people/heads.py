"""A closer look at heads on which no face was found. That a detector found none is no proof that none is to be seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.people.belonging import faces_of
from pipeline.people.detect import SURE, surest_face
from pipeline.types import F32


@dataclass(frozen=True)
class CloserLook:
    """At whose head, and how large. Lengths in heights of the person's box. Chosen by eye on photographs.

    The detector misses many a small face and profile that it finds enlarged: on real players before a net, whose heads
    are of ten pixels, certainty rises from 0.3 to 0.8 (tests/people/test_heads.py).
    """

    tall: float = 0.2  # of the frame; the heads of smaller people are too small to tell
    most: int = 4  # people, the tallest
    above: float = 0.08  # of the part that is looked at: an arm's width above the box
    below: float = 0.42
    side: float = 0.25  # from the middle, at least half of the box
    edges: tuple[int, ...] = (240, 320)  # pixels of its longer side: a face is missed at one size and found at another
    least: float = 0.05  # certainty that is still measured


LOOK = CloserLook()
UNKNOWN = 1.0


def hints_of(model: str, picture: NDArray[np.uint8], people: F32, faces: F32) -> F32:
    """(N,) certainty 0 to 1 of the surest face on the enlarged head of each of `people` (N, 5); UNKNOWN where it was
    not looked at, since a face is found there or the head is too small.

    picture (H, W, 3) BGR; faces (M, 9) as in people.detect.Found
    """
    hints = np.full(len(people), UNKNOWN, np.float32)
    tall = people[:, 3] - people[:, 1]
    for i in np.argsort(-tall, kind="stable")[: LOOK.most]:
        own = faces_of(people[i], faces)
        if tall[i] < LOOK.tall or (len(own) and own[:, 4].max() >= SURE.face):
            continue
        head = _head(picture, people[i])
        if head.size:
            hints[i] = max(surest_face(model, _enlarged(head, edge), LOOK.least) for edge in LOOK.edges)
    return hints


def _head(picture: NDArray[np.uint8], person: F32) -> NDArray[np.uint8]:
    height, width = picture.shape[:2]
    x0, y0, x1, y1 = (float(v) for v in person[:4] * np.array([width, height, width, height], np.float32))
    tall, middle = y1 - y0, (x0 + x1) / 2
    side = max(LOOK.side * tall, (x1 - x0) / 2)
    rows = slice(max(round(y0 - LOOK.above * tall), 0), max(round(y0 + LOOK.below * tall), 0))
    return picture[rows, max(round(middle - side), 0) : max(round(middle + side), 0)]


def _enlarged(part: NDArray[np.uint8], edge: int) -> NDArray[np.uint8]:
    import cv2

    scale = edge / max(part.shape[:2])
    size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
    method = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
    return np.asarray(cv2.resize(part, size, interpolation=method), dtype=np.uint8)
