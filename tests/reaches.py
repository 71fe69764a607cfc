"""How far labelled people reach beyond what the detector gives of them: `python -m tests.reaches`.

The labelled frames of ../shared/data/court (24 players, boxes drawn by hand; see its SOURCES.md): for each side of the
box the percentiles, in heights of the person, of what lies outside `people` (the merged box) and outside `reach`, of
those who are found with an overlap (IoU) of 0.4.
"""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.people.detect import find, overlap
from tests.crops import SHARED_MODELS, models

COURT = SHARED_MODELS.parent / "data" / "court"
_PERCENTILES = (50, 90, 95, 98)


def labelled() -> dict[str, np.ndarray]:
    """File name -> (N, 4) boxes of its players, pixels."""
    result = {}
    for line in (COURT / "annotations.txt").read_text(encoding="utf-8").splitlines():
        if not line.strip():
            continue
        name, _, *words = line.split()
        (path,) = COURT.glob(f"*_{name}")
        rows = np.array(words).reshape(-1, 5)[:, :4].astype(np.float64)  # x y width height action
        result[path.name] = np.concatenate([rows[:, :2], rows[:, :2] + rows[:, 2:]], axis=1)
    return result


def main() -> None:
    files = models()
    beyond: dict[str, list[np.ndarray]] = {"people": [], "reach": []}
    for name, boxes in labelled().items():
        picture = cv2.imread(str(COURT / name))
        height, width = picture.shape[:2]
        small = np.asarray(cv2.resize(picture, (960, 540), interpolation=cv2.INTER_AREA), dtype=np.uint8)
        found = find(small, files.person, None)
        for box in boxes:
            over = overlap(box / [width, height, width, height], found.people[:, :4])
            if over.max() >= 0.4:
                for what, rows in (("people", found.people), ("reach", found.reach)):
                    own = rows[over.argmax(), :4] * [width, height, width, height]
                    out = np.array([own[0] - box[0], own[1] - box[1], box[2] - own[2], box[3] - own[3]])
                    beyond[what].append(out / (box[3] - box[1]))
    for what, out in beyond.items():
        print(f"beyond {what}, of {len(out)} players: percentiles {_PERCENTILES}, heights of the player")
        shares = np.percentile(out, _PERCENTILES, axis=0).T
        for side, row in zip(("left", "top", "right", "bottom"), shares, strict=True):
            print(f"  {side:6s} " + " ".join(f"{value:6.3f}" for value in row))


if __name__ == "__main__":
    main()
