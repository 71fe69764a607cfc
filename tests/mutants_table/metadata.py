"""formats/: what leaves in a file, and how pictures are read."""

from __future__ import annotations

from tests.mutants_table import mutant

_EXIF = "formats/exif.py"
_JPEG = "formats/jpeg_segments.py"
_OUT = "formats/metadata/exif.py"
_IIM = "formats/metadata/iim.py"
_BLOCKS = "formats/metadata/blocks.py"
_EXIF_TESTS = ("formats/test_exif.py",)
_WRITTEN = ("formats/metadata/test_embed.py", "formats/metadata/test_standard.py")

MUTANTS = [
    mutant(_EXIF, "round(shift.total_seconds() / 60)", "-round(shift.total_seconds() / 60)", *_EXIF_TESTS),
    mutant(
        _EXIF,
        "orientation if 1 <= orientation <= 8 else 1",
        "orientation",
        *_EXIF_TESTS,
        why="a value that does not exist is replaced by that of XMP or LibRaw",
    ),
    mutant(_JPEG, "begin = at + 2 + length", "begin = at + 4 + length", "formats/metadata/test_embed.py"),
    mutant(_JPEG, "self.marker == APP13 or (", "(", "formats/metadata/test_embed.py"),
    mutant(
        _JPEG,
        "kept = [segment for segment in segments if not segment.is_metadata]",
        "kept = list(segments)",
        "formats/metadata/test_embed.py",
    ),
    mutant(_JPEG, "kept[:leading] + metadata + kept[leading:]", "metadata + kept", "formats/metadata/test_embed.py"),
    mutant(_JPEG, "_MAXIMUM = 65_533", "_MAXIMUM = 65_535", "formats/test_containers.py"),
    mutant(
        _JPEG,
        'struct.unpack_from(">HH", segment.payload, 1)\n            return height, width',
        'struct.unpack_from(">HH", segment.payload, 1)\n            return width, height',
        "formats/metadata/test_embed.py",
    ),
    mutant(_OUT, "(274, _SHORT, (1,))", "(274, _SHORT, (6,))", *_WRITTEN),
    mutant(_OUT, "(40962, _LONG, (size[1],))", "(40962, _LONG, (size[0],))", *_WRITTEN),
    mutant(_OUT, "min(round(m.iso), 65535)", "round(m.iso)", *_WRITTEN),
    mutant(_OUT, 'b"\\0" * (len(value) % 2)', 'b""', *_WRITTEN),
    mutant(_OUT, "(ratio.numerator, ratio.denominator)", "(ratio.denominator, ratio.numerator)", *_WRITTEN),
    mutant(_IIM, "120: 2000", "120: 2200", *_WRITTEN),
    mutant(_IIM, "105: 256", "105: 281", *_WRITTEN),
    mutant(_IIM, '_UTF8 = b"\\x1b%G"', '_UTF8 = b"\\x1b%A"', *_WRITTEN),
    mutant(_IIM, "while 0 < end < len(text) and _joined(text, end):", "while False:", *_WRITTEN),
    mutant(
        _IIM,
        "hashlib.md5(iim, usedforsecurity=False).digest()",
        "hashlib.md5(iim[1:], usedforsecurity=False).digest()",
        *_WRITTEN,
    ),
    mutant(
        _BLOCKS,
        "digest is not None and digest != hashlib",
        "digest is not None and digest == hashlib",
        "formats/metadata/test_carried.py",
    ),
    mutant(_BLOCKS, "at += 4 + size + size % 2", "at += 4 + size", "formats/metadata/test_carried.py"),
    mutant(
        "formats/pictures.py",
        "np.asarray(values.astype(np.float32) / np.float32(2**bits - 1))",
        "np.asarray(values.astype(np.float32) / np.float32(2**bits))",
        "formats/test_pictures.py",
        "imaging/test_colour.py",
    ),
    mutant("formats/pictures.py", "scaled * alpha + (1 - alpha)", "scaled * alpha", "formats/test_pictures.py"),
    mutant(
        "formats/pictures.py",
        "_WHITE_IS_ZERO, _PALETTE, _SEPARATED = 0, 3, 5",
        "_WHITE_IS_ZERO, _PALETTE, _SEPARATED = 1, 3, 5",
        "formats/test_pictures.py",
    ),
    mutant("formats/pictures.py", "[2, 1, 0, 3]", "[0, 1, 2, 3]", "formats/test_pictures.py"),
]
