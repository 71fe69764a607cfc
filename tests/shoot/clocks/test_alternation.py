"""Bursts that never meet: simulated nights, of which the true error is known. No real night of two cameras was at hand.

Seconds to change cameras, and how often, are guesses; what is tested is that the error is found within what is stated,
and that nothing is proposed for two photographers, for unrelated matches and for cameras that shoot by a timer.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from pipeline.shoot.clocks import alternation
from pipeline.shoot.clocks.alternation import by_alternation
from pipeline.shoot.clocks.bodies import Body
from tests.shoot.clocks.made import frame

Moments = list[float]


def night(seed: int, minutes: float = 90) -> tuple[Moments, Moments]:
    """Seconds of the frames of two cameras that one person uses in turn: attacks every half minute, the long lens
    first, at half of them the short one near the goal, 1 to 4 s to change, ten frames a second."""
    rng = np.random.default_rng(seed)
    long: Moments = []
    short: Moments = []
    now = 0.0
    while now < minutes * 60:
        at = now + rng.uniform(0, 5)
        for _ in range(rng.integers(1, 4)):
            at = _burst(rng, long, at) + rng.exponential(3) + 0.7
        if rng.random() < 0.5:
            at += rng.uniform(1, 4)
            for _ in range(rng.integers(1, 4)):
                at = _burst(rng, short, at) + rng.exponential(1) + 0.7
            at += rng.uniform(1, 4)
        now = max(at, now + 15 + rng.exponential(15))
    return long, short


def _burst(rng: np.random.Generator, frames: Moments, at: float) -> float:
    count = int(rng.integers(2, 16))
    frames += [at + 0.1 * n for n in range(count)]
    return at + 0.1 * (count - 1)


def camera(name: str, moments: Moments, off: float = 0.0, whole: bool = False) -> Body:
    frames = [frame(f"{name}_{n:05d}.nef", moment + off, name) for n, moment in enumerate(moments)]
    if whole:
        frames = [frame(f"{name}_{n:05d}.nef", float(np.floor(moment + off)), name) for n, moment in enumerate(moments)]
        for each in frames:
            object.__setattr__(each.exif, "has_subseconds", False)
    return Body("Westerby", "W1", name, "", name, tuple(frames))


@pytest.mark.parametrize("off", [-33.0, 6.5, 3600 + 12.0, -7200.0])
def test_the_error_of_a_clock_of_one_person(off: float) -> None:
    found = 0
    for seed in range(5):
        long, short = night(seed)
        proposal = by_alternation(camera("B", short, off), camera("A", long))
        if proposal is not None:
            found += 1
            room = float(proposal.because.split("take ")[1].split(" s")[0])
            assert abs(proposal.seconds + off) <= room, (seed, proposal)
            assert room <= 5
    assert found >= 2


def test_whole_seconds_are_cut() -> None:
    errors = []
    for seed in range(5):
        long, short = night(seed)
        if proposal := by_alternation(camera("B", short, -20.0, whole=True), camera("A", long)):
            errors.append(proposal.seconds - 20.0)
    assert errors and max(map(abs, errors)) <= 3


def test_times_of_whole_seconds_last_a_second() -> None:
    """A burst, a second's pause, one frame of B at .9 s, a second's pause, a burst. Cut to whole seconds B may be
    moved by -0.1 to 0.9 s; taken for a moment, by up to 1.9 s, which would put it half a second off."""
    rng = np.random.default_rng(5)
    begins = np.cumsum(rng.integers(8, 40, 250)).astype(float)
    long = sorted(t + start + 0.1 * n for t in begins for start in (0, 4.9) for n in range(30))
    proposal = by_alternation(camera("B", [t + 3.9 for t in begins], 30.0, whole=True), camera("A", long))
    assert proposal is not None and proposal.seconds == -30


def test_two_places_where_no_bursts_meet_prove_nothing() -> None:
    rng = np.random.default_rng(6)
    begins = np.cumsum(rng.uniform(8, 30, 300))
    long = [t + 0.1 * n for t in begins for n in range(20)]

    def free(moment: float) -> bool:
        return bool((np.abs(begins + 1 - moment) > 2.5).all())

    tried = rng.uniform(begins[0], begins[-1], 3000)
    one = sorted(t for t in tried if free(t + 20))[::6]
    both = sorted(t for t in tried if free(t + 20) and free(t + 50))[::4]
    proposal = by_alternation(camera("B", one), camera("A", long))
    assert proposal is not None and abs(proposal.seconds - 20) <= 1
    assert by_alternation(camera("B", both), camera("A", long)) is None


def test_clocks_that_fit_are_left_alone() -> None:
    for seed in range(5):
        long, short = night(seed)
        assert by_alternation(camera("B", short), camera("A", long)) is None


def test_nothing_is_proposed_for_two_people_or_two_matches() -> None:
    proposals = []
    for seed in range(5):
        long, _ = night(seed)
        again, short = night(seed + 100)
        proposals += [by_alternation(camera("B", moments), camera("A", long)) for moments in (again, short)]
        # Two people at one match, who see the same goals.
        rng = np.random.default_rng(seed)
        second: Moments = []
        for moment in long[::20]:
            _burst(rng, second, moment + rng.normal(0, 1))
        proposals.append(by_alternation(camera("B", sorted(second), 15.0), camera("A", long)))
    assert [proposal for proposal in proposals if proposal] == []


def test_a_timer_proves_nothing() -> None:
    every = [10.0 * n for n in range(540)]
    assert by_alternation(camera("B", [moment + 3 for moment in every]), camera("A", every)) is None


def test_few_frames_prove_nothing() -> None:
    long, short = night(3)
    assert by_alternation(camera("B", short[:40], 33.0), camera("A", long)) is None
    assert by_alternation(camera("B", short[:1]), camera("A", long[:1])) is None


def test_the_pairs_of_a_long_night_are_not_in_memory_at_once() -> None:
    """1.4 million pairs; they are counted as each alone would be. Octets by tracemalloc, whatever else is at work."""
    rng = np.random.default_rng(4)
    own, other = (np.sort(rng.uniform(0, 20_000, 1200))[:, None] + [0.0, 1.0] for _ in range(2))
    tracemalloc.start()
    try:
        met = alternation._met(own, other)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    for shift in (-3600.0, 0.0, 100.25):
        at = round((alternation.LIMITS.hours * 3600 + shift) / alternation.LIMITS.step)
        apart = (own[:, None, 0] + shift > other[None, :, 1]) | (own[:, None, 1] + shift < other[None, :, 0])
        assert met[at] == (~apart).sum() > 0
    assert most < 30e6
