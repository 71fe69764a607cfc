"""The strip at the top of the README from a demo run: `python -m tests.strip DIR` writes fixtures/burst.jpg.

Above the frames of the second burst as the camera balanced them, below as delivered.
"""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import PIL.Image

from pipeline.store.store import Store

WIDTH, BURST = 300, 3


def main() -> None:
    out = Path(sys.argv[1]) / "delivered"
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    names = record["bursts"][BURST][:4]
    rows = []
    for name in names:
        frame = record["frames"][name]
        before = io.BytesIO(Store(out).get("thumbs", frame["before"]) or b"")
        rows.append([PIL.Image.open(p).convert("RGB") for p in (before, out / frame["deliveries"]["web"]["file"])])
    heights = [round(WIDTH * picture.height / picture.width) for picture in rows[0]]
    strip = PIL.Image.new("RGB", (WIDTH * len(rows), sum(heights) + 6), "white")
    for column, pictures in enumerate(rows):
        strip.paste(pictures[0].resize((WIDTH, heights[0])), (column * WIDTH, 0))
        strip.paste(pictures[1].resize((WIDTH, heights[1])), (column * WIDTH, heights[0] + 6))
    strip.save(Path(__file__).resolve().parents[1] / "fixtures" / "burst.jpg", quality=85)


if __name__ == "__main__":
    main()
