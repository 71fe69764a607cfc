"""Who walks never counts as who runs, at whatever rate a camera takes frames, where its files say the second only.

Times are made as a camera makes them, true ones rounded down to what it writes; people move by physics: a height of
1.8 m, a walk of 1.46 m/s, the fastest mean of comfortable walking (Bohannon, "Comfortable and maximum walking speed of
adults aged 20-79 years", 1997), and a run of 4.5 m/s, twice as fast as people would rather run than walk (Hreljac,
"Preferred and energetically optimal gait transition speeds in human locomotion", 1993; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest

from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.people.confidence import NO_PLAY
from pipeline.people.subject import Subject, find_subjects
from pipeline.people.tracking import LINKING, Observation, camera_shifts, paces, slowed
from pipeline.shoot.bursts import find_bursts
from pipeline.shoot.facts import Facts
from pipeline.types import F64, Burst, Exif, Frame
from tests.people.test_candidates import untimed
from tests.people.test_confidence import in_hands
from tests.people.test_subject_rules import at
from tests.people.test_tracking import RATIO, observed

START = datetime(2026, 2, 14, 19, 42, 7)
TALL, METRES = 0.3, 1.8  # of the frame, and in truth
WALK, RUN = 1.46 / METRES, 4.5 / METRES  # heights a second


def seen(true: Sequence[float], pace: float) -> list[Observation]:
    """Frames of somebody who goes from left to right; seen for no longer than they are in the frame."""
    return [observed([at(0.05 + pace * t * TALL / RATIO, TALL)]) for t in true if pace * t * TALL / RATIO < 0.9]


def burst(true: Sequence[float], unit: float, fraction: float = 0.0, names: Sequence[int] = ()) -> Burst:
    """As the camera's files tell it: times rounded down to `unit`, beside one frame of another moment."""
    made = []
    for at_, second in enumerate((*true, 100 + 7 * unit)):
        told = np.floor(second / unit + 1e-9) * unit + fraction
        time = START + timedelta(seconds=round(float(told), 6))
        exif = Exif(model="W1", time=time, has_subseconds=unit < 1 or fraction > 0)
        name = f"TH1_{names[at_] if at_ < len(names) else 5000 + at_}"
        made.append(Frame(name, Path(name), name, "picture", exif))
    first, _ = find_bursts(made)
    assert len(first.frames) == len(true)
    return first


def subjects(true: Sequence[float], pace: float, one: Burst) -> list[Subject | None]:
    frames = seen(true, pace)
    count = len(frames)
    with patch("pipeline.people.subject.camera_shifts", still):
        return find_subjects(frames, one.seconds[:count], one.longest[:count])


def still(frames: Sequence[Observation], seconds: Sequence[float]) -> list[F64]:
    """A camera that does not turn; it would be measured on the same picture again and again."""
    took = np.diff(seconds, prepend=0) if seconds else np.minimum(np.arange(len(frames)), 1) / LINKING.usual
    return [np.array([0.0, 0.0, one]) for one in took]


UNITS = {"whole": (1.0, 0.0), "one fraction": (1.0, 0.37), "tenths": (0.1, 0.0)}


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("rate", [3, 5, 7, 10, 20])
def test_who_walks_never_runs(rate: int, unit: str) -> None:
    """From two frames to three seconds of them, begun anywhere within a second."""
    for count in {2, 3, rate // 2 + 1, rate, 2 * rate, 3 * rate}:
        for start in (0.0, 0.33, 0.61, 0.97):
            true = [start + n / rate for n in range(count)]
            one = burst(true, *UNITS[unit])
            assert np.all(np.diff(one.longest) >= 1 / rate - 1e-6), (count, start)
            if start == 0.33 and count in (rate // 2 + 1, rate, 2 * rate):
                told = subjects(true, WALK, one)
                assert all(s is not None and s.doubt == NO_PLAY for s in told), count


def test_who_runs_still_does_where_it_is_proven() -> None:
    """Seven frames within one second are proof enough, or sixteen over the turn of one or two."""
    for true in (np.arange(7) / 10 + 0.1, np.arange(16) / 10 + 0.32, np.arange(16) / 10 + 0.6):
        for unit in UNITS:
            told = subjects(true.tolist(), RUN, burst(true.tolist(), *UNITS[unit]))
            assert all(s is not None and not s.doubt for s in told)


def test_a_camera_that_slows_down_when_its_buffer_is_full_makes_nobody_run() -> None:
    """Ten a second for a second, then three."""
    true = [*np.arange(10) / 10, *(1 + np.arange(9) / 3)]
    one = burst(true, 1.0)
    assert np.all(np.diff(one.longest) >= np.diff(true) - 1e-6)
    assert all(s is not None and s.doubt == NO_PLAY for s in subjects(true, WALK, one))


def test_frames_thrown_away_make_nobody_run() -> None:
    """Of twelve frames at 12 a second within one second five are kept: 1, 2, 3, and 10, 11 by number."""
    kept = [0, 1, 2, 9, 10]
    true = [n / 12 for n in kept]
    one = burst(true, 1.0, names=[5001 + n for n in kept])
    assert np.all(np.diff(one.longest) >= np.diff(true) - 1e-6)
    assert burst(true, 1.0).longest == pytest.approx(np.arange(5) / 4)
    assert burst([0.1, 0.2, 0.3], 1.0, names=[5003, 5001, 5002]).longest == pytest.approx(np.arange(3) / 2)


def test_times_with_parts_of_a_second_are_taken_as_they_are() -> None:
    true = [0.013, 0.117, 0.214]
    one = burst(true, 0.001)
    assert one.longest == one.seconds == pytest.approx((0.0, 0.104, 0.201))
    frames = seen(true, RUN)
    shifts = camera_shifts(frames, one.seconds)
    for first, second in zip(shifts, slowed(shifts, one.longest), strict=True):
        assert second == pytest.approx(first)
    assert np.array(paces(frames, shifts))[[0, 2], 0] == pytest.approx(RUN, rel=1e-3)  # over 0.2 s


def test_passers_by_make_no_game() -> None:
    """Five walk past somebody who stands, five frames within one second: at ten a second they would run."""
    steps = [WALK * n / 5 * TALL / RATIO for n in range(5)]
    frames = [observed([at(0.5), *[at(0.1 + 0.15 * k + step, TALL) for k in range(5)]]) for step in steps]
    one = burst([n / 5 for n in range(5)], 1.0)
    assert all(s is not None and s.doubt for s in find_subjects(frames, one.seconds, one.longest))


def test_who_may_run_is_held_although_it_is_not_proven() -> None:
    """Two as good as each other at a ball, and somebody at the rim who runs if these are ten frames a second."""
    pair = [at(0.46, 0.4, 0.55), at(0.6, 0.4, 0.55)]
    rim = [(0.0, 0.2, 0.08 + 0.03 * n, 0.6, 0.35) for n in range(5)]
    frames = [observed([*pair, one], balls=[in_hands(pair[0])]) for one in rim]
    told = burst([n / 10 for n in range(5)], 1.0)
    held = find_subjects(frames, told.seconds, told.longest)[2]
    assert held is not None and held.everybody and len(held.others) == 2


def test_frames_without_a_time_prove_no_run() -> None:
    """Numbers follow each other and pictures show one moment: how soon one was taken after another nobody knows."""
    frames = seen([n / 3 for n in range(8)], 1.2 * WALK)
    names = [f"TH1_{n}" for n in range(7, 7 + len(frames))]
    bursts, measured = untimed(names, frames)
    found, _, _ = subjects_and_ranks(measured, bursts, Facts())
    assert all(s is not None and s.doubt == NO_PLAY for s in found.values())
