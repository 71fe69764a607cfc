"""Who may no longer be shown leaves OUT, its zips and pages, and every address: first of all, whatever becomes of the
rest of a run. A run may be stopped, or fail, at any later moment."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.deliver.deliver import withdraw
from pipeline.deliver.extras import extra_digests
from pipeline.deliver.model import Delivered, names_digest
from pipeline.engine.earlier import WITHHELD, DeliveredFile, names_known, read_done
from pipeline.engine.filenames import holds_withheld
from pipeline.engine.jobs import Planner, Shoot
from pipeline.engine.kept.deleted_frames import deleted_frames
from pipeline.engine.kept.lost_records import found_again
from pipeline.engine.kept.sent_again import find_sent_again
from pipeline.engine.kept.withdrawn import Watch
from pipeline.engine.outputs import Outputs
from pipeline.engine.sending import held_names, send, sent_record, withheld_names
from pipeline.errors import trace
from pipeline.formats.metadata.own_texts import own_texts
from pipeline.report.record import FrameRecord, SentRecord
from pipeline.shoot.facts import Facts
from pipeline.store.places import digest_below, path_below
from pipeline.store.store import ROOT, Store
from pipeline.textfile.messages import and_more
from pipeline.types import Progress


@dataclass(frozen=True)
class TakenBack:
    """unplaced  where rows of frames.csv stand that show a player who must not be published, and mean neither a frame
    of the shoot nor one of an earlier run; problems  sentences on what could not be taken back; unknown  why nobody
    knows all that was sent, "" where that is known"""

    unplaced: tuple[str, ...]
    problems: list[str]
    unknown: str = ""


def take_back_held(store: Store, planner: Planner, outputs: Outputs) -> TakenBack:
    """Before anything else: remove the pictures of earlier runs whose frames are held back by today's facts, and all
    that shows them; and take the names that are withheld today out of those that stay. What cannot be reached now is
    tried again when the run sends.

    The pictures themselves go last: while one is there, the next run knows what else shows it. Raises OSError.
    """
    shoot = planner.shoot
    unknown = find_sent_again(store)
    is_renamed = not names_known(store.out).files and any(shoot.for_consent(frame.name) for frame in shoot.frames)
    entries = [one for name in store.names("done") if (one := read_done(store, name)) is not None]
    known = {*(one.relative for one in entries), *extra_digests(store)}
    entries += found_again(store, known, shoot)
    deleted = deleted_frames(store, shoot, [one.frame for one in entries])
    there = {frame.name for frame in shoot.frames}

    def is_held(one: DeliveredFile) -> bool:
        name = shoot.index.formerly.get(one.frame, one.frame)
        return bool(shoot.withheld(name)) if name in there else one.frame in deleted.hidden

    def may_be_held(one: DeliveredFile) -> bool:
        """Nobody knows any more what a frame that is held was called then."""
        return is_renamed and shoot.index.formerly.get(one.frame, one.frame) not in there and not is_held(one)

    held = [one for one in entries if is_held(one)]
    perhaps = [one for one in entries if may_be_held(one)]
    may_stay = {one.relative: one.sha256 for one in entries if not (is_held(one) or may_be_held(one))}
    named = naming(store.out, entries, shoot.facts)
    taken = withdraw(store.out, may_stay, withheld_names(shoot.facts), is_named=named)
    outputs.remove_held(held, perhaps)
    outputs.notices += said(taken)
    _take_back_names(store, planner, outputs, [one for one in entries if one.relative in may_stay], named)
    if unknown and not (withheld_names(shoot.facts) or any(shoot.for_consent(frame.name) for frame in shoot.frames)):
        outputs.notices.append(unknown)
        unknown = ""
    return TakenBack(deleted.unplaced, [text for one in taken.values() for text in one.problems], unknown)


def _take_back_names(
    store: Store, planner: Planner, outputs: Outputs, entries: Sequence[DeliveredFile], named: Callable[[str], bool]
) -> None:
    """Where other names are withheld than when the files in OUT were last looked through: give those that hold one the
    texts of today, as far as these are known before a frame is measured."""
    names = names_digest(withheld_names(planner.shoot.facts))
    if store.record(ROOT, WITHHELD, str) == names:
        return
    outputs.take_names_out(planner, [one for one in entries if named(one.relative)] if names else [])
    if not outputs.unsettled:
        store.put_record(ROOT, WITHHELD, str, names)


def naming(out: Path, entries: Iterable[DeliveredFile], facts: Facts) -> Callable[[str], bool]:
    """Whether a file in OUT, by its posix path, holds a name that is withheld today, in that path or in the texts of a
    picture: it gets others before it is sent again. A picture that cannot be read, or is not as it was delivered, may
    hold any. entries  of the pictures; small ones of a page have no texts"""
    pictures = {one.relative: one for one in entries}

    def is_named(relative: str) -> bool:
        texts = [relative.rpartition(".")[0].replace("/", "\0")]
        if (entry := pictures.get(relative)) is not None:
            try:
                path = path_below(out, relative)
                if path is None or not _is_as_delivered(out, entry, path):
                    return True
                inside = own_texts(path)
            except Exception as error:
                trace(error)
                return True
            if inside.unreadable:
                return True
            texts += [one.text for one in inside.texts if not one.maker]
        return holds_withheld("\0".join(texts), facts)

    return is_named


def _is_as_delivered(out: Path, entry: DeliveredFile, path: Path) -> bool:
    about = path.stat()
    same = (about.st_size, about.st_mtime_ns) == (entry.bytes, entry.mtime)
    return same or digest_below(out, entry.relative) == entry.sha256


@dataclass(frozen=True)
class Sent:
    """What was sent and taken back, by delivery.

    notices  on all of it; part  whether not everything was sent, and why, where that is no stop by hand
    """

    done: Mapping[str, Delivered]
    notices: list[str]
    part: bool = False
    why: str = ""

    def records(self, before: Mapping[str, SentRecord], out: Path) -> dict[str, SentRecord]:
        """For run.json. before  of the last run: still true of deliveries of which nothing was sent now"""
        found = dict(before) if self.part else {}
        for name, one in self.done.items():
            now = sent_record(one)
            if self.part and not (one.made or one.push.address):
                now = replace(found.get(name, now), problems=now.problems)
            found[name] = now
        return {
            name: replace(one, files={path: file for path, file in one.files.items() if (out / path).is_file()})
            for name, one in found.items()
        }


def take_back_now(out: Path, shoot: Shoot, files: Mapping[str, DeliveredFile], why: str = "") -> Sent:
    """Take back from zips, pages, sheets and addresses alone, where nothing is sent after it.

    files  those in OUT, by posix path: of these, what `shoot` does not hold back may stay where it is
    """
    formerly = shoot.index.formerly
    free = {path: one for path, one in files.items() if not shoot.withheld(formerly.get(one.frame, one.frame))}
    may_stay = {path: one.sha256 for path, one in free.items()}
    named = naming(out, free.values(), shoot.facts)
    taken = withdraw(out, may_stay, withheld_names(shoot.facts), is_named=named, pauses=())
    return Sent(taken, said(taken), True, why)


def send_watched(
    planner: Planner,
    frames: Mapping[str, FrameRecord],
    files: Mapping[str, DeliveredFile],
    progress: Progress,
    there: Callable[[], None],
    missing: Mapping[str, int],
) -> Sent:
    """`send`, until somebody withdraws: then nothing more is sent, and what shows them is taken back.

    there  raises where OUT is not there any more; the rest as for `send`
    """
    watch = Watch(planner.shoot)

    def go_on() -> bool:
        return watch.withdrawal() is None

    held = held_names(planner)
    done = send(planner.out, planner.shoot, planner.recipe, frames, files, progress, there, go_on, missing, held)
    notices = [text for one in done.values() for text in one.notices]
    if watch.found is None:
        return Sent(done, notices)
    back = take_back_now(planner.out, watch.found.shoot, files, watch.found.why)
    return Sent({**back.done, **done}, [*notices, *back.notices], True, back.why)


def said(taken: Mapping[str, Delivered]) -> list[str]:
    """Notices on what was taken back."""
    notices = [text for one in taken.values() for text in one.notices]
    for name, one in taken.items():
        if removed := one.push.removed:
            notices.append(f"delivery {name}: {and_more(removed)}: taken back from where it had been sent")
    return notices
