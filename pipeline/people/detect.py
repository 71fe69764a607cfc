"""People, faces and the ball in a picture, by two small networks in OpenCV's dnn.

People and balls: YOLOX-Nano (Ge et al., "YOLOX: Exceeding YOLO Series in 2021", arXiv:2107.08430), trained on COCO.
Faces: YuNet (Wu, Peng, Yu, "YuNet: A Tiny Millisecond-level Face Detector", Machine Intelligence Research 20, 2023).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.colour import LUMINANCE, srgb_encode
from pipeline.types import F32, F64

# Facts of the networks: YOLOX's output strides and padding, COCO's numbers of its classes (the sources above).
_STRIDES = (8, 16, 32)
_PERSON, _BALL, _RACKETS = (0,), (32,), (34, 38)  # 34: baseball bat; 38: tennis racket
_ANIMALS = (16, 17, 18, 19, 20)  # dog, horse, sheep, cow, elephant
# Bicycle, car, motorcycle, bus, truck, boat; snowboard, skateboard, surfboard; chair.
_CARRIERS = (1, 2, 3, 5, 7, 8, 31, 36, 37, 56)
_PAD = (114, 114, 114)


@dataclass(frozen=True)
class Certainty:
    """Certainty of the networks, 0 to 1, from which people, balls and faces count.

    Chosen by eye on the photographs of ../shared/data/people and on generated shoots.
    """

    person: float
    ball: float
    face: float


REPORTED = Certainty(person=0.20, ball=0.30, face=0.50)
SURE = Certainty(person=0.30, ball=0.60, face=0.70)  # crops act on them


@dataclass(frozen=True)
class Detection:
    """How pictures are given to the networks, and how their answers are merged.

    Chosen by eye on the photographs of ../shared/data/people, where no other source stands beside a number.
    """

    # Pixels of the longer side at which people are detected, at most. The measuring decode is enlarged to it: so far
    # players are found that the network misses at 960 (python -m tests.real_crops --detector).
    edge: int = 1152
    area: int = 750_000  # pixels in which people are detected, at most: it sets the cost (python -m tests.crops, CPU)
    face_edge: int = 960  # pixels of the longer side at which faces are detected, at most
    coarse_edge: int = 416  # and once more at the size YOLOX-Nano was trained at, for people who fill the frame
    tall: float = 0.4  # of the picture's height: taller people are detected whole in the coarse picture
    coarse_trust: float = 0.9  # of the certainty of smaller ones in it, against the fine picture's
    candidate_ball: float = 0.25  # certainty at one size, before both are merged
    # Boxes less sure than a candidate still show how far arms and feet reach. On labelled court frames 5 % of people
    # reach beyond the merged box by 0.34 heights at the feet, beyond all of their boxes by 0.07 (tests.reaches).
    hint: float = 0.08
    hint_same: float = 0.4  # intersection over union with somebody's box, from which a box shows that person's reach
    same: float = 0.55  # intersection over union from which two boxes are one person
    same_ball: float = 0.3  # and one ball: of a few pixels, its boxes differ by more
    # Width by height above which what the picture does not cut is a mark on the floor and no ball: of drawn halls 120
    # marks are 1.7 to 3.1, 73 balls 0.9 to 1.5 (by scratch). A handball at 30 m/s and 1/250 s draws out to 1.6.
    flat: float = 1.6
    # A torso detected apart: so much of it lies in the surer box, at this intersection over union.
    inside: float = 0.9
    part: float = 0.35
    # A part of somebody tall that only the fine picture shows as a person: so much of it lies in the whole one, of
    # whose height it has so much at least; who is smaller may stand behind.
    part_inside: float = 0.75
    part_tall: float = 0.35
    # A box around two people, where each was found too: so much of each lies in it, as tall as this in it, so wide in
    # it alone at most and together at least, at this intersection over union of the two at most.
    held: float = 0.8
    both_tall: float = 0.75
    one_wide: float = 0.75
    both_wide: float = 0.8
    both_over: float = 0.3
    face_overlap: float = 0.3  # intersection over union from which YuNet drops the less certain face (its default)
    most_faces: int = 500  # that YuNet merges; a stand full of spectators has fewer


@dataclass(frozen=True)
class Exposure:
    """How bright and how neutral a picture is made for the networks: as the photographs that they were trained on.

    Luminance is of 1 for white. Chosen by eye, where no source stands beside a number.
    """

    grey: float = 0.20  # mean luminance; everyday scenes average about 0.18 (common practice, no source)
    usual: float = 4.0  # medians: what is brighter does not decide how bright the rest is made
    shoulder: float = 0.6  # from which highlights are compressed: a white jersey keeps its folds
    most: float = 3.0  # above which everything is white
    steps: int = 8192  # of the table that encodes it, finer than 8 bits where sRGB is steepest


DETECTION, EXPOSURE = Detection(), Exposure()


@dataclass(frozen=True)
class Found:
    """What was detected in one picture; boxes x0, y0, x1, y1 in fractions of it, in falling order of certainty.

    people  (N, 5) box and certainty 0 to 1
    reach   (N, 5) for each of them the box around all that was detected of this person at any size, however unsure, and
            the certainty at the size of picture that is the less sure, 0 where it shows nobody
    rackets (L, 5) rackets and bats
    faces   (M, 9) box, certainty, and x, y of the middle of the eyes and of the nose
    balls   (K, 5)
    animals (A, 5) large enough to be ridden or led; carriers (C, 5) bicycles, vehicles, boats, boards and chairs
    """

    people: F32
    reach: F32
    rackets: F32
    faces: F32
    balls: F32
    animals: F32
    carriers: F32


NO_BOXES = np.zeros((0, 5), np.float32)
NOTHING = Found(NO_BOXES, NO_BOXES, NO_BOXES, np.zeros((0, 9), np.float32), NO_BOXES, NO_BOXES, NO_BOXES)


def picture_for_detection(pixels: F32, balance: F64, to_working: F64) -> NDArray[np.uint8]:
    """Camera-linear (H, W, 3) -> BGR (H, W, 3), 8 bit, as bright and as neutral as the networks are used to.

    balance  (3,) multipliers of the camera's channels; to_working  (3, 3) from balanced colour to linear Rec. 709

    A dark hall under one colour of lamp and the same hall well lit should look alike to the networks: half of the
    cast that `balance` leaves is removed, and the mean is brought to a fixed grey.
    """
    import cv2

    working = cv2.transform(pixels, to_working * balance)
    means = np.maximum(working.reshape(-1, 3).mean(axis=0, dtype=np.float64), 1e-6)
    cast = np.sqrt(means.mean() / means)
    light = np.maximum(cv2.transform(working, (LUMINANCE * cast)[None]), 0)
    usual = float(np.minimum(light, EXPOSURE.usual * np.median(light[::4, ::4])).mean())
    gain = EXPOSURE.grey / max(usual, 1e-6) * (EXPOSURE.steps - 1) / EXPOSURE.most
    steps = cv2.transform(working, np.diag(cast * gain)[::-1])
    return np.asarray(_encoded()[np.clip(steps, 0, EXPOSURE.steps - 1).astype(np.uint16)])


@lru_cache(maxsize=1)
def _encoded() -> NDArray[np.uint8]:
    """sRGB, 8 bit, of linear light from 0 to EXPOSURE.most, with a soft shoulder that ends at white."""
    x = np.linspace(0, EXPOSURE.most, EXPOSURE.steps)
    knee, left = EXPOSURE.shoulder, 1 - EXPOSURE.shoulder
    soft = np.where(x > knee, knee + left * (1 - np.exp(-(x - knee) / left)), x)
    return np.asarray(srgb_encode(soft) * 255 + 0.5, dtype=np.uint8)


def find(picture: NDArray[np.uint8], person: Path | None, face: Path | None) -> Found:
    """Detect people, faces and balls in a BGR picture (H, W, 3), 8 bit, of any size; a model that is None finds none.

    Raises ValueError where a model file cannot be read.
    """
    found = NOTHING if person is None else _without_faces(_person_net(str(person)), picture)
    return found if face is None else replace(found, faces=faces_in(str(face), picture, REPORTED.face))


def _without_faces(net: Any, picture: NDArray[np.uint8]) -> Found:
    height, width = picture.shape[:2]
    longest = int(np.sqrt(DETECTION.area * max(height, width) / min(height, width)))
    edge = min(DETECTION.edge, longest // _STRIDES[-1] * _STRIDES[-1])
    fine, coarse = _run(net, picture, edge), _run(net, picture, DETECTION.coarse_edge)
    hints = (fine[0], coarse[0])
    close, wide = (rows[rows[:, 4] >= REPORTED.person] for rows in hints)
    tall = _tall(wide) / height > DETECTION.tall
    rows = np.concatenate([without_parts(close, wide, tall), wide])
    trust = np.append(np.ones(len(rows) - len(tall)), np.where(tall, 1.0, DETECTION.coarse_trust))
    scale = np.array([width, height, width, height, 1], np.float32)
    people = without_pairs(merged(rows, rows[:, 4] * trust))
    # YOLOX finds large balls at the size it was trained at, small ones in the fine picture.
    both = (np.concatenate(rows) for rows in zip(fine[1:], coarse[1:], strict=True))
    same = (DETECTION.same_ball, DETECTION.same_ball, DETECTION.same, DETECTION.same)
    things = (merged(rows, rows[:, 4], least) for rows, least in zip(both, same, strict=True))
    balls, rackets, animals, carriers = (rows[rows[:, 4] >= REPORTED.ball] / scale for rows in things)
    balls = balls[~_flat(balls, width / height)]
    reach = reaches(people, hints) / scale
    return Found(people / scale, reach, rackets, NOTHING.faces, balls, animals, carriers)


def _flat(balls: F32, ratio: float) -> NDArray[np.bool_]:
    """(K,) which of `balls` (K, 5), in fractions of a picture of this width by height, are too flat for one."""
    whole = (balls[:, :2] > 0).all(axis=1) & (balls[:, 2:4] < 1).all(axis=1)
    return np.asarray(whole & ((balls[:, 2] - balls[:, 0]) * ratio > DETECTION.flat * (balls[:, 3] - balls[:, 1])))


def reaches(people: F32, sizes: Sequence[F32]) -> F32:
    """(N, 5) the box around each of `people` (N, 5) and all boxes of that person, and the certainty at the size that is
    less sure; sizes: the boxes (M, 5) found at each size of picture, also unsure ones."""
    result = people.copy()
    if not len(people):
        return result
    surest = np.zeros((len(people), len(sizes)), np.float32)
    for size, boxes in enumerate(sizes):
        if not len(boxes):
            continue
        over = overlap(boxes[:, None, :4], people[None, :, :4])
        whose = over.argmax(axis=1)  # a box between two people shows only the nearer one's reach
        for box, owner, share in zip(boxes, whose, over.max(axis=1), strict=True):
            if share >= DETECTION.hint_same:
                result[owner, :2] = np.minimum(result[owner, :2], box[:2])
                result[owner, 2:4] = np.maximum(result[owner, 2:4], box[2:4])
                surest[owner, size] = max(surest[owner, size], box[4])
    result[:, 4] = surest.min(axis=1)
    return result


def _run(net: Any, picture: NDArray[np.uint8], edge: int) -> tuple[F32, ...]:
    """(people, balls, rackets, animals, carriers) at one size of input: rows of box in pixels and certainty."""
    import cv2

    height, width = picture.shape[:2]
    scale = edge / max(height, width)
    h, w = max(1, round(height * scale)), max(1, round(width * scale))
    small = cv2.resize(picture, (w, h), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    deep, wide = (-(-side // _STRIDES[-1]) * _STRIDES[-1] for side in (h, w))
    padded = cv2.copyMakeBorder(small, 0, deep - h, 0, wide - w, cv2.BORDER_CONSTANT, value=_PAD)
    net.setInput(cv2.dnn.blobFromImage(padded))
    raw = net.forward()[0]
    grid, stride = _grid(deep, wide)
    found = []
    for kinds in (_PERSON, _BALL, _RACKETS, _ANIMALS, _CARRIERS):
        least = DETECTION.hint if kinds is _PERSON else DETECTION.candidate_ball
        sure = raw[:, 4] * raw[:, [5 + kind for kind in kinds]].max(axis=1)
        rows = np.flatnonzero(sure > least)
        centre = (raw[rows, :2] + grid[rows]) * stride[rows]
        half = np.exp(np.minimum(raw[rows, 2:4], 10)) * stride[rows] / 2
        boxes = np.concatenate([centre - half, centre + half], axis=1) / scale
        boxes = np.clip(boxes, 0, np.array([width, height, width, height]))
        found.append(np.column_stack([boxes, sure[rows]]).astype(np.float32))
    return tuple(found)


@lru_cache(maxsize=8)
def _grid(height: int, width: int) -> tuple[F32, F32]:
    """Cell (x, y) and stride of every output row, the strides one after the other."""
    cells, strides = [], []
    for stride in _STRIDES:
        y, x = np.mgrid[: height // stride, : width // stride]
        cells.append(np.stack([x.ravel(), y.ravel()], axis=1))
        strides.append(np.full((x.size, 1), stride))
    return np.concatenate(cells).astype(np.float32), np.concatenate(strides).astype(np.float32)


def merged(rows: F32, order: F64 | F32, least: float | None = None) -> F32:
    """(M, 5) one row for each thing: boxes that overlap a surer one join it, each weighed by its certainty squared.

    rows   (N, 5) box and certainty; order  (N,) by which one is surer than another
    least  intersection over union from which two boxes are one thing; None: DETECTION.same

    A mean instead of non-maximum suppression alone, since the boxes of the two sizes of picture err independently.
    """
    left = np.argsort(np.negative(order), kind="stable")
    result = []
    while len(left):
        best, others = rows[left[0]], rows[left]
        over = overlap(best[:4], others[:, :4])
        joins = over >= (DETECTION.same if least is None else least)
        joins[0] = True  # also a box without any width
        # A less certain box inside a larger one, a torso detected apart, is the same person too.
        part = (within(others[:, :4], best[:4]) > DETECTION.inside) & (over > DETECTION.part)
        part &= ~side_by_side(others, best)
        group = others[joins]
        weight = group[:, 4:5] ** 2
        result.append(np.append((group[:, :4] * weight).sum(axis=0) / weight.sum(), group[:, 4].max()))
        left = left[~(joins | part)]
    return np.array(result, np.float32).reshape(-1, 5)


def without_parts(fine: F32, coarse: F32, tall: NDArray[np.bool_]) -> F32:
    """Those of `fine` (N, 5) that are no part of somebody tall: an enlarged picture shows a close person in pieces.

    coarse (M, 5) people of the coarse picture, where who is tall is seen as a whole; tall (M,) which of them are
    """
    keep = np.ones(len(fine), bool)
    for at in np.flatnonzero(tall):
        box = coarse[at]
        part = within(fine[:, :4], box[:4]) > DETECTION.part_inside
        part &= (_tall(fine) > DETECTION.part_tall * _tall(box)) & ~side_by_side(fine, box)
        for other in np.delete(coarse, at, axis=0):  # who is seen in both pictures is somebody
            part &= overlap(other[:4], fine[:, :4]) < DETECTION.same
        keep &= ~part | (overlap(box[:4], fine[:, :4]) >= DETECTION.same)
    return fine[keep]


def without_pairs(people: F32) -> F32:
    """Those of `people` (N, 5) that hold no two others side by side: a box around two is neither of them.

    light.mixing.standing.each_alone asks less of a box to leave it out: nobody is cropped by it.
    """
    return people[[not side_by_side(people, box).any() for box in people]]


def side_by_side(rows: F32, box: F32) -> NDArray[np.bool_]:
    """(N,) which of `rows` (N, 5) fill `box` (5,) together with another of them, each as tall as it."""
    wide = box[2] - box[0]
    held = (within(rows[:, :4], box[:4]) > DETECTION.held) & (_tall(rows) > DETECTION.both_tall * _tall(box))
    held &= rows[:, 2] - rows[:, 0] < DETECTION.one_wide * wide
    found = np.zeros(len(rows), bool)
    for at in np.flatnonzero(held):
        spread = np.maximum(rows[at, 2], rows[:, 2]) - np.minimum(rows[at, 0], rows[:, 0])
        apart = overlap(rows[at, :4], rows[:, :4]) < DETECTION.both_over
        found[at] = (held & apart & (spread > DETECTION.both_wide * wide)).any()
    return found


def _tall(boxes: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(boxes[..., 3] - boxes[..., 1])


def overlap(box: NDArray[Any], boxes: NDArray[Any]) -> F64:
    """Intersection over union of `box` (4,) with each of `boxes` (N, 4); of more axes, as numpy broadcasts them."""
    common = _common(box, boxes)
    area = (box[..., 2] - box[..., 0]) * (box[..., 3] - box[..., 1])
    area = area + (boxes[..., 2] - boxes[..., 0]) * (boxes[..., 3] - boxes[..., 1])
    return np.asarray(common / np.maximum(area - common, 1e-12), dtype=np.float64)


def within(boxes: NDArray[Any], box: NDArray[Any]) -> F64:
    """The share of each of `boxes` (N, 4) that lies inside `box` (4,)."""
    own = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    return np.asarray(_common(box, boxes) / np.maximum(own, 1e-12), dtype=np.float64)


def _common(box: NDArray[Any], boxes: NDArray[Any]) -> NDArray[Any]:
    w = np.minimum(box[..., 2], boxes[..., 2]) - np.maximum(box[..., 0], boxes[..., 0])
    h = np.minimum(box[..., 3], boxes[..., 3]) - np.maximum(box[..., 1], boxes[..., 1])
    return np.asarray(np.maximum(w, 0) * np.maximum(h, 0))


def faces_in(model: str, picture: NDArray[np.uint8], least: float) -> F32:
    """(M, 9) as in Found, the faces in `picture` (H, W, 3) BGR of the certainty `least` and more.

    Raises ValueError where the model file cannot be read.
    """
    import cv2

    height, width = picture.shape[:2]
    scale = min(1.0, DETECTION.face_edge / max(height, width))
    if scale < 1:
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    h, w = picture.shape[:2]
    detector = _face_net(model)
    detector.setInputSize((w, h))
    detector.setScoreThreshold(least)
    _, rows = detector.detect(picture)
    if rows is None:
        return NOTHING.faces
    x, y, wide, deep = (rows[:, i] for i in range(4))
    eyes, nose = (rows[:, 4:6] + rows[:, 6:8]) / 2, rows[:, 8:10]
    found = np.column_stack([x, y, x + wide, y + deep, rows[:, 14], eyes, nose])
    found /= np.array([w, h, w, h, 1, w, h, w, h])
    found[:, :4] = np.clip(found[:, :4], 0, 1)
    found = found[np.argsort(np.negative(found[:, 4]), kind="stable")]
    return np.asarray(found[found[:, 4] >= least], dtype=np.float32)


@lru_cache(maxsize=2)
def _person_net(path: str) -> Any:
    import cv2

    _quiet()
    try:
        return cv2.dnn.readNetFromONNX(path)
    except cv2.error as error:
        raise ValueError(f"{path}: is not a network that OpenCV can read ({error.err})") from error


@lru_cache(maxsize=2)
def _face_net(path: str) -> Any:
    import cv2

    _quiet()
    try:
        edge = DETECTION.face_edge
        return cv2.FaceDetectorYN.create(
            path, "", (edge, edge), REPORTED.face, DETECTION.face_overlap, DETECTION.most_faces
        )
    except cv2.error as error:
        raise ValueError(f"{path}: is not a network that OpenCV can read ({error.err})") from error


def _quiet() -> None:
    """OpenCV warns on the terminal of a target that it does not choose; only errors are of use there."""
    import cv2

    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_ERROR)
