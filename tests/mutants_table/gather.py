"""shoot/gather/: each line that stands between a formatted card and a lost picture."""

from __future__ import annotations

from tests.mutants_table import mutant

_AT = "shoot/gather/"
_CARD, _CHECKSUMS, _COPYING = (f"{_AT}{name}.py" for name in ("card", "checksums", "copying"))
_DISK = "store/disk.py"
_GATHER, _LAYOUT, _LISTING, _NAMES = (f"{_AT}{name}.py" for name in ("gather", "layout", "listing", "portable"))
_RESULT, _TARGET = f"{_AT}result.py", f"{_AT}target.py"
_COPIES = (f"{_AT}test_gather.py", f"{_AT}test_same_content.py")
_FAULTS = (f"{_AT}test_faults.py", f"{_AT}test_disks.py")
_ANSWERS = (f"{_AT}test_result.py",)
_SAID = ("cli/test_gather.py",)
_KILLS = (f"{_AT}test_kills.py",)
_NAMED = (f"{_AT}test_names.py",)

MUTANTS = [
    # The card is only read, and a file of it is read to its end.
    mutant(_DISK, '_READ | getattr(os, "O_NOATIME", 0))', "_READ)", *_COPIES),
    mutant(_DISK, '| getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)', "| os.O_NONBLOCK", *_FAULTS),
    mutant(_DISK, "if not stat.S_ISREG(os.fstat(opened).st_mode):", "if False:", *_FAULTS),
    mutant(_COPYING, "or size != self.entry.size:", "or False:", *_FAULTS),
    mutant(_COPYING, "if Entry.of(self.entry.path, os.fstat(self._opened)) != self.entry or", "if", *_FAULTS),
    mutant(_COPYING, "    while data and len(data) < size and", "    if data and len(data) < size and", *_FAULTS),
    mutant(_COPYING, "            while rest:\n", "            if rest:\n", *_FAULTS),
    mutant(_LISTING, "item.stat(follow_symlinks=False)", "item.stat()", *_NAMED),
    mutant(_LISTING, "== _APPLE_DOUBLE\n", '!= b""\n', *_NAMED),
    mutant(
        _LISTING,
        '            found.unreadable.append((folder or ".", reason(error)))\n',
        "            pass\n",
        *_FAULTS,
    ),
    mutant(_LISTING, "self.inode != 0 and (self.device", "False and (self.device", *_COPIES),
    # A copy is on the disk, whole and verified, before it has its name; the name replaces none.
    mutant(_COPYING, "        disk.flush(self._opened)\n", "", *_COPIES),
    mutant(_COPYING, "        disk.forget(self._opened)\n        self._close()", "        self._close()", *_COPIES),
    mutant(_COPYING, "        if hash_from_disk(self.path) != digest:", "        if False:", *_FAULTS),
    mutant(_TARGET, "            disk.flush_folder(folder)\n", "", *_COPIES),
    mutant(_TARGET, "            self._unflushed.add((self.root / path).parent)\n", "", *_COPIES),
    mutant(_CARD, "                target.flush()\n", "                pass\n", *_COPIES),
    mutant(_TARGET, ", unflushed=True)", ")", *_COPIES),
    mutant(_COPYING, "            self.path.unlink()\n", "            pass\n", *_FAULTS),
    mutant(_COPYING, "            os.utime(self._opened if", "            id(self._opened if", *_COPIES),
    mutant(_COPYING, "<= FAT_SECONDS * 10**9", "<= 10**30", *_FAULTS),
    mutant(_DISK, "        os.posix_fadvise(opened, 0, 0, os.POSIX_FADV_DONTNEED)", "        pass", *_COPIES),
    mutant(_DISK, "        final.hardlink_to(part)\n", "        part.replace(final)\n        return\n", *_FAULTS),
    mutant(_DISK, "        if not os.path.samestat(part.lstat(), final.lstat()):\n", "        if False:\n", *_FAULTS),
    mutant(_DISK, "        if not os.path.samestat(part.lstat(), final.lstat()):\n", "        if True:\n", *_FAULTS),
    mutant(_DISK, "ctypes.c_uint(1))  # RENAME_NOREPLACE", "ctypes.c_uint(0))", *_FAULTS),
    mutant(_DISK, "    os.close(create(final))\n", "", *_FAULTS),
    mutant(_DISK, "os.O_CREAT | os.O_EXCL |", "os.O_CREAT |", *_FAULTS),
    mutant(_DISK, "else os.path.samestat(now, os.fstat(self._opened))", "else True", *_FAULTS),
    mutant(_CARD, "            if part.error is not None:\n", "            if False:\n", *_FAULTS),
    mutant(
        _CARD,
        "                for part in parts.values():\n                    part.discard()",
        "                pass",
        *_FAULTS,
    ),
    # What is there is known by content.
    mutant(_TARGET, "if not entry.same_file(wanted)]", "]", *_COPIES),
    mutant(_TARGET, "return self._digests[path] == digest", "return True", *_COPIES),
    mutant(_TARGET, "if self.head(entry.path) == first]", "]", f"{_AT}test_gather.py", why="only saves reading"),
    mutant(_LAYOUT, "return entry.size > 0 and", "return", *_COPIES),
    mutant(_LAYOUT, "entry.path)) in _BY_CONTENT\n", "entry.path)) != ''\n", *_COPIES),
    mutant(_LAYOUT, "for member in filter(_is_known_by_bytes, members):", "for member in members:", *_COPIES),
    mutant(_LAYOUT, "self._claimed.get((target, folded(path)), entry.path) == entry.path]", "True]", *_COPIES),
    mutant(_LAYOUT, "if folded(path) not in self._own_paths and _is", "if _is", *_COPIES),
    mutant(_LAYOUT, "if folded(str(path)) in self._own_paths:", "if False:", *_COPIES),
    mutant(_LAYOUT, "    return suffix_of(path) in _BY_CONTENT and not", "    return not", *_NAMED),
    mutant(_LAYOUT, '_BY_CONTENT and not any(part.startswith(".") for part in path.parts)', "_BY_CONTENT", *_NAMED),
    mutant(_CARD, "                    elif paths:\n                        left.append(target)", "", *_COPIES),
    # Names.
    mutant(_TARGET, "if self.at(path) is not None or self", "if self", *_NAMED),
    mutant(_TARGET, "or self.checksums.holds_other(path, digest):", "or False:", *_NAMED),
    mutant(_TARGET, "                if not stat.S_ISDIR(mode):", "                if False:", *_COPIES),
    mutant(_TARGET, "return not stat.S_ISDIR((self.root / folder).lstat().st_mode)", "return False", *_COPIES),
    mutant(_LAYOUT, "for target in taken)) > most:", "for target in taken)) and not best:", f"{_AT}test_names.py"),
    mutant(_LAYOUT, "if 2 * same > len(some) else 0.0", "", *_COPIES),
    mutant(_LAYOUT, "if 2 * same > len(some) else 0.0", "and 0.0", *_COPIES),
    mutant(_LAYOUT, "or entry.same_file(there):", "or False:", *_COPIES),
    mutant(_LAYOUT, "return self._elsewhere(members) or (folder, head)", "return folder, head", *_COPIES),
    mutant(
        _LAYOUT, "return key not in self._groups and not any(", "return key not in self._groups or not any(", *_NAMED
    ),
    mutant(_LAYOUT, "return key not in self._groups and not any(", "return not any(", *_NAMED),
    mutant(_NAMES, "    if safe.startswith(TEMPORARY):", "    if False:", *_NAMED),
    mutant(_NAMES, "    if RESERVED.match(safe):", "    if False:", *_NAMED),
    mutant(_NAMES, "    if len(safe.encode()) > _LONGEST:", "    if False:", *_NAMED),
    mutant(_NAMES, 'card.name.lstrip(". ")', "card.name", *_NAMED),
    mutant(_NAMES, 'name.find(".", 1)', 'name.rfind(".", 1)', *_NAMED),
    mutant(
        "store/files.py",
        'unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())',
        "path.casefold()",
        *_NAMED,
    ),
    # Two at once, a disk pulled, a disk full.
    mutant(_TARGET, "            lock.acquire(timeout=0)\n", "            pass\n", *_FAULTS),
    mutant(_LISTING, "elif target and item.name.startswith(PART):", "elif False:", *_FAULTS),
    mutant(
        _LISTING,
        "elif target and item.name.startswith(PART):",
        "elif target and item.name.startswith(TEMPORARY):",
        *_FAULTS,
    ),
    mutant(_TARGET, "if not self.lost and not self.present():", "if False:", *_FAULTS),
    mutant(_TARGET, "        if error.errno in _LOST:", "        if False:", *_FAULTS),
    mutant(_GATHER, "            if needed > free:", "            if False:", *_FAULTS),
    mutant(_GATHER, "        for target in reversed(targets):", "        for target in targets[:1]:", *_FAULTS),
    mutant(_TARGET, "count - len(self._by_size.get(size, ()))", "count", *_FAULTS),
    mutant(_GATHER, "    if top == card.resolve() or", "    if", *_FAULTS),
    mutant(_GATHER, '(top / "DCIM").is_dir():', "False:", *_FAULTS),
    mutant(_GATHER, "    if _within(folder, card):", "    if False:", *_COPIES),
    mutant(_GATHER, "    if _within(card, folder):", "    if False:", *_COPIES),
    mutant(_GATHER, "(_within(also, to) or", "(", *_COPIES),
    mutant(_GATHER, "or _within(to, also)):", "):", *_COPIES),
    mutant(_GATHER, "    if not above.exists():", "    if False:", *_SAID),
    # What went bad since.
    mutant(_CARD, "for other in target.changed(digest)]", "for other in []]", *_SAID),
    mutant(_TARGET, "if not any(self.has(path, one) for one in digests)]", "]", *_SAID),
    # The answer.
    mutant(
        _CARD,
        "result.gathered += len(outcome.places) == wanted",
        "result.gathered += len(outcome.places) > 0",
        *_FAULTS,
    ),
    mutant(_CARD, "result.failed += self.listing.unreadable", "pass", *_FAULTS),
    mutant(_CARD, "        if not self.listing.files:\n", "        if False:\n", *_COPIES),
    mutant(_CARD, "                if not self._anchor.holds():\n", "                if False:\n", *_FAULTS),
    mutant(
        _CARD,
        "changed = [path for path in now if path in was and now[path] != was[path]]",
        "changed: list[str] = []",
        *_FAULTS,
    ),
    mutant(_CARD, "new = [path for path in now if path not in listed]", "new: list[str] = []", *_FAULTS),
    mutant(_CARD, "        if fallen:\n", "        if False:\n", *_FAULTS),
    mutant(_CARD, "                if attempt == _TRIES:\n                    raise", "                pass", *_FAULTS),
    mutant(_RESULT, "return self.complete and not", "return not", *_ANSWERS),
    mutant(_RESULT, "not self.failed and", "", *_ANSWERS),
    mutant(_RESULT, "and not self.against and", "and", *_ANSWERS),
    mutant(_RESULT, "self.gathered == self.found > 0", "self.found > 0", *_ANSWERS),
    mutant(_RESULT, "self.gathered == self.found > 0", "self.gathered == self.found", *_ANSWERS),
    mutant("shoot/gather/gather.py", "return card.device == target.device", "return False", "cli/test_gather.py"),
    mutant("cli/gather.py", "    if not all(result.safe for", "    if not any(result.safe for", "cli/test_gather.py"),
    # The list.
    mutant(_CHECKSUMS, 'self._data + b"".join(self._new), prefix', 'b"".join(self._new), prefix', *_NAMED),
    mutant(_CHECKSUMS, 'self._data.endswith(b"\\n"):', "False:", *_NAMED),
    mutant(_CHECKSUMS, "if (path, digest) not in self._known:", "if True:", *_NAMED),
    mutant(_CHECKSUMS, ", prefix=PART)", ")", *_KILLS),
    mutant(
        _GATHER,
        "            finally:\n                self._finish(targets)",
        "            finally:\n                pass",
        *_COPIES,
    ),
]
