"""How long gather takes against copying and comparing by hand: `python -m tests.gather_benchmark [FOLDER]`.

By hand: sha256sum over the card, cp -a, sync, sha256sum -c over the copy; it reads the card twice. All are run in
turn on the same files, with their cached pages dropped before, and the medians of three rounds are compared. FOLDER:
where to write.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from pipeline.shoot.gather.gather import Gathering

ROUNDS = 3


def by_hand(card: Path, shoot: Path) -> None:
    subprocess.run(f"cd '{card}' && find . -type f -exec sha256sum {{}} + > '{shoot}.sums'", shell=True, check=True)
    subprocess.run(["cp", "-a", card, shoot], check=True)
    os.sync()
    forget(shoot)
    subprocess.run(["sha256sum", "-c", "--quiet", f"{shoot}.sums"], cwd=shoot, check=True)


def by_openssl(card: Path, shoot: Path) -> None:
    """The same by a faster program: what sha256sum costs depends on how it was built."""
    sums = f"cd '{{}}' && find . -type f | sort | xargs -d '\\n' openssl sha256 -r > '{shoot}.{{}}'"
    subprocess.run(sums.format(card, "sums"), shell=True, check=True)
    subprocess.run(["cp", "-a", card, shoot], check=True)
    os.sync()
    forget(shoot)
    subprocess.run(sums.format(shoot, "again"), shell=True, check=True)
    subprocess.run(["cmp", f"{shoot}.sums", f"{shoot}.again"], check=True)


def copy_only(card: Path, shoot: Path) -> None:
    subprocess.run(["cp", "-a", card, shoot], check=True)
    os.sync()


def gather(card: Path, shoot: Path) -> None:
    gathering = Gathering([card], shoot)
    gathering.run(lambda size, files: None, lambda size, files: None)
    assert gathering.results[0].whole


def forget(folder: Path) -> None:
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb") as file:
                os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def timed(what: Callable[[Path, Path], None], card: Path, folder: Path) -> tuple[float, float]:
    """Seconds by the clock, and CPU seconds of this process and its children."""
    shoot = folder / "shoot"
    forget(card)
    os.sync()
    before, start = os.times(), time.perf_counter()
    what(card, shoot)
    seconds, after = time.perf_counter() - start, os.times()
    shutil.rmtree(shoot)
    return seconds, sum(after[:4]) - sum(before[:4])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--files", type=int, default=40)
    parser.add_argument("--size", type=int, default=25_000_000, help="bytes of one")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder, data = Path(name), random.Random(1).randbytes(options.size)
        card = folder / "CARD"
        (card / "DCIM").mkdir(parents=True)
        for i in range(options.files):
            (card / "DCIM" / f"HALL{i:04}.CR3").write_bytes(i.to_bytes(4, "big") + data[4:])
        ways = {"by hand": by_hand, "by hand, openssl": by_openssl, "cp -a and sync only": copy_only, "gather": gather}
        found: dict[str, list[tuple[float, float]]] = {way: [] for way in ways}
        for _ in range(ROUNDS):
            for way, call in ways.items():
                found[way].append(timed(call, card, folder))
        hand = [statistics.median(v) for v in zip(*found["by hand"], strict=True)]
        print(f"{options.files} files of {options.size / 1e6:.0f} MB, median of {ROUNDS} rounds")
        for way, values in found.items():
            clock, cpu = (statistics.median(v) for v in zip(*values, strict=True))
            print(f"{way:20} {clock:6.2f} s ({clock / hand[0]:.2f})   CPU {cpu:6.2f} s ({cpu / hand[1]:.2f})")


if __name__ == "__main__":
    main()
