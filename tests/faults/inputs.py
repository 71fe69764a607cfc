"""Frames that are damaged or made to do harm: each gets a reason or a picture, in bounded time and memory.

A case changes one of the seed files at random, and reads and measures it in a worker with its limits on. What a night
does in its parent (Exif, texts) may neither raise nor crash; a crash while a frame is measured ends its worker only, is
named, and is counted here.
"""

from __future__ import annotations

import io
import random
import resource
import shutil
import struct
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import tifffile

from pipeline.engine.measure import measure_frames
from pipeline.errors import FrameError
from pipeline.formats.exif import read_exif
from pipeline.formats.metadata.carried import read_texts
from pipeline.formats.metadata.own_texts import own_texts
from pipeline.people.modelfiles import ModelFiles
from pipeline.shoot.facts import Facts
from pipeline.store.store import Store
from pipeline.types import Frame
from pipeline.workers.executors import worker_setup
from pipeline.workers.processes import Processes
from tests.faults.harness import cases, wrong
from tests.golden import write_shoot

NAME = "inputs"
FULL, QUICK = 20_000, 250
SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"
MOST_SECONDS, MOST_BYTES = 60.0, 3_000_000_000
_RAW = (".dng", ".crw", ".kdc")
_WORKERS = 2
_EXTREMES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 16, 255, 256, 4096, 65_500, 65_535, 2**24, 2**31 - 1, 2**31, 2**32 - 1)
_MARKERS = (b"\xff\xd8", b"\xff\xda", b"\xff\xc4", b"\xff\xd9", b"II*\0", b"MM\0*", b"IDAT", b"iTXt", b"moov", b"meta")


@dataclass(frozen=True)
class _Case:
    number: int
    seeds: Path
    folder: Path


def run(amount: int, folder: Path, seed: int) -> list[str]:
    """All cases, on workers as a run has them."""
    seeds = folder / "seeds"
    write_seeds(seeds)
    todo = [_Case(number, seeds, folder) for number, _ in cases(amount, seed)]
    found, crashed = [], 0
    with Processes(_WORKERS, worker_setup, 5 * MOST_SECONDS) as workers:
        for index, result in workers.map(try_case, todo):
            number = todo[index].number
            at = _stage(folder, number)
            if isinstance(result, FrameError) and at.read_text() == "measure":
                crashed += 1
            elif isinstance(result, Exception):
                found.append(wrong(NAME, number, f"{at.read_text() if at.exists() else 'before'}: {result!r:.300}"))
            else:
                found += [wrong(NAME, number, text) for text in result]
            at.unlink(missing_ok=True)
    if crashed:
        print(f"{NAME}: {crashed} ended the worker that measured them, and were named")
    return found


def try_case(case: _Case) -> list[str]:
    """What goes wrong with one damaged file."""
    chance = random.Random(case.number)
    source = chance.choice(_weighted(case.seeds))
    path = case.folder / f"{case.number}{source.suffix}"
    path.write_bytes(damaged(source.read_bytes(), chance))
    kind = "raw" if source.suffix in _RAW else "picture"
    _warmed(case.seeds)
    stage, start, before = _stage(case.folder, case.number), time.process_time(), _peak()
    stage.write_text("parent")
    out = case.folder / f"out{case.number}"
    (out / ".work").mkdir(parents=True)
    found = []
    try:
        exif = read_exif(path, kind)
        read_texts(path)
        own_texts(path)
        stage.write_text("measure")
        frame = Frame(path.stem, path, path.name, kind, exif)
        (one,) = measure_frames(Store(out), [frame], Facts(), ModelFiles(), 1)
        if one.error.startswith("unexpected ") or "not enough memory" in one.error or not (one.key or one.error):
            found.append(f"{source.name}: {one.error}")
    except Exception as error:
        found.append(f"{source.name}, {stage.read_text()}: {type(error).__name__}: {error!s:.300}")
    if (took := time.process_time() - start) > MOST_SECONDS / 2:
        found.append(f"{source.name}: takes {took:.0f} s")
    if _peak() > max(MOST_BYTES, before):
        found.append(f"{source.name}: takes {_peak() / 1e9:.1f} GB")
    shutil.rmtree(out, ignore_errors=True)
    path.unlink()
    return found


def damaged(data: bytes, chance: random.Random) -> bytes:
    """One to eight changes, most of them where a file says what it holds."""
    changed = bytearray(data)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        chance.choice(_CHANGES)(changed, chance)
    return bytes(changed)


def _place(data: bytearray, chance: random.Random) -> int:
    """Near the beginning in half of all cases, else anywhere or near the end, where TIFF directories may lie."""
    reach = chance.choice((64, 512, 4096, len(data)))
    at = chance.randrange(min(reach, len(data)))
    return len(data) - 1 - at if chance.random() < 0.25 else at


def _flip(data: bytearray, chance: random.Random) -> None:
    for _ in range(chance.choice((1, 4, 32))):
        data[_place(data, chance)] ^= 1 << chance.randrange(8)


def _number(data: bytearray, chance: random.Random) -> None:
    form = chance.choice(("<H", ">H", "<I", ">I", "<Q", ">Q"))
    value, at = chance.choice(_EXTREMES), _place(data, chance) & ~1
    size = struct.calcsize(form)
    data[at : at + size] = struct.pack(form, value & (1 << 8 * size) - 1)[: max(0, len(data) - at)]


def _cut(data: bytearray, chance: random.Random) -> None:
    del data[max(1, chance.choice((_place(data, chance), len(data) * 9 // 10))) :]


def _remove(data: bytearray, chance: random.Random) -> None:
    at = _place(data, chance)
    del data[at + 1 : at + chance.choice((2, 16, 1000, 60_000))]


def _repeat(data: bytearray, chance: random.Random) -> None:
    at, size = _place(data, chance), chance.choice((4, 12, 64, 4096))
    data[at:at] = data[at : at + size] * chance.choice((1, 3, 100))


def _noise(data: bytearray, chance: random.Random) -> None:
    at = _place(data, chance)
    size = min(chance.choice((8, 256, 8192)), len(data) - at)
    data[at : at + size] = chance.randbytes(size)


def _copy(data: bytearray, chance: random.Random) -> None:
    at, to, size = _place(data, chance), _place(data, chance), chance.choice((4, 12, 64, 1024))
    piece = data[at : at + size]
    data[to : to + len(piece)] = piece


def _marker(data: bytearray, chance: random.Random) -> None:
    at, marker = _place(data, chance), chance.choice(_MARKERS)
    data[at : at + len(marker)] = marker


_CHANGES: tuple[Callable[[bytearray, random.Random], None], ...] = (
    _flip, _number, _number, _number, _cut, _remove, _repeat, _noise, _copy, _marker,
)  # fmt: skip


def _stage(folder: Path, number: int) -> Path:
    return folder / f"{number}.stage"


def _peak() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss << 10


@cache
def _warmed(seeds: Path) -> None:
    """Compile, once a process, what a sound raw needs: that takes longer than a case may."""
    sound = min(seeds.glob("*.dng"))
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / ".work").mkdir()
        frame = Frame(sound.stem, sound, sound.name, "raw", read_exif(sound, "raw"))
        list(measure_frames(Store(Path(folder)), [frame], Facts(), ModelFiles(), 1))


@cache
def _weighted(seeds: Path) -> tuple[Path, ...]:
    """Small files come more often than large ones, which take long."""
    return tuple(path for path in sorted(seeds.iterdir()) for _ in range(1 if path.stat().st_size > 500_000 else 6))


def write_seeds(folder: Path) -> None:
    """A sound file of each kind; raws of real cameras where they are at hand."""
    write_shoot(folder / "shoot")
    for path in sorted((folder / "shoot").rglob("*.dng"))[:2]:
        path.rename(folder / path.name)
    shutil.rmtree(folder / "shoot")
    for name in ("raw/DC0008L.KDC", "raw/P003909.KDC", "raw/CRW_0101.CRW", "noise-disagrees/P003914.KDC"):
        if (SHARED / name).is_file():
            shutil.copy(SHARED / name, folder / Path(name).name.lower())
    rng = np.random.default_rng(5)
    small = rng.integers(0, 65536, (15, 20, 3), dtype=np.uint16)
    deep = np.kron(small, np.ones((16, 16, 1), np.uint16)) // 2 + rng.integers(0, 2000, (240, 320, 3), dtype=np.uint16)
    eight = (deep >> 8).astype(np.uint8)
    picture = PIL.Image.fromarray(eight)
    exif = PIL.Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x010E], exif[0x0112] = "Evencourt", "Test Camera", "Semi-final", 6
    exif.get_ifd(0x8769).update({0x9003: "2026:02:14 19:31:02", 0x9291: "25", 0x8827: 6400})
    for name, options in {
        "plain.jpg": {}, "progressive.jpg": {"progressive": True}, "full.jpg": {"subsampling": 0, "quality": 95},
        "restart.jpg": {"restart_marker_rows": 1},
    }.items():  # fmt: skip
        picture.save(folder / name, exif=exif, comment=b"text", **options)
    picture.convert("CMYK").save(folder / "cmyk.jpg")
    picture.convert("L").save(folder / "grey.jpg", exif=exif)
    picture.save(folder / "eight.png", exif=exif)
    picture.quantize(200).save(folder / "palette.png", transparency=3)
    picture.convert("1").save(folder / "one_bit.png")
    cv2.imwrite(str(folder / "sixteen.png"), deep)
    picture.save(folder / "eight.tif", compression="tiff_lzw")
    picture.convert("1").save(folder / "fax.tif", compression="group4")
    picture.save(folder / "jpeg.tif", compression="jpeg")
    for name, options in {
        "deep.tif": {}, "deflate.tif": {"compression": "zlib", "predictor": True}, "tiled.tif": {"tile": (64, 64)},
        "tiles.tif": {"tile": (64, 64), "compression": "zlib"}, "big.tif": {"bigtiff": True},
        "end.tif": {"byteorder": ">"},
    }.items():  # fmt: skip
        tifffile.imwrite(
            folder / name, deep, photometric="rgb", rowsperstrip=None if "tile" in options else 32, **options
        )
    tifffile.imwrite(folder / "planar.tif", np.moveaxis(deep, -1, 0), photometric="rgb", planarconfig="separate")
    tifffile.imwrite(folder / "float.tif", deep.astype(np.float32) / 65535, photometric="rgb")
    tifffile.imwrite(folder / "pages.tif", np.stack([deep] * 3), photometric="rgb")
    cv2.imwrite(str(folder / "lzw.tif"), deep)
    _write_heic(folder, picture, exif)


def _write_heic(folder: Path, picture: PIL.Image.Image, exif: PIL.Image.Exif) -> None:
    try:
        import pillow_heif
    except ImportError:
        return
    buffer = io.BytesIO()
    pillow_heif.from_pillow(picture).save(buffer, quality=60, exif=exif.tobytes())
    (folder / "a.heic").write_bytes(buffer.getvalue())
