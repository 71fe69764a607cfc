"""The architecture as a test: each package has a rank of its own, imports run downward, no file grows long."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "pipeline"
# From what a person types down to what knows nothing. A package imports only from packages that stand after it here.
RANKS = (
    "cli", "review", "engine", "workers", "report", "recipe", "steps", "deliver", "light", "people", "captions",
    "shoot", "formats", "imaging", "store", "textfile", "types", "errors", "lifetime", "threads",
)  # fmt: skip
RANK = {name: len(RANKS) - at for at, name in enumerate(RANKS)}
LONGEST = 400
MOST_FILES = 17


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{a.name}" for a in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
    return {name for name in found if name.startswith("pipeline.")}


def test_every_package_has_a_rank_of_its_own() -> None:
    there = {
        p.name.removesuffix(".py") for p in PACKAGE.iterdir() if p.suffix == ".py" or (p / "__init__.py").is_file()
    }
    assert there - {"__init__"} == set(RANKS)
    assert len(set(RANK.values())) == len(RANKS)


def test_imports_run_downward() -> None:
    wrong = []
    for path in PACKAGE.rglob("*.py"):
        package = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if package == "__init__":
            continue
        for name in imports(path):
            other = name.split(".")[1]
            if other in RANK and other != package and RANK[other] > RANK[package]:
                wrong.append(f"{path.relative_to(PACKAGE)} imports {name}")
    assert wrong == []


def test_no_circle_of_modules() -> None:
    graph = {}
    for path in PACKAGE.rglob("*.py"):
        parts = ["pipeline", *path.relative_to(PACKAGE).with_suffix("").parts]
        name = ".".join(parts).removesuffix(".__init__")
        # `from pipeline.steps import crop` names the package too, but a package's own list of modules is no circle
        graph[name] = {i for i in imports(path) if not name.startswith(f"{i}.") and i != name}
    state: dict[str, int] = {}

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert state.get(name) != 1, " -> ".join((*trail, name))
        if name in state or name not in graph:
            return
        state[name] = 1
        for other in graph[name]:
            visit(other, (*trail, name))
        state[name] = 2

    for name in graph:
        visit(name, ())


def test_no_file_is_long() -> None:
    long = {
        p.name: n for p in PACKAGE.rglob("*.py") if (n := len(p.read_text(encoding="utf-8").splitlines())) > LONGEST
    }
    assert long == {}


def test_every_package_says_in_one_line_what_lives_there() -> None:
    faces = {p: ast.get_docstring(ast.parse(p.read_text(encoding="utf-8"))) for p in PACKAGE.rglob("__init__.py")}
    assert {p for p, text in faces.items() if not text or "\n" in text} == set()


def test_no_package_is_a_heap() -> None:
    counts = {d: len(list(d.glob("*.py"))) - 1 for d in {p.parent for p in PACKAGE.rglob("*.py")}}
    assert {d.name: n for d, n in counts.items() if n > MOST_FILES} == {}


def test_what_only_workers_need_is_imported_in_functions() -> None:
    """A run's parent loads neither: some 25 and 125 MB of the 400 that a night of 20,000 frames may take."""
    code = "import sys, pipeline.engine.run; print(*({'cv2', 'numba'} & sys.modules.keys()))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=True)
    assert done.stdout.split() == []


def test_the_wheel_holds_every_package() -> None:
    # An editable install finds a package that the list lacks; the README's first command, a plain install, does not.
    settings = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    folders = {p.parent.relative_to(PACKAGE.parent) for p in PACKAGE.rglob("__init__.py")}
    assert {".".join(f.parts) for f in folders} == set(settings["packages"]) - {"pipeline.recipes", "pipeline.fixtures"}
    kept = {
        p
        for name, patterns in settings["package-data"].items()
        for folder in [PACKAGE.parent / settings["package-dir"].get(name, name.replace(".", "/"))]
        for pattern in patterns
        for p in folder.glob(pattern)
    }
    data = {p for p in PACKAGE.rglob("*") if p.is_file() and p.suffix != ".py" and "__pycache__" not in p.parts}
    assert data <= kept
    assert settings["include-package-data"] is False  # a build, and every editable install, warns of review/web else


def test_the_top_of_the_repository_holds_what_belongs_there() -> None:
    # what a command of the README writes where it is run was once committed with all the rest
    if not shutil.which("git"):
        pytest.skip("git is not installed")
    listed = subprocess.run(["git", "ls-files"], cwd=PACKAGE.parent, capture_output=True, text=True, timeout=60)
    if listed.returncode:
        pytest.skip("no checkout of git")
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    belongs = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "pipeline", "recipes", "tests", "fixtures"}
    assert {name for name in top if not name.startswith(".")} == belongs
