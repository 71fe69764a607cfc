"""A decision is answered at once, however large the night."""

from __future__ import annotations

import pytest

from tests.review.speed import WANTED, measure


@pytest.mark.long
def test_a_decision_takes_less_than_a_tenth_of_a_second_at_2000_frames() -> None:
    slow = {what: taken for what, taken in measure(2000, 3).items() if taken > WANTED and "later" not in what}
    assert slow == {}
