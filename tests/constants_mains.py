"""Figures for the constants of lamps: waves along the rows, the mains that feeds them, how deep they flicker."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from unittest.mock import patch

import numpy as np

from pipeline.light import lamp_flicker, mains, row_wave
from pipeline.light.mains import Rows, Segments
from pipeline.types import F64
from tests.light.test_mains import Hall

Shot = tuple[F64, F64, np.ndarray, F64]
_HALL = Hall(bursts=4)


def of_row_wave() -> Iterator[float]:
    """The terms of a wave, and the wave that explains rows with outliers, of which nearly too few are known."""
    for cycles in (0.6, 1.7):
        model = row_wave.terms(cycles)
        yield from model.prior.ravel().tolist()
    rng = np.random.default_rng(3)
    at = np.linspace(-1, 1, 24)
    for cycles in (0.25, 0.9, 1.63, 2.4):
        profiles = 0.2 * np.cos(np.pi * cycles * at + rng.uniform(0, 6, (5, 1))) + rng.normal(0, 0.02, (5, 24))
        yield row_wave.find_cycles(profiles)
    for known in range(4, 9):
        yield row_wave.find_cycles(np.where(np.arange(24) < known, profiles[:1], np.nan))
    x = np.stack([np.cos(3 * at), np.sin(3 * at)], axis=1)
    rough = x @ [0.1, 0.05] + np.where(rng.random(24) < 0.3, 0.2, 0) + rng.normal(0, 0.02, 24)
    yield from (float(row_wave._misfits(x[None, ::s], rough[::s])[0]) for s in (1, 2, 8))


@cache
def _shot(change: str = "") -> Shot:
    hall = replace(_HALL, **{k: float(v) for k, v in (one.split("=") for one in change.split())})
    return hall.shoot(1)


def _named(times: F64, profiles: F64, burst: np.ndarray, exposure: F64, kept: float = 0.001) -> list[float]:
    found = mains.frequency(times, profiles, burst, kept, exposure)
    return [float(found.hz or 0), found.certainty, 1000 * (found.readout_time or 0), float(len(found.reason))]


def _decided(one: float, other: float, trend: float, share: float, shot: Shot | None = None) -> list[float]:
    """What is said where the candidates have these likelihoods, the better one this share of the flicker."""
    answers = iter([(one, 0.4, share), (other, 0.4, share)])
    with (
        patch.object(mains, "_evidence", lambda *_: next(answers)),
        patch.object(mains, "_trend", lambda _: trend),
        patch.object(mains, "_beyond_chance", lambda *_: True),
    ):
        return _named(*(shot or _shot()))


def _about(limit: float) -> tuple[float, float]:
    """A little less and a little more, so that a tenth either way changes what is decided."""
    return 0.95 * limit, 1.05 * limit


def of_mains() -> Iterator[float]:
    """Bursts whose times, exposure, depth and likelihoods are nearly good enough, and what they are worked out from."""
    times, profiles, burst, exposure = _shot()
    for count in range(6, 12):
        yield mains._resolution(np.arange(count) * 0.1 + 0.0)
    for frames in (2, 3, 4, 5):
        short = mains.segments(times[:frames], profiles[:frames], burst[:frames], exposure[:frames])
        yield 0.0 if short is None else float(len(short.times))
    split = mains.segments(np.linspace(0, 6, 40), np.zeros((40, 9)), np.zeros(40, int), np.full(40, 0.001))
    yield from (0.0,) if split is None else split.starts.tolist()
    for beat in (*_about(0.1), *_about(-0.1)):
        gap = (1 + beat) / 20
        few = Segments(np.arange(3), np.arange(3) * gap, np.zeros((3, 9)), np.ones(3), np.zeros(1, int))
        yield float(len(mains._alike(few)))
    for seconds in (*np.linspace(0.0068, 0.0092, 41), *np.linspace(0.0068, 0.012, 40)):
        yield float(len(mains._unseen(np.full(3, seconds))))
    p = mains.segments(times, profiles, burst, exposure)
    assert p is not None
    rows = Rows.of(p.profiles, np.linspace(0.2, 1.0, 5))
    explained = mains.solve(p, rows, *mains.phases_of(p, 100.0), 0.03)[2]
    yield from mains._log_likelihood(p, explained).ravel().tolist()
    allowed = np.ones(5, dtype=bool)
    yield from mains._evidence(p, rows, [mains.phases_of(p, 100 * d) for d in mains.drifts()], allowed)
    for tiles in (10, 11):
        yield from _shuffles(p, tiles)
    for kept in _about(0.0025):
        yield _named(times, profiles, burst, exposure, kept)[3]
    with patch.object(mains, "_evidence", lambda *_: (0.0, 0.4, 0.5)):
        for depth in _about(0.008):
            yield _named(times, profiles * depth / np.sqrt((profiles**2).mean()), burst, exposure)[3]
        for seconds in np.linspace(0.0082, 0.0092, 8):
            yield _named(times, profiles, burst, np.full(len(times), seconds))[3]
    for value in _about(5.0):
        yield _decided(100 + value, 100.0, 0.0, 0.5)[0]
    for value in _about(3.0):
        yield _decided(200.0, 0.0, 200 - value, 0.5)[0]
    for value in _about(0.35):
        yield _decided(200.0, 0.0, 0.0, value)[0]
    many = replace(_HALL, bursts=20, frames=4).shoot(2)
    p = mains.segments(*many)
    assert p is not None
    for value in _about(0.2):
        yield _decided(200 + value * float(p.freedom.sum()) / 2, 200.0, 0.0, 0.5, many)[0]
    yield from _named(times, profiles, burst, exposure)


def _shuffles(p: Segments, tiles: int) -> tuple[float, float]:
    """How many orders of so many copies of the frames are tried, and of how many frames."""
    tried: list[int] = []

    def counted(few: Segments, *_: object) -> tuple[float, float, float]:
        tried.append(len(few.times))
        return -float(len(tried)), 0.4, 0.5

    count = len(p.times)
    starts = (np.arange(tiles)[:, None] * count + p.starts).ravel()
    big = Segments(
        np.tile(p.frames, tiles), np.tile(p.times, tiles), np.tile(p.profiles, (tiles, 1)), np.tile(p.exposure, tiles),
        starts,
    )  # fmt: skip
    view = Rows.of(big.profiles, np.array([0.4]))
    with patch.object(mains, "_evidence", counted):
        mains._beyond_chance(big, view, {100: []}, {100: np.ones(1, dtype=bool)})
    return float(len(tried)), float(tried[0])


def of_lamp_flicker() -> Iterator[float]:
    """Depths by the times of the frames, of phases that are nearly too alike, and frames nearly dark."""
    for change in ("", "jitter=0.002", "depth=0.5 noise=0.03"):
        times, profiles, burst, exposure = _shot(change)
        found = lamp_flicker.percent_flicker(profiles, exposure, 100, times, burst, 0.004)
        yield 0.0 if found is None else found.percent
    p = mains.segments(*_shot("jitter=0.006 depth=0.6 noise=0.0001"))
    assert p is not None
    yield from lamp_flicker._amplitudes(p, 100.0, 0.004)
    for gap in np.geomspace(1e-4, 3e-3, 50):
        times = p.starts[np.searchsorted(p.starts, np.arange(len(p.times)), side="right") - 1]
        near = replace(p, times=(np.arange(len(p.times)) - times) * gap)
        yield float(len(lamp_flicker._amplitudes(near, 100.0, 0.004)))
    levels = np.concatenate([np.zeros(60), -np.linspace(0.2, 0.3, 41)])
    yield float(lamp_flicker.dark_phase(np.repeat(levels[:, None], 3, axis=1)).sum())
