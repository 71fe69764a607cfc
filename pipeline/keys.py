"""Digests of files and of what a result depends on."""

from __future__ import annotations

import hashlib
import json
import platform
import sys
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

_CHUNK = 1 << 20


def digest_file(path: Path) -> str:
    """SHA-256 (FIPS 180-4) of a file's bytes, in hex. Raises OSError."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def digest_json(value: Any) -> str:
    """SHA-256 of the canonical JSON of `value`: sorted keys, no spaces. Raises ValueError for NaN."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def environment() -> dict[str, str]:
    """What else decides about the bytes: libraries, the JPEG encoder, the kind of machine."""
    import rawpy
    from PIL import features

    packages = ("numpy", "scipy", "opencv-python-headless", "Pillow", "rawpy", "numba", "tifffile")
    found = {name: version(name) for name in packages}
    found["libraw"] = ".".join(map(str, rawpy.libraw_version))
    found["jpeg"] = str(features.version("libjpeg_turbo") or features.version("jpg"))
    found["python"] = f"{sys.version_info.major}.{sys.version_info.minor}"
    found["machine"] = f"{platform.system()} {platform.machine()}"
    return found
