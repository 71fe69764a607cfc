"""Zeros that a bad sector left in a raw file. A sector has 512 bytes (ATA, ACS-3), here 256 samples of 16 bits."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from fixtures.dng import write_dng
from pipeline.errors import FrameError
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.mosaic import decode_raw

BLACK = 512


def written(path: Path, cfa: np.ndarray, black: int = BLACK) -> Path:
    write_dng(
        path, cfa, black=black, white=15000, pattern="RGGB", make="Evencourt", model="Test", serial="1", lens="85 mm",
        iso=6400, exposure_time=0.001, f_number=2.8, focal_length=85.0, time=datetime(2026, 2, 14),
        color_matrix=np.eye(3), as_shot_neutral=(0.5, 1.0, 0.7),
    )  # fmt: skip
    return path


def dark_frame() -> np.ndarray:
    """A lens cap: read noise about the black level."""
    return np.random.default_rng(3).normal(BLACK, 12, (400, 600)).round().clip(0, 15000).astype(np.uint16)


@pytest.mark.parametrize("bytes_lost", [512, 65536])
def test_zeros_in_a_raw_file_are_damage(tmp_path: Path, bytes_lost: int) -> None:
    cfa = dark_frame()
    cfa.reshape(-1)[200 * 600 + 50 :][: bytes_lost // 2] = 0
    with pytest.raises(FrameError, match="a part of the raw data is lost"):
        decode_raw(written(tmp_path / "A.dng", cfa), Orientation.TOP_LEFT, 96)


def test_what_is_no_damage(tmp_path: Path) -> None:
    """A dark frame, masked rows at both edges, a few dead pixels beside each other, one colour of a row dead, and
    shadows of a camera that writes no black level."""
    masked, dead, shadows = dark_frame(), dark_frame(), dark_frame()
    masked[:9], masked[-3:] = 0, 0
    dead[77, 10:40], dead[78, ::2] = 0, 0
    shadows[100:200] = 0
    for n, (cfa, black) in enumerate([(dark_frame(), BLACK), (masked, BLACK), (dead, BLACK), (shadows, 0)]):
        decode_raw(written(tmp_path / f"{n}.dng", cfa, black), Orientation.TOP_LEFT, 96)


def test_no_real_raw_file_is_refused(shared: Callable[[str], Path]) -> None:
    for path in sorted(shared("data/raw").iterdir()):
        decode_raw(path, Orientation.TOP_LEFT, 96)
