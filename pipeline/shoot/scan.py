"""Which frames a shoot folder holds. The folder is only read."""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.errors import InputError, in_short, trace
from pipeline.formats.exif import read_exif
from pipeline.shoot.clocks.bodies import by_time
from pipeline.shoot.frame_names import NOTHING_KNOWN, NameMemory, with_names
from pipeline.shoot.gather.listing import LIST
from pipeline.shoot.kinds import HEIC, PICTURE, RAW, OtherFiles, frame_kind, is_readable, not_photographs, other_files
from pipeline.shoot.pairs import one_each
from pipeline.store.places import is_out
from pipeline.types import Exif, Frame

NOT_UTF8 = "its name is not valid UTF-8; rename it"
_LEADS_OUT = "a link that leads out of the shoot folder; copy the file into it"
_LOST = (NOT_UTF8, _LEADS_OUT)


@dataclass(frozen=True)
class Scan:
    """Frames in order of time, then name (those without a time last).

    skipped   (path from the shoot folder, reason) of what looks like a frame but is not one
    notices   about the folder or many frames at once; those of one frame are in its Exif
    formerly  name that a frame had in an earlier run -> its name today, where that is another
    others    what is no photograph, see kinds.other_files; one of the notices says it
    lost      those of skipped that are photographs for all their names say: a run counts them as failed
    """

    frames: tuple[Frame, ...]
    skipped: tuple[tuple[str, str], ...]
    notices: tuple[str, ...]
    formerly: Mapping[str, str]
    others: OtherFiles = field(default_factory=dict)
    lost: tuple[tuple[str, str], ...] = ()


def raise_unless_folder(shoot: Path) -> None:
    """Raises InputError, which says what to give instead, where `shoot` is no folder."""
    if shoot.is_file() and shoot.suffix.lower() in (".yaml", ".yml"):
        raise InputError(f"{shoot}: is a file, a recipe by its name; the recipe comes first, then the folder of frames")
    if shoot.is_file():
        raise InputError(f"{shoot}: is a file; give the folder that it is in: {shoot.parent}")
    if is_out(shoot):
        raise InputError(f"{shoot}: holds what a run has made (it was given to --out); give the folder of the frames")
    if not shoot.is_dir():
        raise InputError(f"{shoot}: there is no such folder; give the folder that holds the frames")


def refuse_photographs(out: Path) -> None:
    """Raises InputError where the first run into `out` would write beside photographs, which may be a shoot."""
    if not out.is_dir() or is_out(out):
        return
    if (out / LIST).exists():
        raise InputError(f"{out}: holds what evencourt gather copied from the cards; give another folder to --out")
    # As deep as gather puts the frames of a card: CARD/DCIM/100ABCDE.
    for path in (p for depth in range(1, 5) for p in out.glob("/".join(["[!.]*"] * depth))):
        if frame_kind(path) == "raw" or (frame_kind(path) and path.parent == out):
            raise InputError(
                f"{out}: holds photographs that no run has made, such as {path.name}; give another folder to --out"
            )


def scan(shoot: Path, memory: NameMemory = NOTHING_KNOWN) -> Scan:
    """Every raw and picture below `shoot`; `memory`: what is known of the names of frames.

    Files and folders whose name begins with "." are left out (a memory card's "._NAME" files among them), and so are
    folders that a run has written, and links that lead out of the folder or to a file that is found anyway. Files of
    one exposure are one frame, see pairs.one_each. An empty or damaged file is a frame: it fails, by name, when it is
    decoded; so does one that cannot be opened. Raises InputError where there is no such folder or no frame in it.
    """
    raise_unless_folder(shoot)
    paths, rest, skipped, notices = _walk(shoot)
    files = []
    for path in paths:
        kind = frame_kind(path)
        try:
            exif = read_exif(path, kind)
        except OSError as error:
            exif = Exif(notices=(f"cannot be opened ({error.strerror or error})",))
        except Exception as error:  # no file of a shoot stops the others
            trace(error)
            exif = Exif(notices=(f"its time and settings cannot be read ({in_short(error)})",))
        files.append(Frame("", path, _relative(path, shoot), kind, exif))
    one_each_of, of_files = one_each(files)
    notices += of_files
    # HEIC beside a raw belongs to its frame, and what stands in it counts for consent, also where it cannot be decoded.
    unread = [path for frame in one_each_of if not is_readable(frame.path) for path in frame.files]
    others = other_files([*rest, *unread], [path for path in paths if path not in unread])
    notices += [line] if (line := not_photographs(others)) else []
    frames, formerly = with_names([frame for frame in one_each_of if is_readable(frame.path)], memory)
    if not frames:
        wanted = ", ".join(sorted(RAW | PICTURE | HEIC))
        why = (*notices, *(f"{name}: {reason}" for name, reason in sorted(skipped)))
        raise InputError(
            f"{shoot}: holds no frames; give the folder with the photographs: files ending in {wanted}", *why
        )
    coarse = sum(frame.exif.time is not None and not frame.exif.has_subseconds for frame in frames)
    if coarse > 1:
        of = f"all {coarse:,}" if coarse == len(frames) else f"{coarse:,} of {len(frames):,}"
        notices.append(
            f"{of} frames know their time to the second only: there, frames at most 1 s apart with the same settings "
            "are taken as one burst"
        )
    skipped = sorted(skipped)
    lost = tuple((name, why) for name, why in skipped if why in _LOST and is_readable(Path(name)))
    return Scan(tuple(sorted(frames, key=by_time)), tuple(skipped), tuple(notices), formerly, others, lost)


def _walk(shoot: Path) -> tuple[list[Path], list[Path], list[tuple[str, str]], list[str]]:
    """Files to read, files of other kinds, files to leave out with the reason, and notices of folders that could not
    be read."""
    paths: list[Path] = []
    rest: list[Path] = []
    skipped: list[tuple[str, str]] = []
    notices: list[str] = []
    inside = shoot.resolve()

    def unreadable(error: OSError) -> None:
        folder = _relative(Path(error.filename), shoot)
        notices.append(f"{folder}: this folder cannot be read ({error.strerror}); its frames are left out")

    for folder, folders, names in os.walk(shoot, onerror=unreadable):  # links to folders are not followed
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        made = [Path(folder) / name for name in folders if is_out(Path(folder) / name)]
        notices += [f"{_relative(out, shoot)}: left alone, since a run has made what is in it" for out in made]
        folders[:] = [name for name in folders if Path(folder) / name not in made]
        links = [Path(folder) / name for name in folders if (Path(folder) / name).is_symlink()]
        notices += [f"{_relative(link, shoot)}: a link to a folder, not followed" for link in links]
        for path in (Path(folder) / name for name in sorted(names) if not name.startswith(".")):
            if not frame_kind(path):
                rest.append(path)
            else:
                reason = _no_frame(path, inside)
                if reason:
                    skipped.append((_unlike(_relative(path, shoot), skipped), reason))
                else:
                    paths.append(path)
    return paths, rest, skipped, notices


def _no_frame(path: Path, inside: Path) -> str:
    """Why the file is not to be read, or "". Reading a pipe, for example, would never end."""
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:
        return NOT_UTF8
    try:
        if path.is_symlink():
            there = path.resolve(strict=True)
            if not there.is_relative_to(inside):
                return _LEADS_OUT
            hidden = any(part.startswith(".") for part in there.relative_to(inside).parts)
            if not hidden and frame_kind(there):
                return "a link to another frame of this folder"
        return "" if stat.S_ISREG(path.stat().st_mode) else "not a file"
    except (OSError, RuntimeError):  # RuntimeError: a circle of links, before Python 3.13
        return "a link that leads nowhere" if path.is_symlink() else "cannot be opened"


def _unlike(name: str, skipped: Sequence[tuple[str, str]]) -> str:
    """A name that none of the skipped has: two that are not valid UTF-8 may look the same."""
    taken = {one for one, _ in skipped}
    numbered = (f"{Path(name).with_suffix('')} ({n}){Path(name).suffix}" for n in range(2, len(taken) + 3))
    return name if name not in taken else next(one for one in numbered if one not in taken)


def _relative(path: Path, shoot: Path) -> str:
    """As posix path; bytes that are not UTF-8 become "?" so that every record can hold it."""
    return path.relative_to(shoot).as_posix().encode("utf-8", "replace").decode("utf-8")
