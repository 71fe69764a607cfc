"""Calls of the system that fail in this process: the so-manyth that writes below a folder, or each from there on.

Everything that Python itself opens, writes, renames or removes goes through here, so no library has to be changed;
what C code writes by itself does not.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

# Calls by which a disk is changed, each with its first argument a path or a descriptor.
_BY_PATH = ("mkdir", "rename", "replace", "unlink", "rmdir", "utime", "chmod", "link", "symlink", "truncate")
_BY_DESCRIPTOR = ("write", "fsync", "ftruncate")
_FULL = (errno.ENOSPC, errno.EDQUOT)  # which never keep a file from being removed
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT


@dataclass
class Fault:
    """The `at`th call that changes something below `where` fails with `number`, with `onward` every later one too.

    short   a write takes a part of its bytes first and then fails, as where the disk fills up in the middle
    instead called in place of failing, once: what happens to the disk at this moment
    calls   how many have been made; what  the name of the one that failed, and its path
    """

    where: Path
    number: int = 0
    at: int = 0
    onward: bool = False
    short: bool = False
    instead: Callable[[], None] | None = None
    calls: int = 0
    what: str = ""
    _paths: dict[int, str] = field(default_factory=dict)

    def arm(self) -> None:
        """Replace the calls, for the rest of this process."""
        self.where = self.where.absolute()
        for name in _BY_PATH:
            setattr(os, name, self._by_path(name, getattr(os, name)))
        for name in _BY_DESCRIPTOR:
            setattr(os, name, self._by_descriptor(name, getattr(os, name)))
        self._open(os.open)
        self._file_open(io.open)

    def _is_here(self, path: object) -> bool:
        if isinstance(path, int):
            path = self._paths.get(path, "")
        text = os.fsdecode(path) if isinstance(path, (str, bytes, os.PathLike)) else ""
        return bool(text) and Path(text).absolute().is_relative_to(self.where)

    def hit(self, name: str, path: object) -> bool:
        """Count a call; whether it must fail."""
        if not self._is_here(path) or (name in ("unlink", "rmdir") and self.number in _FULL):
            return False
        self.calls += 1
        if self.calls == self.at:
            text = self._paths.get(path, "") if isinstance(path, int) else os.fsdecode(path)  # type: ignore[arg-type]
            self.what = f"{name} {text}"
            if self.instead is not None:
                self.instead()
                return False
        return (
            bool(self.at) and self.instead is None and (self.calls == self.at or (self.onward and self.calls > self.at))
        )

    def fail(self, path: object) -> OSError:
        """What the call raises."""
        return OSError(self.number, os.strerror(self.number), path if not isinstance(path, int) else None)

    def _by_path(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(path: object, *arguments: Any, **keywords: Any) -> Any:
            if self.hit(name, path):
                raise self.fail(path)
            return real(path, *arguments, **keywords)

        return call

    def _by_descriptor(self, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(number: int, *arguments: Any) -> Any:
            if self.hit(name, number):
                if name == "write" and self.short:
                    real(number, bytes(arguments[0])[: len(arguments[0]) // 2])
                raise self.fail(number)
            return real(number, *arguments)

        return call

    def _open(self, real: Callable[..., int]) -> None:
        def call(path: Any, flags: int, *arguments: Any, **keywords: Any) -> int:
            if flags & _WRITING and self.hit("open", path):
                raise self.fail(path)
            opened = real(path, flags, *arguments, **keywords)
            if isinstance(path, (str, bytes, os.PathLike)):
                self._paths[opened] = os.fsdecode(path)
            return opened

        os.open = call  # type: ignore[assignment]

    def _file_open(self, real: Callable[..., Any]) -> None:
        fault = self

        class File(io.FileIO):
            """Writes where the fault lets it."""

            def write(self, data: Any, /) -> int:
                if fault.hit("write", self.name):
                    if fault.short:
                        super().write(bytes(data)[: len(bytes(data)) // 2])
                    raise fault.fail(None)
                return super().write(data)

        def call(file: Any, mode: str = "r", *arguments: Any, **keywords: Any) -> Any:
            changes = set(mode) & set("wax+")
            if isinstance(file, int):
                here = changes and fault._is_here(file)
            else:
                here = changes and fault._is_here(file)
                if here and fault.hit("open", file):
                    raise fault.fail(file)
            if not here or keywords.get("opener"):
                return real(file, mode, *arguments, **keywords)
            raw = File(file, mode.replace("b", "").replace("t", ""), keywords.get("closefd", True))
            if not isinstance(file, int):
                fault._paths[raw.fileno()] = os.fsdecode(file)
            buffering = arguments[0] if arguments else keywords.get("buffering", -1)
            if buffering == 0:
                return raw
            buffered = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
            if "b" in mode:
                return buffered
            texts = {k: v for k, v in keywords.items() if k in ("encoding", "errors", "newline")}
            return io.TextIOWrapper(buffered, **{"encoding": "utf-8", **texts})

        io.open = call  # type: ignore[assignment]
        builtins.open = call  # type: ignore[assignment]
