"""How strong a camera's tone curve is, by bursts whose light changes.

When lamps flicker, a burst shows the same surfaces at several exposures, and a bent curve gives dark, middle and bright
surfaces different ratios: radiometric self-calibration (Mitsunaga and Nayar, CVPR 1999).
Here the light's change is itself unknown and smooth over the rows, so only what differs within a row says anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.camera_curve import STRONGEST, bend, straighten
from pipeline.imaging.robust import weighted_median
from pipeline.light.flicker import FLICKER, View, agree, tiled, typical_scene
from pipeline.light.gain_map import GainMap
from pipeline.light.registration import warp
from pipeline.store.packing import LARGEST, take
from pipeline.types import F32, F64

TRIED: F64 = np.array([0.0, 0.5 * STRONGEST, STRONGEST])


@dataclass(frozen=True)
class ResponseConstants:
    """When a curve is believed. Stops.

    No published values exist. Chosen by trial on real court frames under flicker, plain and bent:
    `python -m tests.court_flicker --curve`. That each one matters: `pytest tests/test_constants.py`.
    """

    least: float = 0.1  # by which light changes in a burst that is looked at
    outlier: float = 0.06  # off the expected that counts half, or less (Cauchy, squared)
    step: float = 0.05  # of strength, for a slope
    floor: float = 0.003  # of saturation, darkest tile
    sure: float = 4.0  # standard errors by which the curve of a burst is not plain, and
    margin: float = 2.0  # by which it is at least as strong as it is taken for
    weak: float = 0.1  # strength that is left alone


RESPONSE = ResponseConstants()


@dataclass(frozen=True)
class CurveEvidence:
    """What one burst says of its camera's curve, at each strength of TRIED.

    score     (3,) how the rest of its ratios goes with what more strength would do to them: above 0, it is stronger
    variance  (3,) of the score
    """

    score: F64
    variance: F64

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        return {"curve": np.stack([self.score, self.variance])}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> CurveEvidence | None:
        """The reverse of `as_arrays`; None where there is none. Raises ValueError for what that cannot have given."""
        if "curve" not in arrays:
            return None
        score, variance = take(arrays, "curve", np.float64, (2, len(TRIED)), -LARGEST, LARGEST)
        return cls(score, np.maximum(variance, 0.0))


def curve_evidence(views: Sequence[View], found: Sequence[GainMap]) -> CurveEvidence | None:
    """Of the frames of a burst of finished pictures, read by the sRGB curve; None where the light hardly changes.

    found  their gain maps, from light.flicker.agree
    """
    height, width = views[0].pixels.shape[:2]
    gains = np.array([one.on(9, 3) for one in found])
    if float(np.ptp(gains, axis=0).max()) < RESPONSE.least:
        return None
    scores, variances = np.zeros(len(TRIED)), np.zeros(len(TRIED))
    for index, strength in enumerate(TRIED.tolist()):
        light = [replace(v, pixels=straighten(v.pixels, strength)) for v in views] if strength else list(views)
        maps = agree(light) if strength else found
        scene, known = typical_scene(light, [-one for one in maps])
        scene = np.where(known[..., None], scene, np.nan).astype(np.float32)
        for view, even in zip(views, maps, strict=True):
            gain = np.exp2(-even.on(height, width)).astype(np.float32)
            score, variance = _of_frame(view, warp(scene, view.motion, back=True, sharp=True), gain, strength)
            scores[index] += score
            variances[index] += variance
    return CurveEvidence(scores, variances)


def _of_frame(view: View, scene: F32, gain: F32, strength: float) -> tuple[float, float]:
    """The score of one frame and its variance. scene, gain (H, W, 3) light in the frame's place and its change"""
    height, width = view.pixels.shape[:2]
    tiles = (max(2, height // FLICKER.tile), max(2, width // FLICKER.tile))
    both = view.good & np.isfinite(scene[..., 1])
    light = np.nan_to_num(scene)
    shown = bend(light, strength)

    def expected(at: float) -> F64:
        lit = light if at == strength else straighten(shown, at)
        return tiled(np.where(both[..., None], bend(lit * gain, at), 0).astype(np.float32), tiles)

    low, high = max(strength - RESPONSE.step, 0.0), strength + RESPONSE.step
    frame = tiled(np.where(both[..., None], view.pixels, 0).astype(np.float32), tiles)
    now, less, more = expected(strength), expected(low), expected(high)
    share = tiled(both[..., None].astype(np.float32), tiles)[..., 0]
    dark = np.minimum.reduce([frame, now, less, more]).min(axis=2) < RESPONSE.floor * share
    good = ((share > FLICKER.covered) & ~dark)[..., None]
    with np.errstate(invalid="ignore", divide="ignore"):
        rest = np.where(good, np.log2(frame / now), 0.0)
        slope = np.where(good, np.log2(more / less) / (high - low), 0.0)
    weight = np.where(good, 1 / (1 + (rest / RESPONSE.outlier) ** 2) ** 2, 0.0)
    total = np.maximum(weight.sum(axis=1, keepdims=True), 1e-9)
    slope -= (weight * slope).sum(axis=1, keepdims=True) / total
    rest -= (weight * rest).sum(axis=1, keepdims=True) / total
    score = float((weight * rest * slope).sum())
    return score, float(((weight * rest * slope) ** 2).sum() * FLICKER.together)


def strength_of(evidence: Sequence[CurveEvidence]) -> float:
    """The strength of a camera's curve by all its bursts; 0, plain sRGB, where they do not prove another.

    The median of what each burst proves, by how much each can say: small errors that all bursts share, such as those of
    players who cross, would pass for a proof where scores were added up."""
    if not evidence:
        return 0.0
    weights = np.array([one.variance[0] for one in evidence])
    if weights.sum() <= 0:
        return 0.0
    found = weighted_median(np.array([_proven(one) for one in evidence]), weights)
    return round(float(found), 2) if found >= RESPONSE.weak else 0.0


def _proven(one: CurveEvidence) -> float:
    """The strength that one burst proves: up to which its score is above zero by RESPONSE.margin standard errors."""
    error = np.sqrt(one.variance)
    if one.score[0] <= RESPONSE.sure * error[0]:
        return 0.0
    over = one.score - RESPONSE.margin * error
    below = np.flatnonzero(over < 0)
    if not len(below):
        return STRONGEST
    last = int(below[0])
    return float(TRIED[last - 1] + (TRIED[last] - TRIED[last - 1]) * over[last - 1] / (over[last - 1] - over[last]))
