"""The detector that is used beside a second small one: `python -m tests.second_detector --every 3`.

The second is PicoDet-S at 416 pixels (Yu et al., "PP-PicoDet: A Better Real-Time Object Detector on Mobile Devices",
arXiv:2111.00902), picodet_s_416_coco.onnx of ../shared/models. It is no part of the program: its file has no licence
beside it where it was found, and no address that is known to stay. Printed for each plan:

* labelled players found with a certainty of 0.3, as in tests.real_crops, clean and degraded, and in brackets where each
  box counts for one player only
* false people: of the pictures of ../shared/data/photos in which no person could be found by eye, every Nth, those in
  which somebody is found with the certainties named
* CPU of people alone against the detector that is used, in one run

Plans: the detector that is used; the second one on the whole picture, on three overlapping tiles as tall as the
picture, on both; tiles with the coarse run of the first; and the same where a box of the second that the first does not
support with a certainty of 0.08 counts for 0.6 of its certainty, a calibration by eye on those pictures.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence

import cv2
import numpy as np
import PIL.Image

from pipeline.people import detect
from pipeline.people.detect import REPORTED, SURE, find, merged, overlap
from tests.crops import SHARED_MODELS, cpu, models
from tests.real_crops import labelled_pictures, looked_at, recall

MODEL = SHARED_MODELS / "picodet_s_416_coco.onnx"
PHOTOS = SHARED_MODELS.parent / "data" / "photos"
# Somebody is in these, whole or in part, or in a picture within them, or far off and not to be told.
_PEOPLE_IN = {
    f"{number:03d}"
    for first, last in ((0, 2), (9, 14), (32, 32), (44, 46), (70, 76), (111, 114), (130, 131), (200, 202), (206, 208))
    for number in range(first, last + 1)
}
_EDGE, _STRIDES, _BINS = 416, (8, 16, 32, 64), 8
_MEAN, _SPREAD = np.array([103.53, 116.28, 123.675]), np.array([57.375, 57.12, 58.395])  # of BGR, 0 to 255
_SUPPORT, _ALONE, _SAME = 0.08, 0.6, 0.45
_AT = (0.2, 0.3, 0.4, 0.5)

Plan = Callable[[np.ndarray], np.ndarray]


class Second:
    """The second detector on one OpenCV network."""

    def __init__(self) -> None:
        self.net = cv2.dnn.readNetFromONNX(str(MODEL))
        self.names = self.net.getUnconnectedOutLayersNames()

    def run(self, picture: np.ndarray, least: float = REPORTED.person) -> np.ndarray:
        """(N, 5) people in a BGR picture, 8 bit: box in its pixels, and certainty."""
        height, width = picture.shape[:2]
        scale = _EDGE / max(height, width)
        size = (round(width * scale), round(height * scale))
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
        padded = np.tile(_MEAN, (_EDGE, _EDGE, 1))
        padded[: size[1], : size[0]] = small
        self.net.setInput(cv2.dnn.blobFromImage(((padded - _MEAN) / _SPREAD).astype(np.float32)))
        answers = self.net.forward(self.names)
        found = []
        for stride, scores, sides in zip(_STRIDES, answers[:4], answers[4:], strict=True):
            rows = np.flatnonzero(scores[0][:, 0] > least)
            bins = np.exp(sides[0][rows].reshape(-1, 4, _BINS))
            away = (bins / bins.sum(axis=2, keepdims=True) @ np.arange(_BINS)) * stride
            across = -(-_EDGE // stride)
            centre = (np.stack([rows % across, rows // across], axis=1) + 0.5) * stride
            boxes = np.clip(np.concatenate([centre - away[:, :2], centre + away[:, 2:]], axis=1) / scale, 0, None)
            boxes = np.minimum(boxes, [width, height, width, height])
            found.append(np.column_stack([boxes, scores[0][rows, 0]]))
        return np.concatenate(found).astype(np.float32)

    def tiles(self, picture: np.ndarray, count: int = 3) -> np.ndarray:
        """The same on squares as tall as a wide picture; boxes that end at a rim within the picture are left out."""
        height, width = picture.shape[:2]
        side = height if width > 1.2 * height else round(0.75 * height)
        found = []
        for top in (0,) if side == height else (0, height - side):
            for left in np.linspace(0, width - side, count).round().astype(int):
                rows = self.run(picture[top : top + side, left : left + side]) + np.array([left, top, left, top, 0])
                inner = (rows[:, 0] > left + 2) | (left == 0)
                inner &= (rows[:, 2] < left + side - 2) | (left + side >= width)
                inner &= (rows[:, 1] > top + 2) | (top == 0)
                inner &= (rows[:, 3] < top + side - 2) | (top + side >= height)
                found.append(rows[inner])
        return np.concatenate(found).astype(np.float32)


def in_one(picture: np.ndarray, parts: Sequence[np.ndarray]) -> np.ndarray:
    """(N, 5) in fractions: boxes in pixels from several runs, merged as the program does."""
    height, width = picture.shape[:2]
    rows = np.concatenate(parts)
    rows = rows[(rows[:, 4] >= REPORTED.person) & (rows[:, 2] > rows[:, 0]) & (rows[:, 3] > rows[:, 1])]
    return merged(rows, rows[:, 4]) / np.array([width, height, width, height, 1], np.float32)


def supported(second: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Boxes of the second detector, less certain where none of the first is at the same place."""
    if not len(second):
        return second
    over = overlap(second[:, None, :4], first[None, :, :4]) if len(first) else np.zeros((len(second), 1))
    sure = first[:, 4] if len(first) else np.zeros(1)
    there = ((over >= _SAME) & (sure >= _SUPPORT)).any(axis=1)
    result = second.copy()
    result[:, 4] *= np.where(there, 1.0, _ALONE)
    return result


def plans() -> dict[str, Plan]:
    files, second = models(), Second()
    assert files.person is not None
    net = detect._person_net(str(files.person))

    def coarse(picture: np.ndarray) -> np.ndarray:
        return np.asarray(detect._run(net, picture, detect.DETECTION.coarse_edge)[0])

    return {
        "the detector that is used": lambda p: find(p, files.person, None).people,
        "second, whole": lambda p: in_one(p, [second.run(p)]),
        "second, tiles": lambda p: in_one(p, [second.tiles(p)]),
        "second, both": lambda p: in_one(p, [second.run(p), second.tiles(p)]),
        "coarse and tiles": lambda p: in_one(p, [coarse(p), second.tiles(p)]),
        "the same, calibrated": lambda p: in_one(p, [coarse(p), supported(second.tiles(p), coarse(p))]),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="The detector that is used beside a second small one.")
    parser.add_argument("--every", type=int, default=1, help="of the pictures without people, every Nth")
    parser.add_argument("--only", default="", help="besides the first, only plans with this word in their name")
    given = parser.parse_args()
    players = list(labelled_pictures())
    empty = []
    for path in sorted(PHOTOS.glob("*.webp")):
        if path.stem not in _PEOPLE_IN:
            with PIL.Image.open(path) as image:
                empty.append(looked_at(np.asarray(image.convert("RGB")), 512))
    empty = empty[:: given.every]
    first = 0.0
    known = plans()
    for what, plan in known.items():
        if given.only not in what and what != next(iter(known)):
            continue
        counts = {"clean": np.zeros(3, int), "degraded": np.zeros(3, int)}
        for kind, picture, truth in players:
            found = plan(picture)
            counts[kind] += (*recall(found[found[:, 4] >= SURE.person], truth), len(truth))
        surest = [max(plan(picture)[:, 4], default=0.0) for picture in empty]
        took = cpu(lambda plan=plan: plan(players[0][1]))  # type: ignore[misc]
        first = first or took
        met = ", ".join(f"{kind} {a} of {of} ({b})" for kind, (a, b, of) in counts.items())
        false = ", ".join(f"{sum(s >= at for s in surest)} at {at}" for at in _AT)
        print(
            f"{what}: {met}; false people in {len(empty)} pictures: {false}; CPU {took / first:.2f} times", flush=True
        )


if __name__ == "__main__":
    main()
