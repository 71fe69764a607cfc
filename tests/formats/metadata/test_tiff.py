"""A TIFF with metadata: the same pixels and profile, and a structure that two readers and the rules agree with."""

from __future__ import annotations

import hashlib
import io
import struct

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.formats.metadata.embed import embed_jpeg, tiff_tags
from pipeline.formats.metadata.model import Metadata, MetadataTooLarge
from pipeline.formats.tiff import encode_tiff
from tests.formats.metadata.readers import TEXTS, full, plain_jpeg, read_exiv2, read_pillow

PIXELS = np.random.default_rng(3).random((301, 407, 3)).astype(np.float32)

# Orientation (1 where it is absent: TIFF 6.0), resolution, place of the directory, and what compressed pictures have.
OF_A_JPEG = {274, 282, 283, 296, 531, 34665, 37121, 40962, 40963}


def directory(data: bytes, at: int) -> tuple[dict[int, tuple[int, int, int]], int]:
    """Tag -> (type, count, value or place); where the next directory lies."""
    (count,) = struct.unpack_from("<H", data, at)
    entries = [struct.unpack_from("<HHII", data, at + 2 + 12 * i) for i in range(count)]
    assert [entry[0] for entry in entries] == sorted({entry[0] for entry in entries})
    (following,) = struct.unpack_from("<I", data, at + 2 + 12 * count)
    return {tag: (kind, n, value) for tag, kind, n, value in entries}, following


def test_structure() -> None:
    """TIFF 6.0, section 2: ascending tags, even places. Exif 2.32, 4.6.5: without what is for compressed pictures."""
    data, _ = encode_tiff(PIXELS, full())
    assert data[:4] == b"II*\0"
    (first,) = struct.unpack_from("<I", data, 4)
    main, following = directory(data, first)
    exif, after = directory(data, main[34665][2])
    assert (following, after, main[34665][:2]) == (0, 0, (4, 1))
    assert first % 2 == main[34665][2] % 2 == 0
    assert not {37121, 40962, 40963} & set(exif)
    sizes = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1}
    for kind, count, place in (*main.values(), *exif.values()):
        length = sizes[kind] * count
        assert length <= 4 or (place % 2 == 0 and place + length <= len(data))


def test_resource_digest() -> None:
    """Resource 0x0425 in 34377 is the MD5 of the datasets, which stand in 33723 too."""
    with tifffile.TiffFile(io.BytesIO(encode_tiff(PIXELS, full())[0])) as file:
        tags = {tag.code: bytes(tag.value) for tag in file.pages[0].tags if tag.code in (33723, 34377)}
    assert tags[34377].endswith(hashlib.md5(tags[33723]).digest())
    assert tags[33723] in tags[34377]


def test_pixels_and_profile_stay() -> None:
    bare, with_texts = encode_tiff(PIXELS, None)[0], encode_tiff(PIXELS, full())[0]
    with tifffile.TiffFile(io.BytesIO(bare)) as a, tifffile.TiffFile(io.BytesIO(with_texts)) as b:
        assert len(a.pages) == len(b.pages) == 1
        assert np.array_equal(a.asarray(), b.asarray())
        assert b.asarray().dtype == np.uint16
        assert a.pages[0].tags[34675].value == b.pages[0].tags[34675].value
        assert 34665 not in a.pages[0].tags
    assert np.abs(tifffile.imread(io.BytesIO(with_texts)) / 65535 - PIXELS).max() <= 0.5 / 65535 + 1e-6
    with Image.open(io.BytesIO(with_texts)) as picture:
        picture.load()
        assert picture.size == (407, 301)


def test_same_bytes_again_and_no_metadata_means_none() -> None:
    assert encode_tiff(PIXELS, full()) == encode_tiff(PIXELS, full())
    data, _ = encode_tiff(PIXELS, None)
    with tifffile.TiffFile(io.BytesIO(data)) as file:
        assert not {270, 305, 306, 315, 700, 33432, 33723, 34377, 34665} & {tag.code for tag in file.pages[0].tags}


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
def test_the_same_as_in_a_jpeg(text: str) -> None:
    m = full(caption=text, creator=text, headline=text)
    tiff, cut = encode_tiff(PIXELS[:4, :4], m)
    jpeg, same = embed_jpeg(plain_jpeg(), m)
    assert cut == same
    for read in (read_exiv2, read_pillow):
        a, b = read(tiff), read(jpeg)
        assert (a.xmp, a.iim) == (b.xmp, b.iim)
        shared = set(b.exif) - OF_A_JPEG
        assert {tag: a.exif[tag] for tag in shared} == {tag: b.exif[tag] for tag in shared}


def test_too_long_is_refused_before_pixels_are_encoded() -> None:
    for metadata in (full(caption="王" * 30_000), full(lens="a" * 70_000)):
        with pytest.raises(MetadataTooLarge, match="shorten"):
            tiff_tags(metadata)
        with pytest.raises(MetadataTooLarge, match="shorten"):
            encode_tiff(None, metadata)  # type: ignore[arg-type]


def test_empty_metadata() -> None:
    found = read_exiv2(encode_tiff(PIXELS, Metadata())[0])
    assert found.xmp == {"xmp:CreatorTool": "evencourt"}
    assert found.iim == {0: ("4",), 65: ("evencourt",)}
