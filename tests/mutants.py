"""Do the tests bite? `python -m tests.mutants [--only GLOB] [--list] [--jobs 2]`

Each row of tests/mutants_table is a mistake that somebody could make in one line. It is made in a copy of the
checkout, the tests that should notice are run there, and the line is put back. Exit status 1 when fewer than
95 % of the mistakes are noticed, 2 when the table does not fit the code.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import fnmatch
import importlib
import os
import pkgutil
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

from tests import mutants_table
from tests.mutants_table import Mutant

ROOT = Path(__file__).resolve().parents[1]
LEAST = 0.95  # of the mistakes must be noticed
_TIMEOUT = 300  # seconds for the tests of one mutant; one that never ends is noticed too
_COPIED = ("pipeline", "recipes", "fixtures", "tests", "pyproject.toml", "README.md", "DEVELOPERS.md")


def table() -> list[Mutant]:
    """All rows, file by file."""
    modules = (importlib.import_module(f"tests.mutants_table.{m.name}") for m in _modules())
    return [row for module in modules for row in module.MUTANTS]


def _modules() -> Iterator[pkgutil.ModuleInfo]:
    return pkgutil.iter_modules(mutants_table.__path__)


def problems(rows: Sequence[Mutant]) -> list[str]:
    """Rows that do not fit the code as it stands."""
    found = [f"twice: {row.name}" for i, row in enumerate(rows) if row in rows[:i]]
    for row in rows:
        path = ROOT / "pipeline" / row.file
        text = path.read_text(encoding="utf-8") if path.is_file() else ""
        count = text.count(row.old)
        if count != 1:
            found.append(f"the line has changed ({count} times there): update the table: {row.name}")
        elif path.suffix == ".py" and not _is_python(text.replace(row.old, row.new)):
            found.append(f"no Python any more, which every test notices: {row.name}")
        found += [
            f"no such tests: {t}: {row.name}" for t in row.tests if not (ROOT / "tests" / t.split("::")[0]).exists()
        ]
        if not row.tests or row.old == row.new:
            found.append(f"no tests or no change: {row.name}")
    return found


def _is_python(text: str) -> bool:
    try:
        ast.parse(text)
    except SyntaxError:
        return False
    return True


@dataclass(frozen=True)
class Copy:
    """A copy of the checkout, of which the pipeline is imported, whatever is installed."""

    root: Path

    @staticmethod
    def make(folder: Path) -> Copy:
        """Copy what tests need. `pipeline.fixtures` and `pipeline.recipes` are links, as an install maps them."""
        root = folder / "checkout"
        root.mkdir(parents=True)
        for name in _COPIED:
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, root / name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy2(source, root / name)
        for name in ("fixtures", "recipes"):
            (root / "pipeline" / name).symlink_to(root / name, target_is_directory=True)
        if (ROOT.parent / "shared").exists():
            (folder / "shared").symlink_to((ROOT.parent / "shared").resolve(), target_is_directory=True)
        compileall.compile_dir(root / "pipeline", quiet=2)
        copy = Copy(root)
        shown = copy.python(
            "-c", "import pipeline, pipeline.fixtures; print(pipeline.__file__, pipeline.fixtures.__path__)"
        )
        if shown.stdout.count(str(root)) != 2:
            raise SystemExit(f"not the copy's pipeline is imported but {shown.stdout}{shown.stderr}")
        return copy

    def python(self, *arguments: str, **environ: str) -> subprocess.CompletedProcess[str]:
        """Run the interpreter in the copy. No byte code is written: a stale one would hide a mutant."""
        kept = {"PYTHONPATH": str(self.root), "PYTHONDONTWRITEBYTECODE": "1"}
        kept["NUMBA_CACHE_DIR"] = str(self.root.parent / "numba")
        return subprocess.run(
            [sys.executable, *arguments],
            cwd=self.root,
            env=os.environ | kept | environ,
            capture_output=True,
            text=True,
            timeout=_TIMEOUT,
            check=False,
        )

    def tests(self, tests: Sequence[str], **environ: str) -> subprocess.CompletedProcess[str]:
        """Run these tests up to the first that fails."""
        paths = [f"tests/{t}" for t in tests]
        return self.python("-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header", *paths, **environ)

    def failing(self, tests: Sequence[str]) -> str:
        """The first of these tests that fails in the copy as it is, "" where all pass."""
        try:
            return _failed(self.tests(tests))
        except subprocess.TimeoutExpired:
            return f"they take more than {_TIMEOUT} s"

    def noticed(self, row: Mutant) -> str:
        """The name of the test that failed, "" where none did. Raises SystemExit where the tests could not be run."""
        path = self.root / "pipeline" / row.file
        text, times = path.read_text(encoding="utf-8"), path.stat()
        environ = {}
        if "@compiled" in text:  # compiled callers in other files do not see that this one changed
            environ["NUMBA_CACHE_DIR"] = tempfile.mkdtemp(dir=self.root.parent)
        try:
            path.write_text(text.replace(row.old, row.new), encoding="utf-8")
            os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns + 10**10))
            done = self.tests(row.tests, **environ)
        except subprocess.TimeoutExpired:
            return "a test that never ends"
        finally:
            path.write_text(text, encoding="utf-8")
            os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
            shutil.rmtree(environ.get("NUMBA_CACHE_DIR", ""), ignore_errors=True)
        return _failed(done)


def _failed(done: subprocess.CompletedProcess[str]) -> str:
    """The test that failed, "" where none did. Raises SystemExit where the tests could not be run."""
    if done.returncode < 0:
        return "a crash of the interpreter"
    if done.returncode == 2:
        return "tests that cannot even be imported"
    if done.returncode > 2:
        raise SystemExit(f"tests could not be run:\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    failed = [line.split()[1] for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return (failed or ["?"])[0] if done.returncode else ""


class Judge:
    """For each mutant the test that noticed it, "" for none; printed on the way."""

    def __init__(self, folder: Path, jobs: int) -> None:
        self.copies: SimpleQueue[Copy] = SimpleQueue()
        for number in range(jobs):
            self.copies.put(Copy.make(folder / str(number)))
        self.clean: dict[tuple[str, ...], str] = {}  # tests -> how they fail without any mutant, "" where they pass

    def __call__(self, row: Mutant) -> str:
        copy, start = self.copies.get(), time.perf_counter()
        try:
            if row.tests not in self.clean:
                self.clean[row.tests] = copy.failing(row.tests)
            found = copy.noticed(row) if not self.clean[row.tests] else ""
        finally:
            self.copies.put(copy)
        word = f"killed by {found}" if found else "SURVIVED" + (f" ({row.why})" if row.why else "")
        if self.clean[row.tests]:
            word = f"not judged, its tests fail without it: {self.clean[row.tests]}"
        print(f"{time.perf_counter() - start:5.1f} s  {row.name}\n         {word}", flush=True)
        return found


def main() -> int:
    """Returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="*", help="glob on names, such as 'deliver/*'")
    parser.add_argument("--list", action="store_true", help="check the table against the code and print it")
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    every = table()
    rows = [row for row in every if fnmatch.fnmatch(row.name, f"{options.only}*")]
    if wrong := problems(every):
        print("\n".join(wrong))
        return 2
    if options.list:
        print("\n".join(row.name for row in rows))
        print(f"{len(rows)} of {len(every)} mutants")
        return 0
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(options.jobs) as pool:
        judge = Judge(Path(folder), options.jobs)
        found = list(pool.map(judge, rows))
    unjudged = [row for row in rows if judge.clean[row.tests]]
    if unjudged:
        print(f"\n{len(unjudged)} mutants were not judged: their tests fail without them")
    alive = [row for row, name in zip(rows, found, strict=True) if not name and row not in unjudged]
    killed, judged = sum(map(bool, found)), len(rows) - len(unjudged)
    print(f"\n{judged} mutants: {killed} killed, {len(alive)} survived")
    for row in alive:
        print(f"  {row.name}\n    {row.why or 'NOT EXPLAINED: write the test that sees it'}")
    explained = all(row.why for row in alive)
    return 0 if killed >= LEAST * judged and explained and not unjudged else 1


if __name__ == "__main__":
    sys.exit(main())
