"""Drawn training pictures, against IEC 61966-2-1 and the light that a lens mixes."""

import numpy as np

from tests.training.synthetic import SIDE, _finished, jerseys, kits


def test_half_black_and_half_white_is_half_of_the_light() -> None:
    """Half of the light of white is 188 of 255 in sRGB (IEC 61966-2-1), where its numbers' mean is 128."""
    rows, columns = np.mgrid[0 : 2 * SIDE, 0 : 2 * SIDE]
    board = ((rows + columns) % 2).astype(np.float32)[..., None] * np.ones(3, np.float32)
    for blur in (0.0, 1.5):
        assert np.abs(_finished(board, blur).astype(int) - 188).max() <= 1


def test_jerseys_are_finer_than_kits() -> None:
    """Most of the pixels of a jersey differ from their neighbours; most of a kit's are even, whatever its edges."""
    changed = {}
    for draw in (kits, jerseys):
        pictures = np.stack([draw(np.random.default_rng(seed)) for seed in range(6)]).astype(int)
        assert pictures.shape == (6, SIDE, SIDE, 3)
        changed[draw] = float((np.abs(np.diff(pictures, axis=2)).max(axis=3) > 2).mean())
    assert changed[jerseys] > 2 * changed[kits]
