"""The fast convolutions against their definition: the network in double precision, sum by sum, without tiles."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from llvmlite import binding
from numpy.lib.stride_tricks import sliding_window_view

from pipeline.imaging.learned.runtime import FINISHED, MOSAIC, WEB, Weights, network, read
from pipeline.imaging.learned.tiles import Part

_ROOT = Path(__file__).parents[3]
LEAK = 0.1  # tests/training/network.py
SIDES = [(24, 8), (40, 64), (104, 24)]  # cells, of no whole bands of four on some scale


@cache
def arrays(weights: Weights) -> dict[str, np.ndarray]:
    with np.load(io.BytesIO(read(weights))) as held:
        return {name: held[name].astype(np.float64) for name in held.files}


def conv(x: np.ndarray, weights: Weights, name: str) -> np.ndarray:
    """(C, h, w) -> (K, h, w), zeros about it; of stride 2 where the kernel is of 2x2."""
    kernel, bias = (arrays(weights)[f"{name}.{part}"] for part in ("weight", "bias"))
    rim, step = (kernel.shape[-1] // 2, 1) if kernel.shape[-1] != 2 else (0, 2)
    about = sliding_window_view(np.pad(x, ((0, 0), (rim, rim), (rim, rim))), kernel.shape[2:], (1, 2))
    return np.tensordot(kernel, about[:, ::step, ::step], ((1, 2, 3), (0, 3, 4))) + bias[:, None, None]


def block(x: np.ndarray, weights: Weights, name: str) -> np.ndarray:
    between = conv(x, weights, f"{name}.first")
    return x + conv(np.where(between > 0, between, LEAK * between), weights, f"{name}.second")


def plain(planes: np.ndarray, weights: Weights) -> np.ndarray:
    """(C, h, w) -> (2h, 2w, 3); as tests/training/network.py has it."""
    x, kept = conv(planes, weights, "inp"), []
    scales = sum(name.startswith("halve") for name in arrays(weights)) // 2
    for scale in range(scales):
        kept.append(block(x, weights, f"down.{scale}.0"))
        x = conv(kept[-1], weights, f"halve.{scale}")
    x = block(x, weights, f"down.{scales}.0")
    for scale in reversed(range(scales)):
        x = kept[scale] + conv(x, weights, f"widen.{scale}").repeat(2, 1).repeat(2, 2)
        x = block(x, weights, f"up.{scale}.0")
    found = conv(x, weights, "out").reshape(3, 2, 2, *planes.shape[1:]).transpose(3, 1, 4, 2, 0)
    found = found.reshape(2 * planes.shape[1], 2 * planes.shape[2], 3)
    if weights is FINISHED:
        return found
    return found + (bilinear(planes) if weights is MOSAIC else halves(planes))


def both(planes: np.ndarray, weights: Weights) -> np.ndarray:
    """The mean of what becomes of a picture, and of its mirror image about the diagonal, mirrored back."""
    side = 4 if weights is WEB else 2
    count = side * side * (1 if weights is MOSAIC else 3)
    pixels = planes[:count].reshape(-1, side, side, *planes.shape[1:]).transpose(0, 2, 1, 4, 3)
    mirrored = np.concatenate([pixels.reshape(count, *planes.shape[:0:-1]), planes[count:].swapaxes(1, 2)])
    return (plain(planes, weights) + plain(mirrored, weights).swapaxes(0, 1)) / 2


def bilinear(planes: np.ndarray) -> np.ndarray:
    """Each colour apart, by OpenCV's filter; zeros beyond the border."""
    height, width = planes.shape[1:]
    apart = np.zeros((2 * height, 2 * width, 3))
    for place, colour in enumerate((0, 1, 1, 2)):
        apart[place // 2 :: 2, place % 2 :: 2, colour] = planes[place]
    square, cross = np.outer([1, 2, 1], [1, 2, 1]) / 4, np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
    parts = zip(np.moveaxis(apart, -1, 0), (square, cross, square), strict=True)
    return np.stack([cv2.filter2D(part, -1, kernel, borderType=cv2.BORDER_CONSTANT) for part, kernel in parts], -1)


def halves(planes: np.ndarray) -> np.ndarray:
    height, width = planes.shape[1:]
    pixels = planes[:48].reshape(3, 4, 4, height, width).transpose(3, 1, 4, 2, 0).reshape(4 * height, 4 * width, 3)
    return cv2.resize(pixels, (2 * width, 2 * height), interpolation=cv2.INTER_AREA)


def planes(weights: Weights, height: int, width: int) -> np.ndarray:
    """Of u as a noisy picture has it, and even planes after it."""
    rng, channels = np.random.default_rng(3), arrays(weights)["inp.weight"].shape[1]
    found = rng.normal(0.4, 0.2, (channels, height, width)).astype(np.float32)
    told = {MOSAIC: 4, WEB: 48, FINISHED: 21}[weights]
    found[told:] = rng.random((channels - told, 1, 1), np.float32) / 2
    return found


@pytest.mark.parametrize("weights", [MOSAIC, WEB, FINISHED], ids=lambda w: w.file)
@pytest.mark.parametrize(("height", "width"), SIDES)
def test_as_its_definition_has_it(weights: Weights, height: int, width: int) -> None:
    """To 1e-5 of white, a four hundredth of a code of 255: float32 is off by 4e-6 at the most."""
    seen, by = planes(weights, height, width), network(weights)
    by.cells(height, width)[:] = seen.transpose(1, 2, 0)
    wanted = both(seen.astype(np.float64), weights)
    assert np.abs(by.picture(Part(0, 0, height, width)) - wanted).max() < 1e-5


@pytest.mark.parametrize("weights", [MOSAIC, WEB, FINISHED], ids=lambda w: w.file)
def test_a_part_is_the_same_to_the_last_bit(weights: Weights) -> None:
    """Also after another picture, of other size, and again: nothing of one is left for the next."""
    seen, by = planes(weights, 152, 136), network(weights)
    by.cells(152, 136)[:] = seen.transpose(1, 2, 0)
    whole = by.picture(Part(0, 0, 152, 136))
    assert np.array_equal(by.picture(Part(0, 0, 152, 136)), whole)
    by.cells(40, 160)[:] = 1
    by.picture(Part(0, 0, 40, 160))
    by.cells(152, 136)[:] = seen.transpose(1, 2, 0)
    for part in (Part(31, 42, 77, 53), Part(1, 2, 5, 135), Part(120, 3, 152, 136)):
        found = by.picture(part)
        assert np.array_equal(found, whole[2 * part.top : 2 * part.low, 2 * part.left : 2 * part.right])


_NARROW = """
import sys
from tests.imaging.learned.test_network import seen_of_both
from pipeline.imaging.learned.winograd import LANES
sys.stdout.buffer.write(bytes([LANES]) + seen_of_both())
"""


def seen_of_both() -> bytes:
    found = b""
    for weights in (MOSAIC, WEB):
        by = network(weights)
        by.cells(40, 24)[:] = planes(weights, 40, 24).transpose(1, 2, 0)
        found += by.picture(Part(0, 0, 40, 24)).tobytes()
    return found


@pytest.mark.long
def test_vectors_are_those_that_numba_is_told_of_and_narrow_ones_give_the_same_bytes(tmp_path: Path) -> None:
    """Where a home is shared by unlike machines, numba is told what all have, and keeps what it compiled by that: the
    weights must lie as the kept functions read them, on each machine."""
    try:
        has = binding.get_host_cpu_features()
    except RuntimeError:
        has = {}
    if not (has.get("avx2") and has.get("fma")):
        pytest.skip("for processors with AVX2 and FMA")
    told = {"NUMBA_CPU_NAME": "haswell", "NUMBA_CPU_FEATURES": "+avx,+avx2,+fma", "NUMBA_CACHE_DIR": str(tmp_path)}
    done = subprocess.run([sys.executable, "-c", _NARROW], cwd=_ROOT, capture_output=True, env=os.environ | told)
    assert done.returncode == 0, done.stderr.decode()
    assert done.stdout[0] == 8 and done.stdout[1:] == seen_of_both()
