"""What a person must see of a run, most serious first, and what is merely worth knowing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.report.record import RunRecord
from pipeline.textfile.messages import counted
from pipeline.textfile.notices import Said, Weight, by_kind

_UNSAID = {"undone": "Not done.", "failed": "Nothing says why.", "held": "Nothing says why.", "left out": ""}


@dataclass(frozen=True)
class Need:
    """One thing that needs a person.

    id  of its place in the page; short  for the sentence at the top; count  in words
    open  whether its lines are shown at once; shown  whether its names are of frames that the page shows
    """

    id: str
    short: str
    title: str
    count: str
    lines: list[Said]
    advice: str = ""
    open: bool = False
    shown: bool = True


def needs(record: RunRecord, facts: str) -> list[Need]:
    """All that needs a person. facts  where a person's tables are, in words."""
    return list(_needs(record, facts))


def _needs(record: RunRecord, facts: str) -> Iterator[Need]:
    counts = record.counts
    if record.state != "done":
        why = f"The run ended early: {record.stopped}" if record.stopped else "The run ended early"
        number = counted(counts.undone, "frame") + " not done"
        yield Need("early", "it ended early", why, number, _by_reason(record, "undone"),
                   "Run the same command again to go on.")  # fmt: skip
    if record.failed_steps or record.problems():
        lines = [Said(text, Weight.LOST) for text in (*record.failed_steps.values(), *record.problems())]
        yield Need("broken", f"{counted(len(lines), 'thing')} went wrong", "What went wrong beside single frames",
                   counted(len(lines), "thing"), lines, open=True)  # fmt: skip
    if failed := _by_reason(record, "failed"):
        number = counted(counts.failed_frames, "frame")
        yield Need("failed", f"{counts.failed_frames:,} failed", "Failed", number, failed, open=True)
    if unmatched := record.unmatched():
        rows = by_kind((f"{name}: {frame.reason}" for name, frame in unmatched.items()), unmatched)
        number = counted(len(unmatched), "row")
        yield Need("unmatched", f"{number} of frames.csv not used", "Rows of frames.csv that were not used", number,
                   rows, open=True, shown=False)  # fmt: skip
    if counts.undone and record.state == "done":
        yield Need("undone", f"{counts.undone:,} not done", "Not done", counted(counts.undone, "frame"),
                   _by_reason(record, "undone"), "Run the same command again to finish them.")  # fmt: skip
    if held := _by_reason(record, "held"):
        short = f"{counts.held:,} held back" + (f" ({counts.consent:,} for consent)" if counts.consent else "")
        yield Need("held", short, "Held back from every delivery", counted(counts.held, "frame"), held,
                   f"Nobody sees these. What decides is roster.csv and frames.csv in {facts}.")  # fmt: skip
    doubts = [said for said in of_frames(record) if said.weight < Weight.KNOW]
    if doubts:
        number = counted(len({name for said in doubts for name in said.frames}), "frame")
        yield Need("doubts", f"{number} to look at", "Look at these", number, doubts)
    if left := _by_reason(record, "left out"):
        number = counted(counts.left_out, "frame")
        yield Need("left", f"{counts.left_out:,} left out", "Left out of the selection", number, left,
                   "To have one of these, copy frames.csv from beside this page into "
                   f"{facts}, write always under keep, and run again.")  # fmt: skip


def knowing(record: RunRecord) -> list[Said]:
    """What is worth knowing and needs nobody: notices of the run, and of frames what is no doubt."""
    of_run = by_kind(record.notices, record.frames)
    return sorted([*of_run, *(s for s in of_frames(record) if s.weight is Weight.KNOW)], key=lambda said: said.weight)


def of_frames(record: RunRecord) -> list[Said]:
    """The notices of frames and their files, one of each kind."""
    notices = (
        f"{name}: {text}"
        for name, frame in record.frames.items()
        for text in dict.fromkeys((*frame.notices, *(t for file in frame.deliveries.values() for t in file.notices)))
    )
    return by_kind(notices, record.frames)


def _by_reason(record: RunRecord, status: str) -> list[Said]:
    """The frames of a status, by why."""
    frames = record.of_shoot()
    reasons = (
        f"{name}: {frame.reason or _UNSAID[frame.status]}" for name, frame in frames.items() if frame.status == status
    )
    return by_kind(reasons, frames)
