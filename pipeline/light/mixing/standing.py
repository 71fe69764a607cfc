"""Where people stand in a burst: what is seen of a person is lit as the floor at the feet is, not as the wall behind.

A gain map cannot follow an outline, and what it does at a place must be the same in all frames of a burst: so wherever
somebody passes, all frames get some of the light of that place's people, the more the more frames show them there. It
is what is off by the least squares in all frames together, people counting more than what is behind them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.orientation import Orientation
from pipeline.light.mixing.gradient import ChromaGradient
from pipeline.types import F32, F64, Image

# No published values exist for these. Chosen on the generated halls: python -m tests.evenness_of_raws.
SIZE = (24, 32, 2)  # rows, columns, and share and feet
_ROWS, _COLUMNS = ((np.arange(n) + 0.5) / n * 2 - 1 for n in SIZE[:2])
_BLUR = 1.0  # cells, standard deviation
_COUNT = 5.0  # times what is behind them, that people count: as in the map that is fitted (steps.white_balance)
_CUT, _BELOW = 0.92, 1.15  # rows: below which the frame's edge may have cut feet off; where such feet are taken to be
# Share of a burst's pictures that people take where they are known; of a match they take a tenth and more. Where fewer
# are found, some may be missed.
_KNOWN = 0.04
_NEAR = 0.85  # of the wall's distance: from there on somebody is a spectator
LEAST_BEHIND = 0.25  # of a burst's pixels, that must be left without people for them to be left out of its gradient
# Of one box in another: share of its area inside, and most of the other's; of the other's height, at least; of the
# narrower one's width, below which two count as side by side.
_HELD, _TALL, _BESIDE = 0.7, 0.4, 0.5
_RIM = 0.1, 0.03  # of a box, by which it is made larger to each side, and up and down, before it is left out


@dataclass(frozen=True)
class Standing:
    """People over the upright middle frame of a burst, from top to bottom and across what the burst shows.

    share  (24, 32) 0 to 1, of the light there that is people's
    feet   (24, 32) the row, -1 to 1 and a little beyond, at which those stand
    """

    share: F64
    feet: F64

    @staticmethod
    def nobody() -> Standing:
        """Nobody was found, or looked for."""
        return Standing(np.zeros(SIZE[:2]), np.ones(SIZE[:2]))

    def known(self, gradient: ChromaGradient) -> float:
        """0 to 1: how far to rely on people being where they were found, and nowhere else. Spectators before the wall
        say nothing of who stands on the court."""
        near = gradient.distance(self.feet) < _NEAR
        return min(float((self.share * near).mean()) / _KNOWN, 1.0)

    def at(self, rows: F64, columns: F64) -> tuple[F64, F64]:
        """(share, feet) at rows, -1 to 1, and columns, -1 to 1 across what the burst shows."""
        down, across = (
            np.clip((v + 1) / 2 * n - 0.5, 0, n - 1) for v, n in zip((rows, columns), SIZE[:2], strict=True)
        )
        i, j = (np.minimum(v.astype(np.int64), n - 2) for v, n in zip((down, across), SIZE[:2], strict=True))
        down, across = down - i, across - j

        def between(of: F64) -> F64:
            upper = of[i, j] * (1 - across) + of[i, j + 1] * across
            lower = of[i + 1, j] * (1 - across) + of[i + 1, j + 1] * across
            return np.asarray(upper * (1 - down) + lower * down)

        return between(self.share), between(self.feet)

    def distance(self, gradient: ChromaGradient, rows: F64, columns: F64) -> F64:
        """Of what is seen at rows and at columns of the middle frame, -1 to 1, against the wall: a person's is that of
        the floor at the feet."""
        share, feet = self.at(rows, columns / gradient.half)
        return gradient.distance(rows) * (1 - share) + gradient.distance(np.maximum(feet, rows)) * share

    def on_sensor(self, lies: Orientation) -> Standing:
        """Of one frame: the arrays turned as it lies on the sensor. `feet` stay rows of the upright picture."""
        return Standing(lies.to_sensor(self.share), lies.to_sensor(self.feet))

    def as_array(self) -> NDArray[np.float16]:
        """(24, 32, 2) for the store."""
        return np.stack([self.share, self.feet], axis=-1).astype(np.float16)

    @staticmethod
    def from_array(values: NDArray[Any]) -> Standing:
        """What as_array gave."""
        return Standing(*(values[..., k].astype(np.float64) for k in (0, 1)))


def standing(people: Sequence[F32], pan: Sequence[float], half: float, zoom: Sequence[float] | None = None) -> Standing:
    """Where the people of a burst stand.

    people  for each frame (N, 4 or more) boxes in fractions of it, upright: x0, y0, x1, y1
    pan     for each, how far the scene lies right, in half widths;  half  half of what the burst shows, likewise
    zoom    for each, by how much the scene is larger; None: nothing zoomed
    """
    from scipy.ndimage import gaussian_filter

    down, across = _ROWS[:, None], (_COLUMNS * half)[None, :]
    more = 1 / SIZE[0], half / SIZE[1]  # half a cell
    there, feet, shown = np.zeros(SIZE[:2]), np.zeros(SIZE[:2]), np.zeros((1, SIZE[1]))
    for boxes, right, larger in zip(people, pan, zoom or [1.0] * len(people), strict=True):
        lowest = np.full(SIZE[:2], -np.inf)  # who stands in front hides the others
        for left, top, end, bottom in 2 * boxes[:, :4].astype(np.float64) - 1:
            rows = np.abs(larger * down - (top + bottom) / 2) < (bottom - top) / 2 + larger * more[0]
            columns = np.abs(larger * across + right - (left + end) / 2) < (end - left) / 2 + larger * more[1]
            feet_at = (bottom if bottom < _CUT else _BELOW) / larger
            lowest = np.where(rows & columns, np.maximum(lowest, feet_at), lowest)
        seen = np.isfinite(lowest)
        there += seen
        shown += np.abs(larger * across + right) < 1
        feet += np.where(seen, lowest, 0.0)
    if not there.any():
        return Standing.nobody()
    often = np.minimum(there / np.maximum(shown, 1), 1)
    share = gaussian_filter(_COUNT * often / (1 + (_COUNT - 1) * often), _BLUR)
    feet = gaussian_filter(feet, _BLUR) / (gaussian_filter(there, _BLUR) + 1e-6)
    return Standing(np.clip(share, 0, 1), np.clip(feet, -1, _BELOW))


def each_alone(boxes: F32) -> F32:
    """Boxes (N, 4 or more) without those that hold two people side by side who have boxes of their own: a detector
    takes some who overlap for one as well, with much of the wall around them.

    Stricter than people.detect.without_pairs, which has passed these boxes: there a box too many costs a crop nothing
    and a person too few may cost one, while here each box takes the light at its feet for all that it covers.
    """
    left, top, end, bottom = boxes[:, :4].astype(np.float64).T
    across = np.minimum(end[:, None], end) - np.maximum(left[:, None], left)
    area = (end - left) * (bottom - top)
    inside = np.maximum(across, 0) * np.maximum(np.minimum(bottom[:, None], bottom) - np.maximum(top[:, None], top), 0)
    held = (inside > _HELD * area) & (area < _HELD * area[:, None])
    held &= bottom - top > _TALL * (bottom - top)[:, None]
    beside = across < _BESIDE * np.minimum((end - left)[:, None], end - left)
    several = [bool(beside[np.ix_(one, one)].any()) for one in held]
    return np.asarray(boxes[~np.array(several, dtype=bool)])


def without_people(image: Image, boxes: F32) -> Image:
    """An upright picture that is black where people are: nearer than the wall, they are lit as it is elsewhere.

    boxes  (N, 4 or more) in fractions of it: x0, y0, x1, y1
    """
    pixels = image.pixels.copy()
    height, width = pixels.shape[:2]
    for left, top, end, bottom in boxes[:, :4].astype(np.float64):
        aside, up = _RIM[0] * (end - left), _RIM[1] * (bottom - top)
        rows, columns = (
            slice(max(int(first * size), 0), max(int(np.ceil(last * size)), 0))
            for first, last, size in ((top - up, bottom + up, height), (left - aside, end + aside, width))
        )
        pixels[rows, columns] = 0
    return image.with_pixels(pixels)
