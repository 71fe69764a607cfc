"""How long an item may take and how much memory a worker may have."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from pipeline.workers import limits
from pipeline.workers.limits import MEMORY, TIME, TimeLimit, memory_is_short, memory_share, workers_that_fit

GB = 1 << 30


def test_the_first_frames_have_long() -> None:
    assert TimeLimit().of(1.0) == TIME.first


def test_a_time_limit_is_in_proportion_to_the_size_and_the_rate() -> None:
    limit = TimeLimit()
    for _ in range(TIME.enough):
        limit.note(10.0, 25e6)
    assert limit.of(25e6) == pytest.approx(TIME.times * 10)
    assert limit.of(100e6) == pytest.approx(TIME.times * 40)
    assert limit.of(1e6) == pytest.approx(TIME.times * 10)  # a small file may still be a large picture
    assert limit.of(0) == pytest.approx(TIME.times * 10)


def test_quick_frames_leave_a_slow_one_minutes() -> None:
    limit = TimeLimit()
    for _ in range(1000):
        limit.note(0.01, 0.0)
    assert limit.of(1.0) == TIME.least


def test_a_limit_that_a_person_gives_is_the_limit() -> None:
    limit = TimeLimit(5.0)
    for _ in range(10):
        limit.note(100.0, 1.0)
    assert limit.of(1e9) == 5.0


def test_workers_and_their_memory_fit_what_is_free(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "memory_free", lambda: 8 * GB)
    assert workers_that_fit(2) == 2
    assert workers_that_fit(64) == 8 * GB // MEMORY.wanted
    share = memory_share(2)
    assert share.alone == 8 * GB - MEMORY.kept and share.among_others * 2 <= share.alone
    assert not memory_is_short()
    monkeypatch.setattr(limits, "memory_free", lambda: MEMORY.kept - 1)
    assert workers_that_fit(64) == 1 and memory_is_short()
    assert memory_share(8).among_others == MEMORY.wanted
    monkeypatch.setattr(limits, "memory_free", lambda: None)  # a system that does not say
    assert workers_that_fit(64) == 64 and not memory_is_short() and memory_share(8) == limits.MemoryShare()


@pytest.mark.parametrize(
    ("names", "most", "free"),
    [
        (("memory.max", "memory.current"), str(4 * GB), 4 * GB - 3 * GB + GB),
        (("memory.limit_in_bytes", "memory.usage_in_bytes"), str(4 * GB), 4 * GB - 3 * GB + GB),
        (("memory.max", "memory.current"), "max", None),
    ],
)
def test_the_memory_of_a_container(names: tuple[str, str], most: str, free: int | None, tmp_path: Path) -> None:
    """The files of control groups of version 2 and 1, as the Linux kernel's documentation describes them."""
    (tmp_path / names[0]).write_text(f"{most}\n")
    (tmp_path / names[1]).write_text(f"{3 * GB}\n")
    (tmp_path / "memory.stat").write_text(f"anon {2 * GB}\ninactive_file {GB // 4}\nactive_file {3 * GB // 4}\n")
    assert limits._group_free(tmp_path) == free


def test_the_least_of_all_groups_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit on any group above holds for the groups in it (Linux kernel, "Control Group v2")."""
    if sys.platform != "linux":
        pytest.skip("control groups are Linux's")
    top, inner = tmp_path / "sys/fs/cgroup/night", tmp_path / "sys/fs/cgroup/night/work"
    inner.mkdir(parents=True)
    for folder, most in ((top, 2 * GB), (inner, 6 * GB)):
        (folder / "memory.max").write_text(f"{most}\n")
        (folder / "memory.current").write_text(f"{GB}\n")
        (folder / "memory.stat").write_text("anon 0\n")
    (tmp_path / "proc/self").mkdir(parents=True)
    (tmp_path / "proc/self/cgroup").write_text("0::/night/work\n")
    (tmp_path / "proc/meminfo").write_text(f"MemTotal: 9 kB\nMemAvailable: {8 * GB >> 10} kB\n")
    monkeypatch.setattr(limits, "Path", lambda text: tmp_path / text[1:] if text.startswith("/") else Path(text))
    assert limits.memory_free() == GB
    (top / "memory.max").write_text("max\n")
    assert limits.memory_free() == 5 * GB
    (inner / "memory.max").write_text(f"{20 * GB}\n")
    assert limits.memory_free() == 8 * GB
