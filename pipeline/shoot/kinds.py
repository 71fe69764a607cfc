"""What a file of a shoot folder is, by its suffix: a frame, or something else, which is named in one line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePath

from pipeline.formats import heif
from pipeline.store.files import folded
from pipeline.textfile.messages import counted, install

# fmt: off
RAW = frozenset((
    "3fr", "arw", "cr2", "cr3", "crw", "dcr", "dng", "erf", "fff", "iiq", "k25", "kdc", "mdc", "mef", "mos", "mrw",
    "nef", "nrw", "orf", "pef", "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f",
))
PICTURE = frozenset(("jpeg", "jpg", "png", "tif", "tiff"))
HEIC = heif.SUFFIXES
# What else lies on cards; common practice, no source.
FILMS = frozenset((
    "3gp", "avi", "crm", "m2t", "m2ts", "m4v", "mkv", "mov", "mp4", "mpeg", "mpg", "mts", "mxf", "webm", "wmv",
))
_SOUNDS = frozenset(("aac", "aif", "aiff", "flac", "m4a", "mp3", "ogg", "wav", "wma"))
_PREVIEWS = frozenset(("ctg", "lrv", "thm"))
_PICTURES = frozenset(("avif", "bmp", "gif", "jp2", "jxl", "psd", "svg", "webp"))
_OURS = frozenset(("csv", "yaml", "yml", "sha256"))  # facts and lists of checksums, of which a person knows
_SYSTEMS = frozenset(("desktop.ini", "thumbs.db"))
# fmt: on
_READ_HEIC = f"to read them: {install('heic')}"
_READ_OTHERS = "to read them: save them as JPEG, TIFF or PNG"
# Kind -> (one, several, what to do), in the order of the line.
_WORDS = {
    "film": ("film", "films", ""),
    "heic": ("HEIC picture", "HEIC pictures", _READ_HEIC),
    "picture": ("picture of another kind", "pictures of other kinds", _READ_OTHERS),
    "sidecar": ("sidecar without a frame", "sidecars without a frame", ""),
    "preview": ("camera preview", "camera previews", ""),
    "sound": ("sound", "sounds", ""),
    "other": ("other file", "other files", ""),
}
_NAMED = ("film", "picture", "sound", "other")  # with their suffixes
_MOST_SUFFIXES = 5
OtherFiles = Mapping[str, Mapping[str, int]]  # kind, a key of _WORDS -> suffix in capitals -> how many


def suffix_of(path: PurePath) -> str:
    """The suffix in small letters, without its dot."""
    return path.suffix[1:].lower()


def frame_kind(path: PurePath) -> str:
    """ "raw", "picture", or "" for a file that is no photograph."""
    suffix = suffix_of(path)
    return "raw" if suffix in RAW else "picture" if suffix in PICTURE | HEIC else ""


def is_readable(path: Path) -> bool:
    """Whether a photograph can be decoded here: HEIC only where what reads it is installed."""
    return suffix_of(path) not in HEIC or heif.readable()


def other_files(paths: Iterable[Path], frames: Iterable[Path]) -> OtherFiles:
    """How many files there are of each kind, of `paths`, which are no frames. frames  files of the shoot that are."""
    stems = {(path.parent, folded(name)) for path in frames for name in (path.name, path.stem)}
    counts: dict[str, Counter[str]] = {}
    for path in paths:
        suffix = suffix_of(path)
        if suffix == "xmp" and (path.parent, folded(path.stem)) in stems:
            continue
        if suffix not in _OURS and path.name.lower() not in _SYSTEMS:
            counts.setdefault(_kind(suffix), Counter())[suffix.upper()] += 1
    return {kind: dict(counts[kind]) for kind in _WORDS if kind in counts}


def _kind(suffix: str) -> str:
    kinds = (
        ("film", FILMS), ("heic", HEIC), ("picture", _PICTURES), ("sidecar", ("xmp",)),
        ("preview", _PREVIEWS), ("sound", _SOUNDS),
    )  # fmt: skip
    return next((kind for kind, suffixes in kinds if suffix in suffixes), "other")


def not_photographs(others: OtherFiles) -> str:
    """ "left alone: 3 films (MP4), 1 sidecar without a frame"; "" where there are none."""
    parts = []
    for kind, suffixes in others.items():
        one, several, then = _WORDS[kind]
        count = sum(suffixes.values())
        part, details = counted(count, one, several), [then]
        if kind in _NAMED:
            names = [name for name, _ in sorted(suffixes.items(), key=lambda item: (-item[1], item[0])) if name]
            more = f" and {counted(len(names) - _MOST_SUFFIXES, 'more kind')}" if len(names) > _MOST_SUFFIXES else ""
            details.insert(0, f"{', '.join(names[:_MOST_SUFFIXES])}{more}")
        told = "; ".join(detail for detail in details if detail)
        parts.append(f"{part} ({told})" if told else part)
    return f"left alone: {', '.join(parts)}" if parts else ""
