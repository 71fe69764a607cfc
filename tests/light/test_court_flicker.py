"""A small form of tests.court_flicker: six real court frames, half a megapixel each, with flicker put on them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests import court_flicker
from tests.court_flicker import CELLS, DATA, compare, decode, encode, evenness, flicker


@pytest.mark.long
@pytest.mark.skipif(not DATA.is_dir(), reason="../shared/data is absent")
def test_real_court_frames_are_even_again(tmp_path: Path) -> None:
    """Finished frames: a seventh of the flicker's range at most, and its colours alike (2.3 CIEDE2000 is a just
    noticeable difference: Mahy, Van Eycken and Oosterlinck, Color Research and Application 19, 1994, for CIELAB)."""
    before, after, lamps, known = compare(tmp_path, seed=0, bits=8, white="camera", frames=6, edge=960, web=480)
    assert before.at(95) > 0.7 and before.at(95, "colour") > 10
    assert after.at(95) < 0.13 and after.at(50) < 0.05
    assert after.at(95, "colour") < 1.5
    assert lamps.at(95) < 0.13 and lamps.at(50) < 0.05 and lamps.at(95, "colour") < 1.5
    assert known.at(95) < lamps.at(95) and known.at(95, "colour") < lamps.at(95, "colour")


def test_what_both_runs_get_wrong_alike_is_seen_against_the_lamps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Runs that leave 0.25 EV from frame to frame, with flicker or without: between them it cancels."""
    grey = [np.full((48, 64, 3), 0.2, np.float32)] * 3
    wrong = [encode(p / 1.4 * 2.0**ev) for p, ev in zip(grey, (0.0, 0.25, 0.0), strict=True)]
    monkeypatch.setattr(court_flicker, "court", lambda *_: tuple(grey))
    monkeypatch.setattr(court_flicker, "delivered", lambda *_: wrong)
    _, after, lamps, known = compare(tmp_path, seed=0, bits=8, white="camera", frames=3)
    assert after.at(95) == pytest.approx(0, abs=1e-4)
    assert lamps.ev == pytest.approx(np.full(CELLS, 0.25), abs=1e-3)
    assert known.ev == pytest.approx(np.zeros(CELLS), abs=0.04)  # codes of 8 bits: a step is 0.03 EV at this grey


def test_figures_of_known_light() -> None:
    """The range of a known change of light on a flat picture, and none where all frames share it."""
    grey = [np.full((48, 64, 3), 0.2)] * 3
    lit = [p * light for p, light in zip(grey, (1.0, 2.0**0.25, 2.0**-0.25), strict=True)]
    found = evenness([encode(p) for p in lit], [encode(p) for p in grey])
    assert found.ev == pytest.approx(np.full(CELLS, 0.5), abs=1e-3)
    shared = evenness([encode(p * 0.8) for p in grey], [encode(p) for p in grey])
    assert shared.ev == pytest.approx(np.zeros(CELLS), abs=1e-4)
    assert shared.colour == pytest.approx(np.zeros(CELLS), abs=1e-3)


def test_the_lamps_are_a_sine_of_the_stated_depth() -> None:
    lamps = flicker(seed=3, frames=200, rows=90)
    assert lamps.max(axis=(0, 1, 2)) == pytest.approx([1.22, 1.30, 1.40], abs=0.001)
    assert lamps.min(axis=(0, 1, 2)) == pytest.approx([0.78, 0.70, 0.60], abs=0.001)
    assert decode(encode(lamps / 1.4)) == pytest.approx(lamps / 1.4, abs=1e-4)
