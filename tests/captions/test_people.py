"""When a picture was taken, in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from pipeline.captions.people import moment
from pipeline.shoot.facts import Facts
from tests.steps.test_caption import EXIF, FRAME

START = datetime(2026, 2, 14, 19, 30, tzinfo=UTC)


@pytest.mark.parametrize(("days", "believed"), [(2.9, True), (-2.9, True), (3.1, False), (-3.1, False)])
def test_a_clock_that_is_days_off_is_not_believed(days: float, believed: bool) -> None:
    taken = START.replace(tzinfo=None) + timedelta(days=days)
    notices: list[str] = []
    found = moment(replace(FRAME, exif=replace(EXIF, time=taken)), Facts(start=START), notices)
    assert found == (taken if believed else None)  # nobody can tell which of the two is wrong
    assert len(notices) == (not believed)


def test_of_two_times_one_may_be_missing() -> None:
    none = replace(FRAME, exif=replace(EXIF, time=None))
    assert moment(none, Facts(start=START), []) == START.replace(tzinfo=None)
    assert moment(none, Facts(), []) is None
    assert moment(FRAME, Facts(), []) == EXIF.time
