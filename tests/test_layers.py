"""The architecture as a test: imports run downward, no file grows long."""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).resolve().parents[1] / "pipeline"
LAYERS = {
    "cli": 6, "cli_models": 6, "describe": 5, "lightwords": 4, "run": 4, "filenames": 3, "survey": 3, "scenes": 3,
    "solve": 3, "render": 3, "earlier": 3, "planned": 3, "ledger": 3, "record": 3, "proposal": 3, "sending": 3,
    "cli_captions": 6, "captionsheet": 3, "shirts": 3,
    "executors": 2, "modelfiles": 2, "store": 2, "deliver": 2, "recipe": 2, "report": 2, "steps": 2, "shoot": 2,
    "yamlfile": 1, "arrays": 0, "plainwords": 1, "imaging": 1, "keys": 0, "model": 0, "errors": 0,
    "masking": 3,
}  # fmt: skip


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{a.name}" for a in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
    return {name for name in found if name.startswith("pipeline.")}


def test_imports_run_downward() -> None:
    wrong = []
    for path in PACKAGE.rglob("*.py"):
        part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if part == "__init__":
            continue
        for name in imports(path):
            other = name.split(".")[1]
            if other in LAYERS and LAYERS[other] > LAYERS[part]:
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
    long = {p.name: n for p in PACKAGE.rglob("*.py") if (n := len(p.read_text(encoding="utf-8").splitlines())) > 420}
    assert long == {}
