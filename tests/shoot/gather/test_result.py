"""The answer, of which one half alone would cost a night's pictures."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from pipeline.shoot.gather.result import CardResult, size_text

SHOOT, SECOND = Path("shoot"), Path("second")


def result(**changes) -> CardResult:
    values = {"found": 2, "gathered": 2, "size": 5_000_000, "complete": True} | changes
    return CardResult(Path("CARD"), (SHOOT, SECOND), **values)


def test_yes_names_files_and_folders() -> None:
    assert result().safe
    assert result().verdict() == (
        "safe to format: yes, because all 2 files stand in shoot and in second, read back from disk with the same "
        "SHA-256 as on the card (5.0 MB)"
    )


def test_no_where_the_copy_would_be_formatted_too() -> None:
    shared = result(on_disk_of=[SECOND])
    assert not shared.safe and shared.whole
    assert shared.verdict() == (
        "safe to format: no, because it is a folder on the disk of second: to format that disk would delete the "
        "copy too; to empty it, delete its files: all 2 files stand in shoot and in second, read back from disk "
        "with the same SHA-256 as on the card (5.0 MB)"
    )
    doubtful = result(on_disk_of=[SECOND], complete=False)
    assert not doubtful.whole and "delete its files" not in doubtful.verdict()


@pytest.mark.parametrize(
    ("changes", "because"),
    [
        ({"complete": False}, "it was not read to its end"),
        (
            {"gathered": 1, "verified": Counter({SHOOT: 2, SECOND: 1})},
            "verified are 2 of 2 files in shoot, 1 of 2 files in second",
        ),
        ({"gathered": 3}, ""),
        ({"found": 0, "gathered": 0}, ""),
        ({"failed": [("DCIM/A.CR3", "cannot be read")]}, "DCIM/A.CR3: cannot be read"),
        ({"failed": [("A", "bad"), ("B", "bad"), ("C", "worse")]}, "A and 1 more: bad; C: worse"),
        ({"against": ["shoot is full", "shoot is full"]}, "shoot is full"),
    ],
)
def test_any_one_doubt_is_a_no(changes: dict, because: str) -> None:
    doubtful = result(**changes)
    assert not doubtful.safe and doubtful.verdict().startswith("safe to format: no, because ")
    if because:
        assert doubtful.verdict() == f"safe to format: no, because {because}"


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (0, "0 bytes"),
        (999, "999 bytes"),
        (1000, "1 kB"),
        (1_500_000, "1.5 MB"),
        (64 * 10**9, "64.0 GB"),
        (2e12, "2.0 TB"),
    ],
)
def test_sizes_are_decimal_as_on_the_label_of_a_card(size: int, text: str) -> None:
    assert size_text(size) == text
