"""evencourt status, and the summary that ends a run: what the record of a run says, in few lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Container, Mapping
from pathlib import Path

import typer

from pipeline.cli.console import MOST_ALONE, MOST_LINES, command, note, say, some, warn
from pipeline.errors import InputError
from pipeline.report.kept_frames import read_checked
from pipeline.report.record import Counts, RunRecord
from pipeline.steps.resize import SHORT
from pipeline.store.store import Store
from pipeline.textfile.messages import and_more, counted
from pipeline.textfile.notices import Weight, lines_by_kind, weigh

_FEW = 5  # notes that status prints: a run has printed more of them
_KNOWN = 12  # notes that a run ends with where fewer of them ask for anything: a screen has room for the rest
_NO_FRAME = " in the shoot folder"  # how the reason of a row of frames.csv ends that fits no frame


def show_status(out: Path) -> None:
    """Print what the run in `out` did.

    Raises InputError where `out` holds no run, typer.Exit(1) where the run is not finished or something failed.
    """
    store = Store(out)
    record = read_run(out)
    if not store.work.is_dir():
        raise InputError(f"{out}: holds no run; give the folder that was given to --out")
    if goes_on := store.is_locked():
        say("a run is writing to this folder now; wait until it has ended")
    if record is None:
        done = sum(1 for _ in store.names("done"))
        then = "" if goes_on else ". Run the same command again to go on"
        say(f"no finished run here; {counted(done, 'file')} delivered so far{then}")
        raise typer.Exit(1)
    if goes_on:
        say("the run before it:")
    print_outcome(record, most=_FEW)
    print_places(record, out)
    if not goes_on:
        say(f"{command('verify', out)} compares every file with what was delivered")
    if record.state != "done" or record.counts.failed or record.failed_steps or record.problems():
        raise typer.Exit(1)


def read_run(out: Path, read: Callable[[Path], RunRecord | None] = read_checked) -> RunRecord | None:
    """The record of a finished run; None where there is none yet. read  the frames stay on disk, unless told otherwise

    Raises InputError where there is no such folder, or its record cannot be read.
    """
    if not out.is_dir():
        raise InputError(f"{out}: there is no such folder")
    return read(out)


def print_outcome(
    record: RunRecord,
    seconds: float | None = None,
    said: Container[str] = (),
    line: Callable[[str], str] = str,
    most: int = MOST_LINES,
) -> None:
    """Notes, failures and the counts of a run.

    seconds  how long it took, where that is known; said  texts of the record that were printed before
    line   what of a text may be shown, where withheld names may stand in it: see redaction.py
    most     notes that are printed, fewer where the last of them ask for nothing
    """
    counts = record.counts
    _print_notes(record, " in the report", "failed", line, said, most)
    for text in record.failed_steps.values():
        if text not in said:
            warn(line(f"failed: {text}"))
    some(warn, [line(f"not sent: {text}") for text in record.problems()], "file not sent", " in the report")
    if record.stopped:
        warn(line(record.stopped))
    again = f", {counted(counts.reused, 'file')} already done" if counts.reused else ""
    again += f", {counted(counts.captions_rewritten, 'caption')} rewritten" if counts.captions_rewritten else ""
    again += ", files in OUT that must not stay there" if record.failed_steps.get("earlier files") else ""
    took = f" in {seconds:.0f} s" if seconds is not None else ""
    none = "none rendered yet" if counts.undone else "nothing to render"
    rendered = f"{counted(counts.rendered, 'frame')} rendered" if counts.rendered else none
    say(
        f"{counts.delivered} of {counts.frames} frames delivered, {counts.failed_frames} failed, "
        f"{_not_delivered(counts)}: {rendered}{again}{took}"
    )


def print_foreseen(record: RunRecord, line: Callable[[str], str] = str) -> None:
    """The same of a run that has not begun, with how many files each delivery has.

    record  see engine.decide.foresee; line  as for print_outcome
    """
    counts = record.counts
    _print_notes(record, "", "would fail", line)
    for text in record.failed_steps.values():
        warn(line(f"failed: {text}"))
    frames, bursts = counted(counts.frames, "frame"), counted(len(record.bursts), "burst")
    say(f"{frames} in {bursts}, {counted(counts.files, 'file')}")
    for name, (count, folders) in _files(record).items():
        say(f"  {name}: {count:,}{_in_folders(folders)}")
    say(
        f"{counts.delivered} of {counts.frames} frames would be delivered, {counts.failed_frames} would fail, "
        f"{_not_delivered(counts)}"
    )


def print_places(record: RunRecord, out: Path) -> None:
    """The folder of each delivery, with how many files of the shoot's frames are in it."""
    for name, (count, folders) in _files(record).items():
        say(f"delivered  {out / name}  {counted(count, 'file')}{_in_folders(folders)}")


def _files(record: RunRecord) -> dict[str, tuple[int, int]]:
    """Delivery -> (how many files it has, in how many folders of groups)."""
    counts = Counter(name for frame in record.frames.values() for name in frame.deliveries)
    found: dict[str, tuple[int, int]] = {}
    for name, count in counts.items():
        delivery, _, group = name.partition("/")
        files, folders = found.get(delivery, (0, 0))
        found[delivery] = files + count, folders + bool(group)
    return found


def _in_folders(folders: int) -> str:
    return f" in {counted(folders, 'folder')}" if folders else ""


def _not_delivered(counts: Counts) -> str:
    rest = f", {counts.left_out} not chosen" if counts.left_out else ""
    rest += f", {counts.undone} not done" if counts.undone else ""
    if counts.unmatched_rows:
        rest += f", {counted(counts.unmatched_rows, 'row')} of frames.csv not used"
    return f"{counts.held} held back{counts.why_held}{rest}"


def _print_notes(
    record: RunRecord,
    where: str,
    failed: str,
    line: Callable[[str], str],
    said: Container[str] = (),
    most: int = MOST_LINES,
) -> None:
    """Notes, failures by frame, and which frames are held back and why.

    where  the rest of the notes are, if anywhere; line, said, most  as for print_outcome
    """
    notes = _notes(record, said)
    # The serious come first, and the report has all; before a run there is none to look in.
    most = min(most, max(_KNOWN, sum(weigh(text) < Weight.KNOW for text in notes))) if where else MOST_ALONE
    most = max(most, sum(weigh(text) is Weight.HARM for text in notes))
    asking = sum(weigh(text) < Weight.KNOW for text in notes[most:])
    left = f", {asking} of them to look at" if asking else ", none of which asks for anything"
    some(note, [line(text) for text in notes], "note", where and where + left, most)
    unused = {name: frame.reason for name, frame in record.unmatched().items()}
    bad = {n: frame for n, frame in record.frames.items() if frame.status == "failed" and n not in unused}
    unused = {name: reason for name, reason in unused.items() if reason not in said}
    print_unused(unused, line, where)  # first, as a run says it before it begins
    lines = [line(f"{failed}: {frame.relative or n}: {frame.reason}") for n, frame in bad.items()]
    some(warn, lines, "failed frame", where)
    held: dict[str, list[str]] = {}
    for name, frame in record.frames.items():
        if frame.status == "held":
            held.setdefault(frame.reason, []).append(name)
    most_first = sorted(held.items(), key=lambda item: -len(item[1]))
    most = MOST_LINES if where else MOST_ALONE
    for why, names in most_first[:most]:
        note(line(f"{and_more(names)} held back: {why}"))
    if rest := sum(len(names) for _, names in most_first[most:]):
        note(f"and {counted(rest, 'more frame')} held back{where}")


def print_unused(rows: Mapping[str, str], line: Callable[[str], str], where: str) -> None:
    """Rows of frames.csv that are not used -> why; line, where  as for the notes."""
    astray = [name for name, reason in rows.items() if reason.endswith(_NO_FRAME)]
    if len(astray) > 1:
        rows = {name: reason for name, reason in rows.items() if name not in astray}
        warn(line(f"not used: rows of frames.csv without a frame{_NO_FRAME}: {and_more(astray)}"))
    lines = [line(f"not used: {name}: {reason}") for name, reason in rows.items()]
    some(warn, lines, "row of frames.csv", where)


def _notes(record: RunRecord, said: Container[str]) -> list[str]:
    """One line for each thing to say that was not `said`, however many frames it is about, the most serious first."""
    of_run = (text for text in record.notices if text not in said)
    of_files = (
        f"{name}: {text}"
        for name, frame in record.frames.items()
        if frame.status != "failed"  # of which the reason says it all
        for text in (*frame.notices, *sorted({t for file in frame.deliveries.values() for t in file.notices}))
        if not text.startswith(SHORT)
    )
    return [*lines_by_kind((*of_run, *of_files), record.frames), *_too_small(record)]


def _too_small(record: RunRecord) -> list[str]:
    """One line on all files that have fewer pixels than their delivery asks for."""
    small = {
        (name, delivery): file
        for name, frame in record.frames.items()
        for delivery, file in frame.deliveries.items()
        if any(text.startswith(SHORT) for text in file.notices)
    }
    if not small:
        return []
    (name, delivery), least = min(small.items(), key=lambda item: max(item[1].width, item[1].height))
    names = and_more(list(dict.fromkeys(name for name, _ in small)))
    which = f"the smallest is {name} in {delivery}, " if len(small) > 1 else ""
    return [
        f"{names}: shorter than asked for, since the frame, or its crop, holds no more: {which}"
        f"{least.width} × {least.height} pixels"
    ]
