"""What a person must see of a run, most serious first, and what is merely worth knowing."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass

from pipeline.report.record import FrameRecord, RunRecord
from pipeline.steps import crop
from pipeline.steps.crop_solution import CropSource
from pipeline.textfile.messages import counted
from pipeline.textfile.notices import Said, Weight, by_kind, weigh
from pipeline.types import JsonValue


@dataclass(frozen=True)
class DoubtRules:
    """From when a number asks for a look. Chosen by us, no source; they decide no picture.

    burnt  share of a picture that is white; crop_sure  certainty of the subject below which its crop is doubtful
    """

    burnt: float = 0.03
    crop_sure: float = 0.65


RULES = DoubtRules()
_UNSAID = {"undone": "Not done.", "failed": "Nothing says why.", "held": "Nothing says why.", "left out": ""}


@dataclass(frozen=True)
class Need:
    """One thing that needs a person.

    id  of its place in the page; short  for the sentence at the top; count  in words
    open  whether its lines are shown at once; shown  whether its names are of frames that the page shows
    needed  whether it needs a person at all
    """

    id: str
    short: str
    title: str
    count: str
    lines: list[Said]
    advice: str = ""
    open: bool = False
    shown: bool = True
    needed: bool = True


def of_run(record: RunRecord, facts: str) -> tuple[list[Need], list[Said]]:
    """(all that needs a person, and what was left out; what is worth knowing and needs nobody).

    facts  where a person's tables are, in words
    """
    told = _Told(record.frames)
    for text in record.notices:
        (told.doubts if weigh(text) < Weight.KNOW else told.known).append(text)
    for name, frame in record.frames.items():
        told.add(name, frame)
    return list(_needs(record, facts, told)), told.kinds(told.known)


class _Told:
    """What is said of frames, gathered in one pass: the frames of a night lie on disk.

    reasons  status -> "NAME: why" of the frames of the shoot; unmatched  the same of rows without a frame
    doubts, known  notices, most of them "NAME: TEXT"
    """

    def __init__(self, names: Container[str]) -> None:
        self.names = names
        self.reasons: dict[str, list[str]] = {status: [] for status in _UNSAID}
        self.unmatched: list[str] = []
        self.doubts: list[str] = []
        self.known: list[str] = []

    def add(self, name: str, frame: FrameRecord) -> None:
        """One frame, or row without one."""
        if frame.relative and frame.status in self.reasons:
            self.reasons[frame.status].append(f"{name}: {frame.reason or _UNSAID[frame.status]}")
        elif not frame.relative and frame.status == "failed":
            self.unmatched.append(f"{name}: {frame.reason}")
        doubts = doubts_of(frame)
        self.doubts += [f"{name}: {text}" for text in doubts]
        if frame.status != "failed":  # of which the reason says it all
            self.known += [f"{name}: {text}" for text in notices_of(frame) if text not in doubts]

    def kinds(self, notices: Iterable[str]) -> list[Said]:
        """One of each kind."""
        return by_kind(notices, self.names)


def _needs(record: RunRecord, facts: str, told: _Told) -> Iterator[Need]:
    counts = record.counts
    if record.state != "done":
        why = f"The run ended early: {record.stopped}" if record.stopped else "The run ended early"
        number = counted(counts.undone, "frame") + " not done"
        yield Need("early", "it ended early", why, number, told.kinds(told.reasons["undone"]),
                   "Run the same command again to go on.")  # fmt: skip
    if record.failed_steps or record.problems():
        lines = [Said(text, Weight.LOST) for text in (*record.failed_steps.values(), *record.problems())]
        yield Need("broken", f"{counted(len(lines), 'thing')} went wrong", "What went wrong beside single frames",
                   counted(len(lines), "thing"), lines, open=True)  # fmt: skip
    if failed := told.kinds(told.reasons["failed"]):
        number = counted(counts.failed_frames, "frame")
        yield Need("failed", f"{counts.failed_frames:,} failed", "Failed", number, failed, open=True)
    if told.unmatched:
        rows, number = told.kinds(told.unmatched), counted(len(told.unmatched), "row")
        yield Need("unmatched", f"{number} of frames.csv not used", "Rows of frames.csv that were not used", number,
                   rows, open=True, shown=False)  # fmt: skip
    if counts.undone and record.state == "done":
        yield Need("undone", f"{counts.undone:,} not done", "Not done", counted(counts.undone, "frame"),
                   told.kinds(told.reasons["undone"]), "Run the same command again to finish them.")  # fmt: skip
    if held := told.kinds(told.reasons["held"]):
        short = f"{counts.held:,} held back{counts.why_held}"
        yield Need("held", short, "Held back from every delivery", counted(counts.held, "frame"), held,
                   f"These are in no delivery. What decides is roster.csv and frames.csv in {facts}.")  # fmt: skip
    if doubts := told.kinds(told.doubts):
        frames = len({name for said in doubts for name in said.frames})
        of_all = sum(not said.frames for said in doubts)  # such as that nobody has said who is in the pictures
        parts = [counted(frames, "frame")] if frames else []
        parts += [counted(of_all, "other thing" if frames else "thing")] if of_all else []
        number = " and ".join(parts)
        harm = any(said.weight is Weight.HARM for said in doubts)
        yield Need("doubts", f"{number} to look at", "Look at these", number, doubts, open=harm)
    if left := told.kinds(told.reasons["left out"]):
        number = counted(counts.left_out, "frame")
        yield Need("left", f"{counts.left_out:,} left out", "Left out of the selection", number, left,
                   "To have one of these, copy frames.csv from beside this page into "
                   f"{facts}, write always under keep, and run again.", needed=False)  # fmt: skip


def notices_of(frame: FrameRecord) -> list[str]:
    """All that is to be said of a frame and its files, once each, with what its numbers say."""
    of_files = (text for file in frame.deliveries.values() for text in file.notices)
    return list(dict.fromkeys((*frame.notices, *of_files, *_by_numbers(frame))))


def doubts_of(frame: FrameRecord) -> list[str]:
    """Those of them for which a person should look. Of a frame that is not delivered, only what may do harm or is
    lost."""
    least = Weight.KNOW if frame.deliveries else Weight.LOOK
    return [text for text in notices_of(frame) if weigh(text) < least]


def doubts_about(notices: Iterable[str]) -> dict[str, list[str]]:
    """Frame -> those of the run's notices, "NAME: TEXT", for which a person should look at it."""
    found: dict[str, list[str]] = {}
    for whole in notices:
        name, _, text = whole.partition(": ")
        if text and weigh(text) < Weight.KNOW:
            found.setdefault(name, []).append(text)
    return found


def sure_of_subject(solution: Mapping[str, JsonValue]) -> float | None:
    """How sure a crop is of its subject, 0 to 1; None where it claims none: all who may be it are then in the crop."""
    sure = solution.get("confidence")
    return sure if isinstance(sure, float) and solution.get("source") == CropSource.SUBJECT else None


def _by_numbers(frame: FrameRecord) -> Iterator[str]:
    burnt = max((file.light.burnt for file in frame.deliveries.values() if file.light), default=0.0)
    if burnt > RULES.burnt:
        yield f"burnt out: {100 * burnt:.0f} % of the picture is white in all colours; look at it"
    for name in frame.deliveries:
        sure = sure_of_subject(frame.solutions.get(f"{name.partition('/')[0]}/{crop.STEP.name}", {}))
        if sure is not None and sure < RULES.crop_sure:
            yield f"crop of {name}: {100 * sure:.0f} % sure that it is around the subject; look at it"
