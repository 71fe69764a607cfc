"""One card, file by file: what is there already is skipped by content, the rest is copied, and all is accounted for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.shoot.gather.copying import ChangedError, Part, ReadBackError, Source, source
from pipeline.shoot.gather.layout import Layout
from pipeline.shoot.gather.listing import Entry, list_files, reason, shown
from pipeline.shoot.gather.result import CardResult, some_text
from pipeline.shoot.gather.target import Target
from pipeline.store.disk import Anchor

Progress = Callable[[int, int], None]  # bytes read since the last call, files done since
_TRIES = 2  # a file that changes while it is read is read once more
_READ_BACK = "does not give back what was written; do not trust this disk, its cable or its port"


@dataclass
class _Outcome:
    """Of one file: where it stands verified, (path, SHA-256) a target; of these, copied now; why not elsewhere."""

    places: dict[Target, tuple[str, str]] = field(default_factory=dict)
    copied: dict[Target, str] = field(default_factory=dict)
    refused: list[tuple[Target, str]] = field(default_factory=list)


class Card:
    """A card that is copied into `targets`, folders that can be written. `result` is filled in as it goes."""

    def __init__(self, root: Path, result: CardResult) -> None:
        """List the card. Raises OSError where it cannot be opened."""
        self.root = root.resolve()
        self.result = result
        self._anchor = Anchor(root)
        self.device = self._anchor.device
        self.listing = list_files(self.root)
        self._read: dict[str, Entry] = {}  # each file as it was when it was copied
        self._places: list[tuple[Target, str, int]] = []
        self._counted = 0
        result.found, result.size = len(self.listing.files), sum(entry.size for entry in self.listing.files)
        result.failed += self.listing.unreadable
        if not self.listing.files:
            result.against.append(
                "no file was found on it: look whether it is the right folder, and the card is in its reader"
            )

    def close(self) -> None:
        """Let the card go."""
        self._anchor.close()

    def gather(self, targets: Sequence[Target], wanted: int, progress: Progress) -> None:
        """Bring every file into each target.

        wanted  how many folders a file must stand in to be safe; more than `targets` where one could not be used
        """
        layout = Layout(self.root, self.listing.files, targets)
        for entry in self.listing.files:
            alive = [target for target in targets if target.check()]
            if not alive:
                break
            self._counted = 0
            try:
                self._account(entry, self._bring(entry, layout, alive, progress), layout, wanted)
            except ChangedError:
                self.result.failed.append((entry.path, "changes while it is read"))
            except OSError as error:
                if not self._anchor.holds():
                    self.result.against.append(
                        "the card was taken out or has failed; put it in and run the command again"
                    )
                    break
                self.result.failed.append((entry.path, f"cannot be read from the card ({reason(error)})"))
            progress(entry.size - self._counted, 1)
        for target in targets:
            try:
                target.flush()
            except OSError as error:
                self.result.against.append(f"{shown(target.given)} {target.failed(error)}")
        self._compare()
        self.result.complete = True

    def _account(self, entry: Entry, outcome: _Outcome, layout: Layout, wanted: int) -> None:
        result = self.result
        for target, why in outcome.refused:
            if not target.lost:  # that is said once, of the whole folder
                result.failed.append((entry.path, f"{shown(target.given)} {why}"))
        result.gathered += len(outcome.places) == wanted
        result.copied += bool(outcome.copied)
        for target, (path, digest) in outcome.places.items():
            target.checksums.add(path, digest)
            result.verified[target.given] += 1
            self._places.append((target, path, self._read[entry.path].size))
            result.changed += [(target.given / other, target.given / path) for other in target.changed(digest)]
        everywhere = len(outcome.copied) == wanted and len(set(outcome.copied.values())) == 1
        for target, path in outcome.copied.items():
            top, inner, _ = path.partition("/")
            result.copied_to[target.given, top if inner else ""] += 1
            renamed = entry.path, path if everywhere else str(target.given / path)
            if path != layout.as_on_card(entry) and renamed not in result.renamed:
                result.renamed.append(renamed)

    def _bring(self, entry: Entry, layout: Layout, targets: Sequence[Target], progress: Progress) -> _Outcome:
        """Find or copy one file in each target. Raises ChangedError, OSError where the card is at fault."""
        for attempt in range(1, _TRIES + 1):
            outcome = _Outcome()
            try:
                left = self._once(entry, layout, targets, outcome, progress, search=True)
                if left:  # begins like a file that is there, and goes on otherwise: rare, and read again to copy it
                    self._once(entry, layout, left, outcome, progress, search=False)
                break
            except ChangedError:
                if attempt == _TRIES:
                    raise
        return outcome

    def _once(
        self,
        entry: Entry,
        layout: Layout,
        targets: Sequence[Target],
        outcome: _Outcome,
        progress: Progress,
        *,
        search: bool,
    ) -> list[Target]:
        """Read a file of the card once. Targets where a file only begins like it are left for a second time."""
        left = []
        parts: dict[Target, Part] = {}

        def count(size: int) -> None:
            self._counted += size
            progress(size, 0)

        with source(self.root, entry.path) as opened:
            self._read[entry.path] = opened.entry
            found: dict[Target, list[str]] = {target: [] for target in targets}
            if search:
                found = {t: layout.eligible(entry, t, t.candidates(opened.entry, opened.head)) for t in targets}
            try:
                for target in targets:
                    if not found[target]:
                        self._stage(target, layout.home(entry), parts, outcome)
                if not parts and not any(found.values()):
                    return []
                digest = opened.copy(list(parts.values()), count)
                for target, paths in found.items():
                    there = next((path for path in paths if target.has(path, digest)), None)
                    if there is not None:
                        layout.claim(entry, target, there)
                        outcome.places[target] = there, digest
                    elif paths:
                        left.append(target)
                for target, part in parts.items():
                    self._finish(target, part, layout, opened, digest, outcome)
            finally:
                for part in parts.values():
                    part.discard()
        return left

    def _stage(self, target: Target, folder: str, parts: dict[Target, Part], outcome: _Outcome) -> None:
        try:
            parts[target] = target.stage(folder)
        except OSError as error:
            outcome.refused.append((target, target.failed(error)))

    def _finish(
        self, target: Target, part: Part, layout: Layout, opened: Source, digest: str, outcome: _Outcome
    ) -> None:
        """Verify a copy and give it its name."""
        try:
            if part.error is not None:
                raise part.error
            kept_time = part.verify(digest, opened.entry.mtime)
            path = target.settle(part, layout.names(opened.entry), opened.head, digest)
        except ReadBackError:
            outcome.refused.append((target, _READ_BACK))
        except OSError as error:
            outcome.refused.append((target, target.failed(error)))
        else:
            layout.claim(opened.entry, target, path)
            outcome.places[target] = path, digest
            outcome.copied[target] = path
            if not kept_time:
                target.untimed.append(path)

    def _compare(self) -> None:
        """Whether the card still holds what was copied, and the copies still stand."""
        result = self.result
        if self._anchor.holds():
            listing = list_files(self.root)
            now = {entry.path: (entry.size, entry.mtime) for entry in listing.files}
            was = {path: (entry.size, entry.mtime) for path, entry in self._read.items()}
            listed = {entry.path for entry in self.listing.files}
            changed = [path for path in now if path in was and now[path] != was[path]]
            new = [path for path in now if path not in listed]
            gone = [path for path in listed if path not in now]
            for paths, what in ((changed, "changed"), (new, "appeared on it"), (gone, "disappeared from it")):
                if paths:
                    result.against.append(
                        f"{some_text(sorted(paths))} {what} while the card was read; run the command again"
                    )
            result.failed += [item for item in listing.unreadable if item not in result.failed]
        elif not result.against:
            result.against.append("the card was taken out before it was compared at the end; put it in and run again")
        fallen = [path for target, path, size in self._places if target.present() and not target.stands(path, size)]
        if fallen:
            result.against.append(f"{some_text(fallen)} no longer found where it was copied")
