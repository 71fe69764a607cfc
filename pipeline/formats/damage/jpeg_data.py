"""Whether the coded data of a JPEG is whole: decoders fill what a bad sector of a card has spoilt, and say nothing."""

from __future__ import annotations

import re

from pipeline.formats.jpeg_segments import FRAMES

# Octets after the last of a scan's picture that writers are known to leave (common practice, no source); data that was
# overwritten leaves more, as decoding has lost its step.
SPARE = 8
# And Huffman codes, quantisation, restarts (ITU-T T.81, table B.1), how colours are written (T.872).
NEEDED = FRAMES | {0xC4, 0xDB, 0xDD, 0xEE}
_MARKER = re.compile(rb"\xff([\x02-\xcf\xda-\xfe])")  # of a segment (ITU-T T.81, table B.1)
# What libjpeg warns of in the data of a scan; the markers are those that may end it (ITU-T T.81, B.1.1.2, B.2.1). Its
# other warnings are of headers, and harmless.
_LEFT = re.compile(r"Corrupt JPEG data: (\d+) extraneous bytes before marker 0x(?:d[0-9a]|c4)")
_SPOILT = re.compile(r"Premature end of JPEG|Corrupt JPEG data: (?!\d+ extraneous)")


def check_jpeg_data(data: bytes) -> str | None:
    """A sentence on a JPEG that does not end quite where it should; None for one that is whole, or is none.

    Its scans are read to their end, to a picture of an eighth of its sides. Raises OSError where they are damaged.
    """
    said = _warning(_without_headers(data))  # it tells its first only, and of headers it warns as well
    left = _LEFT.match(said)
    if _SPOILT.match(said) or (left and int(left[1]) > SPARE and not _is_filled_up(data, int(left[1]))):
        raise OSError("truncated or overwritten")
    return "its data does not end where the picture does: see whether all of it is there" if left else None


def _warning(data: bytes) -> str:
    """The first that libjpeg has, which is the only one it tells; "" for none."""
    import simplejpeg

    try:
        simplejpeg.decode_jpeg(data, "GRAY", fastdct=True, min_height=1, min_width=1, strict=True)
    except ValueError as error:
        return str(error)
    return ""


def _without_headers(data: bytes) -> bytes:
    """A JPEG with what decoding needs, and no more; as it is where its segments cannot be told. Octets between them are
    passed over, as decoders do."""
    kept, at = [b"\xff\xd8"], 2
    while (found := _MARKER.search(data, at)) is not None and found[1] != b"\xda":
        length = int.from_bytes(data[found.end() : found.end() + 2])
        at = found.end() + length
        if length < 2:
            return data
        if found[1][0] in NEEDED:
            kept.append(data[found.start() : at])
    return data if found is None else b"".join([*kept, data[found.start() :]])


def _is_filled_up(data: bytes, left: int) -> bool:
    """Whether what is left is noughts before the end of the picture: some writers fill a file up to a size with them
    (common practice, no source)."""
    return bytes(left) + b"\xff\xd9" in data
