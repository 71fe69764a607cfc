"""Whatever frames of one camera say of their noise, the pool gives a model that is finite and above nothing.

No outside values: any statistics that a mosaic can give are tried, also those of black, blown, posterised and
disagreeing frames, since a night must not end for one of them.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from pipeline.imaging.raw.noise import BINS, NoiseStatistics
from pipeline.imaging.raw.noise_pool import camera_noise, noise_notes, noise_rows, row_variance
from pipeline.imaging.raw.row_noise import RowNoise

MEANS = [0.0, -1e-3, 1e-9, 0.01, 0.5, 1.0, 3.0]
VARIANCES = [0.0, 1e-30, 1e-12, 1e-6, 1e-2, 10.0, 1e12]
BLOCKS = [0.0, 1.0, 2.0, 1e7]
CORRELATIONS = [-1.0, 0.0, 0.44, 1.0]


def statistics(rng: np.random.Generator) -> NoiseStatistics:
    """Of a frame that may be anything; with one kind of value throughout, or all mixed."""
    bins = np.zeros((3, BINS, 4))
    used = rng.integers(0, BINS + 1)
    for at, values in enumerate((MEANS, VARIANCES, BLOCKS, CORRELATIONS)):
        chosen = [rng.choice(values)] if rng.random() < 0.4 else values
        bins[:, :used, at] = rng.choice(chosen, (3, used))
        if rng.random() < 0.5:
            bins[:, :used, at] *= rng.uniform(0.3, 3, (3, used))
    marks = rng.choice([0.0, 1.0, 100.0, -1e-3], (3, 3))
    return NoiseStatistics(bins, marks)


@pytest.mark.parametrize("quiet", [0, 1, 3, 4, 5])
def test_frames_without_any_noise_among_others(quiet: int) -> None:
    """As frames with the cap on, or posterised ones: all values of a block are equal."""
    frames = []
    for at in range(6):
        bins = np.zeros((3, BINS, 4))
        bins[:, :9, 0], bins[:, :9, 2] = np.linspace(0, 0.4, 9), 50
        bins[:, :9, 1] = 0.0 if at < quiet else 1e-4 * (at + 1) * bins[:, :9, 0] + 1e-6
        if at < quiet:
            bins[:, 8, 1] = 1e-4  # one edge in it
        frames.append((3200.0, NoiseStatistics(bins, np.zeros((3, 3)))))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        model = camera_noise(frames).model(3200.0)
    assert np.isfinite(model.a).all() and (model.a > 0).all() and np.isfinite(model.b).all()


@pytest.mark.parametrize("seed", range(60))
def test_any_frames_give_a_model(seed: int) -> None:
    rng = np.random.default_rng(seed)
    isos = [100.0, 3200.0, 0.0, None, 1e9]
    frames = [(isos[rng.integers(0, 1 + seed % 5)], statistics(rng)) for _ in range(rng.integers(1, 30))]
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # numpy's words would stand on the terminal at midnight
        found = camera_noise(frames)
        for iso, _ in frames:
            model = found.model(iso)
            assert np.isfinite(model.a).all() and np.isfinite(model.b).all(), iso
            assert (model.a > 0).all() and (model.b > 0).all(), iso
        assert len(noise_rows("A camera", found)) == len({iso for iso, _ in frames})
        assert all(isinstance(text, str) for text in noise_notes("A camera", found))
        rows = [RowNoise(*(float(v) for v in rng.choice([0.0, 1e-9, 1.0, np.inf], 3))) for _ in range(4)]
        assert np.isfinite(row_variance(rows, float(rng.choice([0.0, 1e-6])))) or any(
            np.isinf(r.variance) for r in rows
        )
