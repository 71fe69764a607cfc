"""What many pictures share: frames of a camera that stands still, and many edits of one picture."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.shoot.pictures.same import AGREES, DIFFERS, UNSURE, UNTOLD, Hit
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


def walking(count: int = SHARED.few + 1) -> list[Hit]:
    """Others of a night: whoever is in the one that is held is gone, and somebody else is elsewhere."""
    return [hit(GONE, (40, 50, 5 * at, 5 * at + 3)) for at in range(count)]


def let_go(*hits: Hit) -> set[int]:
    """Which of them only show the hall of the one that is held."""
    return {at for at, one in enumerate(shares([[one] for one in hits]).of) if not one}


def test_many_edits_among_a_night_hold_no_more_of_it() -> None:
    """As for a club's page: were they counted, nothing would be the picture's own."""
    night, edits = walking(), [hit((at, at + 1, 10, 20)) for at in range(11)]
    assert let_go(*night, *edits) == set(range(len(night)))


def test_where_one_of_two_is_still_there_the_picture_is_held() -> None:
    """Whoever is held may be the one who sits still."""
    bench = (30, 40, 80, 84)
    night = [hit(GONE, bench, (40, 50, 5 * at, 5 * at + 3)) for at in range(SHARED.few + 1)]
    still = [hit(GONE, (40, 50, 50 + 5 * at, 53 + 5 * at)) for at in range(3)]
    assert let_go(*night, *still) == set(range(len(night)))


def test_what_is_only_unsure_or_not_told_shows_nobody_else() -> None:
    """A blurred edit, such as a small one in a frame, is not surely the same there: that is no other person."""
    night = walking()
    blurred, cropped, dark = hit(), hit((40, 50, 90, 93)), hit((40, 50, 90, 93))
    for picture, value in ((blurred, UNSURE), (cropped, UNTOLD), (dark, UNTOLD)):
        picture.places[20:30, 40:44] = value
    blurred.places[40:50, 90:93] = DIFFERS  # a text on it
    dark.places[20:22, 40:44] = DIFFERS  # a fifth of where somebody stood
    assert let_go(*night, blurred, cropped, dark) == set(range(len(night)))
    hardly = hit((40, 50, 90, 93))
    hardly.places[20:30, 40:44] = UNTOLD
    two = [hit(GONE, (30, 40, 80, 84), (40, 50, 5 * at, 5 * at + 3)) for at in range(SHARED.few + 1)]
    hardly.places[30:40, 80:84] = DIFFERS  # of one of two nothing is told, the other is gone
    assert let_go(*two, hardly) == set(range(len(two) + 1))


def test_by_a_speck_nobody_is_told_apart() -> None:
    """Whoever is held may be too small to be seen here."""
    night = [hit((20, 22, 40, 42), (40, 50, 5 * at, 5 * at + 3)) for at in range(SHARED.few + 1)]
    assert let_go(*night) == set()


def test_a_place_of_which_few_tell_anything_is_nobodys() -> None:
    night = [hit((40, 50, 5 * at, 5 * at + 3)) for at in range(SHARED.few + 1)]
    for one in night:
        one.places[20:30, 40:44] = UNTOLD
    night[0].places[20:30, 40:44] = DIFFERS
    assert let_go(*night) == set()


@pytest.mark.parametrize("own", [(), ((2, 8, 90, 96),)])
def test_many_edits_of_one_picture_make_no_hall(own: tuple[tuple[int, int, int, int], ...]) -> None:
    """Weak places, in which no edit agrees, are scattered; a text in one of them is the edit's alone."""
    weak = [(at, at + 2, at, at + 2) for at in range(2, 58, 3)]
    assert shares([*([hit(*weak)] for _ in range(8)), [hit(*weak, *own)]]).of == [{0: 0.95}] * 9
    mark = (50, 58, 80, 99)  # on all of them
    assert shares([[hit(mark)] for _ in range(9)]).of == [{0: 0.95}] * 9
