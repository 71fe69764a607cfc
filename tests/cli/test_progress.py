"""What a person sees of a night under way where there is no terminal: a line now and then, with the whole time left."""

from __future__ import annotations

import pytest

from pipeline.cli import console


class Clock:
    def __init__(self) -> None:
        self.moment = 1000.0

    def perf_counter(self) -> float:
        return self.moment


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(console.time, "perf_counter", clock.perf_counter)
    return clock


@pytest.fixture
def said(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    lines: list[str] = []
    monkeypatch.setattr(console, "warn", lines.append)
    return lines


def test_a_log_of_a_night_has_some_lines_and_no_flood(clock: Clock, said: list[str]) -> None:
    with console.progress() as report:
        for done in range(20_001):  # five and a half hours
            report("render", done, 20_000)
            clock.moment += 1.0
    assert 20 < len(said) < 60
    assert said[0].startswith("render: 30 of 20,000, 1.0 frames/s, about 5 h 33 min left")


def test_each_phase_soon_says_that_it_goes_on(clock: Clock, said: list[str]) -> None:
    with console.progress() as report:
        for phase, seconds in (("measure", 400), ("render", 40)):
            for done in range(seconds):
                report(phase, done, seconds)
                clock.moment += 1.0
    assert [line.split(",")[0] for line in said if line.startswith("render")] == ["render: 30 of 40"]


def test_a_short_run_says_nothing(clock: Clock, said: list[str]) -> None:
    with console.progress() as report:
        for done in range(30):
            report("render", done, 30)
            clock.moment += 0.9
    assert said == []


def test_the_time_left_is_that_of_the_whole_run_where_it_is_known(clock: Clock, said: list[str]) -> None:
    with console.progress(lambda: 7260.0) as report:
        for done in range(40):
            report("measure", done, 1000)
            clock.moment += 1.0
    assert said == ["measure: 30 of 1,000, 1.0 frames/s, about 2 h 01 min left in all"]


def test_where_pictures_are_sent_the_time_left_is_until_then(clock: Clock, said: list[str]) -> None:
    with console.progress(lambda: 7260.0, " until files are sent") as report:
        for done in range(40):
            report("measure", done, 1000)
            clock.moment += 1.0
    assert said == ["measure: 30 of 1,000, 1.0 frames/s, about 2 h 01 min left until files are sent"]


@pytest.mark.parametrize(("left", "words"), [(9.9, "less than 10 s left"), (10.0, "about 10 s left")])
def test_of_the_last_seconds_no_number_is_said(clock: Clock, said: list[str], left: float, words: str) -> None:
    with console.progress(lambda: left) as report:
        for done in range(40):
            report("render", done, 1000)
            clock.moment += 1.0
    assert said == [f"render: 30 of 1,000, 1.0 frames/s, {words} in all"]


def test_what_was_there_already_does_not_count_for_the_rate(clock: Clock, said: list[str]) -> None:
    """900 frames were measured by an earlier run and come within a second; the others take two seconds each."""
    with console.progress() as report:
        for done in range(901):
            report("measure", done, 1000)
            clock.moment += 0.001
        for done in range(901, 1001):
            clock.moment += 2.0
            report("measure", done, 1000)
    assert "0.5 frames/s" in said[1]


def test_of_the_first_frames_only_their_number_is_said(clock: Clock, said: list[str]) -> None:
    """The first of twenty takes 40 s, since its worker still starts: half an hour left would be wrong by far."""
    with console.progress() as report:
        report("render", 0, 20)
        clock.moment += 40.0
        report("render", 1, 20)
    assert said == ["render: 1 of 20"]


def test_of_slow_frames_the_seconds_are_said(clock: Clock, said: list[str]) -> None:
    with console.progress() as report:
        for done in range(40):
            report("render", done, 100)
            clock.moment += 20.0
    assert said[2].startswith("render: 11 of 100, 20 s a frame, about 30 min left")
