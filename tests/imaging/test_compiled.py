"""Functions that are compiled when they are first called; Python itself is the oracle."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numba.core.caching import IndexDataCacheFile

from pipeline.imaging.compiled import compiled


@compiled()
def half(x: float) -> float:
    """Half."""
    return x / 2 if x < 0 else twice(x) / 4


@compiled(error_model="numpy")
def twice(x: float) -> float:
    return x * 2 if x >= 0 else half(x) * 4


@compiled(error_model="numpy")
def total(values: np.ndarray) -> float:
    found = 0.0
    for value in values:
        found += half(value) / 0.0 if value > 100 else half(value)
    return found


def test_functions_that_call_each_other() -> None:
    assert half.__name__ == "half" and half.__doc__ == "Half."
    values = np.array([1.0, -2.0, 4.5])
    assert total(values) == values.sum() / 2
    assert half(3.0) == 1.5 and twice(-3.0) == -6.0
    assert total(np.array([101.0])) == np.inf  # the error model reaches numba


SOURCE = """\
from pipeline.imaging.compiled import compiled
@compiled()
def third(x):
    return x / 3
print(third(6.0))
"""


def test_a_kept_function_that_was_cut_is_compiled_again(tmp_path: Path) -> None:
    """As a loss of power leaves it."""
    (tmp_path / "source.py").write_text(SOURCE, encoding="utf-8")

    def third() -> str:
        done = subprocess.run([sys.executable, "source.py"], cwd=tmp_path, capture_output=True, text=True, timeout=100)
        return done.stdout.strip() or done.stderr

    assert third() == "2.0"
    kept = sorted((tmp_path / "__pycache__").glob("source.third-*"))
    assert len(kept) == 2
    before = [path.read_bytes() for path in kept]
    for path in kept:
        path.write_bytes(path.read_bytes()[:20])
    assert third() == "2.0"
    assert [path.read_bytes()[:20] for path in kept] == [data[:20] for data in before]
    assert all(path.stat().st_size > 20 for path in kept)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS])
def test_a_function_that_cannot_be_kept_still_works(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(IndexDataCacheFile, "_save_index", refuse)

    @compiled()
    def fourth(x: float) -> float:
        return x / 4

    assert fourth(8.0) == 2.0


def test_where_nothing_can_be_kept_functions_still_work(monkeypatch: pytest.MonkeyPatch) -> None:
    """Numba says so by a RuntimeError where neither the package nor the user's cache can be written."""

    def refuse(_: object) -> None:
        raise RuntimeError("no locator available")

    monkeypatch.setattr("numba.core.caching.FunctionCache.__init__", lambda self, function: refuse(function))

    @compiled()
    def fifth(x: float) -> float:
        return x / 5

    assert fifth(10.0) == 2.0
