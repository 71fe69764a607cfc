"""A closer look at heads on which no face was found, or not surely. That a detector finds none is no proof that none is
to be seen: it is least sure of small faces, of dark ones and of those in noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.sharpness import noise_of
from pipeline.people.belonging import BELONGING, faces_of, surest
from pipeline.people.detect import faces_in
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
    # Pixels of the enlarged head by which it is smoothed, for another look. Of dark faces at ISO 12,800, two stops
    # under, the certainty rises so from 0.17 to 0.66 and from 0.46 to 0.83 (python -m tests.choice). It counts as
    # far as it does at each size: fair hair from behind, smoothed, is a face of 0.60 at one and of 0.15 at the other.
    smooth: float = 1.5
    sure: float = 0.85  # certainty of the first look, from which there is no closer one
    closest: float = 0.8  # heights of a face at most: of a person whose face fills the frame
    # Where the box ends so far above the frame's lower side, a face has no more than so much of its width, or than
    # BELONGING.face_most of its height. What the network takes for a face on a jersey, of a back or below a head that
    # the frame cuts off, is 0.9 to 1.8 of it (of 24 labelled players), a face before shoulders 0.4 to 0.6.
    ends: float = 0.02
    shoulders: float = 0.7
    least: float = 0.05  # certainty that is still measured
    # A face that is not found is no face hidden where it would be dark and in noise, both of 255: dark skin in the
    # noise of ISO 12,800 is missed, and is found at 0.8 and more without. Of somebody who leans it is anywhere in so
    # much of the box from its top: the darkest part of so many heights along each side tells.
    dark: float = 90
    noisy: float = 2.5  # standard deviation
    face_above: float = 0.25
    face_side: float = 0.08


LOOK = CloserLook()
UNKNOWN = 1.0


def hints_of(model: str, picture: NDArray[np.uint8], people: F32, faces: F32) -> tuple[F32, NDArray[np.bool_]]:
    """(N,) certainty 0 to 1 of the surest face on the enlarged head of each of `people` (N, 5); UNKNOWN where it was
    not looked at, since a face is surely found there or the head is too small. And (N,) where one may be missed for
    being dark in noise, so that none found says nothing by itself.

    picture (H, W, 3) BGR; faces (M, 9) as in people.detect.Found
    """
    hints, missed = np.full(len(people), UNKNOWN, np.float32), np.zeros(len(people), np.bool_)
    tall = people[:, 3] - people[:, 1]
    for i in np.argsort(-tall, kind="stable")[: LOOK.most]:
        own = faces_of(people[i], faces)
        if tall[i] < LOOK.tall or (len(own) and own[:, 4].max() >= LOOK.sure):
            continue
        rows, columns = _head(picture, people[i])
        head = picture[rows, columns]
        if head.size:
            height, width = picture.shape[:2]
            part = np.array([columns.start / width, rows.start / height, head.shape[1] / width, head.shape[0] / height])
            most = _most(people[i], width / height)
            views = [[_surest(model, v, people[i], part, most) for v in _views(head, edge)] for edge in LOOK.edges]
            as_it_is, smoothed = zip(*views, strict=True)
            hints[i], missed[i] = max(*as_it_is, min(smoothed)), _untold(picture, people[i], head)
    return hints, missed


def _most(person: F32, aspect: float) -> float:
    """How tall a face of `person` is at most, in heights of the person. aspect  width by height of the picture"""
    x0, y0, x1, y1 = (float(v) for v in person[:4])
    if y1 > 1 - LOOK.ends:
        return LOOK.closest
    return min(LOOK.closest, max(BELONGING.face_most, LOOK.shoulders * aspect * (x1 - x0) / (y1 - y0)))


def _surest(model: str, view: NDArray[np.uint8], person: F32, part: NDArray[np.float64], most: float) -> float:
    """Certainty of the surest face of `person`, of so many of its heights at most, in a view of `part` of the picture:
    x, y, width, height, fractions."""
    faces = faces_in(model, view, LOOK.least).astype(np.float64)
    faces[:, [0, 2, 5, 7]] = part[0] + part[2] * faces[:, [0, 2, 5, 7]]
    faces[:, [1, 3, 6, 8]] = part[1] + part[3] * faces[:, [1, 3, 6, 8]]
    return surest(faces_of(person, np.asarray(faces, dtype=np.float32), most))


def _untold(picture: NDArray[np.uint8], person: F32, head: NDArray[np.uint8]) -> bool:
    """Whether a face may be missed for being dark in noise: something of its size is dark, and the head is noisy."""
    import cv2

    height, width = picture.shape[:2]
    x0, y0, x1, y1 = (float(v) for v in person[:4] * np.array([width, height, width, height], np.float32))
    rows = slice(max(round(y0), 0), max(round(y0 + LOOK.face_above * (y1 - y0)), 0))
    above = picture[rows, max(round(x0), 0) : max(round(x1), 0)]
    side = max(1, round(LOOK.face_side * (y1 - y0)))
    if not above.size or float(cv2.blur(cv2.cvtColor(above, cv2.COLOR_BGR2GRAY), (side, side)).min()) >= LOOK.dark:
        return False
    return noise_of(cv2.cvtColor(head, cv2.COLOR_BGR2GRAY).astype(np.float32)) > LOOK.noisy


def _views(head: NDArray[np.uint8], edge: int) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """A head as it is looked at, so large: as it is, and smoothed."""
    import cv2

    view = _enlarged(head, edge)
    return view, np.asarray(cv2.GaussianBlur(view, (0, 0), LOOK.smooth), dtype=np.uint8)


def _head(picture: NDArray[np.uint8], person: F32) -> tuple[slice, slice]:
    """Rows and columns of `picture` around the head of `person`."""
    height, width = picture.shape[:2]
    x0, y0, x1, y1 = (float(v) for v in person[:4] * np.array([width, height, width, height], np.float32))
    tall, middle = y1 - y0, (x0 + x1) / 2
    side = max(LOOK.side * tall, (x1 - x0) / 2)
    rows = slice(max(round(y0 - LOOK.above * tall), 0), max(round(y0 + LOOK.below * tall), 0))
    return rows, slice(max(round(middle - side), 0), max(round(middle + side), 0))


def _enlarged(part: NDArray[np.uint8], edge: int) -> NDArray[np.uint8]:
    import cv2

    scale = edge / max(part.shape[:2])
    size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
    method = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
    return np.asarray(cv2.resize(part, size, interpolation=method), dtype=np.uint8)
