"""Bursts from capture time, camera and settings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.shoot.bursts import find_bursts
from pipeline.shoot.scan import scan
from pipeline.types import Exif, Frame

START = datetime(2026, 2, 14, 19, 42, 7, 130_000)
SETTINGS = Exif("Westerby Optics", "W1", "", 6400.0, 0.001, 2.8, 135.0, "1", START, True)


def frames(*seconds: float | None, prefix: str = "G", **changes: Any) -> list[Frame]:
    """Frames G0, G1 ... at these seconds after the start; None is a frame without a time."""
    base = replace(SETTINGS, **changes)
    made = []
    for index, second in enumerate(seconds):
        moment = None if second is None else START + timedelta(seconds=second)
        if moment is not None and not base.has_subseconds:
            moment = moment.replace(microsecond=0)
        name = f"{prefix}{index}"
        made.append(Frame(name, Path(name), name, "raw", replace(base, time=moment)))
    return made


def sizes(made: list[Frame], **options: float) -> list[int]:
    found = find_bursts(made, **options)
    assert sorted(name for burst in found for name in burst.frames) == sorted(frame.name for frame in made)
    return [len(burst.frames) for burst in found]


def test_pause_splits() -> None:
    assert sizes(frames(0, 0.05, 0.1, 0.15, 3, 3.05, 9)) == [4, 2, 1]


def test_each_burst_has_a_rate_of_its_own() -> None:
    """A slow burst, then a fast one: a pause of a second ends the fast one, whatever was usual in the slow one."""
    slow = [0, 0.5, 1.0, 1.5, 2.0, 2.5]
    assert sizes(frames(*slow, 3.5)) == [7]  # at half a second from frame to frame one may have been dropped
    assert sizes(frames(*slow, 6.0, 6.1, 7.1)) == [6, 2, 1]


def test_gap_is_the_edge() -> None:
    assert sizes(frames(0, 0.6)) == [2]
    assert sizes(frames(0, 0.61)) == [1, 1]
    assert sizes(frames(0, 0.61), gap=0.7) == [2]
    for gap in (0.0, -1.0, 2.0, float("nan")):
        with pytest.raises(ValueError, match="gap"):
            find_bursts(frames(0), gap)


def test_slow_burst_keeps_its_own_rate_but_not_beyond_one_and_a_half_seconds() -> None:
    """At 0.5 s an interval, 2.5 intervals are 1.25 s; at 0.6 s they are 1.5 s."""
    assert sizes(frames(0, 0.5, 1.0, 2.2)) == [4]
    assert sizes(frames(0, 0.5, 1.0, 2.3)) == [3, 1]
    assert sizes(frames(0, 0.6, 1.2, 2.65)) == [4]
    assert sizes(frames(0, 0.6, 1.2, 2.75)) == [3, 1]
    assert sizes(frames(0, 1.0, 2.0, 3.45), gap=1.2) == [4]  # 2.5 intervals would be 2.5 s
    assert sizes(frames(0, 1.0, 2.0, 3.55), gap=1.2) == [3, 1]
    assert sizes(frames(0, 0.1, 0.2, 0.7, 1.4)) == [4, 1]  # the median interval is 0.1 s
    assert sizes(frames(0, 0.05, 0.1, 0.75)) == [3, 1]  # a fast burst is not widened


@pytest.mark.parametrize(
    "change",
    [{"iso": 8000.0}, {"exposure_time": 0.002}, {"f_number": 4.0}, {"orientation": 8}, {"focal_length": 138.0},
     {"focal_length": None}, {"iso": None}],
)  # fmt: skip
def test_changed_settings_split(change: dict[str, Any]) -> None:
    made = frames(0, 0.1, 0.2, 0.3)
    for index in (2, 3):
        made[index] = replace(made[index], exif=replace(made[index].exif, **change))
    assert sizes(made) == [2, 2]


def test_rounding_of_the_focal_length_does_not_split_but_a_slow_zoom_does() -> None:
    made = frames(*(0.1 * i for i in range(6)))
    small = [replace(f, exif=replace(f.exif, focal_length=135.0 + i % 2)) for i, f in enumerate(made)]
    assert sizes(small) == [6]
    slow = [replace(f, exif=replace(f.exif, focal_length=135.0 * 1.015**i)) for i, f in enumerate(made)]
    assert sizes(slow) == [2, 2, 2]


@pytest.mark.parametrize(
    ("ratio", "expected"), [(1.0195, [2]), (1.0205, [1, 1]), (1 / 1.0195, [2]), (1 / 1.021, [1, 1])]
)
def test_two_per_cent_of_focal_length_is_the_edge(ratio: float, expected: list[int]) -> None:
    made = frames(0, 0.1)
    made[1] = replace(made[1], exif=replace(made[1].exif, focal_length=135.0 * ratio))
    assert sizes(made) == expected


def test_cameras_are_streams_of_their_own() -> None:
    one = frames(0, 0.1, 0.2)
    other = frames(0.05, 0.15, 0.25, prefix="H", serial="2")
    mixed = [frame for pair in zip(one, other, strict=True) for frame in pair]
    assert [burst.frames for burst in find_bursts(mixed)] == [("G0", "G1", "G2"), ("H0", "H1", "H2")]


def test_order_of_the_input_does_not_matter_within_a_burst() -> None:
    made = frames(0, 0.1, 0.2)
    assert find_bursts(made[::-1])[0].frames == ("G0", "G1", "G2")


def test_whole_seconds() -> None:
    """Burst of 8 a second over the turn of a second, then one frame two seconds on."""
    assert sizes(frames(0.5, 0.6, 0.7, 0.9, 1.1, 1.2, 3.5, has_subseconds=False)) == [6, 1]


@pytest.mark.parametrize(("fine", "expected"), [(0.92, [3]), (0.84, [2, 1])])
def test_one_second_is_the_edge_beside_a_time_of_whole_seconds(fine: float, expected: list[int]) -> None:
    """The last frame is of 19:42:09, without a fraction; the one before it of 08.05 or of 07.97."""
    made = frames(0.6, fine)
    late = frames(1.87, has_subseconds=False)[0]
    made.append(replace(late, name="H0"))
    assert sizes(made) == expected


def test_camera_that_always_writes_the_same_subseconds_has_none() -> None:
    assert sizes(frames(0, 0, 1, 1, 2, 5)) == [5, 1]


def test_frames_without_a_time_are_singles() -> None:
    assert sizes(frames(None, 0, None, 0.1, None)) == [1, 2, 1, 1]


def test_none_and_one() -> None:
    assert find_bursts([]) == ()
    assert sizes(frames(0)) == [1]


def test_real_hand_held_burst(shared: Callable[[str], Path]) -> None:
    """Four frames about 0.1 s apart (the data's own description)."""
    found = scan(shared("data/burst-jpeg"))
    (burst,) = find_bursts(found.frames)
    assert [name[-4:] for name in burst.frames] == ["3606", "3607", "3608", "3609"]


def test_real_old_raws_of_whole_seconds_are_singles(shared: Callable[[str], Path]) -> None:
    """The charts were taken minutes apart."""
    found = scan(shared("data/raw"))
    assert all(len(burst.frames) == 1 for burst in find_bursts(found.frames))
    assert any("to the second only" in notice for notice in found.notices)


def test_a_burst_says_when_its_frames_were_taken_where_the_times_tell() -> None:
    (fine,) = find_bursts(frames(0.0, 0.1, 0.35))
    assert fine.seconds == pytest.approx((0.0, 0.1, 0.35))
    assert fine.longest == fine.seconds


def test_times_rounded_down_say_how_long_a_burst_took_at_least_and_at_most() -> None:
    """n frames whose times span k seconds took more than k - 1 and less than k + 1."""
    (whole,) = find_bursts(frames(0, 0, 1, 1, 2, has_subseconds=False))
    assert whole.seconds == pytest.approx((0.0, 0.25, 0.5, 0.75, 1.0))
    # Two frames within the middle second may be a second apart: less than 0.75 s, were the rate known to be even.
    assert whole.longest == pytest.approx((0.0, 1.0, 2.0, 3.0, 4.0))
    (short,) = find_bursts(frames(0, 0, 1, has_subseconds=False))
    assert short.seconds == () and short.longest == pytest.approx((0.0, 1.0, 2.0))
    (one,) = find_bursts(frames(0, 0, 0, has_subseconds=False))
    assert one.seconds == () and one.longest == pytest.approx((0.0, 0.5, 1.0))
    (even,) = find_bursts(frames(*(n / 5 for n in range(16)), has_subseconds=False))
    assert even.longest[1] == pytest.approx(0.8 / 3)


def test_tenths_of_a_second_are_rounded_down_too() -> None:
    """Seven a second; and twenty, of which two have one time. Ten milliseconds more of one: no tenths any more."""
    (slow,) = find_bursts(frames(0.0, 0.1, 0.2, 0.4, 0.5, 0.7))
    assert slow.seconds == pytest.approx((0.0, 0.1, 0.2, 0.4, 0.5, 0.7))
    assert slow.longest == pytest.approx((0.0, 0.16, 0.32, 0.58, 0.74, 1.0), abs=1e-6)
    (quick,) = find_bursts(frames(0.0, 0.0, 0.1, 0.1, 0.2, 0.2))
    assert quick.seconds[-1] == pytest.approx(0.1) and quick.longest[-1] == pytest.approx(0.5)
    (dropped,) = find_bursts(frames(0.0, 0.1, 0.2, 0.5, 0.6))
    assert dropped.longest == pytest.approx((0.0, 0.175, 0.35, 0.725, 0.9))  # 0.2 s passed for certain, and a step
    (fine,) = find_bursts(frames(0.0, 0.1, 0.2, 0.4, 0.5, 0.71))
    assert fine.longest == fine.seconds
