"""Functions that are compiled when they are first called; Python itself is the oracle."""

from __future__ import annotations

import ast
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
    return twice(x) / 4


@compiled(error_model="numpy")
def twice(x: float) -> float:
    return x * 2 if x >= 0 else -twice(-x)


@compiled(error_model="numpy")
def total(values: np.ndarray) -> float:
    found = 0.0
    for value in values:
        found += half(value) / 0.0 if value > 100 else half(value)
    return found


def test_functions_that_call_others_and_themselves() -> None:
    assert half.__name__ == "half" and half.__doc__ == "Half."
    values = np.array([1.0, -2.0, 4.5])
    assert total(values) == values.sum() / 2
    assert half(3.0) == 1.5 and twice(-3.0) == -6.0
    assert total(np.array([101.0])) == np.inf  # the error model reaches numba


CHAIN = """\
from pipeline.imaging.compiled import compiled
@compiled()
def half(x):
    return twice(x) / 4
@compiled()
def twice(x):
    return x * 2 if x >= 0 else -twice(-x)
print(half(3.0), half(-3.0), twice(-3.0))
"""


def test_the_second_process_finds_them_kept(tmp_path: Path) -> None:
    (tmp_path / "source.py").write_text(CHAIN, encoding="utf-8")
    for _ in range(2):
        done = subprocess.run([sys.executable, "source.py"], cwd=tmp_path, capture_output=True, text=True, timeout=100)
        assert (done.returncode, done.stdout) == (0, "1.5 -1.5 -6.0\n"), done.stderr
        assert len(list((tmp_path / "__pycache__").glob("source.*.nbc"))) == 2


def _called(module: str) -> dict[str, set[str]]:
    """For each compiled function of the source of a module, the names that it calls."""
    functions = [one for one in ast.walk(ast.parse(module)) if isinstance(one, ast.FunctionDef)]
    return {
        one.name: {c.func.id for c in ast.walk(one) if isinstance(c, ast.Call) and isinstance(c.func, ast.Name)}
        for one in functions
        if any(ast.unparse(decorator).startswith("compiled(") for decorator in one.decorator_list)
    }


def _circles(called: dict[str, set[str]]) -> set[str]:
    """The functions that come back to themselves by way of another."""
    reached = {name: (calls & called.keys()) - {name} for name, calls in called.items()}
    for _ in called:
        reached = {name: some.union(*(reached[one] for one in some)) for name, some in reached.items()}
    return {name for name, some in reached.items() if name in some}


def test_no_two_functions_call_each_other() -> None:
    """Numba 0.68 crashes, in a worker as in a test, in the second process that uses such a pair. Imports run in no
    circle (tests/test_layers.py), so a pair would lie in one module."""
    seen = 0
    for path in (Path(__file__).parents[2] / "pipeline").rglob("*.py"):
        called = _called(path.read_text(encoding="utf-8"))
        assert not _circles(called), path
        seen += len(called)
    assert seen > 50
    pair = (
        "@compiled()\ndef a(x): return b(x)\n@compiled()\ndef b(x): return c(x)\n@compiled()\ndef c(x): return a(x)\n"
    )
    assert _circles(_called(pair)) == {"a", "b", "c"}
    assert not _circles(_called(pair.replace("a(x)\n", "c(x)\n")))


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
