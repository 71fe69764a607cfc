"""store/: what a killed run leaves, and what keys depend on."""

from __future__ import annotations

from tests.mutants_table import mutant

_FILES = "store/files.py"
_KEYS = "store/keys.py"
_STORE = "store/store.py"
_CACHE = "store/cache.py"
_CACHED = ("store/test_cache.py",)
_DIGESTS = ("store/test_digests.py",)
_STORED = ("store/test_store.py", "store/test_files.py")
_KEYED = ("store/test_keys.py",)

_PLACES = ("store/test_places.py",)
_PACKED = ("store/test_packing.py",)

MUTANTS = [
    mutant("store/places.py", "if most is not None and about.st_size > most:", "if False:", "report/test_record.py"),
    mutant(
        "report/kept_frames.py", "from_json(FrameRecord, record.frames.json(name))", "pass", "report/test_record.py"
    ),
    mutant("report/kept_frames.py", 'if file.read(_END) != "}\\n":', "if False:", "report/test_record.py"),
    mutant("report/kept_frames.py", " and record.schema == SCHEMA", "", "report/test_record.py"),
    mutant("report/kept_frames.py", "if not line.startswith('\"'):", "if False:", "report/test_record.py"),
    mutant(_FILES, "            part.unlink()\n", "            pass\n", *_STORED),
    mutant(_FILES, "            _replace(part, path) if", "            _replace(path, part) if", *_STORED),
    mutant(_FILES, " if replaces else move(part, path)", "", *_STORED),
    mutant(_FILES, "flush(file.fileno(), fully=False)\n", "pass\n", *_STORED),
    mutant(_FILES, "error.strerror, str(path))", "error.strerror)", *_STORED),
    mutant(_FILES, "if not _WINDOWS:", "if _WINDOWS:", *_STORED),
    mutant(_KEYS, "sort_keys=True", "sort_keys=False", *_KEYED),
    mutant(_KEYS, "allow_nan=False", "allow_nan=True", *_KEYED),
    mutant(_KEYS, "while chunk := file.read(_CHUNK):", "if chunk := file.read(_CHUNK):", *_KEYED),
    mutant(_KEYS, "return dict(_found())", "return _found()", *_KEYED),
    mutant(_KEYS, '"numba", "tifffile")', '"tifffile")', *_KEYED),
    mutant("store/places.py", "if is_inside(out.resolve(), shoot.resolve()):", "if False:", *_STORED),
    mutant(_FILES, "if folder.samefile(source):", "if False:", *_STORED),
    mutant(_FILES, "for folder in (target, *target.parents):", "for folder in (target,):", *_STORED),
    mutant(
        _STORE,
        "is_out(folder) or folder.resolve() == self._shoot",
        "is_out(folder)",
        *_STORED,
    ),
    mutant(
        _STORE,
        "is_out(folder) or folder.resolve() == self._shoot",
        "folder.resolve() == self._shoot",
        *_STORED,
    ),
    mutant(_FILES, "if is_leftover(one.name) and", "if", *_STORED),
    mutant(_STORE, "return data[HEAD:]\n        found", "pass\n        found", *_STORED, why="only saves time"),
    mutant(_STORE, "if seen in self._checked:", "if self._checked:", *_STORED),
    mutant(_STORE, "        if self.get(kind, name) is not None:\n", "        if True:\n", *_STORED),
    mutant(_STORE, "refuse_links(out, (", "list((", *_STORED),
    mutant("store/seal.py", "== _MAGIC + _checksum(kind, name, body)", "!= _MAGIC", *_STORED),
    mutant("store/seal.py", 'f"{kind}\\0{name}\\0"', '""', *_STORED),
    mutant("store/places.py", "if not is_plain(part) or is_link(path):", "if not is_plain(part):", *_PLACES),
    mutant("store/places.py", "if not is_plain(part) or is_link(path):", "if is_link(path):", *_PLACES),
    mutant("store/places.py", "    if not stat.S_ISREG(about", "    if False and (about", *_PLACES),
    mutant("store/places.py", " and not RESERVED.match(name)", "", *_PLACES),
    mutant("store/packing.py", "    if not fits.all():\n", "    if False:\n", *_PACKED),
    mutant("store/packing.py", "found.dtype != np.dtype(kind)", "False", *_PACKED),
    mutant(
        "store/packing.py",
        "        if count > len(data):\n",
        "        if False:\n",
        *_PACKED,
        why="numpy refuses it too",
    ),
    mutant(_STORE, "if known is not None and known.is_of(found):", "if known is not None:", *_DIGESTS),
    mutant(_STORE, "for known in (self._digests.get(frame.relative), ", "for known in (None, ", *_STORED),
    mutant(_STORE, "self._cached_digests = digests_in_cache(self._cache, self._shoot)", "pass", *_DIGESTS),
    mutant("store/digests.py", " and self.read - self.changed >= SETTLED", "", *_DIGESTS),
    mutant("store/digests.py", "here = (found.st_size, ", "here = (self.size, ", *_DIGESTS),
    mutant(
        "store/digests.py",
        "found.st_ctime_ns, found.st_ino, found.st_dev)\n        return",
        "self.changed, found.st_ino, found.st_dev)\n        return",
        *_DIGESTS,
    ),
    mutant("store/digests.py", "if known.looks_like(before) else", "if True else", *_DIGESTS),
    mutant(_CACHE, "why = _made_private(folder)\n", 'why = ""\n', *_CACHED),
    mutant(_CACHE, "why = why or _made_private(folder / kind)", "_made_private(folder / kind)", *_CACHED),
    mutant(_CACHE, ", private=True)", ")", *_CACHED),
    mutant(_CACHE, "    if not _is_mine(found):\n", "    if False:\n", *_CACHED),
    mutant(_CACHE, "& 0o022:", "& 0o002:", *_CACHED),
    mutant(_CACHE, "    if not stat.S_ISDIR(found.st_mode):\n", "    if False:\n", *_CACHED),
    mutant("store/places.py", "    if is_link(path):  #", "    if False:  #", *_CACHED, why="O_NOFOLLOW says no too"),
    mutant(_CACHE, "        os.utime(path)\n", "        pass\n", *_CACHED),
    mutant(_CACHE, "in sorted(entries):", "in sorted(entries, reverse=True):", *_CACHED),
    mutant(_CACHE, "disk.free < min(", "disk.free < 0 * min(", *_CACHED),
    mutant(_CACHE, "now - about.st_mtime > SIZES.abandoned", "True", *_CACHED),
    mutant(_CACHE, "place.resolve().is_relative_to(outside.resolve())", "False", *_CACHED),
    mutant(_CACHE, "            _made_private(own)", "            pass", *_CACHED),
    mutant(
        "store/packing.py",
        "data[start : start + sizes[name]], _LARGEST)",
        "data[start : start + sizes[name]])",
        "store/test_packing.py",
    ),
    mutant("store/packing.py", "    if not unpacker.eof:\n", "    if False:\n", "store/test_packing.py"),
    mutant(_STORE, "lock.acquire(timeout=_LOOK)\n        except Timeout", "pass\n        except Timeout", *_STORED),
    mutant(
        "store/packing.py",
        'len(head).to_bytes(4, "little") + head + body',
        'len(head).to_bytes(4, "big") + head + body',
        "store/test_packing.py",
    ),
    mutant("store/packing.py", "at += arrays[name].nbytes", "pass", "store/test_packing.py"),
]
