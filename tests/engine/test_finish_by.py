"""A run that must end at an hour: the most wanted frames first, the rest named, and the same bytes in the end."""

from __future__ import annotations

import hashlib
import zipfile
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pipeline.cli.run import hour_of
from pipeline.engine.pacing import pace as pacing
from pipeline.engine.pacing.pace import Pace, spread
from pipeline.engine.pacing.priority import by_priority
from pipeline.engine.run import Outcome, read_shoot, run
from pipeline.errors import InputError, RunStoppedError
from pipeline.people.ranking import Ranked
from pipeline.recipe.recipe import load_recipe
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.steps import REGISTRY
from tests.scale.evening import name_of, write_facts, write_frames

COUNT = 20
SEVEN = datetime(2026, 2, 15, 7, 0).astimezone()
RECIPE = """\
recipe: 1
deliveries:
  web: [resize: {long_edge: 40}, caption: , save: , deliver: {zip: true, page: true}]
"""


class Clock:
    """Stands still, but for what `ticks` (phase, seconds a frame) of a run's progress add."""

    def __init__(self, moment: datetime, phase: str = "", seconds: float = 0.0) -> None:
        self.moment, self.phase, self.seconds = moment.timestamp(), phase, seconds
        self.seen = 0

    def __call__(self) -> float:
        return self.moment

    def progress(self, phase: str, done: int, total: int) -> None:
        if phase == self.phase and done > self.seen:
            self.moment += self.seconds * (done - self.seen)
            self.seen = done


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("evening")
    assert len(list(write_frames(folder / "shoot", COUNT))) == COUNT
    write_facts(folder / "facts", COUNT)
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    night(folder, folder / "whole", Pace())
    return folder


def night(folder: Path, out: Path, pace: Pace, clock: Clock | None = None) -> Outcome:
    shoot = read_shoot(folder / "shoot", folder / "facts", folder, out)
    recipe = load_recipe(folder / "night.yaml", REGISTRY)
    progress = clock.progress if clock else (lambda phase, done, total: None)
    return run(recipe, shoot, out, workers=1, progress=progress, pace=pace)


def hashes(out: Path) -> dict[str, str]:
    files = (p for p in (out / "web").rglob("*") if p.is_file())
    return {p.relative_to(out).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.fixture(scope="module")
def short(evening: Path) -> tuple[Path, Outcome, dict[str, str]]:
    """The night stopped at seven, after five frames of a minute each; what OUT/web held then."""
    out = evening / "short"
    clock = Clock(SEVEN - timedelta(minutes=5), "render", 60.0)
    outcome = night(evening, out, Pace(SEVEN, clock), clock)
    return out, outcome, hashes(out)


def test_at_the_hour_it_stops_and_says_what_is_left(short: tuple[Path, Outcome, dict[str, str]]) -> None:
    _, outcome, _ = short
    counts = outcome.record.counts
    assert (outcome.record.state, outcome.failed) == ("stopped", {})
    assert 0 < counts.delivered < COUNT - counts.held and counts.undone == COUNT - counts.held - counts.delivered
    assert outcome.record.stopped.startswith(f"07:00 has come: {counts.delivered} of ")
    assert f"{counts.undone} not done; run the same command again" in outcome.record.stopped


def test_the_most_wanted_frames_are_there(short: tuple[Path, Outcome, dict[str, str]]) -> None:
    """Frame 5 has keep: always, and every burst has its best frame before any has its second of the same rating."""
    _, outcome, _ = short
    done = {name for name, frame in outcome.record.frames.items() if frame.status == "delivered"}
    left = {name for name, frame in outcome.record.frames.items() if frame.status == "undone"}
    assert name_of(5) in done
    rated = {name: 1 if int(name[-5:]) < 8 else 0 for name in done | left}  # the first burst is rated 1 in frames.csv
    places = {name: frame.rank.place for name, frame in outcome.record.frames.items() if frame.rank}
    worst_done = max((-rated[n], places[n]) for n in done - {name_of(5)})
    assert all((-rated[n], places[n]) >= worst_done for n in left)


def test_a_zip_and_a_page_that_are_not_complete_say_so(short: tuple[Path, Outcome, dict[str, str]]) -> None:
    out, outcome, _ = short
    undone = outcome.record.counts.undone
    with zipfile.ZipFile(out / "web" / "web.zip") as archive:
        assert b"not complete" in archive.read("NOT-COMPLETE.txt")
    assert f"Not complete yet: {undone} more to come" in (out / "web" / "index.html").read_text(encoding="utf-8")
    assert any("delivery web is not complete" in text for text in outcome.record.notices)
    assert "Not done." in (out / "report.html").read_text(encoding="utf-8")


def test_the_same_command_finishes_it_with_the_same_bytes(
    evening: Path, short: tuple[Path, Outcome, dict[str, str]]
) -> None:
    out, first, before = short
    of_a_trial = out / ".work" / "trial" / "web" / "killed.jpg"  # by a run that was killed
    of_a_trial.parent.mkdir(parents=True)
    of_a_trial.write_bytes(b"somebody")
    outcome = night(evening, out, Pace())
    assert not (out / ".work" / "trial").exists()
    assert outcome.record.state == "done" and outcome.record.counts.rendered == first.record.counts.undone
    assert hashes(out) == hashes(evening / "whole")
    pictures = {name: digest for name, digest in before.items() if name.endswith(".jpg")}
    assert pictures.items() <= hashes(out).items()  # what was sent at seven is still what it was
    assert not any("not complete" in text for text in outcome.record.notices)


def test_an_hour_that_comes_while_measuring_delivers_nothing_and_says_so(evening: Path, tmp_path: Path) -> None:
    clock = Clock(SEVEN - timedelta(minutes=5), "measure", 60.0)
    with pytest.raises(RunStoppedError, match=r"07:00 has come while the frames were being measured \(\d of 20\)"):
        night(evening, tmp_path / "out", Pace(SEVEN, clock), clock)
    assert not (tmp_path / "out" / "web").exists()


def test_it_is_said_at_once_that_the_hour_cannot_be_met_and_only_once() -> None:
    said: list[str] = []
    clock = Clock(SEVEN - timedelta(hours=1))
    pace = Pace(SEVEN, clock, said.append)
    pace.expect({"measure": 1200.0, "render": 7200.0, "record": 0.0})
    pace.warn(1000)
    pace.warn(1000)
    # 2 h 20 min of work in one hour: 1 h 20 min late, which is two thirds of the rendering.
    assert len(said) == 1 and "1 h 20 min late" in said[0] and "about 667 of 1,000 frames" in said[0]
    assert said[0].startswith("07:00 cannot be met")


def test_a_small_shoot_with_too_little_time_is_told_before_it_is_measured(evening: Path, tmp_path: Path) -> None:
    """Twenty frames take longer than a two hundredth of a second, and so do their record and report."""
    said: list[tuple[str, int]] = []
    clock = Clock(SEVEN - timedelta(seconds=0.005), "measure")
    with pytest.raises(RunStoppedError, match="07:00 has come"):
        pace = Pace(SEVEN, clock, lambda text: said.append((text, clock.seen)))
        night(evening, tmp_path / "out", pace, clock)
    assert len(said) == 1 and said[0][0].startswith("07:00 cannot be met") and said[0][1] == 0
    assert not any((tmp_path / "out" / ".work" / "thumbs").iterdir())  # those of the trial went with its pictures


def test_of_a_short_time_less_than_a_minute_late_is_worth_saying() -> None:
    said: list[str] = []
    pace = Pace(SEVEN, Clock(SEVEN - timedelta(seconds=60)), said.append)
    pace.expect({"render": 65.0})
    pace.warn(20)
    assert not said
    pace.expect({"render": 90.0})
    pace.warn(20)
    assert len(said) == 1 and "30 s late" in said[0] and "about 7 of 20 frames" in said[0]


def test_nothing_is_said_where_there_is_time_enough() -> None:
    said: list[str] = []
    pace = Pace(SEVEN, Clock(SEVEN - timedelta(hours=3)), said.append)
    pace.expect({"measure": 1200.0, "render": 7200.0})
    pace.warn(1000)
    assert said == [] and not pace.is_over(1000)


def test_the_time_left_is_of_the_whole_night_and_follows_the_measured_rate() -> None:
    clock = Clock(SEVEN)
    pace = Pace(None, clock)
    pace.expect({"measure": 100.0, "light": 50.0, "render": 1000.0})
    pace.begin("measure", 200)
    assert pace.left() == 1150.0
    clock.moment += 30
    advance(pace, 20)  # a tenth took 30 s and not 10, and so will the rest
    assert pace.left() == pytest.approx(270 + 3 * (50 + 1000))
    pace.begin("light")
    clock.moment += 20
    assert pace.left() == pytest.approx(3 * 50 - 20 + 3 * 1000)
    pace.begin("render", 10.0)
    clock.moment += 50
    advance(pace, 1.0)
    assert pace.left() == pytest.approx(450)


def test_the_first_frames_of_workers_that_still_start_say_nothing_of_the_time_left() -> None:
    """Of twenty frames a small one comes first, after its worker started: 40 s say nothing of the rest."""
    clock = Clock(SEVEN)
    pace = Pace(None, clock)
    pace.begin("render", 20.0)
    clock.moment += 40
    pace.advance(0.5)
    assert pace.left() is None
    clock.moment += 10
    advance(pace, 9.5, pieces=9)
    assert pace.left() == pytest.approx(50)


def advance(pace: Pace, work: float, pieces: int = 10) -> None:
    for _ in range(pieces):
        pace.advance(work / pieces)


def test_every_beginning_of_a_spread_is_spread_over_all() -> None:
    items = list(range(1000))
    assert sorted(spread(items)) == items
    for first in (20, 100, 300):
        tenths = [sum(at // 100 == tenth for at in spread(items)[:first]) for tenth in range(10)]
        assert max(tenths) - min(tenths) <= 2


def test_frames_come_by_keep_always_then_rating_then_place_and_score() -> None:
    rows = {"always": FrameFacts(always=True), "four": FrameFacts(rating=4), "no": FrameFacts(rating=-1)}
    ranks = {
        name: Ranked(score, place, 2, 3, "")
        for name, place, score in (
            ("always", 2, 1.0), ("four", 2, 5.0), ("a1", 1, 40.0), ("a2", 2, 39.0), ("b1", 1, 60.0), ("b2", 2, 59.0),
            ("no", 1, 90.0),
        )
    }  # fmt: skip
    names = ["unknown", *sorted(ranks)]
    found = by_priority(names, Facts(rows=rows), ranks)
    assert found == ["always", "four", "b1", "a1", "b2", "a2", "unknown", "no"]


@pytest.mark.parametrize(
    ("written", "meant"),
    [("07:00", "2026-02-15T07:00"), ("22:30", "2026-02-14T22:30"), ("0:00", "2026-02-15T00:00"),
     ("7:05", "2026-02-15T07:05"), ("22:00", "2026-02-15T22:00"),
     ("2026-02-16T06:15", "2026-02-16T06:15"), ("2026-02-16 06:15", "2026-02-16T06:15")],
)  # fmt: skip
def test_an_hour_is_the_next_time_that_it_is_so(written: str, meant: str) -> None:
    now = datetime(2026, 2, 14, 22, 0).astimezone()
    assert hour_of(written, now) == datetime.fromisoformat(meant).astimezone()


@pytest.mark.parametrize("written", ["7", "25:00", "soon", "", "2026-02-14T21:59", "2026-02-13"])
def test_an_hour_that_cannot_be_is_refused(written: str) -> None:
    with pytest.raises(InputError, match="--finish-by"):
        hour_of(written, datetime(2026, 2, 14, 22, 0).astimezone())


def test_a_moment_with_an_offset_is_that_moment() -> None:
    now = datetime.fromisoformat("2026-02-14T22:00+00:00")
    assert hour_of("2026-02-15T07:00+02:00", now) == datetime.fromisoformat("2026-02-15T05:00+00:00")


def test_time_is_kept_free_for_what_ends_a_run() -> None:
    clock = Clock(SEVEN - timedelta(seconds=pacing.RULES.closing * 1000 - 1))
    assert Pace(SEVEN, clock).is_over(1000) and not Pace(SEVEN, clock).is_over(100)
