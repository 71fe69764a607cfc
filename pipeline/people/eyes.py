"""Whether the eyes of a face are seen. A face detector is as certain of a face whose eyes are covered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.people.belonging import rise
from pipeline.types import F32


@dataclass(frozen=True)
class Eyes:
    """Where eyes are in a face, in widths of the face from the middle between them, and how dark they are.

    An open eye is darker than the bridge of the nose beside it (common practice of detectors since Viola and Jones,
    "Robust Real-Time Face Detection", IJCV 57, 2004, whose first feature it is). In real faces from 60 pixels on the
    darker eye is so by 0.42 or more, also blurred; under a hand, a bar or hair of one tone by less than 0.1.
    """

    apart: float = 0.21  # from the middle to each eye
    across: float = 0.11  # half of an eye's patch
    above: float = 0.10
    below: float = 0.08
    bridge: float = 0.06  # half of the patch on the bridge of the nose
    bridge_above: float = 0.04
    bridge_below: float = 0.12
    percentile: float = 10  # of an eye's patch that counts as its dark
    hidden: float = 0.12  # share by which it is darker, from which eyes are seen a little
    open: float = 0.38  # and fully, on skin from `fair` on; on darker skin in proportion
    fair: float = 150  # of 255: the lighter cheek
    # Pixels of a face's height; in smaller ones nothing is known by themselves: the bridge of the nose is two pixels.
    least: float = 48
    # Of 255, the lighter cheek, below which nothing is known. In portraits of dark skin every open eye is seen down to
    # 90, also blurred and with noise; in skin that was darkened to 100 in linear light too, by the proportion above.
    skin: float = 96
    cheek: float = 0.3  # below the eyes
    # How much darker than the cheeks the darkest of the eyes is, smoothed against noise by so many widths. Skin and
    # size decide how much that is, so it is compared with other frames of the same person only (people.ranking). On
    # five real faces of 32 pixels and more, also at ISO 12,800, what covered eyes leave of it is 0.05 to 0.4, and 0.75
    # and more is left from frame to frame.
    smooth: float = 0.04


EYES = Eyes()
_ENLARGED = 64  # pixels of a face's width, in which small ones are measured as large ones


def eyes_of(grey: NDArray[np.uint8], faces: F32) -> F32:
    """(M,) how well the eyes of each face are seen, 0 to 1; 1 where it is too small or too dark to tell.

    grey (H, W), display-like; faces (M, 9) as in people.detect.Found
    """
    return np.array([_seen(grey, face) for face in faces], np.float32).reshape(-1)


def contrast_of(grey: NDArray[np.uint8], faces: F32) -> F32:
    """(M,) by how much the darkest of the eyes of each face is darker than its cheeks, 0 to 1, whatever its size.

    grey and faces as for eyes_of
    """
    return np.array([_contrast(grey, face) for face in faces], np.float32).reshape(-1)


def _contrast(grey: NDArray[np.uint8], face: F32) -> float:
    import cv2

    height, width = grey.shape
    wide, tall = float(face[2] - face[0]) * width, float(face[3] - face[1]) * height
    x, y = float(face[5]) * width, float(face[6]) * height
    if min(wide, tall) < 1:
        return 0.0
    first = grey[max(round(y - tall), 0) : max(round(y + tall), 0), max(round(x - wide), 0) : max(round(x + wide), 0)]
    if not first.size:
        return 0.0
    corner = max(round(x - wide), 0), max(round(y - tall), 0)
    soft = cv2.GaussianBlur(first.astype(np.float32), (0, 0), max(EYES.smooth * wide, 0.3))
    scale, half = _ENLARGED / wide, _ENLARGED
    turn = np.array([[scale, 0, half - scale * (x - corner[0])], [0, scale, half - scale * (y - corner[1])]])
    size = (2 * half, 2 * half)
    drawn = np.asarray(cv2.warpAffine(soft, turn, size, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32)

    def patch(side: float, above: float, below: float) -> NDArray[np.float32]:
        rows = slice(round(half * (1 - above)), round(half * (1 + below)) + 1)
        middle = 1 + side * EYES.apart
        return drawn[rows, round(half * (middle - EYES.across)) : round(half * (middle + EYES.across)) + 1]

    eyes = min(float(patch(side, EYES.above, EYES.below).min()) for side in (-1, 1))
    cheeks = [patch(side, EYES.bridge - EYES.cheek, EYES.bridge + EYES.cheek) for side in (-1, 1)]
    return min(max(1 - eyes / max(*(float(np.median(one)) for one in cheeks), 1.0), 0.0), 1.0)


def _seen(grey: NDArray[np.uint8], face: F32) -> float:
    height, width = grey.shape
    wide = float(face[2] - face[0]) * width
    if float(face[3] - face[1]) * height < EYES.least:
        return 1.0
    x, y = float(face[5]) * width, float(face[6]) * height

    def patch(middle: float, half: float, above: float, below: float) -> NDArray[np.uint8]:
        rows = slice(max(round(y - above * wide), 0), max(round(y + below * wide) + 1, 0))
        return grey[rows, max(round(middle - half * wide), 0) : max(round(middle + half * wide) + 1, 0)]

    bridge = patch(x, EYES.bridge, EYES.bridge_above, EYES.bridge_below)
    eyes = [patch(x + side * EYES.apart * wide, EYES.across, EYES.above, EYES.below) for side in (-1, 1)]
    if not bridge.size or not any(eye.size for eye in eyes):
        return 1.0
    cheeks = [
        patch(x + side * EYES.apart * wide, EYES.across, EYES.bridge - EYES.cheek, EYES.bridge + EYES.cheek)
        for side in (-1, 1)
    ]
    light = max((float(np.median(cheek)) for cheek in cheeks if cheek.size), default=255.0)
    if light < EYES.skin:
        return 1.0
    skin = max(float(np.median(bridge)), 1.0)
    darker = max(1 - float(np.percentile(eye, EYES.percentile)) / skin for eye in eyes if eye.size)  # one: a profile
    return rise(darker, EYES.hidden, EYES.open * min(1.0, light / EYES.fair))
