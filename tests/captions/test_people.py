"""When a picture was taken, in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from pipeline.captions.people import moment
from pipeline.shoot.facts import Facts
from tests.steps.test_caption import EXIF, FRAME

START = datetime(2026, 2, 14, 19, 30, tzinfo=UTC)


def test_a_date_that_is_not_believed_is_no_date() -> None:
    notices: list[str] = []
    for taken in (EXIF.time, None):
        frame = replace(FRAME, exif=replace(EXIF, time=taken, doubt="it is doubted"))
        assert moment(frame, Facts(start=START), notices) is None
    assert notices == ["it is doubted"] * 2


def test_of_two_times_one_may_be_missing() -> None:
    none = replace(FRAME, exif=replace(EXIF, time=None))
    assert moment(none, Facts(start=START), []) == START.replace(tzinfo=None)
    assert moment(none, Facts(), []) is None
    assert moment(FRAME, Facts(), []) == EXIF.time
