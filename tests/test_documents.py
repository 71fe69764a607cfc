"""What the documents name is there: files, modules, commands and their options, and each package on the map."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md", "tests/MEASURED.md", "recipes/README.md", "tests/training/README.md")
FOLDERS = ("pipeline", "tests", "fixtures", "recipes")
# What a document may name though no file of ours does: what a run writes, and what other programs understand.
ELSEWHERE = re.compile(r"^\.|OUT/|evencourt-demo/|card2/|~/|/media/|://|people/\d|WALLPAPERS/|/NAME")
PLACEHOLDERS = {"OUT", "PID", "HEX"}
STARTED_BY_TESTS = {"tests.scale.child", "tests.shoot.gather.killed"}


@cache
def words() -> frozenset[str]:
    """Every identifier in our code, data and names of files."""
    found: set[str] = set()
    for folder in FOLDERS:
        for path in (ROOT / folder).rglob("*"):
            if path.suffix in {".py", ".js", ".html", ".css", ".yaml", ".toml", ".csv"}:
                found |= set(re.findall(r"\w+", path.read_text(encoding="utf-8")))
            found |= set(re.findall(r"\w+", path.name))
    return frozenset(found | set(re.findall(r"\w+", (ROOT / "pyproject.toml").read_text(encoding="utf-8"))))


@cache
def paths() -> frozenset[str]:
    """Every file and folder of ours, from the top of the repository."""
    below = {p.relative_to(ROOT).as_posix() for folder in FOLDERS for p in (ROOT / folder).rglob("*")}
    return frozenset(below | {*FOLDERS})


def is_there(name: str) -> bool:
    """Whether a path, whole or from any folder on, with or without its ending, is one of ours."""
    name = name.rstrip("/").removeprefix("/")
    return any(f"/{p}".endswith((f"/{name}", f"/{name}.py")) for p in paths())


def code_of(document: str) -> list[str]:
    """What stands in backticks, outside blocks."""
    text = re.sub(r"```.*?```", "", (ROOT / document).read_text(encoding="utf-8"), flags=re.DOTALL)
    return [" ".join(one.split()) for one in re.findall(r"`([^`]+)`", text)]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_path_is_there(document: str) -> None:
    named = [
        n for one in code_of(document) for n in one.split() if re.fullmatch(r"[\w./*-]*[\w-]/[\w./-]*\*?[\w.]*", n)
    ]
    gone = {n for n in named if not ELSEWHERE.search(n) and "*" not in n and not n[0].isdigit() and not is_there(n)}
    assert gone == set()


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_link_leads_somewhere(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)]+)\)", text):
        file, _, part = target.partition("#")
        path = (ROOT / document).parent / file if file else ROOT / document
        assert path.is_file(), target
        heads = re.findall(r"(?m)^#+ (.+)$", path.read_text(encoding="utf-8")) if part else []
        assert not part or part in {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in heads}, target


def commands(document: str) -> list[str]:
    text = " ".join((ROOT / document).read_text(encoding="utf-8").split())
    whole = re.findall(r"python -m ((?:tests|pipeline)[\w.]*[^`#(]*)", text)
    return whole + [one for one in code_of(document) if re.match(r"tests\.\w", one)]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_command_is_there_and_takes_its_options(document: str) -> None:
    for command in commands(document):
        module, _, rest = command.partition(" ")
        place = ROOT / module.rstrip(".,:").replace(".", "/")
        sources = [p for p in (place.with_suffix(".py"), place / "__main__.py") if p.is_file()]
        assert sources, command
        takes = "".join(p.read_text(encoding="utf-8") for p in sources)
        for option in re.findall(r"(?<!\S)--[a-z-]+", rest):
            assert f'"{option}"' in takes, f"{module} has no {option}"


def test_every_name_in_code_is_one_of_the_code() -> None:
    """A function, a class or a constant that was renamed is renamed where it is told of."""
    named = {n for one in code_of("DEVELOPERS.md") for n in re.findall(r"[A-Za-z_]{2,}\w*", one.replace("\\", ""))}
    ours = {n for n in named if "_" in n.strip("_") or re.fullmatch(r"[A-Z]+[a-z]+[A-Z]\w+|[A-Z]{3,}", n)}
    assert ours - words() - PLACEHOLDERS == set()


def test_the_map_has_every_package() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## The map")[1].split("\n## ")[0]
    packages = {p.parent.name for p in (ROOT / "pipeline").rglob("__init__.py")} - {"pipeline"}
    assert {p for p in packages if not re.search(rf"\b{p}/", text)} == set()


def test_measured_lists_every_command_that_measures() -> None:
    """Whatever can be run by itself is named by a document, which says what it is for."""
    documents = "".join((ROOT / d).read_text(encoding="utf-8") for d in DOCUMENTS)
    files = [p for p in (ROOT / "tests").rglob("*.py") if not p.name.startswith("test_")]
    runs = [p for p in files if '\nif __name__ == "__main__":' in p.read_text(encoding="utf-8")]
    modules = {".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__main__") for p in runs}
    named = {m for m in modules if re.search(rf"\b{re.escape(m)}\b", documents)}
    assert modules - named == STARTED_BY_TESTS
