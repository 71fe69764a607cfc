"""What many pictures share: frames of a camera that stands still, and many edits of one picture."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.shoot.pictures.same import AGREES, DIFFERS, UNTOLD, Hit
from pipeline.shoot.pictures.shared import SHARED, shares

ROWS, COLUMNS = 60, 100


def hit(*blobs: tuple[int, int, int, int], share: float = 0.95) -> Hit:
    """A picture that agrees with one that is held but for these places: rows, then columns, from and to."""
    places = np.full((ROWS, COLUMNS), AGREES, np.uint8)
    places[0] = UNTOLD
    for top, end, left, right in blobs:
        places[top:end, left:right] = DIFFERS
    return Hit(0, share, places)


GONE = (20, 30, 40, 44)  # where somebody stood in the one that is held


def test_frames_of_a_still_camera_are_told_by_the_people_in_them_however_much_is_hall() -> None:
    """Where players are small they agree in all but a hundredth."""
    night = [hit(GONE, (20, 30, 5 * at, 5 * at + 3)) for at in range(SHARED.few + 1)]
    found = shares([*([one] for one in night), [hit()]])
    assert [list(one) for one in found.of] == [[]] * len(night) + [[0]]
    assert found.hall == {0: list(range(len(night)))} and found.best()[-1] == (0, 0.95) and found.best()[0] is None
    few = shares([[one] for one in night[1:]])
    assert all(one == {0: 0.95} for one in few.of) and not few.hall  # all may be copies


@pytest.mark.parametrize("share", [0.95, 0.84])
def test_an_edit_that_clips_the_one_who_is_held_shows_a_part_of_them_and_is_held(share: float) -> None:
    """As a brighter one does: it differs in whole places, as if somebody had moved; one in a frame agrees in less."""
    night = [hit(GONE, (20, 30, 5 * at, 5 * at + 3)) for at in range(SHARED.few + 1)]
    found = shares([*([one] for one in night), [hit((20, 28, 40, 44), (40, 44, 60, 64), share=share)]])
    assert [list(one) for one in found.of] == [[]] * len(night) + [[0]]


@pytest.mark.parametrize("own", [(), ((2, 8, 90, 96),)])
def test_many_edits_of_one_picture_make_no_hall(own: tuple[tuple[int, int, int, int], ...]) -> None:
    """Weak places, in which no edit agrees, are scattered; a text in one of them is the edit's alone."""
    weak = [(at, at + 2, at, at + 2) for at in range(2, 58, 3)]
    assert shares([*([hit(*weak)] for _ in range(8)), [hit(*weak, *own)]]).of == [{0: 0.95}] * 9
    mark = (50, 58, 80, 99)  # on all of them
    assert shares([[hit(mark)] for _ in range(9)]).of == [{0: 0.95}] * 9
