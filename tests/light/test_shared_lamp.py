"""One lamp for all frames of a burst, against lamps drawn from their closed form, log2(1 + d cos(phase))."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.light.flicker import _learned
from pipeline.light.row_wave import DEGREE, Terms, terms
from pipeline.light.shared_lamp import expected

AT = np.linspace(-1, 1, 64)


def drawn(frames: int, depth: float, seed: int = 0, cycles: float = 0.42) -> tuple[Terms, np.ndarray, list[int]]:
    """(terms, (F, T, 3) true coefficients of one lamp's waves, the terms that do not change from side to side)"""
    angle = np.random.default_rng(seed).uniform(0, 2 * np.pi, frames)[:, None] + np.pi * cycles * AT
    waves = np.log2(1 + depth * np.cos(angle))
    model = terms(cycles)
    shapes = np.polynomial.legendre.legvander(AT, DEGREE) @ model.rows
    own = [t for t, a in enumerate(model.across) if a == 0]
    parts = np.zeros((frames, len(model.of), 3))
    parts[:, own, 0] = np.linalg.lstsq(shapes[:, [model.of[t] for t in own]], waves.T, rcond=None)[0].T
    return model, parts - np.median(parts, axis=0), own


@pytest.mark.parametrize("frames", [8, 30])
def test_errors_of_each_frame_are_less_together(frames: int) -> None:
    """A frame has a phase and a level in place of a coefficient for each term; 30 are more than are fitted at once."""
    model, true, own = drawn(frames, 0.35)
    seen = true.copy()
    seen[:, own, 0] += np.random.default_rng(5).normal(0, 0.02, (frames, len(own)))
    found = expected(model, seen)
    off, before = ((one - true)[:, own[1:], 0] for one in (found, seen))
    assert np.std(off - off.mean(axis=0)) < 0.7 * np.std(before - before.mean(axis=0))
    assert not found[:, 0].any()  # how bright a frame is, is its own


def test_what_is_no_lamp_is_left_to_each_frame() -> None:
    model, parts, _ = drawn(8, 0.35)
    rng = np.random.default_rng(1)
    other = np.zeros_like(parts)
    other[:, :, 0] = rng.normal(0, 0.1, parts.shape[:2])
    assert not expected(model, other).any()
    assert not expected(model, parts[:3]).any()
    assert expected(model, parts).any()


def test_colour_follows_the_phase() -> None:
    """A part that turns with the lamp is found under errors that do not."""
    model, parts, own = drawn(12, 0.3)
    true = 0.2 * parts[:, own, 0]
    parts[:, own, 1] = true + np.random.default_rng(2).normal(0, 0.01, true.shape)
    found = expected(model, parts)
    off, before = found[:, own[1:], 1] - true[:, 1:], parts[:, own[1:], 1] - true[:, 1:]
    assert np.std(off) < 0.6 * np.std(before)


def test_evidence_finds_the_true_spread() -> None:
    """Coefficients of a known spread, half decided by the pictures: the posterior of a normal prior and likelihood."""
    rng = np.random.default_rng(3)
    true = rng.normal(0, 0.1, (4000, 1, 1))
    seen, prior = true + rng.normal(0, 0.1, true.shape), np.full((1, 1), 0.1)
    variance = np.full_like(true, 1 / (1 / 0.1**2 + 1 / 0.1**2))
    assert np.sqrt(_learned(seen / 2, variance, prior)).item() == pytest.approx(0.1, rel=0.03)
