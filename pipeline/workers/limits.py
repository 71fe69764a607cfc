"""How long a frame may take, and how much memory there is."""

from __future__ import annotations

import os
import statistics
import sys
from collections import deque
from dataclasses import dataclass
from pathlib import Path

_GB = 1 << 30


@dataclass(frozen=True)
class TimeRules:
    """Chosen by us, no source: far beyond what any frame takes, so that only one that hangs is ended.

    first   s for a frame while fewer than `enough` are done: functions may still be compiled
    least   s that every frame has; times  the typical frame of this run, in proportion to its size where it is larger
    looked_at  frames that were done last, of which the typical one is the median
    warming    s more for the first frame of a worker, which loads libraries and compiled functions, and on the very
               first run compiles them (16 CPU s here)
    """

    first: float = 900.0
    least: float = 120.0
    times: float = 30.0
    enough: int = 5
    looked_at: int = 101
    warming: float = 60.0


@dataclass(frozen=True)
class MemoryRules:
    """Octets. Chosen by us, no source, from what is measured in MEASURED.md, "Time, memory and size".

    wanted  that a worker has at the least: frames of 24 megapixels brought to a web size take half of it
    kept    left to the rest of the machine: below that, no more than one frame is in work
    """

    wanted: int = 3 * _GB // 2
    kept: int = _GB // 2


TIME, MEMORY = TimeRules(), MemoryRules()


class TimeLimit:
    """How many seconds an item of one phase may take, from its size and from what those before it took."""

    def __init__(self, fixed: float | None = None, rules: TimeRules = TIME) -> None:
        """fixed  seconds that every item has, None to go by the rate"""
        self._fixed, self._rules = fixed, rules
        self._done: deque[tuple[float, float]] = deque(maxlen=rules.looked_at)

    def note(self, seconds: float, size: float) -> None:
        """An item of `size` took `seconds`."""
        self._done.append((seconds, size))

    def of(self, size: float) -> float:
        """Seconds for an item of `size`, in the unit of the others."""
        if self._fixed is not None:
            return self._fixed
        if len(self._done) < self._rules.enough:
            return self._rules.first
        typical = statistics.median(seconds for seconds, _ in self._done)
        usual = statistics.median(size for _, size in self._done)
        larger = max(1.0, size / usual) if usual > 0 else 1.0
        return max(self._rules.least, self._rules.times * typical * larger)


def memory_free() -> int | None:
    """Octets that programs can still take without pushing others out, on the machine and in the control groups that
    this process is in (containers have such); None where the system does not say, which is everywhere but on Linux."""
    if sys.platform != "linux":
        return None
    free = [found for found in (_machine_free(), *map(_group_free, _groups())) if found is not None]
    return min(free, default=None)


def workers_that_fit(cores: int) -> int:
    """So many of `cores` workers as the memory has room for, at least one."""
    free = memory_free()
    return cores if free is None else max(1, min(cores, free // MEMORY.wanted))


@dataclass(frozen=True)
class MemoryShare:
    """Octets that a worker may have: among others, and when it works alone; 0 for no limit."""

    among_others: int = 0
    alone: int = 0


def memory_share(workers: int) -> MemoryShare:
    """What each of so many workers may have, so that all together take no more than is free now."""
    free = memory_free()
    if free is None:
        return MemoryShare()
    alone = max(MEMORY.wanted, free - MEMORY.kept)
    return MemoryShare(max(MEMORY.wanted, alone // workers), alone)


def memory_is_short() -> bool:
    """Whether so little memory is left that frames had better be worked on one at a time."""
    free = memory_free()
    return free is not None and free < MEMORY.kept


def _machine_free() -> int | None:
    try:
        for line in Path("/proc/meminfo").read_text().splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) << 10
    except (OSError, ValueError, IndexError):
        pass
    return None


def _groups() -> list[Path]:
    """The folders of this process's control group and those above it, of version 2 and of the memory part of 1."""
    try:
        lines = Path("/proc/self/cgroup").read_text().splitlines()
    except OSError:
        return []
    found = []
    for line in lines:
        _, parts, path = [*line.split(":", 2), "", ""][:3]
        root = Path("/sys/fs/cgroup") if parts == "" else Path("/sys/fs/cgroup/memory")
        if parts in ("", "memory"):
            inside = Path(os.path.normpath(path.lstrip("/")))
            found += [root / folder for folder in (inside, *inside.parents)]
    return [folder for folder in dict.fromkeys(found) if folder.is_dir()]


def _group_free(folder: Path) -> int | None:
    """What a control group may still take. Pages of files that it holds are given back when they are needed."""
    for most, used in (("memory.max", "memory.current"), ("memory.limit_in_bytes", "memory.usage_in_bytes")):
        try:
            limit = int((folder / most).read_text())
            current = int((folder / used).read_text())
            stat = dict(line.split() for line in (folder / "memory.stat").read_text().splitlines())
            files = int(stat.get("inactive_file", 0)) + int(stat.get("active_file", 0))
        except (OSError, ValueError):  # "max": no limit
            continue
        return max(0, limit - current + min(files, current))
    return None
