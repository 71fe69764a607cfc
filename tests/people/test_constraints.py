"""What a crop must hold and should not cut, of people, faces and balls at given places, straight and turned."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.geometry import Box, box_to_heights
from pipeline.imaging.rotation import inscribed
from pipeline.people.constraints import constraints_of
from pipeline.people.framing import CropConstraints
from pipeline.people.subject import find_subjects
from pipeline.people.tracking import Observation
from tests.people.test_subject import BETWEEN, PAIR, ball, face
from tests.people.test_tracking import RATIO, SIZE, observed, standing


def of(frame: Observation, margin: float = 0.05, turned: float = 0.0) -> CropConstraints:
    (subject,) = find_subjects([frame])
    assert subject is not None
    return constraints_of(frame, subject, margin, turned)


def test_the_subject_is_held_with_its_margin_in_heights_of_the_frame() -> None:
    found = of(observed([standing(0.5)]))  # 0.5 tall and a third as wide, down to 0.8
    assert found.frame == (0, 0, RATIO, 1)
    assert found.subject == pytest.approx((0.75 - 0.5 / 6, 0.3, 0.75 + 0.5 / 6, 0.8))
    assert found.must == pytest.approx((0.75 - 0.5 / 6 - 0.025, 0.275, 0.75 + 0.5 / 6 + 0.025, 0.825))


def test_a_margin_that_the_frame_does_not_have_is_not_asked_for() -> None:
    x0, y0, x1, y1 = of(observed([standing(0.06, foot=0.98, tall=0.5)]), margin=0.3).must
    assert (x0, y1) == (0.0, 1.0) and x1 < RATIO and y0 > 0


def test_who_contests_the_ball_and_the_ball_are_held() -> None:
    x0, y0, x1, y1 = of(observed(PAIR, balls=[BETWEEN]), margin=0.0).must
    for row in (*PAIR, BETWEEN):
        left, top, right, bottom = box_to_heights(Box(*row[:4]), *SIZE)
        assert x0 <= left + 1e-6 and y0 <= top + 1e-6 and x1 >= right - 1e-6 and y1 >= bottom - 1e-6


def test_everybody_else_is_not_to_be_cut_nor_any_face() -> None:
    """The subject is not among the others; who hardly is a person and a face of little certainty are not cut either."""
    people = [standing(0.5), standing(0.9, tall=0.3), standing(0.1, tall=0.3, sure=0.25)]
    found = of(observed(people, faces=[face(0.5, 0.35), face(0.9, 0.55, 0.03, sure=0.51)], balls=[ball(0.2, 0.2, 0.5)]))
    assert found.people == pytest.approx(np.array([box_to_heights(Box(*p[:4]), *SIZE) for p in people[1:]]), abs=1e-6)
    assert len(found.faces) == 2 and len(found.balls) == 1
    assert found.faces[1] == pytest.approx((1.35 - 0.015, 0.535, 1.35 + 0.015, 0.565), abs=1e-6)


def test_who_is_missed_in_the_frame_is_not_cut_and_a_ball_has_room() -> None:
    """A ball 0.04 high has a hundredth of the frame's height on each side, so that none is left at the very edge."""
    frame = observed([standing(0.5)], balls=[ball(0.2, 0.2, 0.5, 0.04)])
    (subject,) = find_subjects([frame])
    assert subject is not None
    found = constraints_of(frame, subject, 0.0, 0.0, np.array([[0.8, 0.3, 0.9, 0.7]]))
    assert found.people == pytest.approx(np.array([[0.8 * RATIO, 0.3, 0.9 * RATIO, 0.7]]))
    assert found.balls[0, [1, 3]] == pytest.approx([0.2 - 0.02 - 0.01, 0.2 + 0.02 + 0.01], abs=1e-6)


@pytest.mark.parametrize("turned", [-4.0, 3.0])
def test_all_of_it_turns_with_the_picture(turned: float) -> None:
    """Oracle: the middle of a small box, turned about the frame's by complex multiplication; y runs down."""
    frame = observed([standing(0.3, foot=0.5, tall=0.3)], balls=[ball(0.8, 0.8, 0.9)], faces=[face(0.7, 0.2, 0.03)])
    found = of(frame, margin=0.0, turned=turned)
    about = complex(RATIO / 2, 0.5)
    for box, x, y in ((found.subject, 0.3, 0.35), (found.balls[0], 0.8, 0.8), (found.faces[0], 0.7, 0.2)):
        expected = (complex(x * RATIO, y) - about) * np.exp(1j * np.radians(turned)) + about
        assert (box[0] + box[2]) / 2 == pytest.approx(expected.real, abs=1e-4)
        assert (box[1] + box[3]) / 2 == pytest.approx(expected.imag, abs=1e-4)
    assert found.frame == pytest.approx(box_to_heights(inscribed(turned, *SIZE), *SIZE))
