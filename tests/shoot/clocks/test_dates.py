"""Which dates are believed. The cameras are made up; what must hold of them is in the words of recipes/README.md."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import pytest

from pipeline.shoot.clocks import dates
from pipeline.shoot.clocks.correction import with_clocks
from pipeline.shoot.clocks.entries import Clock, Reading
from pipeline.types import Frame
from tests.shoot.clocks.made import frame

A, B, C = "0012345", "2004411", "2009977"
DAY = 86400.0
YEARS = -28 * 365 * DAY
START = datetime.fromisoformat("2026-02-14T19:30:00+01:00")


def card(name: str, serial: str, days: float, count: int) -> list[Frame]:
    """`count` frames, a minute apart, of an evening `days` after 14 February 2026."""
    return [frame(f"{name}{n}.nef", days * DAY + 60 * n, serial) for n in range(count)]


def doubted(frames: Sequence[Frame], *clocks: Clock, start: datetime | None = None) -> str:
    """The first letter of each card that is doubted, twice where that is of some of its frames only."""
    after, wrong = with_clocks(frames, clocks, start)
    assert wrong == []
    cards = sorted({one.name[0] for one in after.frames if one.exif.doubt})
    mixed = [one.name[0] for one in after.frames if not one.exif.doubt]
    return "".join(letter * (1 + (letter in mixed)) for letter in cards)


def test_cameras_of_one_evening_or_of_a_tournament_are_believed() -> None:
    assert doubted(card("a", A, 0, 30) + card("b", B, 0, 3)) == ""
    assert doubted(card("a", A, 0, 30) + card("b", B, 0.8, 3) + card("c", C, 1.6, 40)) == ""
    assert doubted([*card("a", A, 0, 3), frame("z.nef", None)]) == ""


def test_every_day_of_a_long_tournament_is_believed() -> None:
    """Five days, as handball tournaments for the young last; the last by a camera that came late."""
    days = [one for day in range(4) for one in card(f"{day}", A, day, 3)]
    assert doubted(days + card("b", B, 4.1, 3)) == ""
    assert doubted(days + card("b", B, 4.1, 3), start=START) == ""
    assert doubted(days + card("b", B, 6.2, 3), start=START) == "b"
    assert doubted(card("a", A, 0, 3) + card("b", B, 4.1, 3), start=START) == "b"
    # A reading without a date is of the camera's own day, not of the first.
    shown = Clock("4411", frame="b0", shows=Reading(timedelta(hours=21, minutes=30)))
    after, wrong = with_clocks(days + card("b", B, 4.1, 3), (shown,), START)
    assert wrong == [] and after.frames[-1].exif.time == datetime(2026, 2, 18, 21, 32)


def test_a_camera_at_the_hours_of_another_day_is_not_believed() -> None:
    """One of the two is a day wrong, or each had its day of a tournament: a person can tell."""
    a, b, c = card("a", A, 0, 30), card("b", B, 1, 3), card("c", C, 1, 3)
    assert doubted(a + b) == "ab"
    assert doubted(a + b, start=START) == "b"
    assert doubted(a + b, start=START + timedelta(days=1)) == "a"
    assert doubted(a + b + c) == "a"  # two agree
    assert doubted(a + b + c, start=START) == ""  # a tournament then
    assert doubted(a + card("a2", A, 1, 3) + b) == ""  # days in common
    assert doubted(a + card("b", B, 0.8, 3)) == ""  # other hours
    right = Clock("4411", seconds=0.0, right=True)
    assert doubted(a + b, right, start=START) == ""
    assert doubted(a + b, right) == "a"
    # Past midnight it is still the same evening.
    two_nights = card("a", A, -0.75, 5) + card("a2", A, 0.1, 5)
    assert doubted(two_nights + card("b", B, 0.25, 5)) == ""


def test_a_date_in_the_future_is_not_believed() -> None:
    """By the clock of the computer, which no frame can be ahead of but for the time zone of its camera."""
    now = datetime(2026, 2, 14, 22)
    days = [(one, dates.with_doubts(card("a", A, one, 30), None, frozenset(), frozenset(), now)) for one in (0, 1, 1.5)]
    assert [one for one, frames in days if frames[0].exif.doubt] == [1.5]
    (lone, *_) = dates.with_doubts(card("a", A, 18 * 365, 30), None, frozenset(), frozenset(), now)
    assert lone.exif.doubt == "the camera says 2044-02-10, this computer's clock 2026-02-14: no date is written"
    mixed = dates.with_doubts(card("a", A, 18 * 365, 30) + card("b", B, 0, 3), None, frozenset(), frozenset(), now)
    assert {one.name[0] for one in mixed if one.exif.doubt} == {"a"}
    assert doubted(card("a", A, 18 * 365, 3)) == "a"
    assert doubted(card("a", A, 18 * 365, 3), Clock("2345", seconds=0.0, right=True)) == ""


def test_a_camera_that_is_days_away_is_not_believed() -> None:
    assert doubted(card("a", A, 0, 30) + card("b", B, YEARS / DAY, 29)) == "b"
    assert doubted(card("a", A, 0, 30) + card("b", B, -3.5, 29)) == "b"
    assert doubted(card("a", A, 0, 30) + card("b", B, -2.5, 29)) == ""
    # Frames of another event that were still on the card.
    assert doubted(card("a", A, -30, 2) + card("b", A, 0, 30)) == "a"


def test_where_nothing_tells_which_is_right_none_is_believed() -> None:
    # Most frames are of the earlier date, which a clock that was never set would say.
    assert doubted(card("a", A, 0, 30) + card("b", B, -400, 31)) == "ab"
    assert doubted(card("a", A, 0, 30) + card("b", B, -400, 30)) == "ab"
    assert doubted(card("a", A, 0, 30) + card("b", B, -400, 20) + card("c", C, -900, 20)) == "abc"


def test_dates_before_cameras_wrote_any_are_not_believed() -> None:
    """Exif 1.0 is of October 1995 (JEIDA); 1980-01-01 is the first date of a FAT file system."""
    fat = (datetime(1980, 1, 1) - datetime(2026, 2, 14, 19)) / timedelta(days=1)
    exif = (datetime(1995, 10, 2) - datetime(2026, 2, 14, 19)) / timedelta(days=1)
    assert doubted(card("a", A, fat, 30)) == "a"
    assert doubted(card("a", A, exif, 30)) == ""
    (one, *_) = with_clocks(card("a", A, fat, 1), ())[0].frames
    assert one.exif.doubt.startswith("the camera says 1980-01-01, before cameras wrote dates: no date is written")


@pytest.mark.parametrize(
    "clock",
    [
        Clock("2345", seconds=0.0, right=True),
        Clock("2345", seconds=-86400),
        Clock("2345", frame="a0", shows=Reading(timedelta(hours=19), datetime(2025, 1, 10).date())),
    ],
)
def test_a_clock_that_a_person_has_judged_is_believed(clock: Clock) -> None:
    frames = card("a", A, -400, 3) + card("b", B, 0, 30) + card("c", C, -399.9, 3)
    assert doubted(frames) == "ac"
    assert doubted(frames, clock) == "b"
    assert doubted(frames, clock, Clock("4411", seconds=0.0, right=True)) == ""


def test_a_time_of_day_alone_proves_no_date() -> None:
    frames = card("a", A, -400, 3) + card("b", B, 0, 30)
    assert doubted(frames, Clock("2345", seconds=0.0), Clock("4411", seconds=-3.2)) == "a"
    assert doubted(frames, Clock("2345", frame="a0", shows=Reading(timedelta(hours=19)))) == "a"


def test_a_correction_brings_a_camera_among_the_others() -> None:
    frames = card("a", A, -400, 3) + card("b", B, 0, 30)
    assert doubted(frames, Clock("2345", frame="a0", same_as="b0")) == ""


@pytest.mark.parametrize(("days", "believed"), [(2.9, True), (-2.9, True), (3.1, False), (-3.1, False)])
def test_the_start_tells_which_date_is_right(days: float, believed: bool) -> None:
    assert doubted(card("a", A, days, 1), start=START) == ("" if believed else "a")
    # Also where most frames, the latest ones, say otherwise.
    assert doubted(card("a", A, 0, 2) + card("b", B, 10, 30), start=START) == "b"


def test_a_frame_without_a_time_is_of_the_only_day() -> None:
    assert doubted([*card("a", A, 0, 3), frame("z.nef", None)], start=START) == ""
    assert doubted([*card("a", A, 0, 3), *card("b", B, 0.8, 3), frame("z.nef", None)], start=START) == "z"
    assert doubted([*card("a", A, 0, 3), *card("b", B, -0.8, 3), frame("z.nef", None)], start=START) == "z"
    # A camera that is years off makes no second day.
    assert doubted([*card("a", A, 0, 3), *card("b", B, -400, 3), frame("z.nef", None)], start=START) == "b"
