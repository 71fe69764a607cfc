"""Where a card's files go: one folder a card, with the card's own folders in it; a number where a name is taken."""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import count
from pathlib import Path, PurePosixPath

from pipeline.shoot.gather.copying import head_of
from pipeline.shoot.gather.listing import Entry
from pipeline.shoot.gather.portable import label, portable, split
from pipeline.shoot.gather.target import Target
from pipeline.shoot.kinds import FILMS, HEIC, PICTURE, RAW, suffix_of
from pipeline.store.files import folded

_BY_CONTENT = RAW | PICTURE | HEIC | FILMS  # what is known by its bytes, wherever it is
_SAMPLE = 8  # files whose first 64 KiB are compared to know a card again; chosen, no source
Home = tuple[str, str]  # folder from the target's top, and what stands for the name before the first dot


class Layout:
    """The places of one card's files, the same in each target where possible. What it reads decides names only.

    folder  the card's own folder, from the target's top
    """

    def __init__(self, card: Path, files: Sequence[Entry], targets: Sequence[Target]) -> None:
        self._card = card
        self._targets = targets
        name, self._below = label(card)
        self._heads: dict[str, bytes] = {}
        self._homes: dict[Home, Home] = {}
        self.folder = name
        self.folder = self._choose(name, files)
        self._groups: dict[Home, list[Entry]] = defaultdict(list)
        self._claimed: dict[tuple[Target, str], str] = {}
        self._own_paths = {folded(self.natural(entry)) for entry in files}
        for entry in files:
            self._groups[self._key(entry)].append(entry)

    def eligible(self, entry: Entry, target: Target, paths: Sequence[str]) -> list[str]:
        """Which of these files of a target, alike in their bytes, may count as the copy of a file.

        A photograph or a film counts wherever other commands see it as one, but one file stands for one of the card
        only. Of other files, an empty one too, the place says what they mean (two sidecars may hold the same): they
        count in theirs only.
        """
        own = folded(self.natural(entry))
        free = [path for path in paths if self._claimed.get((target, folded(path)), entry.path) == entry.path]
        if any(folded(path) == own for path in free):
            return [path for path in free if folded(path) == own]
        if not _is_known_by_bytes(entry):
            return [path for path in free if self._is_in_place(entry, path)]
        return [path for path in free if folded(path) not in self._own_paths and _is_seen(PurePosixPath(path))]

    def claim(self, entry: Entry, target: Target, path: str) -> None:
        """Note which file of a target stands for a file of the card."""
        self._claimed[target, folded(path)] = entry.path

    def _is_in_place(self, entry: Entry, path: str) -> bool:
        """Whether `path` is one that `names` gives, with any number."""
        folder, head = self._home(entry)
        own_head, tail = split(PurePosixPath(self.natural(entry)).name)
        here = PurePosixPath(path)
        heads = "|".join(re.escape(folded(name)) for name in (head, own_head))
        numbered = f"({heads})(-[0-9]+)*{re.escape(folded(tail))}"
        return folded(str(here.parent)) == folded(folder) and re.fullmatch(numbered, folded(here.name)) is not None

    def home(self, entry: Entry) -> str:
        """The folder that a file goes to."""
        return self._home(entry)[0]

    def names(self, entry: Entry) -> Iterator[str]:
        """Paths to try for a file, in order, without end: its own name, then with -2, -3 ... before the first dot."""
        folder, head = self._home(entry)
        tail = split(PurePosixPath(self.natural(entry)).name)[1]
        yield _joined(folder, head + tail)
        for number in count(2):
            path = _joined(folder, f"{head}-{number}{tail}")
            if self._is_new_group(path):
                yield path

    def natural(self, entry: Entry, folder: str = "") -> str:
        """The file's own path in the card's folder, or in `folder`, with every name as all disks take it."""
        return f"{folder or self.folder}/{self._below}" + "/".join(map(portable, entry.path.split("/")))

    def as_on_card(self, entry: Entry) -> str:
        """The path that a file has where nothing had to be changed."""
        return f"{self.folder}/{self._below}{entry.path}"

    def _choose(self, name: str, files: Sequence[Entry]) -> str:
        """The folder that holds the most files of this card already, else the first that holds none at all."""
        free, best, most = "", "", 0.0
        for number in count(1):
            folder = name if number == 1 else f"{name}-{number}"
            taken = [target for target in self._targets if target.holds_below(folder)]
            if not taken:
                free = free or folder
                if number > max((target.folder_count for target in self._targets), default=0):
                    return best or free
            elif (here := min(self._known(target, folder, files) for target in taken)) > most:
                best, most = folder, here
        raise AssertionError("numbers end")

    def _known(self, target: Target, folder: str, files: Sequence[Entry]) -> float:
        """About how many files of the card a folder holds; 0 where most of those of one name begin with other bytes."""
        pairs: dict[Entry, list[Entry]] = defaultdict(list)
        for entry in files:
            if there := target.at(self.natural(entry, folder)):
                pairs[there].append(entry)
        filled = [there for there in pairs if there.size]
        paths = filled or list(pairs)  # empty files are alike on any card
        some = paths[:: max(1, len(paths) // _SAMPLE)]
        same = sum(any(self._begins_alike(entry, target, there) for entry in pairs[there]) for there in some)
        return (len(filled) or 0.5) * same / len(some) if 2 * same > len(some) else 0.0

    def _begins_alike(self, entry: Entry, target: Target, there: Entry) -> bool:
        if entry.size != there.size or entry.same_file(there):
            return False
        if entry.path not in self._heads:
            try:
                self._heads[entry.path] = hashlib.sha256(head_of(self._card / entry.path)).digest()
            except OSError:
                return False
        return self._heads[entry.path] == target.head(there.path)

    def _key(self, entry: Entry) -> Home:
        path = PurePosixPath(self.natural(entry))
        return folded(str(path.parent)), folded(split(path.name)[0])

    def _home(self, entry: Entry) -> Home:
        """Raw, JPEG and sidecars of one name stay in one folder under one name, whoever of them came first."""
        key = self._key(entry)
        if key not in self._homes:
            self._homes[key] = self._find_home(key, entry)
        folder, head = self._homes[key]
        own = PurePosixPath(self.natural(entry))
        # A file keeps its own spelling where the group has no number and did not move.
        return (folder, split(own.name)[0] if folded(head) == key[1] else head)

    def _find_home(self, key: Home, entry: Entry) -> Home:
        path = PurePosixPath(self.natural(entry))
        folder, head = str(path.parent), split(path.name)[0]
        members = self._groups[key]
        tails = [(member, split(PurePosixPath(self.natural(member)).name)[1]) for member in members]
        if not any(self._is_other(member, _joined(folder, head + tail)) for member, tail in tails):
            if not any(self._stands(member, _joined(folder, head + tail)) for member, tail in tails):
                return self._elsewhere(members) or (folder, head)
            return folder, head
        for number in count(2):
            other = f"{head}-{number}"
            if any(self._stands(member, _joined(folder, other + tail)) for member, tail in tails):
                return folder, other
            if self._is_new_group(_joined(folder, other)):
                return folder, other
        raise AssertionError("numbers end")

    def _is_new_group(self, path: str) -> bool:
        """Whether no file, here or on the card, would be taken for a companion of one at `path`."""
        here = PurePosixPath(path)
        key = folded(str(here.parent)), folded(split(here.name)[0])
        return key not in self._groups and not any(target.has_group(path) for target in self._targets)

    def _is_other(self, entry: Entry, path: str) -> bool:
        """Whether another file stands at `path`."""
        found = [(target, there) for target in self._targets if (there := target.at(path))]
        return any(not self._begins_alike(entry, target, there) for target, there in found)

    def _stands(self, entry: Entry, path: str) -> bool:
        found = [(target, there) for target in self._targets if (there := target.at(path))]
        return any(self._begins_alike(entry, target, there) for target, there in found)

    def _elsewhere(self, members: Sequence[Entry]) -> Home | None:
        """Where a person has put another file of the group: it is found by name and first bytes.

        Not the copy of another file of the card: the same picture may lie in two folders of one card.
        """
        for member in filter(_is_known_by_bytes, members):
            name = portable(PurePosixPath(member.path).name)
            for target in self._targets:
                for path in filter(_is_seen, map(PurePosixPath, target.named(name, member.size))):
                    if folded(str(path)) in self._own_paths:
                        continue
                    there = target.at(str(path))
                    if there is not None and self._begins_alike(member, target, there):
                        return str(path.parent), split(path.name)[0]
        return None


def _is_known_by_bytes(entry: Entry) -> bool:
    return entry.size > 0 and suffix_of(PurePosixPath(entry.path)) in _BY_CONTENT


def _is_seen(path: PurePosixPath) -> bool:
    """Whether other commands see a photograph or a film in it: a hidden file, or one of another suffix, is none."""
    return suffix_of(path) in _BY_CONTENT and not any(part.startswith(".") for part in path.parts)


def _joined(folder: str, name: str) -> str:
    return name if folder in ("", ".") else f"{folder}/{name}"
