"""Make and model in CIFF: against exiv2 on real CRW files, and on drawn and damaged heaps (layout from memory)."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pipeline.formats.ciff import MARK, make_and_model
from pipeline.formats.exif import read_exif
from pipeline.formats.source import Source

NAMES = b"Gull Optics\0Gull G7\0\0\0"


def heap(records: list[tuple[int, bytes]], order: str = "<") -> bytes:
    body, entries = b"", b""
    for code, data in records:
        entries += struct.pack(order + "HII", code, len(data), len(body))
        body += data
    return body + struct.pack(order + "H", len(records)) + entries + struct.pack(order + "I", len(body))


def ciff(order: str = "<") -> bytes:
    """As cameras lay it out: the texts in a heap of a heap, behind a record that holds its value in its own entry."""
    inner = heap([(0x5803, b""), (0x0805, b"none\0"), (0x080A, NAMES)], order)
    outer = heap([(0x2005, bytes(40)), (0x300A, heap([(0x2807, inner)], order))], order)
    return (b"II" if order == "<" else b"MM") + struct.pack(order + "I", 26) + MARK + bytes(12) + outer


@pytest.mark.parametrize("order", ["<", ">"])
def test_make_and_model_are_found_in_the_heaps(order: str) -> None:
    assert make_and_model(Source.of_bytes(ciff(order))) == ("Gull Optics", "Gull G7")


def test_two_cameras_are_told_apart_as_exiv2_does(shared: Callable[[str], Path]) -> None:
    exiv2 = pytest.importorskip("exiv2", reason="exiv2 (extra: test) is the independent reader")
    found = set()
    for path in sorted(shared("data/raw").glob("*.CRW")):
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        own = read_exif(path, "raw")
        for key, value in (("Exif.Image.Make", own.make), ("Exif.Image.Model", own.model)):
            assert value == image.exifData()[key].toString(), path.name
        found.add(own.model)
    assert len(found) == 2


def test_other_and_damaged_files_say_nothing_and_end() -> None:
    whole, rng = ciff(), np.random.default_rng(3)
    assert make_and_model(Source.of_bytes(b"")) == make_and_model(Source.of_bytes(b"II*\0" + bytes(40))) == ("", "")
    loop = b"II" + struct.pack("<I", 26) + MARK + bytes(12)
    loop += struct.pack("<HHIII", 1, 0x2807, 16, 0, 0)  # a heap that is itself
    assert make_and_model(Source.of_bytes(loop)) == ("", "")
    for at in range(len(whole)):
        assert all(isinstance(v, str) for v in make_and_model(Source.of_bytes(whole[:at])))
    for _ in range(300):
        bad = bytearray(whole)
        for at in rng.integers(0, len(bad), 3):
            bad[at] = rng.integers(0, 256)
        make_and_model(Source.of_bytes(bytes(bad)))
