"""What `level` straightens, and how far it is off: `python -m tests.levels [--halls 120] [--seed 77] [--only court]
[PICTURE ...]`.

Each picture is turned by five known angles, cut to the same part, and asked for its tilt. Between two answers for one
picture lies the angle between the turns, so that what is left over is error; whether a picture stood straight before
it was turned is for the eye. Without PICTURE: the photographs of ../shared/data, by folder, where streets, decks and
beaches should get no answer that the eye does not see. An answer is called false where it is more than half a degree
from the median of its picture's answers. Drawn halls (tests/imaging/test_level.py) have a known truth: random places,
-50 to 50 degrees to the wall, up to 10 degrees down, half of them at the noise of ISO 12,800.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from pipeline.imaging.level import LEVEL, Tilt, tilt
from pipeline.types import F32
from tests.imaging.test_level import hall, turned

TURNS = (-3.4, -1.4, 0.0, 1.1, 2.6)  # degrees
SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"
FOLDERS = ("court", "chart-jpeg", "burst-jpeg", "people", "photos")
_PICTURES = (".jpg", ".jpeg", ".png", ".webp", ".tif")


def grey_of(path: Path) -> F32:
    """A picture in grey, (H, W) 0 to 1, its longer side at most 960 pixels, as `measure` sees frames."""
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    scale = 960 / max(grey.shape)
    grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else grey
    return np.asarray(grey, dtype=np.float32) / np.float32(255)


def of_pictures(paths: Sequence[Path]) -> str:
    """One line on these pictures, after one for each that was answered."""
    asked = answered = false = 0
    for path in paths:
        grey = grey_of(path)
        found = [tilt(turned(grey, degrees)) for degrees in TURNS]
        own = [one.degrees - by for one, by in zip(found, TURNS, strict=True) if isinstance(one, Tilt)]
        wrong = [one for one in own if abs(one - np.median(own)) > LEVEL.agree]
        asked, answered, false = asked + len(found), answered + len(own), false + len(wrong)
        if own:
            said = " ".join(
                f"{one.degrees - by:+.2f}" if isinstance(one, Tilt) else one.name.lower()
                for one, by in zip(found, TURNS, strict=True)
            )
            print(f"  {path.name[:32]:32} {said}", flush=True)
    return f"{asked} turned pictures, {answered} answered, {false} false"


def of_halls(count: int, seed: int = 77) -> str:
    """One line on drawn halls."""
    rng = np.random.default_rng(seed)
    off: list[float] = []
    silent: Counter[str] = Counter()
    for number in range(count):
        yaw, pitch, roll, focal = (rng.uniform(*of) for of in ((-50, 50), (-10, 8), (-5, 5), (0.9, 4)))
        found = tilt(hall(yaw, pitch, roll, focal, number, int(rng.integers(0, 14)), rng.choice([0.02, 0.08])))
        if isinstance(found, Tilt):
            off.append(abs(found.degrees - roll))
        else:
            silent[found.name.lower()] += 1
    most = f", off by {np.median(off):.2f} in the median and {max(off):.2f} at most" if off else ""
    false = sum(one > LEVEL.agree for one in off)
    return f"{count} drawn halls, {len(off)} answered{most}, {false} false; not answered: {dict(silent)}"


def main() -> None:
    """Print both."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("pictures", nargs="*", type=Path)
    parser.add_argument("--halls", type=int, default=120)
    parser.add_argument("--seed", type=int, default=77, help="of the drawn halls")
    parser.add_argument("--only", nargs="*", default=FOLDERS, choices=FOLDERS, help="folders, before the drawn halls")
    chosen = parser.parse_args()
    if chosen.pictures:
        print(of_pictures(chosen.pictures))
        return
    for folder in chosen.only if SHARED.is_dir() else ():
        paths = sorted(p for p in (SHARED / folder).iterdir() if p.suffix.lower() in _PICTURES)
        print(f"{folder}: {of_pictures(paths)}", flush=True)
    print(of_halls(chosen.halls, chosen.seed))


if __name__ == "__main__":
    main()
