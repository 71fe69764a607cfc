"""Which part of the fringe along an edge of colour is whose: `python -m tests.fringe_parts [--iso N] [--frames N]`.

Edges of tests/clean_patches.py, the measure of `fringe` over the mean of some frames. Per edge: what a demosaic makes
of the mosaic without noise, ours and LibRaw's AHD; of the noise, not cleaned; of the mosaic as `standard` cleans it, by
AHD and ours; of that when the greens, or red and blue, were known; with an oracle, the second pass of the filter
steered by the mosaic without noise, which no first pass can better; of the network of quality learned; and where light
is averaged before the sRGB curve.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from typing import Any
from unittest.mock import patch

import numpy as np

from pipeline.imaging.denoise import cells, denoise
from pipeline.imaging.learned.mosaic import learned_demosaic
from pipeline.imaging.learned.tiles import Settings
from pipeline.imaging.raw.residual_demosaic import RIM, by_residuals
from pipeline.imaging.raw.window import packed, unpacked
from pipeline.types import F32, Noise
from tests.clean_patches import edge, encode, fringe
from tests.demosaic_table import by_ahd
from tests.denoise_cases import GAINS, camera_noise, expose, mosaic_of

PAIRS = (("red", "dark"), ("blue", "dark"), ("red", "white"), ("skin", "white"), ("white", "dark"))
SIDE = 256
GREEN, OTHER = ((0, 1), (1, 0)), ((0, 0), (1, 1))  # places in a cell, R G over G B


def _noise(iso: float) -> Noise:
    a, b = camera_noise(iso)
    return Noise(np.full(3, a), np.full(3, b))


def _cleaned(mosaic: F32, iso: float) -> F32:
    noise = _noise(iso)
    return unpacked(denoise.denoise_mosaic(packed(mosaic), noise, balance=GAINS, quality="standard"))


def _steered(mosaic: F32, truth: F32, iso: float) -> F32:
    """The mosaic cleaned, the first estimates of its planes taken from `truth`, cleaned alike."""
    first, guides = denoise._guide, []

    def noted(planes: F32, *rest: Any) -> F32:
        if planes.shape[-1] == truth.shape[1] // 2:
            guides.append(planes.copy())
        return first(planes, *rest)

    def told(planes: F32, *rest: Any) -> F32:
        return guides.pop(0) if planes.shape[-1] == truth.shape[1] // 2 else first(planes, *rest)

    with patch.object(denoise, "_guide", noted):
        _cleaned(truth, iso)
    with ExitStack() as stack:
        stack.enter_context(patch.object(denoise, "_guide", told))
        stack.enter_context(patch.object(cells, "CELLS", replace(cells.CELLS, edge_part=0.0)))
        return _cleaned(mosaic, iso)


def _known(mosaic: F32, truth: F32, places: tuple[tuple[int, int], ...]) -> F32:
    out = mosaic.copy()
    for y, x in places:
        out[y::2, x::2] = truth[y::2, x::2]
    return out


def _ours(mosaic: F32) -> F32:
    wide = np.pad(mosaic, RIM, mode="reflect").astype(np.float32)
    return by_residuals(wide, GAINS, RIM, RIM, *mosaic.shape) * GAINS.astype(np.float32)


def _learned(mosaic: F32, iso: float) -> F32:
    size = (mosaic.shape[0], mosaic.shape[1])
    return learned_demosaic(mosaic, GAINS, 0, 0, *size, _noise(iso), Settings()) * GAINS.astype(np.float32)


def _ahd(mosaic: F32) -> F32:
    return np.asarray(by_ahd(mosaic.astype(np.float64), "RGGB"), dtype=np.float32)


def parts(pair: tuple[str, str], iso: float, frames: int) -> Iterator[tuple[str, float]]:
    """(name, fringe in codes of 255) of an edge."""
    picture, off = edge(*pair, SIDE)
    truth = mosaic_of(picture / GAINS).astype(np.float32)
    noisy = [expose(mosaic_of(picture / GAINS), iso, seed).astype(np.float32) for seed in range(frames)]
    clean = [_cleaned(one, iso) for one in noisy]
    rows = {
        "no noise, ours": [_ours(truth)],
        "no noise, AHD": [_ahd(truth)],
        "noise": [_ours(one) for one in noisy],
        "cleaned, AHD": [_ahd(one) for one in clean],
        "cleaned": [_ours(one) for one in clean],
        "greens known": [_ours(_known(one, truth, GREEN)) for one in clean],
        "red and blue known": [_ours(_known(one, truth, OTHER)) for one in clean],
        "oracle": [_ours(_steered(one, truth, iso)) for one in noisy],
        "learned": [_learned(one, iso) for one in noisy],
    }
    for name, found in rows.items():
        yield name, fringe(np.mean([encode(one) for one in found], axis=0), encode(picture), off)
    # What the curve of the picture and its cut at black make of noise that is left is not in the fringe of the mean.
    yield "cleaned, light", fringe(encode(np.mean(rows["cleaned"], axis=0)), encode(picture), off)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--iso", type=float, default=6400)
    parser.add_argument("--frames", type=int, default=4)
    arguments = parser.parse_args()
    for pair in PAIRS:
        found = parts(pair, arguments.iso, arguments.frames)
        print(f"{'/'.join(pair):<11}" + " | ".join(f"{name} {value:.1f}" for name, value in found), flush=True)


if __name__ == "__main__":
    main()
