"""Whether eyes are seen: drawn faces of known tones, faces of photographs, and every number; see tests/people/rules."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data

from pipeline.people.detect import find
from pipeline.people.eyes import EYES, contrast_of, eyes_of
from pipeline.people.modelfiles import find as find_models
from pipeline.people.quality import RANKING
from tests.people.rules import Scenario, guards, near, turns

SIZE = 400  # pixels of a drawn picture; its face is a hundred wide, and the middle of its eyes in the picture's


def face(tall: float = 130) -> np.ndarray:
    x0, x1, y0, y1 = 0.375, 0.625, 0.5 - 0.4 * tall / SIZE, 0.5 + 0.6 * tall / SIZE
    return np.array([[x0, y0, x1, y1, 0.9, 0.5, 0.5, 0.5, 0.6]], np.float32)


def drawn(left: float, right: float | None = None) -> np.ndarray:
    """A face of tone 200 that is darker by a share on either side of the bridge of the nose."""
    grey = np.full((SIZE, SIZE), 200, np.uint8)
    grey[170:231, 150:192] = round(200 * (1 - left))
    grey[170:231, 209:251] = round(200 * (1 - (left if right is None else right)))
    return grey


def seen(grey: np.ndarray, tall: float = 130) -> float:
    return float(eyes_of(grey, face(tall))[0])


def test_dark_eyes_are_seen_and_one_tone_is_not() -> None:
    assert seen(drawn(0.5)) == 1 and seen(drawn(0.0)) == 0 and seen(drawn(-0.2)) == 0
    assert seen(drawn(0.0, 0.5)) == 1  # a profile
    assert seen(drawn(0.0), tall=20) == 1  # too small to tell
    assert eyes_of(drawn(0.5), np.zeros((0, 9), np.float32)).shape == (0,)
    edge = np.array([[0.9, 0.9, 1.2, 1.2, 0.9, 1.1, 1.1, 1.1, 1.1]], np.float32)
    assert eyes_of(drawn(0.5), edge)[0] == 1


def test_nobody_is_told_to_hide_the_eyes_for_dark_skin() -> None:
    """The eye stands out by less there: the same face, darker, is judged by as much less, and at last not at all."""
    assert seen((drawn(0.3) * 0.6).astype(np.uint8)) > seen(drawn(0.3))
    for share in (0.0, 0.1, 0.3):
        assert seen((drawn(share) * 0.4).astype(np.uint8)) == 1
    assert seen((drawn(0.0) * 0.6).astype(np.uint8)) == 0


def lit_from(row: int) -> np.ndarray:
    """Dark above a row, as under a cap, and bright below."""
    grey = np.full((SIZE, SIZE), 60, np.uint8)
    grey[row:] = 200
    return grey


@pytest.mark.parametrize("tone", [(150, 165, 205), (15, 15, 15), (235, 235, 235)])
def test_a_photograph_whose_eyes_are_covered(shared: Callable[[str], Path], tone: tuple[int, int, int]) -> None:
    """A hand, a dark and a white bar: the detector is as certain of the face (0.89 to 0.91)."""
    files = find_models(shared("models"))
    picture = np.ascontiguousarray(skimage.data.astronaut()[..., ::-1])
    found = find(picture, None, files.face).faces
    assert eyes_of(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), found)[0] == 1
    soft = cv2.GaussianBlur(picture, (0, 0), 3)
    assert eyes_of(cv2.cvtColor(soft, cv2.COLOR_BGR2GRAY), find(soft, None, files.face).faces)[0] > 0.8
    x0, _, x1, _ = (found[0, :4] * 512).astype(int).tolist()
    row, wide = round(float(found[0, 6]) * 512), x1 - x0
    cv2.rectangle(picture, (x0, row - wide // 5), (x1, row + wide // 6), tone, -1)
    again = find(picture, None, files.face).faces
    assert again[0, 4] > 0.85
    if tone[0] < 100:
        return  # a bar as dark as eyes are
    first, second = (
        float(contrast_of(cv2.cvtColor(one, cv2.COLOR_BGR2GRAY), rows)[0])
        for one, rows in ((soft, find(soft, None, files.face).faces), (picture, again))
    )
    assert first > RANKING.dark_eyes and second < RANKING.eyes_lost * first
    assert eyes_of(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), again)[0] < 0.1


def contrast(grey: np.ndarray, one: np.ndarray | None = None) -> float:
    return float(contrast_of(grey, face() if one is None else one)[0])


def line(share: float = 0.5, tall: int = 2) -> np.ndarray:
    """A face of tone 200 with a dark line where the right eye is."""
    grey = np.full((SIZE, SIZE), 200, np.uint8)
    grey[200 - tall // 2 : 200 + tall - tall // 2, 209:251] = round(200 * (1 - share))
    return grey


def test_how_dark_the_eyes_are_beside_the_cheeks_at_any_size_and_on_any_skin() -> None:
    assert near(contrast(line(0.4, 24)), 0.4) and contrast(line(0.0)) == 0 and contrast(line(-0.2, 24)) == 0
    assert near(contrast((line(0.4, 24) * 0.2).astype(np.uint8)), 0.4, 0.06)
    small = cv2.resize(line(0.4, 24), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    assert near(contrast(small), 0.4, 0.1)
    assert contrast_of(line(), np.zeros((0, 9), np.float32)).shape == (0,)
    for beyond in ((0.9, 0.9, 1.2, 1.2, 0.9, 1.1, 1.1, 1.1, 1.1), (0.5, 0.5, 0.5, 0.5, 0.9, 0.5, 0.5, 0.5, 0.5)):
        assert 0 <= contrast(line(), np.array([beyond], np.float32)) <= 1


def told(seed: int) -> float:
    """What is seen in a fixed picture of noise and slopes: any place that moves changes it."""
    rng = np.random.default_rng(seed)
    grey = cv2.GaussianBlur(rng.standard_normal((4 * SIZE, 4 * SIZE)).astype(np.float32), (0, 0), 9)
    grey = 130 + 12 * grey / grey.std()
    grey[640:960, 740:864] += 25
    return seen(np.clip(grey, 0, 255).astype(np.uint8))


FIXED = tuple(told(seed) for seed in range(9))
_MOVES = ("apart", "across", "above", "below", "bridge", "bridge_above", "bridge_below", "percentile")
SCENARIOS: dict[str, Scenario] = {
    **{f"EYES.{name}": lambda: tuple(told(seed) for seed in range(9)) == FIXED for name in _MOVES},
    # What a Gaussian of 4 pixels, a 25th of the face, leaves of a line of two.
    "EYES.smooth": lambda: near(contrast(line()), 0.5 * 2 / (4 * np.sqrt(2 * np.pi)), 0.06),
    "EYES.hidden": lambda: near(seen(drawn(0.25)), 0.5, 0.03),
    "EYES.open": lambda: near(seen(drawn(0.25)), 0.5, 0.03),
    "EYES.skin": lambda: turns(lambda tone: seen(np.full((SIZE, SIZE), round(tone), np.uint8)) == 0, 96),
    # The darker a face, the less an eye has to stand out: its tone, 97 here, against 150.
    "EYES.fair": lambda: near(seen((drawn(0.19) * 0.6).astype(np.uint8)), (23 / 120 - 0.12) / (0.38 * 97 / 150 - 0.12)),
    "EYES.cheek": lambda: seen(lit_from(229)) == 0 and seen(lit_from(233)) == 1,
    "EYES.least": lambda: turns(lambda tall: seen(drawn(0.0), tall) == 0, 48),
}


test_a_tenth_more_or_less_changes_what_is_seen, test_every_number = guards({"EYES": EYES}, SCENARIOS)
test_a_tenth_more_or_less_changes_what_is_seen = pytest.mark.long(test_a_tenth_more_or_less_changes_what_is_seen)
