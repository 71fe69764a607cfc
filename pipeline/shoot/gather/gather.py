"""Copy cards into a shoot folder so that they may be formatted, or say why they may not."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

from pipeline.errors import InputError
from pipeline.shoot.gather.card import Card, Progress
from pipeline.shoot.gather.listing import reason, shown
from pipeline.shoot.gather.result import CardResult, size_text, some_text
from pipeline.shoot.gather.target import Target
from pipeline.store.files import folded, is_inside
from pipeline.textfile.messages import counted


class Gathering:
    """One gather of cards into `to` and, for a second copy, `also`.

    results  one entry a card from the start, so that they can be shown however it ends
    notes    of the whole gather; those of a card are in its result
    """

    def __init__(self, cards: Sequence[Path], to: Path, also: Path | None = None) -> None:
        """Look at the folders; nothing is written. Raises InputError where they cannot be used together."""
        self.notes: list[str] = []
        self._to, self._also = to, also
        self._folders = (to, also) if also is not None else (to,)
        try:
            distinct = self._distinct(cards)
            for card in distinct:
                for folder in self._folders:
                    _refuse_nested(card, folder)
            if also is not None and (_within(also, to) or _within(to, also)):
                raise InputError(
                    f"{shown(also)}: a second copy in the same folder is none; give --also a folder on another disk"
                )
            for folder, option in zip(self._folders, ("--to", "--also"), strict=False):
                _refuse_unplugged(folder, option)
        except OSError as error:
            raise InputError(
                f"{shown(error.filename)}: cannot be read ({reason(error)}); nothing was copied"
            ) from error
        self.results = [CardResult(card, self._folders) for card in distinct]

    def run(self, started: Callable[[int, int], None], progress: Progress) -> None:
        """Copy and verify; `results` say what became of each card.

        started is called once, with the bytes and the files of all cards. Raises InputError where a card or `to` cannot
        be used at all, or another gather is copying into `to`.
        """
        with ExitStack() as stack:
            targets = self._open_targets(stack)
            cards = [self._card(result, stack, targets) for result in self.results]
            if not self._has_room(cards, targets):
                return
            started(sum(result.size for result in self.results), sum(result.found for result in self.results))
            try:
                for card in cards:
                    card.gather(targets, len(self._folders), progress)
                    for target in targets:
                        if target.lost:
                            card.result.against.append(f"{shown(target.given)} {target.lost}")
            finally:
                self._finish(targets)

    def _distinct(self, cards: Sequence[Path]) -> list[Path]:
        found: list[Path] = []
        for card in cards:
            if not card.is_dir():
                raise InputError(f"{shown(card)}: there is no such folder; is the card in its reader?")
            if any(card.samefile(other) for other in found):
                self.notes.append(f"{shown(card)} was given twice, and is read once")
            else:
                found.append(card)
        return found

    def _open_targets(self, stack: ExitStack) -> list[Target]:
        """The folders to copy into, locked. That the second copy cannot be begun does not stop the first."""
        try:
            targets = [_opened(self._to, stack)]
        except OSError as error:
            raise InputError(f"{shown(self._to)}: cannot be written ({reason(error)}); choose another --to") from error
        if self._also is not None:
            try:
                targets.append(_opened(self._also, stack))
            except (OSError, InputError) as error:
                why = reason(error) if isinstance(error, OSError) else str(error)
                for result in self.results:
                    result.against.append(f"there is no second copy in {shown(self._also)} ({why})")
        for target in targets:
            if target.cleaned:
                self.notes.append(
                    f"{shown(target.given)}: {counted(target.cleaned, 'file')} that an earlier gather had not finished "
                    "removed; they are copied again"
                )
            self.notes += [f"{shown(target.given)}: {note}" for note in target.notes]
        if len(targets) > 1 and targets[0].device == targets[1].device:
            self.notes.append("both copies are on one disk; if it fails, both are lost")
        return targets

    def _card(self, result: CardResult, stack: ExitStack, targets: Sequence[Target]) -> Card:
        try:
            card = Card(result.card, result)
        except OSError as error:
            raise InputError(
                f"{shown(result.card)}: cannot be read ({reason(error)}); is the card in its reader?"
            ) from error
        stack.callback(card.close)
        listing = card.listing
        if listing.odd:
            odd = some_text([f"{path} ({what})" for path, what in listing.odd])
            result.notes.append(f"not copied, no file: {odd}")
        if empty := [entry.path for entry in listing.files if not entry.size]:
            result.notes.append(f"empty on the card, perhaps a picture that it lost: {some_text(empty)}")
        if listing.trash:
            result.notes.append(f"not copied, in the trash of a computer: {some_text(listing.trash)}")
        if listing.system:
            result.notes.append(f"not copied, left by the operating system of a computer: {some_text(listing.system)}")
        result.on_disk_of = [target.given for target in targets if _share_disk(card, target)]
        return card

    def _has_room(self, cards: Sequence[Card], targets: Sequence[Target]) -> bool:
        """Whether the first folder can hold what is surely missing in it. The second is left out where it cannot."""
        distinct = {(folded(e.path.rpartition("/")[2]), e.size, e.mtime): e for c in cards for e in c.listing.files}
        for target in reversed(targets):
            try:
                needed, free = target.needs(list(distinct.values())), target.free()
            except OSError:
                continue  # a disk that does not tell is filled until it is full
            if needed > free:
                target.lost = f"has {size_text(free)} free, and at least {size_text(needed)} are needed"
        if not targets[0].lost:
            return True
        for result in self.results:
            result.against += [f"{shown(target.given)} {target.lost}" for target in targets if target.lost]
            result.against.append("nothing was copied")
        return False

    def _finish(self, targets: Sequence[Target]) -> None:
        for target in targets:
            if target.untimed:
                files = counted(len(target.untimed), "file carries", "files carry")
                self.notes.append(
                    f"{shown(target.given)} does not keep the times of files; {files} the time of copying, and the "
                    "time of capture only inside"
                )
            try:
                if target.present():
                    target.checksums.write()
            except OSError as error:
                for result in self.results:
                    result.against.append(f"the checksum list in {shown(target.given)} {target.failed(error)}")


def _share_disk(card: Card, target: Target) -> bool:
    return card.device == target.device


def _opened(folder: Path, stack: ExitStack) -> Target:
    target = Target(folder)
    stack.enter_context(target.locked())
    return target


def _refuse_unplugged(folder: Path, option: str) -> None:
    """A disk that is not plugged in must not become a folder of the same name on another."""
    above = folder.absolute().parent
    if not above.exists():
        raise InputError(f"{shown(above)} is not there; make it or plug in its disk, or correct {option}")


def _refuse_nested(card: Path, folder: Path) -> None:
    if _within(folder, card):
        raise InputError(
            f"{shown(folder)}: lies on the card {shown(card)}, which is never written; choose another folder"
        )
    if _within(card, folder):
        raise InputError(f"{shown(card)}: lies in {shown(folder)}; give the card itself, or a folder outside")
    here = next((path for path in (folder.absolute(), *folder.absolute().parents) if path.exists()), folder)
    if here.stat().st_dev != card.stat().st_dev:
        return
    top = card.resolve()
    top = next((path for path in (top, *top.parents) if os.path.ismount(path)), top)
    # A folder of a disk that holds much else may be gathered; a card, with DCIM at its top, is formatted as a whole.
    if top == card.resolve() or (top / "DCIM").is_dir():
        raise InputError(
            f"{shown(folder)}: is on the same disk as the card {shown(card)} and would be lost with it; choose another"
        )


def _within(inner: Path, outer: Path) -> bool:
    return is_inside(inner.resolve(), outer.resolve())
