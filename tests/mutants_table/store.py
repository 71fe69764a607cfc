"""store/: what a killed run leaves, and what keys depend on."""

from __future__ import annotations

from tests.mutants_table import mutant

_FILES = "store/files.py"
_KEYS = "store/keys.py"
_STORE = "store/store.py"
_STORED = ("store/test_store.py",)
_KEYED = ("store/test_keys.py",)

MUTANTS = [
    mutant(_FILES, "            part.unlink()\n", "            pass\n", *_STORED),
    mutant(_FILES, "        _replace(part, path)\n    except", "        _replace(path, part)\n    except", *_STORED),
    mutant(_FILES, "            os.fsync(file.fileno())\n", "", *_STORED),
    mutant(_FILES, "if not _WINDOWS:", "if _WINDOWS:", *_STORED),
    mutant(_KEYS, "sort_keys=True", "sort_keys=False", *_KEYED),
    mutant(_KEYS, "allow_nan=False", "allow_nan=True", *_KEYED),
    mutant(_KEYS, "while chunk := file.read(_CHUNK):", "if chunk := file.read(_CHUNK):", *_KEYED),
    mutant(_KEYS, "return dict(_found())", "return _found()", *_KEYED),
    mutant(_KEYS, '"numba", "tifffile")', '"tifffile")', *_KEYED),
    mutant(_STORE, "if is_inside(out.resolve(), shoot.resolve()):", "if False:", *_STORED),
    mutant(_FILES, "if folder.samefile(source):", "if False:", *_STORED),
    mutant(_FILES, "for folder in (target, *target.parents):", "for folder in (target,):", *_STORED),
    mutant(
        _STORE,
        '(folder / ".work").is_dir() or folder.resolve() == self._shoot',
        '(folder / ".work").is_dir()',
        *_STORED,
    ),
    mutant(
        _STORE,
        '(folder / ".work").is_dir() or folder.resolve() == self._shoot',
        "folder.resolve() == self._shoot",
        *_STORED,
    ),
    mutant(_STORE, "if name.startswith(TEMPORARY):", "if True:", *_STORED),
    mutant(
        _STORE,
        "(known.size, known.mtime) == (stat.st_size, stat.st_mtime_ns):",
        "known.size == stat.st_size:",
        *_STORED,
    ),
    mutant(
        _STORE,
        "(known.size, known.mtime) == (stat.st_size, stat.st_mtime_ns):",
        "known.mtime == stat.st_mtime_ns:",
        *_STORED,
    ),
    mutant(_STORE, "lock.acquire(timeout=0)\n        except Timeout", "pass\n        except Timeout", *_STORED),
    mutant("store/packing.py", 'to_bytes(4, "little")', 'to_bytes(4, "big")', "store/test_packing.py"),
    mutant("store/packing.py", "at += arrays[name].nbytes", "pass", "store/test_packing.py"),
]
