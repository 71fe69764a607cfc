"""Copies of one picture under several names are one witness of white, not several."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.light import palette, scene_white
from pipeline.light.neutral import Candidate, Vote
from pipeline.light.scene_white import votes_of

SEEN = np.array([0.1, -0.1])  # what may be white in all of them, against the camera's balance


def voted(*pictures: int, unexposed: tuple[str, ...] = ()) -> list[Vote]:
    """Votes of finished pictures of one place; those with the same number are copies."""
    scenes = []
    for index, number in enumerate(pictures):
        histogram = np.zeros(palette.SIZE, dtype=np.float16)
        histogram[40 + number, 50] = 1
        scenes.append(SimpleNamespace(
            names=(f"F{index}",), whites=(Candidate(SEEN, 1.0),), chroma_histogram=histogram,
            level=np.zeros(3), to_working=np.eye(3),
        ))  # fmt: skip
    count = len(scenes)
    light = SimpleNamespace(scenes=scenes, place=np.zeros(count), chromaticities=np.zeros((count, 2)))
    measured = {s.names[0]: SimpleNamespace(daylight=np.ones(3), as_shot=np.ones(3)) for s in scenes}
    return votes_of(light, measured, unexposed=unexposed)  # type: ignore[arg-type]


@pytest.mark.parametrize("copies", [2, 8])
def test_copies_of_a_picture_say_no_more_than_it_does(copies: int) -> None:
    alone = voted(0)[0]
    for vote in voted(*[0] * copies):
        assert vote.white == pytest.approx(alone.white) and vote.sure == pytest.approx(alone.sure)
    assert np.hypot(*voted(*range(8))[0].white) > 2 * np.hypot(*alone.white)  # as many pictures are followed


def test_copies_do_not_outvote_others() -> None:
    first, second, copy = voted(0, 1, 0)
    assert (first.white, second.white) == (pytest.approx(copy.white), pytest.approx(voted(0, 1)[1].white))


@pytest.mark.parametrize(("pictures", "supported"), [((0, 0), [False]), ((0, 1), [True, True])])
def test_a_copy_does_not_support_a_cast(
    pictures: tuple[int, ...], supported: list[bool], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no exposure is known a cast must be seen in other pictures too."""
    asked: list[bool] = []
    monkeypatch.setattr(scene_white, "warm_cast", lambda *_, supported: asked.append(supported))
    voted(*pictures, unexposed=("F0", "F1"))
    assert asked == supported
