"""formats/dng.py and lossless_jpeg.py: mosaics that are decoded without LibRaw, and what is left to it."""

from __future__ import annotations

from tests.mutants_table import mutant

_DNG, _JPEG, _MOSAIC = "formats/dng.py", "formats/lossless_jpeg.py", "imaging/raw/mosaic.py"
_TESTS = ("formats/test_dng.py",)

MUTANTS = [
    mutant(_DNG, "data[first : first + 2] = bytes(2)", "pass", *_TESTS),
    mutant(_DNG, "+ size > MEMORY.decode", "> MEMORY.decode", *_TESTS),
    mutant(_DNG, "or _MASKED in fields", "", *_TESTS),
    mutant(_DNG, "if not _leads_inside(one):", "if False:", *_TESTS),
    mutant(_DNG, "len(raws) != 1 or", "not raws or", *_TESTS),
    mutant(_DNG, "_numbers(raws[0], _WIDTH))) != 1", "_numbers(raws[0], _WIDTH))) < 1", *_TESTS),
    mutant(_DNG, "or _one(found, _SAMPLES) != 1", "", *_TESTS),
    mutant(_DNG, "len(scan.tables) == 1 or 2 * samples != place.width", "True", *_TESTS),
    mutant(_DNG, "if any(tag in fields for tag in (_OF_STRIPS if is_tiled else _OF_TILES)):", "if False:", *_TESTS),
    mutant(_DNG, "or at + n > size for", "for", *_TESTS),
    mutant(_DNG, "len(places) != len(lengths) or", "", *_TESTS),
    mutant(_DNG, "number // across * high, number % across * wide", "number % across * high, 0", *_TESTS),
    mutant(
        _MOSAIC,
        "and coded.decode_into(raw.raw_image):",
        "and (coded.decode_into(raw.raw_image) or True):",
        *_TESTS,
    ),
    mutant(_MOSAIC, "and np.array_equal(raw.tone_curve, np.arange(1 << 16))", "", *_TESTS),
    mutant(_MOSAIC, "meant = (raw.sizes.raw_height, raw.sizes.raw_width) == coded.shape", "meant = True", *_TESTS),
    mutant(_JPEG, "if out.shape != scan.shape or scan.end > data.size:", "if out.shape != scan.shape:", *_TESTS),
    mutant(_JPEG, "if out.shape != scan.shape or scan.end > data.size:", "if scan.end > data.size:", *_TESTS),
    mutant(_JPEG, "if at + np.uint64(4) <= limit:", "if True:", *_TESTS),
    mutant(_JPEG, "if at < limit and data[at] != 0xFF:", "if data[at] != 0xFF:", *_TESTS),
    mutant(_JPEG, "elif at + one < limit and data[at + one] == 0:", "elif at < limit:", *_TESTS),
    mutant(_JPEG, "if np.uint64(8) * missing > count:", "if False:", *_TESTS),
    mutant(_JPEG, "return bool(wrong >> bits == 0)", "return True", *_TESTS),
    mutant(_JPEG, "or table[_SYMBOLS + place] > _WIDEST", "", *_TESTS),
    mutant(_JPEG, "if code + count > 1 << length:", "if False:", *_TESTS),
    mutant(_JPEG, "or data[at + one] != marker", "", *_TESTS),
    mutant(_JPEG, "(restart % width or predictor != 1)", "restart % width", *_TESTS),
    mutant(_JPEG, "if used != [tables.get(0), tables.get(1, tables.get(0))][:count]:", "if False:", *_TESTS),
    mutant(_JPEG, "value &= 0xFFFF", "pass", *_TESTS),
]
