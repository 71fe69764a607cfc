"""What a picture declares is held against the memory of a worker: hostile files cost nothing, photographs pass."""

from __future__ import annotations

import json
import struct
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import pytest
import tifffile

from pipeline.errors import FrameError
from pipeline.formats.declared import LIMITS, check_tiff, check_tiff_size
from pipeline.formats.metadata.own_texts import own_texts
from pipeline.formats.pictures import read_picture
from pipeline.imaging.memory import MEMORY
from pipeline.imaging.raw.mosaic import open_raw
from tests.formats import hostile
from tests.imaging.raw.test_mosaic import flat, write

# Reads each file given, and says what came of it; and its own greatest resident memory, in MB, before and after.
_READS = """
import json, resource, sys
from pathlib import Path
from pipeline.errors import FrameError
from pipeline.formats.pictures import read_picture
from pipeline.formats.metadata.carried import read_texts
from pipeline.formats.metadata.own_texts import own_texts
import pipeline.imaging.raw.mosaic
most = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
before, found = most(), {}
for path in map(Path, sys.argv[1:]):
    read_texts(path), own_texts(path)
    try:
        found[path.name] = repr(read_picture(path).pixels.shape)
    except FrameError as error:
        found[path.name] = str(error)
print(json.dumps([found, before, most()]))
"""


def _read(*paths: Path) -> tuple[dict[str, str], float, float]:
    done = subprocess.run(
        [sys.executable, "-c", _READS, *map(str, paths)], capture_output=True, text=True, check=True, timeout=120
    )
    assert done.stderr == ""
    found, before, after = json.loads(done.stdout)
    return found, before, after


def test_hostile_files_take_neither_memory_nor_time(tmp_path: Path) -> None:
    """1.4 kB of TIFF took 10 GB once. The limit is of the whole process, with its libraries."""
    hostile.write_all(tmp_path)
    found, before, after = _read(*sorted(tmp_path.iterdir()))
    assert after - before < 200
    for name in hostile.REFUSED:
        assert any(word in found[name] for word in ("too large", "scans", "samples", "strips")), (
            name,
            found[name],
        )
    assert found["exif.jpg"] == found["icc.tif"] == "(64, 64, 3)"
    assert "is damaged" in found["no_number.tif"]
    assert "Decompressed data too large" in found["texts.png"]


def _photograph(folder: Path, name: str, pixels: np.ndarray) -> Path:
    path = folder / name
    eight = (pixels >> 8).astype(np.uint8)
    match name:
        case "progressive.jpg":
            PIL.Image.fromarray(eight).save(path, quality=85, progressive=True, subsampling=0)
        case "eight.tif":
            tifffile.imwrite(path, eight, photometric="rgb")
        case "deflate.tif":
            tifffile.imwrite(path, pixels, photometric="rgb", compression="zlib", rowsperstrip=len(pixels))
        case "floats.tif":
            tifffile.imwrite(path, pixels.astype(np.float32) / 65535, photometric="rgb")
        case "sixteen.png":
            assert cv2.imwrite(str(path), pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return path


@pytest.mark.parametrize("name", ["progressive.jpg", "eight.tif", "deflate.tif", "floats.tif", "sixteen.png"])
def test_memory_of_a_photograph(tmp_path: Path, name: str) -> None:
    """Of 16 megapixels: the bytes a pixel that it really takes, beside its file, are no more than a hundred megapixels
    may take; and hundred are let pass."""
    small = np.random.default_rng(3).integers(0, 65536, (256, 256, 3), dtype=np.uint16)
    path = _photograph(tmp_path, name, np.kron(small, np.ones((16, 16, 1), np.uint16)))
    found, before, after = _read(path)
    assert found == {name: "(4096, 4096, 3)"}
    packed = path.stat().st_size if name in ("deflate.tif", "sixteen.png") else 0  # in memory as a whole
    taken = ((after - before) * 2**20 - packed) / 4096**2
    assert taken < MEMORY.decode / 100e6, f"{taken:.1f} bytes a pixel"


def test_more_samples_than_a_photograph_has() -> None:
    """Also where the picture is small: a decoder may take time for each."""
    check_tiff_size(64, 64, LIMITS.samples, 16)
    with pytest.raises(FrameError, match="9 samples a pixel: this is not a photograph"):
        check_tiff_size(64, 64, LIMITS.samples + 1, 16)


def test_the_depth_of_a_tiff_multiplies_it(tmp_path: Path) -> None:
    """ImageDepth, 32997, a tag of SGI that libraries read; a directory of SHORTs by TIFF 6.0, section 2."""
    path = tmp_path / "deep.tif"
    for depth, fine in ((1, True), (9000, False)):
        tags = ((256, 1000), (257, 1000), (258, 8), (277, 1), (32997, depth))
        entries = b"".join(struct.pack("<HHIHxx", tag, 3, 1, value) for tag, value in tags)
        path.write_bytes(struct.pack("<2sHIH", b"II", 42, 8, len(tags)) + entries + bytes(4))
        if fine:
            check_tiff(path)
        else:
            with pytest.raises(FrameError, match=r"9,?000 megapixels in this form: too large"):
                check_tiff(path)


def test_a_raw_that_declares_too_much(tmp_path: Path) -> None:
    path = write(tmp_path / "F.dng", flat(0.2, 0.4, 0.3))
    data = path.read_bytes()
    for tag, was in ((256, 192), (257, 128)):  # ImageWidth and ImageLength, as the writer has them
        data = data.replace(struct.pack("<HHII", tag, 4, 1, was), struct.pack("<HHII", tag, 4, 1, 30000))
    path.write_bytes(data)
    with pytest.raises(FrameError, match="900 megapixels in this form: too large"):
        open_raw(path)


def test_scans_are_counted_in_the_picture_alone(tmp_path: Path) -> None:
    """A film that a telephone puts behind a picture holds any octets; they are none of its scans."""
    for number, fine in ((80, True), (120, False)):
        path = tmp_path / f"{number}.jpg"
        path.write_bytes(hostile.many_scans(number, side=64) + b"\0\0" + b"\xff\xda\0\0" * 200)
        if fine:
            assert read_picture(path).pixels.shape == (64, 64, 3)
        else:
            with pytest.raises(FrameError, match="more than 100 scans"):
                read_picture(path)


@pytest.mark.long
def test_texts_without_end_are_not_searched_and_count_as_not_read(tmp_path: Path) -> None:
    """A name is searched in the parent of a run. What is not read holds a frame back where somebody is withheld."""
    for name, build in hostile.TEXTS.items():
        (tmp_path / name).write_bytes(build())
    _, before, after = _read(*sorted(tmp_path.iterdir()))
    assert after - before < 500
    for name in hostile.TEXTS:
        assert own_texts(tmp_path / name).unreadable, name
