"""Where the hall moves from picture to picture, behind people who move for themselves."""

from __future__ import annotations

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from scipy.special import hyp2f1

from pipeline.imaging.bursts import shift
from pipeline.imaging.bursts.shift import RULES, shifts
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_tracking import hall, view

HEIGHT, WIDTH = 107, 160
NOBODY = np.zeros((0, 4))


def pixels(found: np.ndarray) -> np.ndarray:
    """A shift in fractions, in pixels."""
    return found * (WIDTH, HEIGHT)


def test_nobody_is_taken_for_the_hall() -> None:
    """Two who fill most of the frame stand where they stood, since the camera follows them; the hall behind them, of a
    tenth of their contrast, moves by six and two pixels."""
    boxes = np.array([[0.1, 0.1, 0.48, 0.95], [0.52, 0.2, 0.9, 1.0]])
    shirts = np.kron(np.random.default_rng(3).choice([20, 230], (36, 54)), np.ones((3, 3)))[:HEIGHT, :WIDTH]
    pictures = []
    for at in range(4):
        picture = 120 + (view(hall(), 100 - 6 * at, 90 - 2 * at).astype(np.float64) - 120) / 10
        for x0, y0, x1, y1 in boxes * np.array([WIDTH, HEIGHT] * 2):
            part = np.s_[round(y0) : round(y1), round(x0) : round(x1)]
            picture[part] = shirts[part]
        pictures.append(picture.astype(np.uint8))
    for found in shifts(pictures, [boxes] * 4):
        assert pixels(found) == pytest.approx((6, 2), abs=0.7)


def test_along_the_one_line_of_an_empty_floor_nothing_is_known() -> None:
    floor = np.full((HEIGHT, WIDTH), 120, np.uint8)
    floor[60:64] = 230
    assert np.isnan(shifts([floor, np.roll(floor, 3, axis=0)], [NOBODY] * 2)).all()


def test_the_turns_beside_it_tell_which_of_two_like_shifts_is_the_camera() -> None:
    """A stand whose rows repeat after ten pixels: a shift by four down and one by six up look alike, but for marks that
    two of the pictures do not show."""
    rows = np.tile(np.repeat([90, 150], 5), 40)[:, None] * np.ones((1, 300))
    wall = rows + 30 * np.kron(np.random.default_rng(5).standard_normal((1, 60)), np.ones((400, 5)))
    marks = hall() - 120
    pictures = []
    for at in range(6):
        shown = wall[100 - 4 * at : 100 - 4 * at + HEIGHT, 20 : 20 + WIDTH].copy()
        if at not in (2, 3):
            shown += 0.6 * marks[100 - 4 * at : 100 - 4 * at + HEIGHT, 20 : 20 + WIDTH]
        pictures.append(np.clip(shown, 0, 255).astype(np.uint8))
    found = [pixels(one) for one in shifts(pictures, [NOBODY] * 6)]
    assert np.array(found) == pytest.approx(np.tile((0, 4), (5, 1)), abs=0.5)


def test_pictures_of_another_size_are_not_compared() -> None:
    wall = hall()
    pictures = [view(wall, 100, 90), view(wall, 97, 90), view(wall, 94, 90)[:80], view(wall, 91, 90)[:80]]
    first, other, last = shifts(pictures, [NOBODY] * 4)
    assert pixels(first) == pytest.approx((3, 0), abs=0.5) and np.isnan(other).all()
    assert last * (WIDTH, 80) == pytest.approx((3, 0), abs=0.5)
    assert shifts(pictures[:1], [NOBODY]) == shifts([], []) == []


def compared(high: int) -> bool:
    """Whether a shift is found in pictures of this shorter side."""
    pictures = [view(hall(), 100 - 3 * at, 90)[:high] for at in range(2)]
    return bool(np.isfinite(shifts(pictures, [NOBODY] * 2)).all())


# ---- each number, at values worked out by hand ----------------------------------------------------------------
# On 71 shifts of real bursts (every second one of tests.closer) a tenth more or less of any changes at most one.


def noise(seed: int = 1, size: tuple[int, int] = (HEIGHT, WIDTH)) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal(size).astype(np.float32)


def pair_of(before: np.ndarray, now: np.ndarray, known: dict | None = None) -> shift._Pair:
    """Two halls of this detail, without people."""
    halls = [shift._Hall(d.astype(np.float32), (d * d).astype(np.float32), np.ones_like(d)) for d in (before, now)]
    return shift._Pair(*halls, {} if known is None else known)


def kept(period: float) -> float:
    """The share of a faint wave that is left of a picture, away from its rim."""
    columns = np.arange(480)
    wave = np.round(120 + 8 * np.sin(2 * np.pi * columns / period) * np.ones((200, 1))).astype(np.uint8)
    detail = shift._hall(wave, NOBODY).detail[80:120, 160:320]
    return float(detail.std() / np.log1p(wave[80:120, 160:320].astype(np.float64)).std())


def passes(sigma: float, period: float) -> float:
    """The share of a wave that a Gaussian lets through: its Fourier transform."""
    return float(np.exp(-2 * (np.pi * sigma / period) ** 2))


def margin() -> float:
    """Rows above a box of 1,600 of 4,000 rows that are left out with it."""
    there = shift._hall(np.full((4000, 20), 90, np.uint8), np.array([[0.2, 0.3, 0.8, 0.7]])).there
    return 1200 - float(np.flatnonzero(there[:, 10] == 0)[0])


def cut() -> float:
    """How far a lamp stands out, in medians of what stands out."""
    picture = np.clip(120 + 10 * noise(), 0, 255)
    picture[40:44, 60:64] = 255
    detail = np.abs(shift._hall(picture.astype(np.uint8), NOBODY).detail)
    return float(detail.max() / np.median(detail))


def shared(part: float) -> bool:
    """Whether two halls are compared of which both show this part."""
    pair = pair_of(noise(), noise())
    rows = round(part * HEIGHT * WIDTH)
    there = (np.arange(HEIGHT * WIDTH) < rows).astype(np.float32).reshape(HEIGHT, WIDTH)
    before, now = (replace(one, detail=one.detail * there, square=one.square * there, there=there)
                   for one in (pair.before, pair.now))  # fmt: skip
    return shift._Pair(before, now).alike(0, 0) > 0.5


def repeated(*at: int, part: float = 1.0) -> list[int]:
    """Shifts across that are proposed where the picture stands at these places, each fainter than the one before."""
    wall = noise(3, (HEIGHT, 600))
    strengths = 0.8 ** np.arange(len(at))
    now = sum(s * wall[:, 200 - x : 200 - x + WIDTH] for s, x in zip(strengths, at, strict=True))
    found = shift._proposed(pair_of(wall[:, 200 : 200 + WIDTH], now))
    return [round(x) for x in found[:, 0] if any(abs(x - one) < 0.6 for one in at)]


def climbs(start: int) -> bool:
    """Whether the top of a smooth hill is found from so many pixels beside it."""
    hill = {(x, y): 1 - 0.01 * np.hypot(x, y) for x in range(-9, 10) for y in range(-9, 10)}
    return bool(shift._uphill(pair_of(noise(), noise(), hill), start, 0)[0] == 0)


def clearness() -> float:
    """What is gained for each part of the phases that noise of 1.6 of the picture's deviation leaves.

    Of two complex Gaussians of correlation r the mean of exp(i phase) is pi/4 r 2F1(1/2, 1/2; 2; r^2); from memory.
    """
    gained = [shift._proposed(pair_of(noise(n), noise(n) + 1.6 * noise(n + 100)))[0, 3] for n in range(12)]
    r = 1 / np.sqrt(1 + 1.6**2)
    return float(np.mean(gained)) / (np.pi / 4 * r * float(hyp2f1(0.5, 0.5, 2, r * r)))


def step(heights: float) -> float:
    """What it costs to turn by so much otherwise than before."""
    one, two = np.array([[0.0, 0, 0.5, 0]]), np.array([[0.0, 0, 0.5, 0], [100 * heights, 0, 0.5, 0]])
    even, turned = shift._totals([one, two], np.array([150, 100]))[1]
    return float(even - turned)


def chosen(second: tuple[float, float, float, float], best: float = 0.6) -> bool:
    """Whether the first of two proposals, no shift, is believed."""
    around = {(x, y): best if x == y == 0 else 0.0 for x in range(-9, 10) for y in range(-9, 10)}
    rows = np.array([[0.0, 0.0, best, 0.0], second])
    with mock.patch.object(shift, "_proposed", return_value=rows):
        return bool(np.isfinite(shift._way([pair_of(noise(), noise(), around)])[0]).all())


def stands_out(pair: dict) -> bool:
    return shift._stands_out(pair_of(noise(), noise(), pair), np.array([0.0, 0.0, 0.5, 0.0]))


def ring(alike: float, radius: int = 4) -> dict:
    """How alike two pictures are in eight directions at a radius; 0.5 wherever else."""
    at = np.round(radius * np.exp(1j * np.pi / 4 * np.arange(8)))
    places = {(int(one.real), int(one.imag)) for one in at}
    return {(x, y): alike if (x, y) in places else 0.5 for x in range(-9, 10) for y in range(-9, 10)}


SCENARIOS: dict[str, Scenario] = {
    "RULES.fewest": lambda: compared(16) and not compared(15),
    "RULES.coarse": lambda: near(kept(40), passes(0.7, 40) - passes(8, 40)),
    "RULES.fine": lambda: near(kept(4), passes(0.7, 4)),
    "RULES.around": lambda: near(margin(), 0.05 * 1600),
    "RULES.strong": lambda: near(cut(), 3.0),
    "RULES.farthest": lambda: repeated(55) == [55] and repeated(58) == [],  # 0.35 of 160 is 56
    "RULES.proposals": lambda: len(repeated(0, 20, -20, 40, -40)) == 4,
    "RULES.apart": lambda: sorted(repeated(0, 4)) == [0, 4] and repeated(0, 3) == [0],
    "RULES.uphill": lambda: climbs(4) and not climbs(5),
    "RULES.seen": lambda: turns(shared, 0.12),
    "RULES.alike": lambda: turns(lambda at: chosen((40, 0, 0.0, 0.0), at), 0.4),
    "RULES.phase": lambda: near(shift._proposed(pair_of(noise(), noise()))[0, 3], 0.25),
    "RULES.clear": lambda: near(clearness(), 0.25 / 0.5, 0.05),
    "RULES.even": lambda: near(step(0.1), 0.3),
    "RULES.most": lambda: near(step(0.5), 0.9),
    "RULES.rival": lambda: turns(lambda away: not chosen((away * HEIGHT, 0, 0.6, 0.0)), 0.03),
    "RULES.lead": lambda: turns(lambda by: chosen((40, 0, 0.6 - by, 0.0)), 0.05),
    "RULES.ring": lambda: stands_out(ring(0.4)),
    "RULES.falls": lambda: turns(lambda by: stands_out(ring(0.5 - by)), 0.02),
}
test_a_tenth_more_or_less_is_noticed, test_every_number_is_guarded = guards({"RULES": RULES}, SCENARIOS)
