"""Frames whose own texts name the persons shown: their file and folder, their metadata, or a sidecar beside them.

The texts are only searched for names that may not be published. They are written nowhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from pipeline.errors import InputError, trace
from pipeline.formats.metadata.own_texts import own_texts
from pipeline.formats.metadata.search_blocks import MAKER_NOTE, Found
from pipeline.formats.metadata.search_xmp import Text
from pipeline.shoot.copies import copies, is_copy, name_parts
from pipeline.shoot.facts import Facts, held_back, named_player
from pipeline.shoot.sidecar import SIZE_LIMIT, loose_sidecars, sidecars
from pipeline.store.files import folded
from pipeline.textfile.reading import read_bytes
from pipeline.types import Frame

_OWNED = 30  # frames of a camera that tell its owner's name from that of somebody whom it recognised. No source
_SHOWN = " names a player whose line in the roster "
_NAMES = "its {what}" + _SHOWN + "{why}"
_UNREAD = (
    "its {what} cannot be read and may name a player whose line in the roster says publish: no; "
    "{do}, or take those players' lines out of the roster"
)
_LETTERS = re.compile(r"[^\x00-\x40\x5b-\x60\x7b-\x7f]|\\u|&#|%")  # or what may stand for one
_DO = {
    "sidecar": "write it again or delete it",
    "file of the same exposure": "copy it again from the card or delete it",
}


def held_by_own_texts(facts: Facts, frames: Sequence[Frame]) -> dict[str, str]:
    """Frame -> why it is held, without a name.

    Such a frame names a player with publish: no, in whatever spelling, or where there are some has a text that cannot
    be read; or it is a copy of one that is held back. Who made or owns the picture is not who is shown: a photographer
    may have a player's name.
    """
    searched = () if all(player.publish for player in facts.roster) else frames
    told = {frame.name: found for frame in searched if (found := _why_held(facts, frame)).why}
    for frame, owner in _owned(frames, told):
        told[frame.name] = _why_held(facts, frame, owner)
    return with_copies(facts, frames, {name: found.why for name, found in told.items() if found.why})


def with_copies(facts: Facts, frames: Sequence[Frame], held: Mapping[str, str]) -> dict[str, str]:
    """`held`, by their own texts, with the copies of these and of the frames that the facts hold back.

    Copies among `held`, of an earlier look, are looked for anew.
    """
    held = {name: why for name, why in held.items() if not is_copy(why)}
    sources = {frame.name for frame in frames if frame.name in held or held_back(facts, facts.row(frame.name))}
    named = {name for name, row in facts.rows.items() if row.players}
    return {**copies(frames, sources, named), **held}


def _owned(frames: Sequence[Frame], told: Mapping[str, _Found]) -> Iterator[tuple[Frame, int]]:
    """The frames of cameras in all of whose maker notes one name stands, that of their owner and not of whom they show,
    with its line in the roster."""
    of_camera: dict[tuple[str, str, str], list[Frame]] = {}
    for frame in frames:
        of_camera.setdefault((frame.exif.make, frame.exif.model, frame.exif.serial), []).append(frame)
    for own in of_camera.values():
        lines = {told[frame.name].noted if frame.name in told else None for frame in own}
        if len(own) >= _OWNED and len(lines) == 1 and (line := lines.pop()) is not None:
            yield from ((frame, line) for frame in own)


def is_named(why: str) -> bool:
    """Whether a reason of `held_by_own_texts` says that the texts name somebody, not that they cannot be read."""
    return _SHOWN in why


class _Found(NamedTuple):
    """why  a frame is held, "" where it is not; noted  the line in the roster of whom its maker note alone names"""

    why: str
    noted: int | None = None


def _why_held(facts: Facts, frame: Frame, owner: int | None = None) -> _Found:
    """By the texts of every file of the exposure, also of those that are not used.

    owner  line in the roster of somebody who may be named in maker notes
    """
    players = facts.row(frame.name).players
    others = replace(facts, roster=tuple(player for player in facts.roster if player.line != owner))
    unread: list[str] = []
    for file, relative in zip(frame.files, frame.relatives, strict=True):
        try:
            for what, texts in _texts(file, PurePosixPath(relative), unread):
                # All at once, for speed: NUL stands in no name.
                some = dict.fromkeys(t.text for t in texts if not t.maker and _LETTERS.search(t.text))
                of = others if what == MAKER_NOTE else facts
                if (player := named_player("\0".join(some), of, players)) is not None:
                    return _Found(_NAMES.format(what=what, why=player.why), player.line if what == MAKER_NOTE else None)
        except OSError:  # a frame of one file fails with its reason when it is decoded
            unread += ["file of the same exposure"] if len(frame.files) > 1 else []
        except Exception as error:  # nobody knows what it says
            trace(error)
            unread.append("metadata")
    if unread:
        return _Found(_UNREAD.format(what=unread[0], do=_DO.get(unread[0], "save the file again without it")))
    return _Found("")


def _of_versions(path: Path) -> list[Path]:
    """The sidecars of versions of a frame that are not there, such as "TH1_0001_edit.xmp" alone: they are about the
    same exposure."""
    try:
        return _loose(path.parent, path.parent.stat().st_mtime_ns).get(folded(path.stem), [])
    except OSError:
        return []


@lru_cache(maxsize=256)
def _loose(folder: Path, changed: int) -> dict[str, list[Path]]:
    """What sidecars of a folder that was last `changed` then may be called after -> these. Raises OSError."""
    found: dict[str, list[Path]] = {}
    for stem, path in loose_sidecars(folder):
        for part in name_parts(stem):
            found.setdefault(part, []).append(path)
    return found


def _texts(path: Path, relative: PurePosixPath, unread: list[str]) -> Iterable[tuple[str, list[Text]]]:
    """(where, texts) of a frame's own name and folders, its metadata, and its sidecars. Raises OSError."""
    yield "file or folder name", [Text("", part) for part in (relative.stem, str(relative.with_suffix("")))]
    for file in [*sidecars(path), *_of_versions(path)]:
        beside = Found()
        try:
            data = read_bytes(file, SIZE_LIMIT)
        except InputError:
            data = b""
        beside.xmp(data)
        yield "sidecar", [*beside.texts, Text("", file.stem)]
        if beside.unreadable or not data.strip(b"\0 \t\r\n"):
            unread.append("sidecar")
    inside = own_texts(path)
    yield "metadata", [text for text in inside.texts if text.where != MAKER_NOTE]
    yield MAKER_NOTE, [text for text in inside.texts if text.where == MAKER_NOTE]
    unread += [f"metadata ({what})" if what != "metadata" else what for what in inside.unreadable]
