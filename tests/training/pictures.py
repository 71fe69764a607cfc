"""The pictures that are trained on: `python -m tests.training.pictures PHOTOS WALLPAPERS PACK` writes them to PACK.

PHOTOS is ../shared/data/photos; WALLPAPERS a folder into which Debian's packages of wallpapers were unpacked (never
installed); PACK a folder, with a list of all sources and their SHA-256. What tests/denoise_table.py holds out or tunes
on is left out, and so is every twelfth photograph, which the training looks at but does not learn from.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path

import cv2
import numpy as np

from tests.training.synthetic import SIDE, dead_leaves, jerseys, kits, pattern

HELD_OUT = (
    "Wine_by", "Dragonfly_by", "Kleiber_by", "life_by", "friends_by", "Picture_1A_by", "Picture_0B_by",
)  # fmt: skip
_LARGEST = 1440  # pixels of the longer side of a wallpaper, brought to half of its own or less
_DULL = 0.6  # mean change from pixel to pixel, of 255, below which a wallpaper is left out: gradients teach little
_LEAVES, _PATTERNS, _KITS, _JERSEYS = 0.1, 0.1, 0.2, 0.12  # shares of what is drawn


def held_back(index: int) -> bool:
    """Whether that photograph is only looked at."""
    return index % 12 == 5


# The scenes of ../shared/data/photos that tests/jpeg_noise.py measures: all but most of the charts.
_HELD = ((0, 2), (9, 14), (20, 25), (32, 34), (41, 52), (56, 58), (62, 67), (71, 85), (89, 97), (99, 104), (108, 113),
         (120, 122), (126, 131), (138, 143), (147, 149), (153, 155), (160, 165), (172, 174), (184, 189), (193, 195),
         (197, 202), (206, 208), (211, 213), (217, 219), (223, 225), (227, 229), (233, 236), (241, 243))  # fmt: skip


def of_scenes_held_out(index: int) -> bool:
    """Whether the photograph shows a scene by which denoise of finished pictures is measured."""
    return any(first <= index <= last for first, last in _HELD)


def pack(photos: Path, wallpapers: Path, folder: Path, largest: int = _LARGEST) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    listed, taken = {}, set()
    for path in sorted(photos.glob("*.webp")):
        (folder / f"photo_{path.name}").write_bytes(path.read_bytes())
        listed[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    for path in sorted(wallpapers.rglob("*")):
        name = str(path.relative_to(wallpapers))
        if path.is_symlink() or not path.is_file() or path.suffix.lower() not in (".jpg", ".jpeg", ".png"):
            continue
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        if digest in taken or path.stem == "screenshot" or any(path.name.startswith(held) for held in HELD_OUT):
            continue
        picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
        if picture is None or min(picture.shape[:2]) < 1000:
            continue
        taken.add(digest)
        scale = min(0.5, largest / max(picture.shape[:2]))
        if max(picture.shape[:2]) <= 2600:
            scale = min(0.7, largest / max(picture.shape[:2]))
        small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        if np.abs(np.diff(small.astype(np.float32), axis=1)).mean() < _DULL or min(small.shape[:2]) < SIDE:
            continue
        whole = [cv2.IMWRITE_JPEG_QUALITY, 91, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
        cv2.imwrite(str(folder / f"wallpaper_{len(taken):03d}.jpg"), small, whole)
        listed[name] = digest
    (folder / "sources.json").write_text(json.dumps(listed, indent=1) + "\n")


class Pictures:
    """Endless pictures (512, 512, 3) sRGB uint8, each given by its seed alone."""

    def __init__(self, folder: Path, finished: bool = False) -> None:
        photos = sorted(folder.glob("photo_*.webp"))
        left_out = of_scenes_held_out if finished else held_back
        self.of_photos = 0.15 if finished else 0.72
        kept = [path for index, path in enumerate(photos) if not left_out(index)]
        self.photos = [_read(path) for path in kept]
        self.wallpapers = [_read(path) for path in sorted(folder.glob("wallpaper_*.jpg"))]
        # Drawn wallpapers have less to teach than photographs.
        busy = np.array([np.abs(np.diff(p[::2, ::2].astype(np.int16), axis=1)).mean() for p in self.wallpapers])
        self.chances = busy.clip(2, 8) / busy.clip(2, 8).sum() if finished else None
        self.looked_at = [_read(path) for index, path in enumerate(photos) if held_back(index)]

    def one(self, seed: int) -> np.ndarray:
        rng = np.random.default_rng(seed)
        kind = rng.uniform()
        if kind < _KITS:
            return kits(rng)
        kind -= _KITS
        if kind < _JERSEYS:
            return jerseys(rng)
        kind -= _JERSEYS
        if kind < _LEAVES + _PATTERNS:
            palette = self.photos[rng.integers(len(self.photos))]
            return dead_leaves(rng, palette) if kind < _LEAVES else pattern(rng, palette)
        of_photos = rng.uniform() < self.of_photos or not self.wallpapers
        if of_photos or self.chances is None:
            source = self.photos if of_photos else self.wallpapers
            picture = source[rng.integers(len(source))]
        else:
            picture = self.wallpapers[rng.choice(len(self.wallpapers), p=self.chances)]
        # Pictures of full size are softer than these at the pixel, those of some lenses as sharp.
        draw = rng.uniform()
        scale = 1.0 if draw < 0.3 else rng.uniform(1, 2) if draw < 0.75 else rng.uniform(0.5, 1)
        side = min(round(SIDE / scale), *picture.shape[:2])
        top, left = (int(rng.integers(0, free - side + 1)) for free in picture.shape[:2])
        picture = picture[top : top + side, left : left + side]
        size = min(SIDE, round(side * scale))
        if size != side:
            how = cv2.INTER_AREA if size < side else cv2.INTER_CUBIC
            picture = cv2.resize(picture, (size, size), interpolation=how)
        while picture.shape[0] < SIDE:
            more = min(SIDE - picture.shape[0], picture.shape[0] - 1)
            picture = cv2.copyMakeBorder(picture, 0, more, 0, more, cv2.BORDER_REFLECT_101)
        return picture


def _read(path: Path) -> np.ndarray:
    return np.ascontiguousarray(cv2.imread(str(path), cv2.IMREAD_COLOR)[..., ::-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    for name in ("photos", "wallpapers", "pack"):
        parser.add_argument(name, type=Path)
    parser.add_argument("--largest", type=int, default=_LARGEST, help="pixels of a wallpaper's longer side")
    arguments = parser.parse_args()
    pack(arguments.photos, arguments.wallpapers, arguments.pack, arguments.largest)


if __name__ == "__main__":
    main()
