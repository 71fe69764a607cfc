"""Photographs, simulated noise and scores by which denoise is measured: see tests/denoise_table.py, which prints them.

Photographs: those inside the wheels of scikit-image and scikit-learn and, where they are installed,
Debian's lomiri-wallpapers-16.04 and -20.04. Noise is simulated: Poisson-Gaussian, a = 1.6e-3 and
b = 1.6e-5 at ISO 6400 in units of saturation, balance gains 1.9 / 1 / 1.7, white at 0.7 of saturation.
"""

from __future__ import annotations

import importlib.util
import itertools
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from scipy.fft import dctn
from skimage.color import deltaE_ciede2000, rgb2lab

from pipeline.types import Noise

TUNING = ("astronaut", "coffee", "chelsea", "friends_by_Aitzol_Berasategi", "Picture_1A_by_freespace")
HELD_OUT = (
    "china",
    "flower",
    "rocket",
    "motorcycle_left",
    "Wine_by_Jakkub_Mede",
    "Dragonfly_by_Bolly",
    "Kleiber_by_Lukas_Baubkus",
    "life_by_Aitzol_Berasategi",
)
# Left and top of the crop, as fractions of what is free; where nothing is said the middle is taken.
_PLACES = {"astronaut": (0.4, 0.0), "Kleiber_by_Lukas_Baubkus": (0.5, 0.4), "rocket": (0.6, 0.8)}
# Wallpapers of 3000 pixels and more: sharp enough as they are for a frame of full size.
OWN_PIXELS = ("Dragonfly_by_Bolly", "Kleiber_by_Lukas_Baubkus", "life_by_Aitzol_Berasategi")
SIDE = 256
WIDEST = 1600  # wallpapers are brought to this width: sharp at 1:1, as a web picture is
EXPOSURE = 0.7
GAINS = np.array([1.9, 1.0, 1.7])
ISOS = (1600, 3200, 6400, 12800)
SCALE = 2048 / 6000
BLACK, WHITE = 2000.0, 62000.0

WALLPAPERS: list[Path] = []  # folders with Debian's packages unpacked

Picture = np.ndarray  # (H, W, 3) linear, balanced, white = EXPOSURE
Case = tuple[Picture, Picture, Noise, np.ndarray | None]  # truth, noisy, noise, power (3, 8, 8) of each channel


def decode(encoded: np.ndarray) -> np.ndarray:
    """sRGB, 0 to 1, to linear (IEC 61966-2-1)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def encode(picture: Picture) -> np.ndarray:
    """Linear, white = EXPOSURE, to sRGB, clipped to 0 to 1."""
    x = np.clip(picture / EXPOSURE, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def photograph(name: str, widest: int = WIDEST) -> Picture | None:
    """A crop of 256 x 256 pixels in linear light; None where its package is not installed."""
    for package, folder in (("skimage", "data"), ("sklearn", "datasets/images"), (None, "/usr/share/backgrounds")):
        found = importlib.util.find_spec(package) if package else None
        if package and (found is None or found.origin is None):
            continue
        root = Path(found.origin).parent / folder if found and found.origin else Path(folder)
        places = [root.glob(f"{name}.*")] if package else [f.rglob(f"{name}.*") for f in (root, *WALLPAPERS)]
        for path in sorted(itertools.chain(*places)):
            rgb = cv2.imread(str(path), cv2.IMREAD_COLOR)[..., ::-1]
            if rgb.shape[1] > widest:
                size = (widest, round(rgb.shape[0] * widest / rgb.shape[1]))
                rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
            across, down = _PLACES.get(name, (0.5, 0.5))
            left, top = int(across * (rgb.shape[1] - SIDE)), int(down * (rgb.shape[0] - SIDE))
            return EXPOSURE * decode(rgb[top : top + SIDE, left : left + SIDE] / 255.0)
    return None


def camera_noise(iso: float) -> tuple[float, float]:
    """(a, b) of the mosaic, 1 = saturation."""
    return 1.6e-3 * iso / 6400, 1.6e-5 * (iso / 6400) ** 2


def expose(camera: np.ndarray, iso: float, seed: int) -> np.ndarray:
    """Poisson-Gaussian noise on camera-linear light."""
    a, b = camera_noise(iso)
    rng = np.random.default_rng(seed)
    return a * rng.poisson(np.maximum(camera, 0) / a) + rng.normal(0, b**0.5, camera.shape)


def balanced_noise(iso: float, energy: np.ndarray | float = 1.0) -> Noise:
    a, b = camera_noise(iso)
    return Noise(a * GAINS * energy, b * GAINS**2 * energy)


def independent(truth: Picture, iso: float, seed: int) -> Case:
    """White noise in each channel, as after a demosaic that made none of it correlated."""
    noisy = expose(truth / GAINS, iso, seed) * GAINS
    return truth, noisy.astype(np.float32), balanced_noise(iso), None


def sensor(truth: Picture, scale: float = SCALE) -> Picture:
    """The scene that a sensor of 6000 pixels sees where the picture has 2048; scale  of the picture to the sensor."""
    large = _large(truth.shape[0], scale)
    return np.maximum(cv2.resize(truth, (large, large), interpolation=cv2.INTER_CUBIC), 0)


def _large(side: int, scale: float) -> int:
    return 2 * round(side / scale / 2)


def mosaic_of(picture: Picture) -> np.ndarray:
    """(H, W, 3) -> (H, W), RGGB."""
    mosaic = picture[..., 1].copy()
    mosaic[0::2, 0::2] = picture[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = picture[1::2, 1::2, 2]
    return mosaic


def as_counts(mosaic: np.ndarray) -> np.ndarray:
    return np.clip(np.round(mosaic * (WHITE - BLACK) + BLACK), 0, 65535).astype(np.uint16)


def _from_counts(counts: np.ndarray) -> np.ndarray:
    return (counts.astype(np.float32) - np.float32(BLACK)) / np.float32(WHITE - BLACK)


def by_area(mosaic: np.ndarray, side: int) -> np.ndarray:
    """As pipeline/imaging/mosaic.py: bilinear, then the mean over areas."""
    rgb = cv2.cvtColor(as_counts(mosaic), cv2.COLOR_BayerRGGB2RGB)
    return _from_counts(cv2.resize(rgb, (side, side), interpolation=cv2.INTER_AREA))


def web(truth: Picture, iso: float, seed: int, wrong: float = 1.0, scale: float = SCALE) -> Case:
    """wrong  deviation of the noise as told, over what it is; scale  of the picture to the sensor"""
    scene = sensor(truth, scale)
    side = truth.shape[0]
    wanted = cv2.resize(scene, (side, side), interpolation=cv2.INTER_AREA)
    noisy = by_area(expose(mosaic_of(scene / GAINS), iso, seed), side) * GAINS.astype(np.float32)
    energy, power, _ = web_noise(side, scale)
    return wanted, noisy, balanced_noise(iso, energy * wrong**2), power


@cache
def web_noise(side: int, scale: float = SCALE) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What the web path does to white noise: the variance left (3,), power in the DCT (3, 8, 8), in the DFT."""
    rng = np.random.default_rng(1)
    fields = []
    for _ in range(12):
        large = _large(side, scale)
        fields.append(by_area(rng.normal(0.5, 0.03, (large, large)), side)[4:-4, 4:-4] - 0.5)
    samples = np.stack(fields).astype(np.float64) / 0.03
    energy = samples.var(axis=(0, 1, 2))
    samples /= np.sqrt(energy)
    # The power in the DFT from the correlation at short lags: a filter of a few pixels has no other.
    reach = 6
    spectrum = np.abs(np.fft.fft2(samples, axes=(1, 2))) ** 2
    lags = np.fft.ifft2(spectrum, axes=(1, 2)).real.mean(axis=0) / np.prod(samples.shape[1:3])
    whole = np.zeros((side, side, 3))
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            whole[dy, dx] = lags[dy, dx]
    power_dft = np.maximum(np.fft.fft2(whole, axes=(0, 1)).real, 1e-3) * side * side
    return energy, block_power(samples), power_dft


def block_power(samples: np.ndarray) -> np.ndarray:
    """(N, H, W, 3) of unit variance -> mean power (3, 8, 8) of the DCT coefficients."""
    n, height, width, _ = samples.shape
    cut = samples[:, : height // 8 * 8, : width // 8 * 8]
    blocks = cut.reshape(n, height // 8, 8, width // 8, 8, 3)
    return np.moveaxis((dctn(blocks, axes=(2, 4), norm="ortho") ** 2).mean(axis=(0, 1, 3)), -1, 0)


def score(truth: Picture, estimate: Picture) -> tuple[float, float]:
    """sRGB PSNR in dB and mean CIEDE2000 (D65, 2 degrees)."""
    t, e = encode(truth), encode(estimate)
    return float(-10 * np.log10(np.mean((t - e) ** 2))), float(deltaE_ciede2000(rgb2lab(t), rgb2lab(e)).mean())
