"""Writes the recipe reference into recipes/README.md from the steps' declarations: `python -m tests.readme`."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.cli.steps import steps_text
from pipeline.steps import REGISTRY

README = Path(__file__).resolve().parents[1] / "recipes" / "README.md"


def main() -> None:
    text = README.read_text(encoding="utf-8")
    reference = f"<!-- steps -->\n{steps_text(list(REGISTRY.values()))}\n<!-- end of steps -->"
    text, count = re.subn(r"<!-- steps -->.*?<!-- end of steps -->", lambda _: reference, text, flags=re.DOTALL)
    if count != 1:
        raise SystemExit("recipes/README.md has no place for the reference")
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
