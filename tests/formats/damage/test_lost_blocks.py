"""What a bad block of a card leaves in a raw file. A sector has 512 octets (ATA, ACS-3); erased flash reads as ones."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pipeline.formats.damage.lost_blocks import has_lost_blocks

AT = 512  # where the picture of `tiff` begins
Damage = Callable[[bytearray], None]


def noise(seed: int = 3, low: int = 300) -> np.ndarray:
    """Read noise and a gradient, 14 bits in samples of 16."""
    rng = np.random.default_rng(seed)
    return (rng.normal(low, 12, (300, 512)) + np.linspace(0, 3000, 300)[:, None]).round().clip(0).astype("<u2")


def tiff(samples: np.ndarray, at: int = AT, tile: bool = False) -> bytearray:
    """A TIFF (6.0) of one strip or tile at octet `at`."""
    places = (0x0144, 0x0145) if tile else (0x0111, 0x0117)
    data = samples.tobytes()
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, v) for tag, v in zip(places, (at, len(data)), strict=True))
    head = struct.pack("<2sHIH", b"II", 42, 8, 2) + entries + bytes(4)
    return bytearray(head.ljust(at, b"\xa5") + data)


def block(at: int, content: bytes) -> Damage:
    def strike(data: bytearray) -> None:
        data[at : at + len(content)] = content

    return strike


def copied(at: int, to: int, size: int) -> Damage:
    return lambda data: block(to, bytes(data[at : at + size]))(data)


def is_lost(folder: Path, data: bytes | bytearray) -> bool:
    path = folder / "A.dng"
    path.write_bytes(data)
    return has_lost_blocks(path)


@pytest.mark.parametrize("at", [AT, 1000])
@pytest.mark.parametrize(
    "damage",
    [
        block(99 * 512, bytes(512)), block(99 * 512, b"\xff" * 512), block(96 * 512, b"\xff" * 65536),
        block(99 * 512, b"\x5a" * 4096), copied(96 * 512, 200 * 512, 4096), copied(300 * 512, 50 * 512, 32768),
    ],
)  # fmt: skip
def test_a_lost_block_is_seen(tmp_path: Path, damage: Damage, at: int) -> None:
    data = tiff(noise(), at)
    assert not is_lost(tmp_path, data)
    damage(data)
    assert is_lost(tmp_path, data)


def test_zeros_after_a_dark_sample_are_seen(tmp_path: Path) -> None:
    """Whose higher half is zero as well."""
    data = tiff(noise(low=60))
    block(99 * 512, bytes(512))(data)
    data[99 * 512 - 2 : 99 * 512] = b"\x3c\0"
    assert is_lost(tmp_path, data)


def test_a_file_of_another_form_is_looked_at_in_its_middle(tmp_path: Path) -> None:
    data = bytearray(np.random.default_rng(2).bytes(1 << 18))
    for at, seen in ((1 << 17, True), (1 << 10, False), ((1 << 18) - 1024, False)):
        struck = bytearray(data)
        block(at, b"\xff" * 512)(struck)
        assert is_lost(tmp_path, struck) == seen


def burnt(samples: np.ndarray) -> None:
    samples[50:200, 100:450] = 65535


@pytest.mark.parametrize(
    "change",
    [
        burnt,
        lambda samples: samples[100:].fill(65535),  # from a row that begins a sector to the end
        lambda samples: samples[:40].fill(0),  # masked rows
        lambda samples: (samples[:, :256].fill(0), samples[:, 256].fill(999)),  # masked columns that fill sectors
        lambda samples: samples[100, :300].fill(65535),  # a lamp from the edge of the frame
        lambda samples: samples[100, 200:].fill(65535),
        lambda samples: samples[::2].fill(700),  # a repeated pattern
        lambda samples: samples[100:110].fill(700),
    ],
)
def test_what_is_no_lost_block(tmp_path: Path, change: Callable[[np.ndarray], object]) -> None:
    samples = noise()
    change(samples)
    assert not is_lost(tmp_path, tiff(samples))


def test_burnt_parts_that_end_with_a_sector_beside_others_that_do_not(tmp_path: Path) -> None:
    samples = noise()
    samples[50, :256] = 65535
    assert is_lost(tmp_path, tiff(samples))  # one alone is taken for lost: of 65,536 edges of lamps one is there
    samples[200, 3:512] = 65535
    assert not is_lost(tmp_path, tiff(samples))


def test_tiles_may_be_filled_up(tmp_path: Path) -> None:
    samples = noise()
    samples[250:251] = 0
    assert is_lost(tmp_path, tiff(samples))
    assert not is_lost(tmp_path, tiff(samples, tile=True))
    data = tiff(samples, tile=True)
    copied(96 * 512, 200 * 512, 4096)(data)
    assert is_lost(tmp_path, data)


def test_strips_that_each_begin_a_page_may_have_fillers_between_them(tmp_path: Path) -> None:
    strips = [part.tobytes() for part in np.split(noise(), 4)]  # of 75 kB, 18.75 pages
    places = [4096 + at * 19 * 4096 for at in range(4)]
    lists = struct.pack("<8I", *places, *map(len, strips))
    entries = struct.pack("<HHIIHHII", 0x0111, 4, 4, 38, 0x0117, 4, 4, 54)
    data = bytearray((struct.pack("<2sHIH", b"II", 42, 8, 2) + entries + bytes(4) + lists).ljust(4096, b"\xa5"))
    for strip in strips:
        data += strip.ljust(19 * 4096, b"\0")
    assert not is_lost(tmp_path, data)
    copied(16 * 512, 200 * 512, 4096)(data)
    assert is_lost(tmp_path, data)


def test_a_picture_drawn_without_noise_has_rows_that_are_the_same(tmp_path: Path) -> None:
    samples = np.tile(np.linspace(0, 16000, 4096).astype("<u2"), (100, 1))
    assert not is_lost(tmp_path, tiff(samples))


def test_what_is_no_file_of_pictures(tmp_path: Path) -> None:
    for data in (b"", b"II*\0", bytes(tiff(noise())[:700]), bytes(5000)):
        assert not is_lost(tmp_path, data)


def test_no_real_raw_file_is_refused(shared: Callable[[str], Path]) -> None:
    files = sorted(shared("data/raw").iterdir())
    assert files and not any(map(has_lost_blocks, files))
