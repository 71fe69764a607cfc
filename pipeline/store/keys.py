"""Digests of files and of what a result depends on."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import platform
import sys
from contextlib import suppress
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, BinaryIO

from pipeline import __version__

_CHUNK = 1 << 20
_HOLLOW = 1 << 30  # octets from which holes are looked for; reading a terabyte of them takes hours. No source
_MOST_HOLES = 1000  # each takes two questions to the system; no source
MOSTLY_EMPTY = "is a gigabyte or more and mostly empty, as no picture is"


def digest_file(path: Path) -> str:
    """SHA-256 (FIPS 180-4) of a file's bytes, in hex. Raises OSError, also for one that `is_hollow`."""
    with path.open("rb") as file:
        return digest_of(file)


def digest_of(file: BinaryIO) -> str:
    """The same of an open file, read a megabyte at a time from where it stands."""
    if is_hollow(file.fileno()):
        raise OSError(errno.EFBIG, MOSTLY_EMPTY, file.name)
    digest = hashlib.sha256()
    while chunk := file.read(_CHUNK):
        digest.update(chunk)
    return digest.hexdigest()


def is_hollow(file: int) -> bool:
    """Whether less than half of a large file is on the disk, the rest of it holes, by its descriptor. Raises OSError.

    Systems count blocks of 512 octets (POSIX: st_blocks); some network disks count none, nor does Windows. There the
    holes are asked for (SEEK_DATA, SEEK_HOLE: POSIX.1-2024), and where nothing tells of them there are none.
    """
    about = os.fstat(file)
    if about.st_size < _HOLLOW or 512 * getattr(about, "st_blocks", 0) >= about.st_size // 2:
        return False
    try:
        return _octets_of_data(file, about.st_size) < about.st_size // 2
    except (AttributeError, OSError):  # the system has no such call, or the disk does not answer it
        return bool(getattr(about, "st_blocks", 0))


def _octets_of_data(file: int, size: int) -> int:
    """How much of a file is no hole; what lies behind the first thousand holes counts as data."""
    found, at, stands = 0, 0, os.lseek(file, 0, os.SEEK_CUR)
    try:
        for _ in range(_MOST_HOLES):
            try:
                begin = os.lseek(file, at, os.SEEK_DATA)
            except OSError as error:
                if error.errno == errno.ENXIO:  # no data up to the end
                    return found
                raise
            at = os.lseek(file, begin, os.SEEK_HOLE)
            found += at - begin
            if at >= size:
                return found
        return found + size - at
    finally:
        os.lseek(file, stands, os.SEEK_SET)


def digest_json(value: Any) -> str:
    """SHA-256 of the canonical JSON of `value`: sorted keys, no spaces, ASCII, floats as `repr` writes them.

    Raises ValueError for NaN and infinities, TypeError for what JSON cannot hold.
    """
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


@cache
def program() -> str:
    """SHA-256 of this program's own files, hex: another version may decide otherwise, whatever it calls itself."""
    digest = hashlib.sha256()
    folder = Path(__file__).parents[1]
    for path in sorted(folder.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts:
            digest.update(path.relative_to(folder).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


@cache
def _found() -> dict[str, str]:
    import rawpy
    from PIL import features

    packages = ("numpy", "scipy", "opencv-python-headless", "Pillow", "rawpy", "numba", "tifffile")
    found = {name: version(name) for name in packages}
    with suppress(PackageNotFoundError):  # decodes HEIC, where it is installed
        found["pi-heif"] = version("pi-heif")
    found["evencourt"] = __version__
    found["libraw"] = ".".join(map(str, rawpy.libraw_version))
    # Builds of Pillow without libjpeg-turbo encode other bytes, so the two must not look alike.
    turbo = features.version("libjpeg_turbo")
    found["jpeg"] = f"libjpeg-turbo {turbo}" if turbo else f"libjpeg {features.version('jpg')}"
    found["python"] = f"{sys.version_info.major}.{sys.version_info.minor}"
    found["machine"] = f"{platform.system()} {platform.machine()}"
    return found


def record_name(of: str) -> str:
    """The name of a record about one thing, such as a path below OUT: no name of a file can be too long, or a path."""
    return hashlib.sha256(of.encode()).hexdigest()[:32] + ".json"


def environment() -> dict[str, str]:
    """What else decides about the bytes: this program, its libraries, the JPEG encoder, the kind of machine.

    Looked up once; every call returns a copy that the caller may change.
    """
    return dict(_found())
