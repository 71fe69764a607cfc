"""The delivered files in OUT: how each was made, whether it is still as delivered, and what to do with old ones."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from pipeline.engine.earlier import (
    DeliveredFile,
    Rendered,
    absent,
    keep_done,
    notice_on,
    read_done,
    text_key,
)
from pipeline.engine.filenames import holds_withheld, relative_path
from pipeline.engine.jobs import Planned, Planner, Shoot
from pipeline.engine.kept.lost_records import UNKNOWN, found_again, of_nobody
from pipeline.engine.render import Output, has_damaged_thumbs, put_delivered, rewrap
from pipeline.errors import FrameError
from pipeline.formats.metadata.model import Metadata
from pipeline.recipe.recipe import Delivery
from pipeline.shoot.facts import FrameFacts
from pipeline.store.files import write_atomic
from pipeline.store.keys import record_name
from pipeline.store.places import digest_below, path_below, read_file, remove_emptied
from pipeline.store.set_aside import FOLDER, moved_notice, set_aside
from pipeline.store.store import Store
from pipeline.store.watch import FULL, raise_if_full, surviving
from pipeline.textfile.messages import and_more
from pipeline.types import Frame

_WHY_MOVED = {  # in the order of the notices: one file, several
    "held": ("since its frame is held back", "since their frames are held back"),
    "again": ("and made again", "and made again"),
    "outdated": ("since it may not stay as it is", "since they may not stay as they are"),
}
_LARGEST = 1 << 30  # octets of a delivered file that is read whole
_EARLIER = "made by an earlier run with other settings"


class Outputs:
    """The files in OUT while a run goes on.

    files    posix path below OUT -> record of each file that stays; notices  on those that were removed or changed
    orphans  of these, whose frame has left the shoot folder
    unsettled  files that may not stay as they are, and could be neither rewritten nor removed, with the reason
    unknown  pictures in the folders of deliveries that nothing proves ours, and that may show somebody who is withheld
    reused   how many files were there already; rewritten  paths of those whose texts were written again around the same
             pixels
    moved    posix path of each file that was set aside, being not proven ours -> why, a key of _WHY_MOVED
    changed  posix paths of the files that were rendered again and are no longer what an earlier run delivered
    """

    def __init__(self, store: Store, shoot: Shoot | None = None) -> None:
        self.store, self._shoot = store, shoot
        self.files: dict[str, DeliveredFile] = {}
        self.notices: list[str] = []
        self.orphans: list[str] = []
        self.unsettled: list[str] = []
        self.unknown: Sequence[str] = ()
        self.reused = 0
        self.rewritten: set[str] = set()
        self.changed: set[str] = set()
        self.moved: dict[str, str] = {}
        self._before: dict[str, str] = {}  # path of a file that is to be rendered again -> its SHA-256 till now

    def waiting(self, planned: Planned, asked: Collection[str]) -> dict[str, tuple[Output, ...]]:
        """Frame -> what is to be rendered of it, where anything is; of those that are not `asked` for nothing is, but
        they get their new texts. Raises OSError."""
        waiting: dict[str, tuple[Output, ...]] = {}
        for name, (job, delivered) in planned.items():
            left = self.left([d.output for d in delivered], copy=name in asked)
            if name not in asked:
                continue
            if not left and has_damaged_thumbs(self.store, job):  # else verify would find them for ever
                left = tuple(d.output for d in delivered)
            if left:
                waiting[name] = left
        return waiting

    def collect(self, planned: Planned) -> None:
        """Take in the files that workers wrote and this process has not heard of."""
        for _, delivered in planned.values():
            for output in (d.output for d in delivered):
                if output.relative not in self.files:
                    self.still_good(output)

    def keep(self, one: Rendered, frame: str, metadata: Metadata | None) -> None:
        """Record a file that was made just now. Raises OSError where it is not there."""
        if self._before.get(one.relative, one.sha256) != one.sha256:
            self.changed.add(one.relative)
        moment = (self.store.out / one.relative).stat().st_mtime_ns
        self._put(DeliveredFile(**vars(one), frame=frame, text=text_key(metadata), mtime=moment))

    def still_good(self, output: Output) -> bool:
        """Whether the delivered file needs no render. Its texts are written again first where they have changed."""
        made = self.files.get(output.relative)
        if made is not None and (made.key, made.text) == (output.key, text_key(output.metadata)):
            return True  # earlier in this run
        entry = read_done(self.store, record_name(output.relative))
        path = path_below(self.store.out, output.relative)
        if entry is None and path is not None and path.is_file() and self._shoot is not None:
            self._record_again(self._shoot)
            entry = read_done(self.store, record_name(output.relative))
        if entry is None or path is None or not path.is_file():
            return False
        if entry.key != output.key:
            if made is None:  # an earlier run's
                self._before[output.relative] = entry.sha256
            return False
        text = text_key(output.metadata)
        same = path.stat().st_size == entry.bytes and path.stat().st_mtime_ns == entry.mtime
        if not same and digest_below(self.store.out, output.relative) != entry.sha256:
            return False
        if entry.text != text:
            rewrapped = rewrap(self.store.out, output.relative, entry.scan, output.metadata)
            if rewrapped is None:
                return False
            self._rewrite(entry, path, rewrapped, text)
        else:
            self.reused += entry.relative not in self.rewritten
            after = replace(entry, mtime=path.stat().st_mtime_ns)
            if after == entry:
                self.files[entry.relative] = entry
            else:
                self._put(after)
        return True

    def left(self, outputs: Sequence[Output], *, copy: bool) -> tuple[Output, ...]:
        """Those of a frame's outputs that need a render. With `copy`, what another of them has in OUT with the same
        pixels needs none: a new folder of pictures that are there already costs no more than writing them."""
        missing = [one for one in outputs if not self.still_good(one)]
        there = [one for one in outputs if one not in missing]
        return tuple(one for one in missing if not (copy and any(self._copied(one, other) for other in there)))

    def _copied(self, output: Output, other: Output) -> bool:
        """Whether a file could be made of that of another output."""
        entry = self.files.get(other.relative)
        if entry is None or entry.key != output.key or not entry.key:
            return False
        text = text_key(output.metadata)
        try:
            data, notices = read_file(self.store.out / entry.relative, _LARGEST), entry.notices
            if hashlib.sha256(data).hexdigest() != entry.sha256:
                return False
            if entry.text != text:
                rewrapped = rewrap(self.store.out, entry.relative, entry.scan, output.metadata)
                if rewrapped is None:
                    return False
                data, notices = rewrapped
            sha = hashlib.sha256(data).hexdigest()
            one = Rendered(
                output.relative, output.key, sha, len(data), entry.width, entry.height, entry.quality, entry.scan,
                entry.thumb, notices, entry.light, entry.light_before,
            )  # fmt: skip
            if put_delivered(self.store, one, entry.frame, output.metadata, data):
                self.moved[one.relative] = "again"
            self.keep(one, entry.frame, output.metadata)
        except (FrameError, OSError) as error:  # a render says what is wrong
            raise_if_full(error)
            return False
        return True

    def settle(self, planner: Planner, texts: Mapping[str, Metadata | None], frames: Collection[str]) -> None:
        """Bring files of earlier runs, which this one did not make, into line with today's facts.

        A name that has been withheld since must not stay in OUT just because its frame failed or was not asked for:
        such a file gets its new text, or is removed, and so is one whose frame is called otherwise today. A file whose
        frame has left the shoot folder stays, with no text but that of the event, and is in no zip, page or push: where
        a row of frames.csv says that it shows a player who must not be published, it went before (`remove_held`). One
        that is not proven ours is set aside instead, also where no record names it and its frame is held back.

        texts   posix path below OUT -> the texts that a file of that name may carry
        frames  names in the shoot, also earlier ones of frames that are there
        """
        self.unsettled.clear()  # of `remove_held`: they are tried again here
        allowed = dict(texts)
        gone: list[str] = []
        read = (read_done(self.store, name) for name in self.store.names("done"))
        entries = [entry for entry in read if entry is not None and entry.relative not in self.files]
        known = {*self.files, *(entry.relative for entry in entries)}
        lost = found_again(self.store, known, planner.shoot)
        left = of_nobody(self.store, {*known, *(one.relative for one in lost)}, planner, texts)
        self.notices += left.notices
        for relative in (*left.held, *left.made):
            with self._unsettling(relative):
                self._set_aside(relative, "held" if relative in left.held else "outdated")
                remove_emptied(self.store.out, relative)
        self.unknown = left.perhaps
        facts = planner.shoot.facts
        for entry in (*entries, *lost):
            relative = entry.relative
            path = path_below(self.store.out, relative)
            if path is None:
                self.notices.append(f"{relative}: is, or lies in, a link in OUT; it is left alone, so look at it")
                continue
            if not path.is_file():
                self.store.remove("done", record_name(relative))
                continue
            delivery = next((d for d in planner.recipe.deliveries if relative.rpartition("/")[0] == d.name), None)
            stem = Path(relative).stem
            orphan = entry.frame not in frames
            if delivery is not None and orphan and not holds_withheld(stem, facts):
                self.orphans.append(relative)
                with suppress(Exception):  # without a text, no such file may stay
                    allowed[relative] = planner.text(delivery, absent(relative), FrameFacts())[0]
            name = planner.shoot.index.formerly.get(entry.frame, entry.frame)
            why = "held" if not orphan and planner.shoot.withheld(name) else "outdated"
            with self._unsettling(relative):
                self._bring_into_line(entry, path, relative in allowed, allowed.get(relative), gone, why)
                remove_emptied(self.store.out, relative)
        self.notices += notice_on(gone, "removed, because neither the facts nor the recipe ask for it any more")
        self.notices += notice_on(
            self.orphans,
            "the frame is no longer in the shoot folder; what was delivered stays, names nobody, and is in no zip, "
            "page or push",
        )

    def remove_held(self, entries: Sequence[DeliveredFile], perhaps: Sequence[DeliveredFile] = ()) -> None:
        """Remove files of earlier runs that may not be shown today, or set aside what is not proven ours, and those of
        which nobody knows whether they may (`perhaps`): such a picture may be all that is left of its frame."""
        gone: list[str] = []
        for entry in entries:
            path = path_below(self.store.out, entry.relative)
            if path is not None and path.is_file():  # settle says what becomes of others
                with self._unsettling(entry.relative):
                    self._bring_into_line(entry, path, False, None, gone, "held")
                    remove_emptied(self.store.out, entry.relative)
        self.notices += notice_on(gone, "removed, because held back")
        aside: list[str] = []
        for entry in perhaps:
            if digest_below(self.store.out, entry.relative) is None:
                continue
            with self._unsettling(entry.relative):
                set_aside(self.store.out, entry.relative)
                self.store.remove("done", record_name(entry.relative))
                remove_emptied(self.store.out, entry.relative)
                aside.append(entry.relative)
        self.notices += notice_on(
            aside,
            f"no record says any more which frame this is, so it may be one that is held back: moved to OUT/{FOLDER}",
        )

    def take_names_out(self, planner: Planner, entries: Sequence[DeliveredFile]) -> None:
        """Give files of earlier runs that hold a withheld name the texts of today, without what only a measurement
        tells: that comes with the run. What cannot have them, or has such a name itself, is removed, and made again."""
        if not entries:
            return
        shoot, texts = planner.shoot, dict[str, tuple[Delivery, Frame]]()
        for delivery in planner.recipe.deliveries:
            named = planner.names[delivery.name]
            texts |= {relative_path(delivery, named[one.name]): (delivery, one) for one in shoot.frames}
        gone: list[str] = []
        for entry in entries:
            path, of = path_below(self.store.out, entry.relative), texts.get(entry.relative)
            if path is None or not path.is_file():
                continue
            metadata = None
            with self._unsettling(entry.relative):
                if of is not None:
                    metadata = planner.text(*of, shoot.facts.row(of[1].name))[0]
                try:
                    self._bring_into_line(entry, path, of is not None, metadata, gone, "outdated")
                except OSError as error:
                    if error.errno not in FULL or not entry.is_ours(digest_below(self.store.out, entry.relative) or ""):
                        raise
                    path.unlink()  # which makes room, and it is made again
                    gone.append(entry.relative)
                remove_emptied(self.store.out, entry.relative)
            self.files.pop(entry.relative, None)  # the run decides what becomes of it
        self.notices += notice_on(gone, "removed, because of a withheld name; made again where still asked for")

    def in_the_shoot(self) -> dict[str, DeliveredFile]:
        """The files whose frames are in the shoot folder."""
        return {relative: entry for relative, entry in self.files.items() if relative not in self.orphans}

    def failures(self) -> dict[str, str]:
        """What must not stay as it is in OUT, and a person has to see to, as in the record's failed steps."""
        found = {}
        if self.unsettled:
            found["earlier files"] = (
                f"{and_more(self.unsettled)}: may no longer stay so, and could be neither written nor removed; delete "
                "by hand, or let this command do it"
            )
        if self.unknown:
            found["unknown pictures"] = (
                f"{and_more(self.unknown)}: no record says that this program made it, and it may show or name a player "
                "who is withheld; look at it, and delete it or move it out of OUT"
            )
        return found

    def say_notices(self, say: Callable[[str], None]) -> None:
        """Now, where no record of the run will hold them."""
        for text in self.notices:
            say(text)

    def moved_notices(self) -> list[str]:
        """A notice on the files that were set aside, for each reason."""
        by_reason = {why: [one for one, reason in self.moved.items() if reason == why] for why in _WHY_MOVED}
        return [moved_notice(names, *_WHY_MOVED[why]) for why, names in by_reason.items() if names]

    @contextmanager
    def _unsettling(self, relative: str) -> Iterator[None]:
        """Where the block fails, that file is named, and the others do not stay as they are for it."""

        def failed(why: str) -> None:
            self.files.pop(relative, None)  # so it is in no zip, page or push
            self.unsettled.append(f"{relative} ({why})")

        with surviving(failed):
            yield

    def _set_aside(self, relative: str, why: str) -> None:
        set_aside(self.store.out, relative)
        self.moved[relative] = why

    def _record_again(self, shoot: Shoot) -> None:
        """Where records were lost: those of the files that run.json and their bytes prove to be ours."""
        self._shoot = None  # once in a run
        known = {one.relative for name in self.store.names("done") if (one := read_done(self.store, name)) is not None}
        for entry in found_again(self.store, known, shoot):
            keep_done(self.store, entry)

    def _bring_into_line(
        self, entry: DeliveredFile, path: Path, stays: bool, metadata: Metadata | None, gone: list[str], why: str
    ) -> None:
        """Give one file its new text, or remove it where it may not stay, or set it aside where it is not proven ours,
        for this reason (`why`). `gone` collects what was removed."""
        relative, intact = entry.relative, entry.is_ours(digest_below(self.store.out, entry.relative) or "")
        if not (stays and entry.text == text_key(metadata)):
            if not intact:
                self._set_aside(relative, why)
                self.store.remove("done", record_name(relative))
                return
            rewrapped = rewrap(self.store.out, relative, entry.scan, metadata) if stays else None
            if rewrapped is None and stays and not entry.key:  # found again, and no JPEG
                self.notices.append(f"{relative}: {UNKNOWN}")
                return
            if rewrapped is None:
                path.unlink()
                self.store.remove("done", record_name(relative))
                gone.append(relative)
                return
            entry = self._rewrite(entry, path, rewrapped, text_key(metadata))
        self.files[relative] = replace(entry, current=False, notices=(*entry.notices, _EARLIER))

    def _rewrite(
        self, entry: DeliveredFile, path: Path, rewrapped: tuple[bytes, tuple[str, ...]], text: str
    ) -> DeliveredFile:
        """Write a file with new metadata around the same pixels, and record it."""
        data, cut = rewrapped
        digest = hashlib.sha256(data).hexdigest()
        after = replace(entry, sha256=digest, bytes=len(data), notices=cut, text=text, mtime=0, replaced=entry.sha256)
        self._put(after)  # before the file is written, as in earlier.announce
        write_atomic(path, data)
        self.rewritten.add(entry.relative)
        return self._put(replace(after, mtime=path.stat().st_mtime_ns, replaced=""))

    def _put(self, entry: DeliveredFile) -> DeliveredFile:
        self.files[entry.relative] = entry
        keep_done(self.store, entry)
        return entry
