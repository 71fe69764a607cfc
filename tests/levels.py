"""What `level` straightens, and how far it is off: `python -m tests.levels [--halls 120] [--seed 77 ...] [--only court]
[--every 1] [PICTURE ...]`.

Each picture is turned by five known angles, cut to the same part, and asked for its tilt. Between two answers for one
picture lies the angle between the turns, so that what is left over is error; whether a picture stood straight before
it was turned is for the eye. Without PICTURE: the photographs of ../shared/data, by folder, where streets, decks and
beaches should get no answer that the eye does not see. An answer is called false where it is more than half a degree
from the median of its picture's answers. Drawn halls (tests/imaging/test_level.py) have a known truth: random places,
-50 to 50 degrees to the wall, up to 10 degrees down, half of them at the noise of ISO 12,800.

As in a run, lines on people count for nothing: on those whom the detector finds in a photograph (needs the model
files), and on those who were drawn into a hall; `--nobody` leaves that out.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from pipeline.imaging.level import LEVEL, Tilt, Unsure, tilt
from pipeline.people.detect import find
from pipeline.people.modelfiles import ModelFiles
from tests.crops import models
from tests.imaging.test_level import hall, people_of, turned

TURNS = (-3.4, -1.4, 0.0, 1.1, 2.6)  # degrees
SHARED = Path(__file__).resolve().parents[2] / "shared" / "data"
FOLDERS = ("court", "chart-jpeg", "burst-jpeg", "people", "photos")
Picture = np.ndarray  # (H, W, 3) BGR, 8 bit
_PICTURES = (".jpg", ".jpeg", ".png", ".webp", ".tif")


def picture_of(path: Path) -> Picture:
    """A picture, BGR, its longer side at most 960 pixels, as `measure` sees frames."""
    picture = cv2.imread(str(path))
    scale = 960 / max(picture.shape)
    return cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) if scale < 1 else picture


def tilt_of(picture: Picture, degrees: float, files: ModelFiles | None) -> Tilt | Unsure:
    """The tilt of a picture after a turn. files  by which people are found, None: nobody is looked for"""
    after = np.stack([turned(picture[..., k], degrees) for k in range(3)], axis=-1)
    people = None if files is None else find(after, files.person, files.face).people
    return tilt(cv2.cvtColor(after, cv2.COLOR_BGR2GRAY).astype(np.float32) / np.float32(255), people)


def of_pictures(paths: Sequence[Path], files: ModelFiles | None) -> str:
    """One line on these pictures, after one for each that was answered."""
    asked = answered = false = 0
    for path in paths:
        picture = picture_of(path)
        found = [tilt_of(picture, degrees, files) for degrees in TURNS]
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


def of_halls(count: int, seed: int = 77, nobody: bool = False) -> str:
    """One line on drawn halls."""
    rng = np.random.default_rng(seed)
    off: list[float] = []
    silent: Counter[str] = Counter()
    for number in range(count):
        yaw, pitch, roll, focal = (rng.uniform(*of) for of in ((-50, 50), (-10, 8), (-5, 5), (0.9, 4)))
        people = int(rng.integers(0, 14))
        grey = hall(yaw, pitch, roll, focal, number, people, rng.choice([0.02, 0.08]))
        found = tilt(grey, None if nobody else people_of(number, people))
        if isinstance(found, Tilt):
            off.append(abs(found.degrees - roll))
        else:
            silent[found.name.lower()] += 1
    most = f", off by {np.median(off):.2f} in the median and {max(off):.2f} at most" if off else ""
    false = sum(one > LEVEL.agree for one in off)
    return f"seed {seed}: {count} drawn halls, {len(off)} answered{most}, {false} false; not answered: {dict(silent)}"


def main() -> None:
    """Print both."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("pictures", nargs="*", type=Path)
    parser.add_argument("--halls", type=int, default=120)
    parser.add_argument("--seed", type=int, nargs="+", default=[77], help="of the drawn halls")
    parser.add_argument("--every", type=int, default=1, help="of a folder's pictures, only one in so many")
    parser.add_argument("--nobody", action="store_true", help="nobody is looked for, and lines on people count")
    parser.add_argument("--only", nargs="*", default=FOLDERS, help="folders, before the drawn halls")
    chosen = parser.parse_args()
    files = None if chosen.nobody or not (chosen.pictures or chosen.only) else models()
    if chosen.pictures:
        print(of_pictures(chosen.pictures, files))
        return
    for folder in chosen.only if SHARED.is_dir() else ():
        paths = sorted(p for p in (SHARED / folder).iterdir() if p.suffix.lower() in _PICTURES)[:: chosen.every]
        print(f"{folder}: {of_pictures(paths, files)}", flush=True)
    for seed in chosen.seed if chosen.halls else ():
        print(of_halls(chosen.halls, seed, chosen.nobody), flush=True)


if __name__ == "__main__":
    main()
