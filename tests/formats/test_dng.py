"""A mosaic that is decoded here is the one that LibRaw finds, and what LibRaw says of the file stays as it is.

The reference is LibRaw, reading the file alone; files are written by ITU-T T.81 (process 14), TIFF 6.0, Adobe DNG 1.6.
"""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import rawpy

from pipeline.errors import FrameError
from pipeline.formats import dng
from pipeline.formats.dng import coded_mosaic
from pipeline.formats.lossless_jpeg import decode, read_scan
from pipeline.imaging.memory import MEMORY
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.mosaic import decode_raw, open_raw
from pipeline.steps.decode import decode as decode_step
from pipeline.types import Exif, Frame
from tests.formats.lossless_encoder import EVEN, UNEVEN, encode, write_dng

DATA = Path(__file__).resolve().parents[3] / "shared" / "data"
SAID = (
    "sizes", "black_level_per_channel", "camera_white_level_per_channel", "white_level", "num_colors", "color_desc",
    "raw_type", "raw_pattern", "rgb_xyz_matrix", "color_matrix", "daylight_whitebalance", "camera_whitebalance",
    "tone_curve",
)  # fmt: skip


def drawn(height: int, width: int, bits: int = 14) -> np.ndarray:
    """Every value, so that all lengths of differences occur; a smooth lower half, so that short ones do."""
    rng = np.random.default_rng(height * width + bits)
    mosaic = rng.integers(0, 1 << bits, (height, width))
    smooth = (1 << (bits - 1)) + rng.integers(-3, 4, (height - height // 2, width))
    mosaic[height // 2 :] = np.clip(smooth, 0, (1 << bits) - 1)
    return mosaic.astype(np.uint16)


def said(raw: Any) -> str:
    return "\n".join(f"{name} {getattr(raw, name)}" for name in SAID)


def opened_here(path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """LibRaw's handle, its mosaic decoded here; fails where LibRaw was left to decode it."""
    found: list[bool] = []
    own = dng.CodedMosaic.decode_into
    monkeypatch.setattr(dng.CodedMosaic, "decode_into", lambda *a: found.append(own(*a)) or found[-1])
    raw = open_raw(path, coded_mosaic)
    assert found == [True], "left to LibRaw"
    return raw


def assert_same(path: Path, mosaic: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_raw(path) as whole, opened_here(path, monkeypatch) as raw:
        assert np.array_equal(whole.raw_image, mosaic)  # the file is what it is meant to be
        assert np.array_equal(raw.raw_image, mosaic)
        assert said(raw) == said(whole)


@pytest.mark.parametrize("predictor", range(1, 8))
@pytest.mark.parametrize("components", [1, 2])
def test_predictors(tmp_path: Path, predictor: int, components: int, monkeypatch: pytest.MonkeyPatch) -> None:
    mosaic = drawn(48, 64)
    path = write_dng(tmp_path / "F.dng", mosaic, predictor=predictor, components=components)
    assert_same(path, mosaic, monkeypatch)


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("white", [True, False])
def test_depths(tmp_path: Path, bits: int, white: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """At 16 bits, differences and sums go around 65,536 (T.81, H.1.2.1)."""
    mosaic = drawn(40, 62, bits)
    mosaic[mosaic == mosaic[0, 0] ^ 0x8000] ^= 1
    tags: dict = {258: ("H", bits)} if white else {258: ("H", bits), 50717: None}
    if bits == 16:
        mosaic = np.where(np.arange(62) % 2, 65000, 500).astype(np.uint16) + drawn(40, 62, 8)
    assert_same(write_dng(tmp_path / "F.dng", mosaic, bits=bits, tags=tags), mosaic, monkeypatch)


FORMS: dict[str, tuple[tuple[int, int], dict]] = {
    "odd sides": ((47, 63), {}),
    "two lines as one": ((48, 64), {"lines": 2}),
    "four lines as one": ((48, 64), {"lines": 4, "components": 2, "predictor": 7}),
    "long codes": ((48, 64), {"tables": (UNEVEN,)}),
    "a table each": ((48, 64), {"tables": (UNEVEN, EVEN), "components": 2}),
    "restarts": ((48, 64), {"restart": 5}),
    "restart in each line": ((48, 64), {"restart": 1, "components": 2, "tables": (UNEVEN,)}),
    "tiles": ((48, 64), {"tile": (16, 16)}),
    "tiles beyond the edge": ((50, 70), {"tile": (16, 32), "components": 2, "predictor": 6}),
    "tiles of two lines as one": ((48, 64), {"tile": (16, 32), "components": 2, "lines": 2}),
    "tiles below each other": ((50, 64), {"tile": (16, 64), "restart": 4}),
    "one tile": ((48, 64), {"tile": (48, 64)}),
    "big endian": ((48, 64), {"order": ">"}),
    "in a SubIFD": ((48, 64), {"below": True}),
    "tiles in a SubIFD, big endian": ((50, 70), {"below": True, "tile": (32, 32), "order": ">", "components": 2}),
    "margins": ((48, 64), {"tags": {50829: ("I", (2, 4, 46, 60))}}),
    "a black each": ((48, 64), {"tags": {50713: ("H", (2, 2)), 50714: ("H", (60, 61, 62, 63))}}),
    "another pattern": ((48, 64), {"tags": {33422: ("B", (1, 2, 0, 1))}}),
    **{make: ((48, 64), {"make": make}) for make in ("SONY", "NIKON CORPORATION", "OLYMPUS", "PENTAX", "Leica")},
}


@pytest.mark.parametrize("name", FORMS)
def test_forms(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    size, form = FORMS[name]
    mosaic = drawn(*size)
    assert_same(write_dng(tmp_path / "F.dng", mosaic, **form), mosaic, monkeypatch)


@pytest.mark.parametrize("colour", [(0, 1, 1, 2), (0, 1, 2, 1)])
def test_what_is_no_bayer_mosaic_is_developed_alike(tmp_path: Path, colour: tuple[int, ...]) -> None:
    path = write_dng(tmp_path / "F.dng", drawn(48, 64), tags={33422: ("B", colour)})
    own = decode_raw(path, Orientation.TOP_LEFT, None, None, coded_mosaic).image.pixels
    assert np.array_equal(own, decode_raw(path, Orientation.TOP_LEFT, None).image.pixels)


LEFT: dict[str, dict] = {
    "black is measured in margins": {"tags": {50830: ("I", (0, 0, 48, 8)), 50714: None}},
    "two samples a pixel": {"tags": {277: ("H", 2)}},
    "a line that LibRaw takes for longer": {"tile": (16, 32), "components": 2},
    "restarts without the left predictor": {"restart": 5, "predictor": 4},
    "tables in another order": {"tables": (UNEVEN, EVEN), "components": 2, "used": (1, 0)},
    "a tag that leads out of the file": {"tags": {51000: ("I", (0,) * 9)}},
    "a strip with a tag of tiles": {"tags": {322: ("H", 64)}},
    "tiles with a tag of strips": {"tile": (16, 16), "tags": {278: ("I", 48)}},
    "no length of a strip": {"tags": {279: None}},
    "another compression": {"tags": {259: ("H", 34892)}},
}


@pytest.mark.parametrize("name", LEFT)
def test_what_is_unusual_is_left_to_libraw(tmp_path: Path, name: str) -> None:
    path = write_dng(tmp_path / "F.dng", drawn(48, 64), **LEFT[name])
    if "leads out" in name:
        data = path.read_bytes()
        at = data.index((51000).to_bytes(2, "little")) + 8
        path.write_bytes(data[:at] + (1 << 20).to_bytes(4, "little") + data[at + 4 :])
    assert coded_mosaic(path) is None


@pytest.mark.parametrize(
    ("beside", "left"),
    [
        ({}, False),
        ({262: ("H", 32803)}, True),  # of two mosaics LibRaw chooses one
        ({256: ("I", 64), 257: ("I", 48)}, True),  # and of two pictures of one size
        ({256: ("I", 64), 257: ("I", 47)}, False),
    ],
)
def test_another_picture_in_the_file(tmp_path: Path, beside: dict, left: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_dng(tmp_path / "F.dng", drawn(48, 64), beside=beside)
    if left:
        assert coded_mosaic(path) is None
    else:
        assert_same(path, drawn(48, 64), monkeypatch)


@pytest.mark.parametrize("tag", [50712, 28688])
def test_what_is_looked_up_in_a_table_is_left_to_libraw(tmp_path: Path, tag: int) -> None:
    """LinearizationTable (DNG 1.6), and a table of one maker that LibRaw reads in any file."""
    values = tuple(min(65535, 3 * i) for i in range(1 << 14)) if tag == 50712 else (8000, 10400, 12900, 14100)
    path = write_dng(tmp_path / "F.dng", drawn(48, 64), tags={tag: ("H", values)})
    with open_raw(path) as whole, open_raw(path, coded_mosaic) as raw:
        assert not np.array_equal(whole.raw_image, drawn(48, 64))
        assert np.array_equal(raw.raw_image, whole.raw_image)


def test_a_difference_of_half_the_range_is_left_to_libraw(tmp_path: Path) -> None:
    """T.81 gives it no further bits, some writers give it 16; LibRaw decides by the version of the DNG."""
    mosaic = np.zeros((48, 64), np.uint16)
    mosaic[10, 10:] = 32768
    path = write_dng(tmp_path / "F.dng", mosaic, bits=16)
    coded = coded_mosaic(path)
    assert coded is not None and not coded.decode_into(np.empty((48, 64), np.uint16))
    with open_raw(path, coded_mosaic) as raw:
        assert np.array_equal(raw.raw_image, mosaic)
    data = np.frombuffer(encode(mosaic, bits=16, longest=16), np.uint8)
    scan = read_scan(data.data, 0, len(data))
    assert scan is not None and not decode(data, scan, np.empty((48, 64), np.uint16))


@pytest.mark.parametrize("missing", [*range(1, 9), 1000])
def test_data_that_ends_early_is_left_to_libraw(missing: int) -> None:
    """What follows in memory would complete it: nothing beyond the end is looked at."""
    samples = drawn(32, 40)
    whole = encode(samples)[:-2]  # without the marker of the end
    assert 0xFF not in whole[-16:]  # by which a reader might stop
    data = np.frombuffer(whole + bytes(16), np.uint8)
    out = np.zeros((32, 40), np.uint16)
    scan = read_scan(data.data, 0, len(whole))
    assert scan is not None and decode(data, scan, out) and np.array_equal(out, samples)
    short = read_scan(data.data, 0, len(whole) - missing)
    assert short is not None and not decode(data, short, out)


def test_samples_that_do_not_fit_are_refused() -> None:
    data = np.frombuffer(encode(drawn(32, 40, 13), bits=12), np.uint8)
    scan = read_scan(data.data, 0, len(data))
    assert scan is not None and not decode(data, scan, np.empty((32, 40), np.uint16))
    with pytest.raises(ValueError, match="is not"):
        decode(data, scan, np.empty((31, 40), np.uint16))
    with pytest.raises(ValueError, match="too few"):
        decode(data[:-1], scan, np.empty((32, 40), np.uint16))


def test_codes_without_a_meaning_are_refused() -> None:
    """The shortest tables that a scan may have: most codes then stand for nothing."""
    samples = np.full((8, 8), 1 << 13, np.uint16)  # no differences but 0
    data = bytearray(encode(samples, tables=(bytes([0, 1] + [0] * 14) + b"\0",)))
    scan = read_scan(memoryview(data), 0, len(data))
    out = np.empty((8, 8), np.uint16)
    assert scan is not None and decode(np.frombuffer(data, np.uint8), scan, out) and (out == 1 << 13).all()
    data[scan.begin + 3] = 0x40
    assert not decode(np.frombuffer(data, np.uint8), scan, out)


@pytest.mark.parametrize("table", [bytes([3] + [0] * 15) + bytes(3), bytes([0, 5] + [0] * 14) + bytes(5)])
def test_tables_that_contradict_themselves_are_refused(table: bytes) -> None:
    """T.81, annex C: no more codes of a length than there are."""
    data = encode(np.full((8, 8), 1 << 13, np.uint16), tables=(EVEN,))
    assert read_scan(memoryview(data), 0, len(data)) is not None
    other = data.replace(b"\xff\xc4" + (19 + len(EVEN) - 16).to_bytes(2, "big") + b"\0" + EVEN,
                         b"\xff\xc4" + (19 + len(table) - 16).to_bytes(2, "big") + b"\0" + table)  # fmt: skip
    assert other != data and read_scan(memoryview(other), 0, len(other)) is None


@pytest.mark.parametrize("marker", [b"\xff\xd1", b"\xff\x00", b"\x12\x34"])
def test_a_restart_marker_that_is_not_the_next_is_left_to_libraw(marker: bytes) -> None:
    data = encode(drawn(9, 16), restart=3)
    at = data.index(b"\xff\xd0")
    wrong = np.frombuffer(data[:at] + marker + data[at + 2 :], np.uint8)
    scan = read_scan(wrong.data, 0, len(wrong))
    assert scan is not None and not decode(wrong, scan, np.empty((9, 16), np.uint16))


def test_damage_is_seen_as_libraw_sees_it(tmp_path: Path) -> None:
    """Whatever is decoded here at all comes out as it does from LibRaw; the rest fails as it fails there."""
    rng = np.random.default_rng(7)
    forms: tuple[dict, ...] = (
        {}, {"predictor": 6, "lines": 2}, {"tile": (16, 16), "components": 2}, {"restart": 5, "tables": (UNEVEN,)},
        {"below": True, "order": ">", "tile": (32, 32), "components": 2, "predictor": 4},
    )  # fmt: skip
    written = [write_dng(tmp_path / "F.dng", drawn(32, 48), **form).read_bytes() for form in forms]
    path, decoded = tmp_path / "G.dng", 0
    for number in range(600):
        data = bytearray(written[number % len(forms)])
        for _ in range(1 + number % 3):
            data[int(rng.integers(8, 700 if number % 2 else len(data)))] = int(rng.integers(0, 256))
        path.write_bytes(data[: len(data) - (int(rng.integers(0, 3000)) if number % 5 == 0 else 0)])
        coded = coded_mosaic(path)
        if coded is None:
            continue
        decoded += coded.decode_into(np.empty(coded.shape, np.uint16))
        results = []
        for reader in (None, coded_mosaic):
            try:
                with open_raw(path, reader) as raw:
                    results.append(said(raw) + str(raw.raw_image.tobytes()))
            except FrameError as error:
                results.append(str(error))
        assert results[0] == results[1], number
    assert decoded > 20


def test_the_step_decodes_without_libraw(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[bool] = []
    own = dng.CodedMosaic.decode_into
    monkeypatch.setattr(dng.CodedMosaic, "decode_into", lambda *a: calls.append(own(*a)) or calls[-1])
    mosaic = 1000 + drawn(96, 128, 10)
    path = write_dng(tmp_path / "F.dng", mosaic, below=True)
    frame = Frame("F", path, "F.dng", "raw", Exif())
    found = decode_step(frame, None).image.pixels
    assert calls == [True]
    assert np.array_equal(found, decode_raw(path, Orientation.TOP_LEFT, None).image.pixels)


def test_libraw_finds_nothing_to_decode(tmp_path: Path) -> None:
    """Samples of more bits than there are would be an error where it does."""
    path = write_dng(tmp_path / "F.dng", drawn(48, 64, 14), bits=12)
    coded = coded_mosaic(path)
    assert coded is not None
    with rawpy.RawPy() as raw:
        raw.open_buffer(io.BytesIO(path.read_bytes()))
        with pytest.raises(rawpy.LibRawError):
            raw.unpack()
    with rawpy.RawPy() as raw:
        raw.open_buffer(io.BytesIO(coded.without_mosaic))
        raw.unpack()
        assert raw.raw_image.shape == (48, 64)


def test_no_file_is_read_that_takes_too_much_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_dng(tmp_path / "F.dng", drawn(48, 64))
    needed = 48 * 64 * MEMORY.raw + path.stat().st_size
    monkeypatch.setattr(dng, "MEMORY", replace(MEMORY, decode=needed))
    assert coded_mosaic(path) is not None
    monkeypatch.setattr(dng, "MEMORY", replace(MEMORY, decode=needed - 1))
    assert coded_mosaic(path) is None


def test_a_mosaic_of_another_size_than_libraw_finds_is_left_to_it(tmp_path: Path) -> None:
    """Before LibRaw takes memory for it."""
    path = write_dng(tmp_path / "F.dng", drawn(48, 64))
    coded = coded_mosaic(path)
    assert coded is not None
    other = SimpleNamespace(without_mosaic=coded.without_mosaic, shape=(48, 62), decode_into=lambda mosaic: True)
    with open_raw(path, lambda path: other) as raw:
        assert np.array_equal(raw.raw_image, drawn(48, 64))


def test_other_raws_are_left_to_libraw() -> None:
    raws = [*(DATA / "raw").glob("*.*"), *(DATA / "noise-disagrees").glob("*.*")]
    if not raws:
        pytest.skip("../shared/data is not there")
    assert not [path.name for path in raws if coded_mosaic(path) is not None]
