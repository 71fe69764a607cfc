"""What a folder for each of 40 players costs beside one delivery of the same pictures: processor time, and bytes.

    python -m tests.folders_benchmark SHOOT [--frames 300] [--players 40] [--in-each 3]

SHOOT  a folder of pictures, whose copies make up the frames; each frame names `--in-each` players, in turn
"""

from __future__ import annotations

import argparse
import itertools
import json
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

MAIN = "from pipeline.cli.entry import main; main()"
STEPS = """    - resize: {long_edge: 1200}
    - caption:
    - save: {at_most: 1.5 MB}
"""
HEAD = "recipe: 1\nsteps: [decode: ]\ndeliveries:\n  club:\n" + STEPS + "    - deliver: {zip: true, page: true}\n"
FAMILY = "  family:\n    - for: {each: player}\n" + STEPS
MADE = "    - deliver: {zip: true, page: true, contact_sheet: a4}\n"
SUFFIXES = (".dng", ".jpg", ".jpeg")


def shoot_of(source: Path, folder: Path, frames: int, players: int, in_each: int) -> None:
    """A shoot of `frames` copies, with a roster and who is in them."""
    folder.mkdir()
    pictures = [path for path in sorted(source.iterdir()) if path.suffix.lower() in SUFFIXES]
    rows = ["frame,players"]
    turn = itertools.cycle(range(1, players + 1))
    for at, path in zip(range(frames), itertools.cycle(pictures), strict=False):
        shutil.copy(path, folder / f"F{at:04}{path.suffix.lower()}")
        rows.append(f"F{at:04}," + "; ".join(f"home {next(turn)}" for _ in range(in_each)))
    (folder / "frames.csv").write_text("\n".join(rows), encoding="utf-8")
    roster = [f"home,{n},Player{chr(64 + n % 26 + 1)} Number{n},yes" for n in range(1, players + 1)]
    (folder / "roster.csv").write_text("\n".join(["team,number,name,publish", *roster]), encoding="utf-8")
    (folder / "shoot.yaml").write_text("roster: roster.csv\nframes: frames.csv\n", encoding="utf-8")


def seconds_of(folder: Path, recipe: str, out: str) -> tuple[float, dict]:
    """(processor seconds of a run, its record)."""
    (folder / "recipe.yaml").write_text(recipe, encoding="utf-8")
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-c", MAIN, "run", folder / "recipe.yaml", folder / "shoot", "--out",
               folder / out, "--cache", folder / "cache", "--offline", "--workers", "1"]  # fmt: skip
    done = subprocess.run([str(one) for one in command], capture_output=True, text=True, check=False)
    if done.returncode:
        sys.exit(done.stdout + done.stderr)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return took, json.loads((folder / out / "run.json").read_text(encoding="utf-8"))


def main() -> None:
    """Print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("shoot", type=Path)
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--players", type=int, default=40)
    parser.add_argument("--in-each", type=int, default=3)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shoot_of(given.shoot, folder / "shoot", given.frames, given.players, given.in_each)
        seconds_of(folder, HEAD, "measured")  # fills the cache
        alone, _ = seconds_of(folder, HEAD, "alone")
        for what, recipe in (("folders", HEAD + FAMILY), ("folders with zip, page and sheet", HEAD + FAMILY + MADE)):
            took, record = seconds_of(folder, recipe, what.split()[-1])
            files = [file for frame in record["frames"].values() for file in frame["deliveries"]]
            folders = {file for file in files if file.startswith("family/")}
            print(
                f"{what}: {len(files)} files in {len(folders)} folders and the club's: "
                f"{took:.0f} s of processor time, {took / alone:.2f} times that of the club's alone ({alone:.0f} s)"
            )
        again, record = seconds_of(folder, HEAD + FAMILY + MADE, "alone")
        print(
            f"added in the morning: {again:.0f} s, {again / alone:.2f} times, {record['counts']['rendered']} rendered"
        )
        sizes = [path.stat().st_size / 1e6 for path in folder.rglob("contact-sheet.pdf")]
        print(f"contact sheets: {len(sizes)}, {sum(sizes) / max(1, len(sizes)):.1f} MB on average")


if __name__ == "__main__":
    main()
