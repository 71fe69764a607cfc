"""How long the whole night still takes, on made-up nights whose frames cost what they cost and a clock that is moved.

Wanted is 20 % from the first tenth of the night on; here until a fiftieth is left, since of the last seconds nobody
asks. The nights are drawn; how near a real run comes is measured by `python -m tests.scale --mixed --processor`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pytest

from pipeline.engine.pacing.pace import Pace, spread
from pipeline.engine.pacing.sample import Weight, foretold, middle_of, representative
from pipeline.types import Burst

BAR = 0.2


def total(seconds: Mapping[str, float], weights: Mapping[str, Weight], wanted: list[str]) -> float:
    return sum(foretold(seconds, weights, wanted).values())


@dataclass
class Made:
    """A night: its bursts, what each frame's file weighs, and the seconds that it takes in each phase."""

    bursts: list[Burst]
    weights: dict[str, Weight]
    measure: dict[str, float]
    render: dict[str, float]
    now: float = 0.0
    slower: float = 1.0
    errors: list[float] = field(default_factory=list)
    said: list[tuple[float, float]] = field(default_factory=list)
    renders: dict[str, float] = field(default_factory=dict)  # as the trial foretells them

    def expect(self) -> dict[str, float]:
        """As the trial does, from frames that stand for the rest."""
        tried = representative(self.bursts, self.weights, 10, 6, 24)
        names = {name for burst in tried for name in burst.frames}
        shown = {name for burst in tried for name in middle_of(burst, 4).frames}
        self.renders = foretold({n: self.render[n] for n in shown}, self.weights, list(self.weights))
        return {
            "measure": total({n: self.measure[n] for n in names}, self.weights, list(self.weights)),
            "light": 0.05 * len(self.weights),
            "solve": 0.01 * len(self.weights),
            "render": sum(self.renders.values()),
            "record": 0.004 * len(self.weights),
        }

    def go(self, expected: Mapping[str, float], first: Callable[[str], float] | None = None) -> list[float]:
        """How far what was said of the time left was off, from the first tenth of the night to the last fiftieth.

        first  frames are rendered in the order of this, else spread
        """
        pace = Pace(now=lambda: self.now)
        pace.expect(expected, self.renders)
        self._phase(pace, "measure", self.measure, dict.fromkeys(self.measure, 1.0))
        self._phase(pace, "light", dict.fromkeys(self.measure, 0.05), dict.fromkeys(self.measure, 1.0))
        for phase, each in (("solve", 0.01), ("record", 0.004)):
            if phase == "record":
                order = None if first is None else sorted(self.render, key=first)
                self._phase(pace, "render", self.render, pace.render, order)
            pace.begin(phase)
            self._note(pace)
            self.now += each * len(self.weights) * self.slower
        return [abs(left / (self.now - at) - 1) for at, left in self.said if 0.1 <= at / self.now < 0.98]

    def _phase(
        self, pace: Pace, phase: str, seconds: Mapping[str, float], work: Mapping[str, float],
        order: list[str] | None = None,
    ) -> None:  # fmt: skip
        pace.begin(phase, sum(work.values()))
        for name in order or spread(list(seconds)):
            self.now += seconds[name] * self.slower
            pace.advance(work[name])
            self._note(pace)

    def _note(self, pace: Pace) -> None:
        left = pace.left()
        assert left is not None
        self.said.append((self.now, left))


def night(kinds: Mapping[str, tuple[float, float, float]], frames: int = 600, seed: int = 3, burst: int = 8) -> Made:
    """kinds  suffix and camera -> (share of the bursts, octets of a frame, seconds that measuring it takes)"""
    rng = np.random.default_rng(seed)
    chosen = rng.choice(len(kinds), size=frames // burst, p=[share for share, _, _ in kinds.values()])
    made = Made([], {}, {}, {})
    for at, kind in enumerate(chosen):
        name = list(kinds)[kind]
        _, octets, seconds = kinds[name]
        names = tuple(f"{at}_{number}" for number in range(burst))
        made.bursts.append(Burst(names))
        for one in names:
            made.weights[one] = Weight("." + name.partition(" ")[0], octets * rng.uniform(0.9, 1.1))
            made.measure[one] = seconds * rng.lognormal(0, 0.1)
            made.render[one] = (0.1 + 1.5 * seconds) * rng.lognormal(0, 0.15)
    return made


NIGHTS = {
    "one camera": {"dng": (1.0, 25e6, 0.5)},
    "one burst in four is large": {"dng small": (0.75, 2e6, 0.1), "dng large": (0.25, 30e6, 0.9)},
    "raws and small JPEGs": {"cr3": (0.5, 28e6, 0.8), "jpg": (0.5, 7e6, 0.2)},
    "a few very large": {"dng": (0.95, 25e6, 0.5), "dng large": (0.05, 110e6, 2.4)},
}


@pytest.mark.parametrize("kinds", NIGHTS.values(), ids=list(NIGHTS))
@pytest.mark.parametrize("slower", [1.0, 1.6, 0.7])
def test_the_time_left_is_right_within_a_fifth(kinds: Mapping[str, tuple[float, float, float]], slower: float) -> None:
    """Also where the machine is slower than while it was tried: warm, or in use."""
    for seed in range(3):
        made = night(kinds, seed=seed)
        expected = made.expect()
        made.slower = slower
        assert max(made.go(expected)) < BAR, seed


@pytest.mark.parametrize("sign", [1, -1])
def test_the_frames_rendered_first_may_be_the_largest_or_the_smallest(sign: int) -> None:
    """As where the better camera's are rated best: each counts as long as its render takes, not its measuring."""
    made = night(NIGHTS["raws and small JPEGs"])
    assert max(made.go(made.expect(), lambda name: sign * made.weights[name].octets)) < BAR


def test_singles_are_tried_too() -> None:
    made = night(NIGHTS["one burst in four is large"], burst=1)
    assert len(representative(made.bursts, made.weights, 10, 6, 24)) == 24
    assert max(made.go(made.expect())) < BAR


def test_of_a_night_whose_pictures_were_never_tried_no_whole_is_said() -> None:
    """While it is measured nothing tells how long rendering takes; while it renders, little comes after."""
    now = 0.0
    pace = Pace(now=lambda: now)
    for phase in ("measure", "light", "render"):
        pace.begin(phase, 100)
        for _ in range(50):
            now += 1.0
            pace.advance()
        assert pace.left_of_phase() == pytest.approx(50)
        assert pace.left() == (pytest.approx(50) if phase == "render" else None)


def test_what_frames_take_follows_their_size_and_no_further() -> None:
    """Twice the octets take twice as long at most, and no less: where the few that were tried say so, they err."""
    weights = {name: Weight(".dng", octets) for name, octets in (("a", 10.0), ("b", 20.0), ("c", 30.0), ("d", 60.0))}
    assert total({"a": 1.0, "b": 2.0, "c": 3.0}, weights, ["d"]) == pytest.approx(6.0)
    assert total({"a": 2.0, "b": 2.5, "c": 3.0}, weights, ["d", "a"]) == pytest.approx(4.5 + 2.0, rel=0.03)
    assert total({"a": 0.1, "b": 2.0, "c": 3.9}, weights, ["d"]) == pytest.approx(6.0)
    assert total({"a": 3.0, "b": 2.0, "c": 1.0}, weights, ["d"]) == pytest.approx(2.0)


def test_of_files_of_one_size_time_goes_with_octets() -> None:
    weights = {name: Weight(".dng", octets) for name, octets in (("a", 25e6), ("b", 25e6), ("c", 25.1e6), ("d", 100e6))}
    assert total({"a": 1.0, "b": 1.1, "c": 0.9}, weights, ["d"]) == pytest.approx(4.0, rel=0.02)


def test_formats_are_judged_apart_where_enough_were_tried() -> None:
    weights = {f"r{n}": Weight(".cr3", 30.0) for n in range(5)} | {f"j{n}": Weight(".jpg", 30.0) for n in range(5)}
    seconds = {f"r{n}": 4.0 for n in range(3)} | {f"j{n}": 1.0 for n in range(3)}
    assert total(seconds, weights, ["r4", "j4", "j3"]) == pytest.approx(4 + 1 + 1)
    seconds.pop("j0")
    assert total(seconds, weights, ["j4"]) == pytest.approx((3 * 4 + 2 * 1) / 5)  # of all that were tried


def test_frames_for_which_a_worker_loaded_its_libraries_do_not_count() -> None:
    """Two of twenty took two seconds more; that one in four takes three times as long is no accident."""
    weights = {str(n): Weight(".dng", 10.0 + n % 4) for n in range(20)}
    seconds = {str(n): 2.1 if n in (0, 7) else 0.1 for n in range(20)}
    assert total(seconds, weights, list(weights)) == pytest.approx(20 * 0.1)
    seconds = {str(n): 0.3 if n % 4 == 0 else 0.1 for n in range(20)}
    assert total(seconds, weights, list(weights)) == pytest.approx(5 * 0.3 + 15 * 0.1, rel=0.02)


def test_each_size_has_its_share_among_the_few() -> None:
    made = night(NIGHTS["one burst in four is large"], frames=2000)
    large = sum(made.weights[b.frames[0]].octets > 1e7 for b in made.bursts) / len(made.bursts)
    found = representative(made.bursts, made.weights, 2, 40, 0)
    share = sum(made.weights[b.frames[0]].octets > 1e7 for b in found) / len(found)
    assert share == pytest.approx(large, abs=0.05)
    assert all(len(b.frames) == 2 and b.frames[0].endswith("_3") for b in found)  # from the middle of eight
