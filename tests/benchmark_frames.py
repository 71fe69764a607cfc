"""The frames that tests/benchmark.py measures on: 24 megapixels, as cameras write them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
from pipeline.fixtures.dng import write_dng

from pipeline.imaging.colour import srgb_decode

SHARED = Path(__file__).resolve().parents[2] / "shared"
HEIGHT, WIDTH = 4000, 6000
_BURST = 5  # frames of one burst
_NEUTRAL = (0.55, 1.0, 0.6)
_A, _B = 1.6e-3, 1.6e-5  # noise of ISO 6400, as in tests/denoise_table.py


def lossless() -> Callable[[np.ndarray], bytes] | None:
    """An encoder to lossless JPEG, None where imagecodecs (BSD-3-Clause; for this measure only) is not installed."""
    try:
        import imagecodecs
    except ImportError:
        return None
    return lambda rows: imagecodecs.ljpeg_encode(rows, bitspersample=14)


def _photographs() -> list[tuple[Path, bool]]:
    """Photographs of people and of players, open data of ../shared, and whether to mirror them; none where it is not
    there. What is found in them decides how much of a frame a crop keeps, and with it what a frame costs."""
    people = sorted((SHARED / "data" / "people").glob("*.jpg"))
    court = sorted((SHARED / "data" / "court").glob("*.jpg"))
    return [(path, False) for path in people] + [(path, True) for path in people] + [(path, False) for path in court]


def _drawn(number: int) -> np.ndarray:
    """Linear light (H, W, 3): smooth colour, tiles and something like people."""
    rng = np.random.default_rng(number)
    y, x = np.mgrid[0 : HEIGHT // 2, 0 : WIDTH // 2].astype(np.float32)
    scene = 0.12 + 0.08 * np.sin(x / 155 + number) * np.cos(y / 85) + 0.1 * ((x // 200 + y // 150) % 2)
    for _ in range(10):
        px, py, tall = rng.uniform(0, 3000), rng.uniform(600, 1400), rng.uniform(200, 500)
        scene[((x - px) / (0.3 * tall)) ** 2 + ((y - py) / tall) ** 2 < 1] = rng.uniform(0.05, 0.5)
    return cv2.resize(np.repeat(scene[..., None], 3, axis=2), (WIDTH, HEIGHT), interpolation=cv2.INTER_LINEAR)


def _photograph(path: Path, mirrored: bool) -> np.ndarray:
    """Linear light (H, W, 3) of the middle of a photograph, enlarged."""
    picture = np.ascontiguousarray(cv2.imread(str(path))[:, :: -1 if mirrored else 1, ::-1])
    height, width = picture.shape[:2]
    scale = max(HEIGHT / height, WIDTH / width)
    large = cv2.resize(picture, (round(width * scale), round(height * scale)), interpolation=cv2.INTER_CUBIC)
    top, left = (large.shape[0] - HEIGHT) // 2, (large.shape[1] - WIDTH) // 2
    table = srgb_decode(np.arange(256) / 255).astype(np.float32)
    return np.asarray(table[large[top : top + HEIGHT, left : left + WIDTH]])


def write_frames(folder: Path, count: int) -> None:
    """`count` different raw frames at ISO 6400, in bursts of five: photographs where ../shared has them, else drawn."""
    folder.mkdir(parents=True)
    photographs = _photographs()
    noise = np.random.default_rng(0).standard_normal((HEIGHT, WIDTH), dtype=np.float32)
    for number in range(count):
        burst, at = divmod(number, _BURST)
        rgb = _photograph(*photographs[number % len(photographs)]) if photographs else _drawn(number)
        mosaic = rgb[..., 1].copy()
        mosaic[0::2, 0::2] = rgb[0::2, 0::2, 0] * np.float32(_NEUTRAL[0])
        mosaic[1::2, 1::2] = rgb[1::2, 1::2, 2] * np.float32(_NEUTRAL[2])
        mosaic *= np.float32(0.6)
        mosaic += np.roll(noise, (74 * number, 46 * number), axis=(0, 1)) * np.sqrt(_A * mosaic + _B)
        cfa = np.clip(mosaic * (15000 - 512) + 512, 0, 16383).astype(np.uint16)
        write_dng(
            folder / f"TH9_{number + 1:04d}.dng", cfa, black=512, white=15000, pattern="RGGB", make="Evencourt",
            model="Evencourt Test Camera", serial="1", lens="", iso=6400, exposure_time=0.001, f_number=2.8,
            focal_length=85.0, time=datetime(2026, 2, 14, 19, 30) + timedelta(seconds=20 * burst + 0.1 * at),
            as_shot_neutral=_NEUTRAL, orientation=1, lossless=lossless(),
            color_matrix=np.array([[0.83, -0.26, -0.08], [-0.46, 1.24, 0.24], [-0.08, 0.19, 0.6]]),
        )  # fmt: skip


def write_again(folder: Path, to: Path, times: int) -> None:
    """Every frame `times` times over in the folder `to`, no two with equal bytes: one more byte at the end, which no
    reader looks at."""
    to.mkdir()
    for number in range(times):
        for path in sorted(folder.iterdir()):
            (to / f"T{number}{path.name}").write_bytes(path.read_bytes() + bytes(number))
