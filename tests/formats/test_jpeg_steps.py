"""The steps of a JPEG, against tables that Pillow was told to write."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import PIL.Image
import pytest

from pipeline.formats.pictures import read_picture
from pipeline.imaging.orientation import Orientation

LUMA = np.arange(1, 65).reshape(8, 8)
COLOUR = np.arange(101, 165).reshape(8, 8)


def saved(path: Path, subsampling: int) -> Path:
    tables = [LUMA.ravel().tolist(), COLOUR.ravel().tolist()]
    PIL.Image.new("RGB", (32, 48), "grey").save(path, "JPEG", qtables=tables, subsampling=subsampling)
    return path


@pytest.mark.parametrize(("subsampling", "down", "across"), [(0, 1, 1), (1, 1, 2), (2, 2, 2)])
def test_steps_by_frequency_at_full_size(tmp_path: Path, subsampling: int, down: int, across: int) -> None:
    """Pillow's subsampling 0, 1, 2 is 4:4:4, 4:2:2 and 4:2:0. Halved, a frequency has twice the number, and its power
    falls on half as many coefficients."""
    steps = read_picture(saved(tmp_path / "a.jpg", subsampling)).steps
    assert steps is not None and (steps[0] == LUMA).all()
    expected = COLOUR[np.ix_(np.minimum(down * np.arange(8), 7), np.minimum(across * np.arange(8), 7))]
    assert np.abs(steps[1] - expected * np.sqrt(down * across)).max() <= 1


def test_steps_turn_with_the_picture(tmp_path: Path) -> None:
    path = saved(tmp_path / "a.jpg", 1)
    lying, upright = (read_picture(path, turned).steps for turned in (Orientation.TOP_LEFT, Orientation.RIGHT_TOP))
    assert lying is not None and upright is not None
    assert (upright == lying.swapaxes(1, 2)).all()


def test_other_files_have_none(tmp_path: Path) -> None:
    PIL.Image.new("RGB", (32, 48), "grey").save(tmp_path / "a.png")
    assert read_picture(tmp_path / "a.png").steps is None
    PIL.Image.new("L", (32, 48), 99).save(tmp_path / "a.jpg")
    grey = read_picture(tmp_path / "a.jpg").steps
    assert grey is not None and (grey[0] == grey[1]).all()
