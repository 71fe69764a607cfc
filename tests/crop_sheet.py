"""Sheets of pictures with who was found, whom they are about and how they would be cut, to be judged by eye."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from pipeline.imaging.geometry import WHOLE, Box
from pipeline.people.detect import SURE
from pipeline.people.observe import FrameObservation
from pipeline.people.subject import Subject
from pipeline.steps.crop_solution import CropSolution, in_words

TILE, TILES = (520, 350), (3, 4)  # pixels of a picture on a sheet of many, and how many across and down
EDGE = 1200  # pixels of the longer side of a picture on a sheet
# BGR: people, faces, balls, the subject, and the crop at each aspect in its order.
_PEOPLE, _FACES, _BALLS, _SUBJECT = (90, 200, 90), (230, 200, 60), (0, 140, 255), (60, 60, 255)
_CROPS = ((255, 255, 255), (0, 255, 255), (255, 0, 255))


@dataclass(frozen=True)
class Cut:
    """One frame and how it would be cut.

    pixels  (H, W, 3) BGR, 8 bit; boxes, solutions: by aspect; a box of None is the whole frame
    """

    name: str
    pixels: np.ndarray
    seen: FrameObservation
    subject: Subject | None
    solutions: Mapping[str, CropSolution]
    boxes: Mapping[str, Box]

    def whole(self, aspect: str) -> bool:
        """Whether the frame is left as it is, and not cropped around anybody."""
        return self.solutions[aspect].box in (None, WHOLE)


def drawn(cut: Cut) -> np.ndarray:
    """The picture with all boxes and the reasons, and beside it each crop as it would be delivered, if any."""
    height, width = cut.pixels.shape[:2]
    scale = EDGE / max(height, width)
    size = (round(width * scale), round(height * scale))
    shown = cv2.resize(cut.pixels, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    for rows, colour, least in (
        (cut.seen.people.people, _PEOPLE, SURE.person), (cut.seen.people.faces, _FACES, SURE.face),
        (cut.seen.people.balls, _BALLS, 0.0),
    ):  # fmt: skip
        for row in rows:
            _box(shown, row[:4], colour, 2 if row[4] >= least else 1, f"{100 * row[4]:.0f}")
    if cut.subject is not None:
        _box(shown, cut.subject.box, _SUBJECT, 3, "")
    lines = [f"{cut.name}"]
    parts = []
    for (aspect, box), colour in zip(cut.boxes.items(), _CROPS, strict=False):
        solution = cut.solutions[aspect]
        sure = "" if solution.confidence is None else f", confidence {solution.confidence:.2f}"
        lines.append(f"{aspect} {in_words(solution)}{sure}")
        if not cut.whole(aspect):
            _box(shown, box, colour, 2, aspect)
            parts.append(_part(cut.pixels, box, size[1]))
    row = np.hstack([shown, *parts])
    head = np.zeros((26 * len(lines) + 10, row.shape[1], 3), np.uint8)
    for number, text in enumerate(lines):
        colour = (255, 255, 255) if number == 0 else _CROPS[number - 1]
        cv2.putText(head, text, (8, 24 + 26 * number), cv2.FONT_HERSHEY_SIMPLEX, 0.7, colour, 1, cv2.LINE_AA)
    return np.vstack([head, row])


def _box(picture: np.ndarray, box: Sequence[float] | np.ndarray, colour: tuple[int, ...], wide: int, text: str) -> None:
    height, width = picture.shape[:2]
    x0, y0, x1, y1 = (round(float(v) * side) for v, side in zip(box, (width, height, width, height), strict=True))
    cv2.rectangle(picture, (x0, y0), (x1, y1), colour, wide)
    if text:
        cv2.putText(picture, text, (x0 + 2, max(y0 - 3, 10)), cv2.FONT_HERSHEY_SIMPLEX, 0.4, colour, 1, cv2.LINE_AA)


def _part(pixels: np.ndarray, box: Box, height: int) -> np.ndarray:
    """The crop as it would be delivered, so high at the most, in a strip so high."""
    tall, wide = pixels.shape[:2]
    x0, y0, x1, y1 = (round(v * side) for v, side in zip(box, (wide, tall, wide, tall), strict=True))
    part = pixels[y0:y1, x0:x1]
    scale = min(height / part.shape[0], 0.75 * EDGE / part.shape[1])
    size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
    part = cv2.resize(part, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    return cv2.copyMakeBorder(part, 0, height - part.shape[0], 8, 0, cv2.BORDER_CONSTANT)


def tile(cut: Cut, aspect: str) -> np.ndarray:
    """The picture with what an aspect cuts away dark, in a field of TILE pixels."""
    height, width = cut.pixels.shape[:2]
    scale = min(TILE[0] / width, TILE[1] / height)
    size = (round(width * scale), round(height * scale))
    shown = cv2.resize(cut.pixels, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    x0, y0, x1, y1 = (round(v * side) for v, side in zip(cut.boxes[aspect], (*size, *size), strict=True))
    dark = shown // 3
    dark[y0:y1, x0:x1] = shown[y0:y1, x0:x1]
    cv2.rectangle(dark, (x0, y0), (x1 - 1, y1 - 1), _CROPS[1], 1)
    if cut.subject is not None:
        _box(dark, cut.subject.box, _SUBJECT, 1, "")
    cv2.putText(dark, cut.name, (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.45, _CROPS[1], 1, cv2.LINE_AA)
    return cv2.copyMakeBorder(dark, 0, TILE[1] - size[1], 0, TILE[0] - size[0], cv2.BORDER_CONSTANT)


def write_sheets(folder: Path, cuts: Sequence[Cut]) -> None:
    """PNGs of all that is cropped, by aspect, TILES to a sheet."""
    folder.mkdir(parents=True, exist_ok=True)
    across, down = TILES
    for aspect in cuts[0].boxes if cuts else ():
        tiles = [tile(cut, aspect) for cut in cuts if not cut.whole(aspect)]
        for number, at in enumerate(range(0, len(tiles), across * down), 1):
            part = tiles[at : at + across * down]
            part += [np.zeros_like(part[0])] * (-len(part) % across)
            rows = [np.hstack(part[i : i + across]) for i in range(0, len(part), across)]
            cv2.imwrite(str(folder / f"sheet-{aspect.replace(':', 'x')}-{number:02d}.png"), np.vstack(rows))


def write(folder: Path, cuts: Sequence[Cut]) -> list[Path]:
    """Write a PNG of each into `folder`, named by the frame, and sheets of what is cropped; returns the first."""
    write_sheets(folder, cuts)
    folder.mkdir(parents=True, exist_ok=True)
    found = []
    for cut in cuts:
        path = folder / f"{cut.name.replace('/', '_')}.png"
        if not cv2.imwrite(str(path), drawn(cut)):
            raise SystemExit(f"{path}: cannot be written")
        found.append(path)
    return found
