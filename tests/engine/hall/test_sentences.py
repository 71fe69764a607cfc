"""What is said and drawn of a hall, of numbers that are worked out by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from pipeline.engine.hall.picture import _Drawing, picture
from pipeline.engine.hall.sentences import exposure, iso, white
from pipeline.light.hall.findings import EndLight, FramePoint, HallFindings
from pipeline.light.hall.settings import dial
from pipeline.light.scene_white import SceneWhite, WhiteSource
from pipeline.light.scenes import ShootLight
from pipeline.steps.white_balance import WhiteBalanceSolution, _certainty_notices


def end(name: str, level: float, ev100: float = 6.0) -> EndLight:
    return EndLight(name, 9, level, ev100, "4000 K", None, None, False, None)


def test_one_exposure_tells_zones_from_bursts() -> None:
    """By hand: quantiles 0.1 and 0.9 of -0.5, ..., 0.5 are 0.8 of the range apart; half way is half of it off."""
    line = np.linspace(-0.5, 0.5, 11)
    near, far = [end("left", 0.0), end("right", 0.1)], [end("left", 0.0), end("right", 1.5)]
    told = exposure(near, line, True)
    assert told.verdict == "look" and told.text.startswith(
        "the darkest and the brightest light zone are 0.10 EV apart, but four of five bursts lie within 0.80 EV: one "
        "manual exposure in the middle would be 0.40 EV off"
    )
    assert told.text.endswith("; the light changes within a zone, from place to place or moment to moment")
    assert exposure(near, line / 10, True).text.endswith("serves the whole court, 0.05 EV off at most (a third of a "
                                                         "stop is 0.33)")  # fmt: skip
    told = exposure(far, 2 * line, True)
    assert told.text.startswith("the darkest and the brightest light zone are 1.50 EV apart: ")
    assert told.text.endswith("would be 0.75 EV off, more than a third of a stop (0.33); open up by 1.5 EV for left")
    # A zone of which no surface is known elsewhere may be any brighter: nothing is said of the whole court.
    assert exposure([*near, end("3", np.nan)], line / 10, True).text == (
        "the darkest and the brightest light zone of those that share surfaces are 0.10 EV apart: one manual exposure "
        "in the middle serves these, 0.05 EV off at most (a third of a stop is 0.33)"
    )
    assert exposure(far[:1], line / 2, True).text.startswith("four of five bursts lie within 0.40 EV: one manual")


def test_the_iso_that_is_needed_is_one_of_the_dial() -> None:
    """ISO 12232:2019 rounds thirds of a stop so; from memory. EV 6 at 1/1000 s, f/2.8: 100 * 7840 / 2^6 = 12,250."""
    assert [dial(iso) for iso in (12_250, 1270, 20_300, 5100, 41_000, 655, 48, 1)] == [
        12_800, 1250, 20_000, 5000, 40_000, 640, 50, 50
    ]  # fmt: skip
    told = iso([end("left", 0, 6.0), end("right", 0, 5.3), end("far", 0, 6.05)], 1 / 1000)
    assert told.text.startswith("1/1000 s at f/2.8 needs ISO 12,800 for left and far and 20,000 for right; above ISO")
    assert told.verdict == "look" and iso([end("left", 0, 6.0)], 1 / 1000).verdict == "good"


def test_white_counts_scenes_as_the_run_does() -> None:
    """Not their frames: the note of white_balance on the same screen is about scenes."""
    scenes = [SimpleNamespace(names=names, to_working=np.eye(3)) for names in (("a1", "a2", "a3"), ("b",), ("c",))]
    sure = {"a1": 0.99, "a2": 0.99, "a3": 0.99, "b": 0.8, "c": 0.7}
    balances = {n: WhiteBalanceSolution(np.ones(3), WhiteSource.GRAY_WORLD, "", sure=one) for n, one in sure.items()}
    light = cast(ShootLight, SimpleNamespace(scenes=scenes))
    assert "guessed from the pictures, half of 3 scenes at least 80 % sure: likely" in white(light, balances, {}).text
    of_run = _certainty_notices(light, [cast(SceneWhite, balances[s.names[0]]) for s in scenes])
    assert [text.split(". ")[0] for text in of_run] == [
        "white balance: judged from the colours of the pictures, half of 3 scenes at least 80 % sure"
    ]


def test_the_line_of_time_names_the_lights_that_are_on_it(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    monkeypatch.setattr(_Drawing, "text", lambda self, x, y, text, *_: said.append(text))
    ends = tuple(end(f"zone {n}", 0.1 * n if n != 2 else float("nan")) for n in range(1, 7))
    for drawn, legend in (((0, 2), ["zone 1", "zone 3"]), ((0, 3, 5), ["zone 1", "zone 4 and others"]),
                          ((0, 4), ["zone 1", "others"])):  # fmt: skip
        points = tuple(FramePoint(60.0 * n, 0.1 if n else 2.5, at, False) for n, at in enumerate(drawn))
        said.clear()
        picture(HallFindings(6, (), ends, None, None, None, None, (0.001, 2.8), points), "hall")
        along = said.index("The match along time")
        assert [text for text in said[along:] if text.startswith(("zone", "others"))] == legend
        assert said[along + 1].endswith("; beyond 2 EV drawn at the edge")
        # Those of the evening that can be compared come first, and the others say that they cannot.
        assert [text for text in said[:along] if text.startswith("zone")] == ["zone 1", "zone 3", "zone 4", "zone 5"]
    picture(HallFindings(6, (), ends[:2], None, None, None, None, (0.001, 2.8)), "hall")
    assert said.count("brightness cannot be compared with the others") == 1
