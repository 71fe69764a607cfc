"""A push: what may be shown goes to the address, what we put there and may no longer be shown is removed."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.deliver.address import Address, parse_address
from pipeline.deliver.errors import plain
from pipeline.deliver.model import Pushed
from pipeline.deliver.records import PushRecord, PushRecords
from pipeline.deliver.targets import Observation, PushError, Target, connected
from pipeline.store.keys import digest_file

PAUSES = (3.0, 20.0, 60.0)  # seconds before a cut link is tried again


@dataclass(frozen=True)
class Outgoing:
    """A file to push. name: posix path below the address; text: digest of the texts of a picture;
    kind: "picture", or "archive" or "page", which go last because they hold or name the others."""

    name: str
    path: Path
    sha256: str
    text: str = ""
    kind: str = "picture"


def push(
    records: PushRecords,
    delivery: str,
    address: Address | None,
    files: Sequence[Outgoing],
    earlier: Mapping[str, str],
    *,
    environ: Mapping[str, str],
    progress: Callable[[int, int], None] = lambda done, total: None,
    pauses: Sequence[float] = PAUSES,
    names: str = "",
    held: Sequence[str] = (),
    is_named: Callable[[str], bool] = lambda name: False,
    go_on: Callable[[], bool] = lambda: True,
) -> Pushed:
    """Bring an address into step with `files`.

    names    digest of the names that are withheld today, see `model.names_digest`
    held     what the files of frames that are held back for consent would be called: where one of these is at the
             address and no record says that it was put there from here, it is left, and is one of the problems
    is_named whether the name of a file or folder there holds one that is withheld: the same of such a one
    go_on    asked before each file; where it is false, no more is sent

    earlier  name -> SHA-256 of files that this run did not make and whose permission it has checked: a copy that was
             pushed before stays while it has these bytes

    Every other file that was put before, at this address or at one that the recipe named earlier, is removed; a file
    that something else put there is neither removed nor written over. A cut link is tried again after each of
    `pauses`, and goes on where it was. Never raises for the other end: what failed is in `problems`.
    """
    former = {e.address for e in records.of(delivery)} - {address.text if address else ""}
    sent: list[str] = []
    kept: list[str] = []
    removed: list[str] = []
    problems: list[str] = []
    for text in sorted(former):
        # A copy at an earlier address may stay while it is what may be shown today.
        may_stay = dict(earlier) | {f.name: f.sha256 for f in files}
        gone = _Session(records, delivery, parse_address(text), (), may_stay)
        if gone.outdated():
            gone.go(environ, progress, pauses)
        removed += gone.removed
        problems += gone.problems
    if address is None:
        return Pushed("", (), (), tuple(removed), tuple(problems))
    session = _Session(records, delivery, address, files, earlier, names, held, is_named, go_on)
    session.go(environ, progress, pauses)
    sent += session.sent
    kept += session.kept
    return Pushed(
        address.text,
        tuple(sent),
        tuple(kept),
        (*removed, *session.removed),
        (*problems, *session.problems),
        tuple(session.notices),
    )


def withdraw(
    records: PushRecords,
    delivery: str,
    may_stay: Mapping[str, str],
    extras: Mapping[str, str],
    *,
    names: str,
    is_named: Callable[[str], bool] = lambda name: False,
    environ: Mapping[str, str],
    pauses: Sequence[float] = PAUSES,
) -> Pushed:
    """Remove from every address of a delivery what may no longer be shown, and send nothing.

    may_stay  name of each picture that may be shown today -> SHA-256. One of these that is there with other bytes is
              left for the next push to replace, unless other names were withheld when it was put there
    extras    name of each zip, page, sheet or small picture that stands in OUT -> SHA-256; others are removed
    names     see `push`; is_named  whether the texts of a file, or its path, hold one of them: asked of those that were
              put there when others were withheld. Never raises for the other end
    """
    addresses = sorted({record.address for record in records.of(delivery)})
    gone: list[str] = []
    problems: list[str] = []
    for text in addresses:
        there = [record for record in records.of(delivery) if record.address == text]
        replaced = {r.name for r in there if r.name in may_stay and r.names == names and r.sha256 != may_stay[r.name]}
        left = [Outgoing(name, Path(), may_stay[name]) for name in sorted(replaced)]
        stays = {**extras, **may_stay}
        older = [r for r in there if r.names != names and r.sha256 and r.sha256 == stays.get(r.name)]
        named = {r.name for r in older if is_named(r.name)}
        stays = {name: sha256 for name, sha256 in stays.items() if name not in named}
        session = _Session(records, delivery, parse_address(text), left, stays, names)
        if session.outdated():
            session.go(environ, lambda done, total: None, pauses, send=False)
        gone += session.removed
        problems += session.problems
        with suppress(PushError):  # a full disk: they are looked at again
            records.cleared([r for r in older if r.name not in named], names)
    return Pushed("", removed=tuple(gone), problems=tuple(problems))


class _Session:
    """One address. What is done stays done when the link is cut and taken up again."""

    def __init__(
        self,
        records: PushRecords,
        delivery: str,
        address: Address,
        files: Sequence[Outgoing],
        earlier: Mapping[str, str],
        names: str = "",
        held: Sequence[str] = (),
        is_named: Callable[[str], bool] = lambda name: False,
        go_on: Callable[[], bool] = lambda: True,
    ) -> None:
        self.records, self.delivery, self.address, self.earlier = records, delivery, address, earlier
        self.names, self.held, self.is_named, self.go_on = names, held, is_named, go_on
        self.files = {f.name: f for f in files}
        self.sent: list[str] = []
        self.kept: list[str] = []
        self.removed: list[str] = []
        self.problems: list[str] = []
        self.notices: list[str] = []
        self.settled: set[str] = set()  # names that need no second look

    def go(
        self,
        environ: Mapping[str, str],
        progress: Callable[[int, int], None],
        pauses: Sequence[float],
        *,
        send: bool = True,
    ) -> None:
        """Withdraw, then send; a cut link is tried again after each of `pauses` (s). What failed is in `problems`."""
        if not self.files and not self._records() and not (self.held or self.names):
            return
        for pause in (*pauses, None):
            done = len(self.settled)
            try:
                with connected(self.address, environ) as target:
                    self._look_for_strangers(target)
                    self._withdraw(target)
                    if send:
                        self._send_all(target, progress)
                return
            except Exception as error:  # whatever a library raises: the run must not be spoilt by it
                problem = plain(error, self.address)
                if problem.lost and pause is not None:
                    time.sleep(pause if len(self.settled) == done else min(pause, pauses[0]))
                    continue
                self._give_up(problem, send)
                return

    def _give_up(self, problem: PushError, send: bool) -> None:
        self.problems.append(str(problem))
        left = [e.name for e in self.outdated()]
        if left:
            self.problems.append(
                f"{self.address.text}: still holds {_some(left)}, which may no longer be shown; run again soon, or "
                "remove them there"
            )
        waiting = [f.name for f in self.files.values() if f.name not in self.settled] if send else []
        reworded = [n for n in waiting if self._has_earlier_text(n)]
        if reworded:
            self.problems.append(
                f"{self.address.text}: still holds {_some(reworded)} with the earlier text, which may hold a "
                "name that is withheld now; run again soon, or remove them there"
            )
        if waiting:
            self.problems.append(f"{self.address.text}: not sent: {_some(waiting)}")

    def _has_earlier_text(self, name: str) -> bool:
        """Whether what is there under a name has other texts than it shall have."""
        record = self.records.at(self.address.text, name)
        return record is not None and bool(record.sha256) and record.text != self.files[name].text

    # ---- what leaves ---------------------------------------------------------------------------------------

    def outdated(self) -> list[PushRecord]:
        """What we put there and this run does not allow."""
        return [e for e in self._records() if e.name not in self.files and not self._may_stay(e)]

    def _records(self) -> list[PushRecord]:
        return [e for e in self.records.of(self.delivery) if e.address == self.address.text]

    def _may_stay(self, record: PushRecord) -> bool:
        return not record.sending and self.earlier.get(record.name) == record.sha256

    def _look_for_strangers(self, target: Target) -> None:
        """Say what is there of frames that are held back, and at the first push all that is there already: another
        OUT, or this one before its records were lost, may have put it there, and nothing proves it to be ours."""
        for name in self.held:
            known = self.records.at(self.address.text, name)
            if known is None and name not in self.settled and target.observe(name) is not None:
                self.settled.add(name)
                self.problems.append(
                    f"{self.address.text}: {name} is there, and its frame is held back; no record says that it was put "
                    "there from here, so it is left: look at it, and remove it by hand"
                )
        for above in (0, 1) if "/" in self.delivery else (0,):  # beside the folder of one group, those of others
            base = self.address.text.rsplit("/", above)[0]
            ours = self.records.below(base)
            if named := [one for one in target.listed(above) if one not in ours and self.is_named(one)]:
                said = (
                    f"{base}: {_some(named)}, whose name holds one that is withheld, is there, and no record says that "
                    "it was put there from here, so it is left: look at it, and remove it by hand"
                )
                self.problems += [said] if said not in self.problems else []
        if self.files and not self._records() and not self.sent:
            ours = {PurePosixPath(name).parts[0] for name in self.files} | self.records.below(self.address.text)
            if strangers := sorted(set(target.listed()) - ours):
                self.notices = [
                    f"{self.address.text}: {_some(strangers)} {'was' if len(strangers) == 1 else 'were'} there before "
                    "this first push from here, and will not be taken back by a later run; look whether all of it may "
                    "be shown"
                ]

    def _withdraw(self, target: Target) -> None:
        """First of all, so that a link that is cut later has done what matters most."""
        records = self._records()
        if records and not target.there():
            raise PushError(
                f"{self.address.text}: was there at an earlier push and is not now; plug in its disk, or make "
                "the folder again if it was removed"
            )
        outdated = self.outdated()
        for record in (*outdated, *self._holders(records, outdated)):
            if record.name not in self.settled:
                self._remove(target, record, listed=record in outdated)
        for folder in {str(PurePosixPath(e.name).parent) for e in outdated} - {"."}:
            target.remove_folder(folder)
        if "/" in self.delivery and outdated and not self.files and not self._records():
            target.remove_folder("")  # of one group of people: it may have the name of one

    def _holders(self, records: Sequence[PushRecord], outdated: Sequence[PushRecord]) -> list[PushRecord]:
        """The old zip where any picture in it has changed, the old page where it says something of which the text has
        changed or the picture is gone: they are sent again at the end, and must not outlast a name until then."""
        changed = reworded = bool(outdated)
        for record in records:
            file = self.files.get(record.name)
            if file is not None and file.kind == "picture" and record.sha256 not in ("", file.sha256):
                changed = True
                reworded |= record.text != file.text
        drop = {"archive": changed, "page": reworded}
        found = []
        for record in records:
            file = self.files.get(record.name)
            if file is not None and record.sha256 != file.sha256 and drop.get(file.kind, False):
                found.append(record)
        return found

    def _remove(self, target: Target, record: PushRecord, *, listed: bool) -> None:
        if record.sending:
            target.remove_part(record.name, record.sending)
        there = target.observe(record.name)
        if there is not None:
            if not self._ours(target, there, record):
                self.settled.add(record.name)
                self.problems.append(
                    f"{self.address.text}: {record.name} may no longer be shown, but what has its name there is not "
                    "what was put there; look at it, and remove it by hand"
                )
                return
            target.remove(record.name)
            if target.observe(record.name) is not None:
                raise PushError(f"{self.address.text}: {record.name} is still there after it was removed; look at it")
        self.records.forget(record)
        if listed:
            self.removed.append(record.name)

    def _ours(self, target: Target, there: Observation, record: PushRecord | None) -> bool:
        if record is None:
            return False
        if (there.size, there.mark) == (record.bytes, record.mark):
            return True
        return any(target.holds(record.name, there, sha) for sha in (record.sha256, record.sending) if sha)

    # ---- what goes there -----------------------------------------------------------------------------------

    def _send_all(self, target: Target, progress: Callable[[int, int], None]) -> None:
        if not self.files:
            return
        target.prepare({str(PurePosixPath(n).parent) for n in self.files} - {"."})
        for file in sorted(self.files.values(), key=self._order):
            if not self.go_on():
                return
            if file.name not in self.settled:
                self._send(target, file)
                self.settled.add(file.name)
            progress(len(self.settled), len(self.files))

    def _order(self, file: Outgoing) -> tuple[int, str]:
        """Pictures whose earlier version is there come first: it may show a name that is withheld now."""
        record = self.records.at(self.address.text, file.name)
        if file.kind != "picture":
            return (2 if file.kind == "archive" else 3, file.name)
        return (0 if record is not None and record.sha256 != file.sha256 else 1, file.name)

    def _send(self, target: Target, file: Outgoing) -> None:
        record = self.records.at(self.address.text, file.name)
        if record is not None and record.delivery != self.delivery:
            self.problems.append(
                f"{self.address.text}: {file.name} is there from delivery {record.delivery}; give each delivery an "
                "address of its own, with {delivery} in it"
            )
            return
        try:
            local = file.path.stat().st_size
        except OSError as error:
            self.problems.append(f"{file.path.name}: {error.strerror}; not sent. Run again")
            return
        there = target.observe(file.name)
        known = record or PushRecord(self.delivery, self.address.text, file.name)
        if there is not None:
            same = record is not None and (record.sha256, record.bytes, record.mark) == (file.sha256, *_pair(there))
            if same or (there.size == local and target.holds(file.name, there, file.sha256, file.path)):
                if known.sending:  # another version, by a run that was killed
                    target.remove_part(file.name, known.sending)
                if not same or known.sending:
                    self.records.arrived(known, file.sha256, there, file.text, self.names)
                self.kept.append(file.name)
                return
            if not self._ours(target, there, record):
                shows = " although it may show or name who is held back now" if self.held else ""
                self.problems.append(
                    f"{self.address.text}: {file.name} is there and is not what was put there from here, so it is "
                    f"left{shows}; move it away, or give an address of its own, with {{date}} in it"
                )
                return
        if digest_file(file.path) != file.sha256:
            self.problems.append(f"{file.path.name}: changed since it was delivered; not sent. Run again")
            return
        if known.sending and known.sending != file.sha256:
            target.remove_part(file.name, known.sending)
        self.records.sending(known, file.sha256)
        there = target.put(file.path, file.name, file.sha256)
        self.records.arrived(known, file.sha256, there, file.text, self.names)
        self.sent.append(file.name)


def _pair(there: Observation) -> tuple[int, str]:
    return there.size, there.mark


def _some(names: Sequence[str]) -> str:
    """Some names of many."""
    shown = ", ".join(names[:3])
    return shown if len(names) <= 3 else f"{shown} and {len(names) - 3} more"
