"""A generated hall as finished pictures of a camera that adds contrast: `python -m tests.evenness --hall A --jpeg 0.5`.

LibRaw's linear light of the generated raws, with the camera's balance and one gain for all, bent by an S on top of the
sRGB curve, (1 - s) e + s (3 e^2 - 2 e^3), as JPEGs with the raws' time, camera and exposure.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import PIL.Image
import rawpy

from pipeline.formats.exif import read_exif
from tests.court_flicker import bent, decode, encode

_WHITE = 0.75  # of the scale, where the brightest hundredth of the middle frame comes to lie


def write_finished(raws: Path, shoot: Path, curve: float) -> None:
    """Writes the shoot and its truth beside it, as of the raws. curve  strength of the contrast, 0 to 1."""
    files = sorted(raws.rglob("*.dng"))
    gain = _WHITE / float(np.median([np.quantile(light.max(axis=2), 0.99) for light in _lights(files)]))
    for file, light in zip(files, _lights(files), strict=True):
        seen, exif = read_exif(file, "raw"), PIL.Image.Exif()
        more = exif.get_ifd(0x8769)
        exif[271], exif[272], exif[274] = seen.make, seen.model, 1
        if seen.time is not None:
            more[36867], more[37521] = f"{seen.time:%Y:%m:%d %H:%M:%S}", f"{seen.time.microsecond // 1000:03d}"
        more |= {34855: int(seen.iso)} if seen.iso else {}
        more |= {33434: seen.exposure_time} if seen.exposure_time else {}
        target = shoot / file.relative_to(raws).with_suffix(".jpg")
        target.parent.mkdir(parents=True, exist_ok=True)
        codes = np.round(encode(np.clip(bent(light * gain, curve), 0, 1)) * 255).astype(np.uint8)
        PIL.Image.fromarray(codes).save(target, quality=95, subsampling=0, exif=exif)
    for other in (p for p in raws.rglob("*") if p.is_file() and p not in files):
        target = shoot / other.relative_to(raws)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(other, target)
    shutil.copytree(raws.parent / f"{raws.name}-truth", shoot.parent / f"{shoot.name}-truth")


def _lights(files: list[Path]) -> Iterator[np.ndarray]:
    for file in files:
        with rawpy.imread(str(file)) as raw:
            codes = raw.postprocess(
                use_camera_wb=True, no_auto_bright=True, gamma=(1, 1), output_bps=16, adjust_maximum_thr=0
            )
        yield codes.astype(np.float32) / 65535


def light_before(curve: float) -> np.ndarray:
    """(256,) linear light of each code of a finished picture before its camera bent it; no shoulder is undone."""
    light = np.linspace(0, 1, 8192) ** 2
    return np.interp(decode(np.arange(256) / 255), bent(light, curve), light)
