"""Files of the same exposure are one frame: identical files, and the raw and the JPEG that a camera writes of it."""

from __future__ import annotations

import hashlib
import io
import re
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import numpy as np
import PIL.Image
import rawpy

from pipeline.errors import FrameError
from pipeline.formats.pictures import read_picture
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.quiet import quiet_libraw
from pipeline.shoot.kinds import HEIC, is_readable
from pipeline.store.files import folded
from pipeline.store.keys import digest_file
from pipeline.textfile.messages import and_more, counted
from pipeline.types import F32, F64, Exif, Frame

BESIDE_RAW = HEIC | {"jpeg", "jpg"}  # what cameras write together with a raw file


@dataclass(frozen=True)
class PairConstants:
    """When two files are of the same exposure. Chosen by the authors, no source, but where one is named."""

    # Seconds: one file may give hundredths and the other thousandths (Exif 2.32, tag 37521 takes any number of digits);
    # frames of a burst of 20 a second are five times as far apart.
    apart: float = 0.01
    edge: int = 48  # pixels of the side of the small grey pictures that are compared
    decoded: int = 96  # pixels of the longer side of a raw that holds no small picture of its own
    # Rank correlation of the small grey pictures. Tried on the raw files of tests/shoot/test_pairs.py and 16 frames of
    # the demonstration: 0.90 and more for a raw and its own picture, 0.84 and less for any other.
    alike: float = 0.87
    sample: int = 1 << 16  # octets at both ends of a file that are compared before all of it is read


PAIRS = PairConstants()


def one_each(
    files: Sequence[Frame], digest: Callable[[Frame], str] = lambda frame: digest_file(frame.path)
) -> tuple[list[Frame], tuple[str, ...]]:
    """One frame for each exposure, and a notice each on identical files and on pairs.

    files  every raw and picture, as frames that have no name yet; digest  SHA-256 of a file, may raise OSError

    Of identical files of one stem the one in the root of the shoot is kept, else the first by path. A raw and a JPEG
    or HEIC become one frame, with the raw's file: where they have the same stem in one folder, or stem or file
    number and the camera's time agree across folders, and nothing speaks against it: another camera model or serial
    number, another time, or, where these are not known, another picture. A raw that cannot be read at all goes with
    the picture of its stem in the folder where those of its neighbours are. What is left out is in `twin` and `copies`.
    """
    kept, left = _without_identical(files, digest)
    notices = []
    if left:
        files_are = counted(len(left), "file is", "files are")
        notices.append(f"{files_are} there twice with the same bytes, and used once: {and_more(sorted(left))} left out")
    frames, pairs = _paired(kept)
    if pairs:
        frames_are = counted(len(pairs), "frame is", "frames are")
        notices.append(
            f"{frames_are} there both as raw and as JPEG: the raw is used, {and_more(sorted(pairs))} left out"
        )
    return frames, tuple(notices)


def kind_of_twin(name: str) -> str:
    """ "JPEG" or "HEIC", for messages on a file that a camera wrote beside a raw."""
    return "HEIC" if PurePosixPath(name).suffix[1:].lower() in HEIC else "JPEG"


# ---- identical files -------------------------------------------------------------------------------------------


def _without_identical(files: Sequence[Frame], digest: Callable[[Frame], str]) -> tuple[list[Frame], list[str]]:
    """The frames without repeats, and the paths that were left out."""
    groups = [list(files)]
    for key in (_stem_and_facts, _ends, digest):
        groups = [part for group in groups for part in _split(group, key)]
    kept: dict[str, Frame] = {f.relative: f for f in files}
    left: list[str] = []
    for group in groups:
        first, *others = sorted(group, key=lambda f: ("/" in f.relative, f.relative))
        kept[first.relative] = replace(first, copies=tuple(f.path for f in others))
        left += [f.relative for f in others]
    for relative in left:
        del kept[relative]
    return list(kept.values()), left


def _split(files: Iterable[Frame], key: Callable[[Frame], object]) -> list[list[Frame]]:
    """Files of the same key together, those that have no equal left out."""
    found: dict[object, list[Frame]] = {}
    for frame in files:
        try:
            value = key(frame)
        except OSError:  # such a file fails, by name, when it is decoded
            continue
        if value is not None:
            found.setdefault(value, []).append(frame)
    return [group for group in found.values() if len(group) > 1]


def _stem_and_facts(frame: Frame) -> tuple[str, int, Exif]:
    """A copy under a name of its own is a person's, who may want both."""
    return folded(frame.path.stem), frame.path.stat().st_size, frame.exif


def _ends(frame: Frame) -> bytes | None:
    """Both ends of a file; None where it begins with the same octet over and over: what a broken card gave for two
    frames is not one picture, and each must be named."""
    with frame.path.open("rb") as file:
        head = file.read(PAIRS.sample)
        file.seek(max(0, frame.path.stat().st_size - PAIRS.sample))
        return hashlib.sha256(head + file.read()).digest() if len(set(head)) > 1 else None


# ---- raw and JPEG ----------------------------------------------------------------------------------------------


def _paired(files: Sequence[Frame]) -> tuple[list[Frame], list[str]]:
    """The frames with pairs made one, and the paths of the pictures that were left out."""
    pictures = [f for f in files if f.kind == "picture" and PurePosixPath(f.relative).suffix[1:].lower() in BESIDE_RAW]
    by_place: dict[tuple[Path, str], list[Frame]] = {}
    by_time: dict[tuple[str, str], list[Frame]] = {}
    for picture in pictures:
        for path in picture.files:
            by_place.setdefault((path.parent, folded(path.stem)), []).append(picture)
        for key in _moments(picture):
            by_time.setdefault(key, []).append(picture)
    left: dict[str, Frame] = {}
    frames: dict[str, Frame] = {f.relative: f for f in files}
    raws = sorted((f for f in files if f.kind == "raw"), key=lambda f: f.relative)
    together: set[tuple[Path, Path]] = set()  # folders of raws and of their pictures: a camera may write to two cards

    def join(raw: Frame, own: Sequence[Frame]) -> None:
        frames[raw.relative] = _joined(raw, own)
        left.update((f.relative, f) for f in own)
        together.add((raw.path.parent, own[0].path.parent))

    for raw in raws:
        here = [p for path in raw.files for p in by_place.get((path.parent, folded(path.stem)), ())]
        there = [p for key in _moments(raw) for p in by_time.get(key, ())]
        own: dict[str, Frame] = {}
        for picture in (*here, *there):
            free = picture.relative not in left and picture.relative not in own
            if free and same_exposure(raw, picture, beside=picture in here):
                own[picture.relative] = picture
        if own:
            join(raw, list(own.values()))
    for raw in raws:
        if frames[raw.relative].twin is None and raw.exif.time is None:
            alike = [
                p for a, b in together if a == raw.path.parent for p in by_place.get((b, folded(raw.path.stem)), ())
            ]
            free_ones = [p for p in alike if p.relative not in left]
            # Nothing of the raw can be read, so nothing is lost if it was another picture.
            if len(free_ones) == 1 and same_picture(raw.path, free_ones[0].path) is None:
                join(raw, free_ones)
    return [f for relative, f in frames.items() if relative not in left], list(left)


def _joined(raw: Frame, pictures: Sequence[Frame]) -> Frame:
    twin, *others = sorted(pictures, key=lambda f: not is_readable(f.path))
    copies = (*raw.copies, *twin.copies, *(path for f in others for path in f.files))
    exif = raw.exif
    if exif.time is None:  # a damaged raw still has its place in the night
        notices = tuple(dict.fromkeys((*raw.exif.notices, *twin.exif.notices))) if twin.exif.time is None else ()
        exif = replace(twin.exif, orientation=exif.orientation, notices=notices)
    return replace(raw, exif=exif, twin=twin.path, copies=copies)


def _moments(frame: Frame) -> list[tuple[str, str]]:
    """(second, stem) and (second, file number) of a frame; none where it has no time."""
    if frame.exif.time is None:
        return []
    second = frame.exif.time.replace(microsecond=0).isoformat()
    stems = {folded(path.stem) for path in frame.files}
    numbers = {match[0] for stem in stems if (match := re.search(r"\d{3,}$", stem))}
    return [(second, text) for text in sorted(stems | numbers)]


def same_exposure(raw: Frame, picture: Frame, *, beside: bool) -> bool:
    """Whether a raw and a camera's picture are of the same exposure, see `one_each`.

    beside  they have the same stem and lie in one folder; else their file number and second are taken to agree
    """
    a, b = raw.exif, picture.exif
    timed = a.time is not None and b.time is not None
    if (timed and not _same_time(a, b)) or _differ(a.model, b.model) or _differ(a.serial, b.serial):
        return False
    if beside:
        # None: one of the two cannot be decoded. A camera gives no two exposures of a folder the same stem.
        return timed or same_picture(raw.path, picture.path) is not False
    if not timed:
        return False
    same_model = bool(a.model and b.model)
    if same_model and a.serial and b.serial:
        return True
    # Two bodies of one model may fire at the same moment at the same file number.
    alike = same_picture(raw.path, picture.path)
    return same_model if alike is None else alike


def _same_time(a: Exif, b: Exif) -> bool:
    if a.time is None or b.time is None:
        return False
    if a.has_subseconds and b.has_subseconds:
        return abs((a.time - b.time).total_seconds()) <= PAIRS.apart
    return a.time.replace(microsecond=0) == b.time.replace(microsecond=0)


def _differ(one: str, other: str) -> bool:
    """Whether two models or serial numbers are both known and not the same."""
    plain = [" ".join(text.split()).casefold().lstrip("0") for text in (one, other)]
    return bool(one and other) and plain[0] != plain[1]


def same_picture(raw: Path, picture: Path) -> bool | None:
    """Whether a raw and a picture show the same, by the raw's own small picture or a small decode of it; None where one
    of them cannot be read."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns of odd tags
        try:
            if picture.suffix[1:].lower() in HEIC:
                other = _grey(read_picture(picture).pixels)
            else:
                other = _small_picture(picture)
        except (FrameError, OSError, SyntaxError, ValueError, PIL.Image.DecompressionBombError):
            return None
        own = _small_of_raw(raw)
        if own is not None and _alike(own, other):
            return True
    from pipeline.imaging.raw.mosaic import decode_raw  # it compiles much, and is seldom needed here

    try:  # its own small picture may be framed in another way
        pixels = decode_raw(raw, Orientation(1), PAIRS.decoded).image.pixels
    except (FrameError, OSError):
        return None if own is None else False
    return _alike(_grey(pixels), other)


def _small_picture(source: Path | io.BytesIO) -> F32:
    with PIL.Image.open(source) as picture:
        picture.draft("RGB", (4 * PAIRS.edge, 4 * PAIRS.edge))  # a JPEG is then decoded at an eighth of its size
        return _grey(np.asarray(picture.convert("RGB"), dtype=np.float32))


def _small_of_raw(path: Path) -> F32 | None:
    """The small picture in a raw file; None where it has none that can be read."""
    try:
        with quiet_libraw(path), rawpy.imread(str(path)) as raw:
            found = raw.extract_thumb()
        if found.format == rawpy.ThumbFormat.BITMAP:
            return _grey(np.asarray(found.data, dtype=np.float32))
        return _small_picture(io.BytesIO(bytes(found.data)))
    except (rawpy.LibRawError, OSError, SyntaxError, ValueError, PIL.Image.DecompressionBombError):
        return None


def _grey(pixels: F32) -> F32:
    import cv2

    small = cv2.resize(pixels.mean(axis=2), (PAIRS.edge, PAIRS.edge), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.float32)


def _alike(one: F32, other: F32) -> bool:
    """By rank, which no tone curve changes (Spearman 1904), whichever side is up."""
    ranks = _ranks(one)
    turned = (np.rot90(other, quarter) for quarter in range(4))
    return max(float((ranks * _ranks(some)).sum()) for some in turned) >= PAIRS.alike


def _ranks(grey: F32) -> F64:
    order = np.argsort(np.argsort(grey, axis=None, kind="stable"), kind="stable").astype(np.float64)
    order -= order.mean()
    return np.asarray(order / np.sqrt((order * order).sum()))
