"""Frames whose own texts name the persons shown: their file and folder, their metadata, or a sidecar beside them.

The texts are only searched for names that may not be published. They are written nowhere.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path, PurePath, PurePosixPath
from typing import NamedTuple

from pipeline.errors import InputError, trace
from pipeline.formats.metadata.decode import decodings
from pipeline.formats.metadata.own_texts import own_texts
from pipeline.formats.metadata.search_blocks import MAKER_NOTE, Found
from pipeline.formats.metadata.search_xmp import Text
from pipeline.shoot.copies import are_called_after_one, copies, is_copy, name_parts
from pipeline.shoot.facts import Facts, Player, held_back, mistyped_player, named_player
from pipeline.shoot.kinds import frame_kind
from pipeline.shoot.listed.captions import held_by_lists
from pipeline.shoot.names import holds_any, same_name
from pipeline.shoot.photographer import (
    ALIKE,
    BARE,
    CREDITED,
    FILE_NAME,
    INITIALS,
    MAY_CREDIT,
    NO_CREDITS,
    Credits,
    credit_said,
    credits_in,
    near_creator,
    usual_credits,
)
from pipeline.shoot.pictures.looks import shoot_of
from pipeline.shoot.sidecar import SIZE_LIMIT, loose_sidecars, notes_beside, sidecars
from pipeline.store.cache import NO_CACHE, Cache
from pipeline.store.files import folded
from pipeline.textfile.reading import read_bytes
from pipeline.types import Burst, Frame

_SHOWN = " names a player whose line in the roster "
_NAMES = "its {what}" + _SHOWN + "{why}"
_MISTYPED = (
    "its {what} may name, with a typing mistake or two, a player whose line in the roster {why}; write under players "
    "who is in the picture, or correct that text"
)
_MAY_OWN = ", as all maker notes of its camera do; if that is its owner's name, write it under creator in shoot.yaml"
_UNREAD = (
    "its {what} cannot be read and may name a player whose line in the roster says publish: no; "
    "{do}, or take those players' lines out of the roster"
)
_LETTERS = re.compile(r"[^\x00-\x40\x5b-\x60\x7b-\x7f]|\\u|&#|%")  # or what may stand for one
_ELSEWHERE = "sidecar in another folder"
_NOTE = "note beside it"
BESIDE = (
    "in a burst with frames that are held back for a player, and nobody wrote under players who is in it; look at it "
    "before you publish"
)
_DO = {
    _NOTE: "write it again or delete it",
    "sidecar": "write it again or delete it",
    _ELSEWHERE: "write it again or delete it",
    "file of the same exposure": "copy it again from the card or delete it",
}


def held_by_own_texts(
    facts: Facts, frames: Sequence[Frame], notices: list[str] | None = None, cache: Cache = NO_CACHE
) -> dict[str, str]:
    """Frame -> why it is held, without a name.

    Such a frame names a player with publish: no, in whatever spelling, or where there are some has a text that cannot
    be read; or it is a copy of one that is held back. Who made or owns the picture is not who is shown: a photographer
    may have a player's name.
    notices  takes what is to be said of several frames at once; cache  keeps what pictures look like
    """
    return with_copies(facts, frames, named_by_own_texts(facts, frames, notices), notices, cache)


def named_by_own_texts(facts: Facts, frames: Sequence[Frame], notices: list[str] | None = None) -> dict[str, str]:
    """The same without copies."""
    searched = () if all(player.publish for player in facts.roster) else frames
    loose = _Loose(searched)
    told = {frame.name: _told(facts, frame, loose) for frame in searched}
    held, near = dict[str, str](), near_creator(facts)
    credited: list[tuple[str, int]] = []  # cameras, and how many frames each has
    for camera, own in _by_camera(searched).items():
        noted = [players for frame in own if (players := told[frame.name].noted) is not None]
        everywhere = frozenset[Player].intersection(*noted) if len(noted) > 1 else frozenset()
        owner = frozenset(player for player in everywhere if _is_creator(player, facts))
        if owner and notices is not None:
            notices.append(_owner_said(" ".join(camera[:2]).strip(), len(noted), owner))
        usual = usual_credits([told[frame.name].credits for frame in own])
        excused = {frame.name for frame in own if usual.excuses(told[frame.name].credits)}
        credited += [(" ".join(camera[:2]).strip() or "one camera", len(own))] if usual.times and excused else []
        always = (
            frozenset.intersection(*(told[frame.name].unsure for frame in own)) if len(own) >= ALIKE else frozenset()
        )
        for frame in own:
            says = told[frame.name]
            if why := says.why(owner, everywhere, always, () if frame.name in excused else near):
                held[frame.name] = why
    for name, why in held_by_lists(facts, searched, notices if notices is not None else []):
        held.setdefault(name, why)
    if any(one.credits.times for one in told.values()) and notices is not None:
        notices.append(credit_said(near, [camera for camera, _ in credited], sum(count for _, count in credited)))
    return held


def _is_creator(player: Player, facts: Facts) -> bool:
    """Whether creator in shoot.yaml has a player's name. One word, such as a first name, is that of others too."""
    alone = len(player.name.split()) == 1
    return same_name(player.name, facts.creator) if alone else holds_any(facts.creator, (player.name,))


def _owner_said(camera: str, count: int, owner: frozenset[Player]) -> str:
    lines = ", ".join(str(line) for line in sorted({player.line for player in owner}))
    return (
        f"{camera or 'one camera'}: the maker notes of all its {count:,} frames name a player whose line in the roster "
        f"says publish: no (line {lines}). Since creator in shoot.yaml has that name, it is taken for that of the "
        "camera's owner, and holds none of them; write under players where one shows that player"
    )


def with_copies(
    facts: Facts,
    frames: Sequence[Frame],
    held: Mapping[str, str],
    notices: list[str] | None = None,
    cache: Cache = NO_CACHE,
) -> dict[str, str]:
    """`held`, by their own texts, with the copies of these and of the frames that the facts hold back.

    Copies among `held`, of an earlier look, are looked for anew.
    """
    held = {name: why for name, why in held.items() if not is_copy(why)}
    sources = {frame.name for frame in frames if frame.name in held or held_back(facts, facts.row(frame.name))}
    named = {name for name, row in facts.rows.items() if row.players}
    return {**copies(frames, sources, named, notices, cache), **held}


def _by_camera(frames: Sequence[Frame]) -> dict[tuple[str, str, str], list[Frame]]:
    found: dict[tuple[str, str, str], list[Frame]] = {}
    for frame in frames:
        found.setdefault((frame.exif.make, frame.exif.model, frame.exif.serial), []).append(frame)
    return found


def beside_withheld(
    bursts: Iterable[Burst], shows_withheld: Callable[[str], bool], goes_out: Callable[[str], bool]
) -> list[str]:
    """The frames that `goes_out` says are delivered without a word of whom they show, taken in the same burst as one of
    which something says that it shows a player who must not be published."""
    names: list[str] = []
    for burst in bursts:
        if any(map(shows_withheld, burst.frames)):
            names += filter(goes_out, burst.frames)
    return names


def is_named(why: str) -> bool:
    """Whether a reason of `held_by_own_texts` says that the texts name somebody, not that they cannot be read."""
    return _SHOWN in why


class _Told(NamedTuple):
    """What the texts of a frame tell.

    named     why it is held, by all but its maker notes; unread  by what cannot be read; "" where it is not
    initials  the player with publish: no whom `named` means by initials alone
    noted     players with publish: no whom its maker notes name; None where these have no text
    mistyped  player with publish: no whom a text may name with a typing mistake -> why it is held; one at most
    credits   how its texts have the name under creator, see photographer.py; short  why it is held by that in initials
    is_written  whether a person wrote who is in it
    """

    named: str
    initials: Player | None
    unread: str
    noted: frozenset[Player] | None
    mistyped: Mapping[Player, str]
    credits: Credits
    short: str
    is_written: bool

    @property
    def unsure(self) -> frozenset[Player]:
        """Players with publish: no whom its texts may mean, or who took it."""
        return frozenset(self.mistyped) | ({self.initials} if self.initials else frozenset[Player]())

    def why(
        self,
        owner: frozenset[Player],
        everywhere: frozenset[Player],
        always: frozenset[Player],
        near: Sequence[Player],
    ) -> str:
        """Why the frame is held, "" where it is not.

        owner, everywhere  players whom all maker notes of the camera name: as its owner, and any
        always  those who are `unsure` in all its frames; near  whose name its texts may mean by that of creator
        """
        if self.named:
            return self.named + (MAY_CREDIT if self.initials in always else "")
        if shown := sorted((self.noted or frozenset()) - owner, key=lambda player: player.line):
            advice = _MAY_OWN if everywhere.issuperset(shown) else ""
            return _NAMES.format(what=MAKER_NOTE, why=shown[0].why) + advice
        for player, why in self.mistyped.items():
            return why + (MAY_CREDIT if player in always else "")
        if near and (self.short or not self.is_written):  # initials, whoever else is in it: as others do
            return BARE.format(why=near[0].why) if self.credits.bare else self.short or CREDITED.format(why=near[0].why)
        return self.unread


def _told(facts: Facts, frame: Frame, loose: _Loose) -> _Told:
    """By the texts of every file of the exposure, also of those that are not used."""
    players = facts.row(frame.name).players
    named, mistyped, unread = "", dict[Player, str](), list[str]()
    initials: Player | None = None
    credits, short = NO_CREDITS, ""
    noted: frozenset[Player] | None = None
    for file, relative in zip(frame.files, frame.relatives, strict=True):
        try:
            for what, texts in _texts(file, PurePosixPath(relative), loose, unread):
                # All at once, for speed: NUL stands in no name.
                shown = [one for one in texts if not one.maker and _LETTERS.search(one.text)]
                some = "\0".join(dict.fromkeys(one.text for one in shown))
                here = credits_in(what, shown, facts, players)
                credits = credits.with_those(here)
                rest = tuple(one for one in facts.roster if one not in here.excused)
                others = replace(facts, roster=rest) if here.excused else facts
                if here.excused and not short and (player := named_player(some, facts, players)) is not None:
                    short = INITIALS.format(why=player.why)
                if what == MAKER_NOTE:
                    noted = (noted or frozenset()) | _every_named(some, others, players) if some else noted
                elif not named and (player := named_player(some, others, players)) is not None:
                    named = _NAMES.format(what=what, why=player.why)
                    initials = None if holds_any(some, (player.name,)) else player
                elif not players and not mistyped and (player := mistyped_player(some, others)) is not None:
                    mistyped = {player: _MISTYPED.format(what=what, why=player.why)}
        except OSError:  # a frame of one file fails with its reason when it is decoded
            unread += ["file of the same exposure"] if len(frame.files) > 1 else []
        except Exception as error:  # nobody knows what it says
            trace(error)
            unread.append("metadata")
    do = _DO.get(unread[0], "save the file again without it") if unread else ""
    said = _UNREAD.format(what=unread[0], do=do) if unread else ""
    return _Told(named, initials, said, noted, mistyped, credits, short, bool(players))


def _every_named(text: str, facts: Facts, players: tuple[tuple[str, str], ...]) -> frozenset[Player]:
    """All players with publish: no whom the text names."""
    found: list[Player] = []
    while (player := named_player(text, facts, players)) is not None:
        found.append(player)
        facts = replace(facts, roster=tuple(one for one in facts.roster if one is not player))
    return frozenset(found)


class _Loose:
    """Sidecars without a frame beside them that are about the exposure of frames in `frames`: of versions of one, such
    as "TH1_0001_edit.xmp" alone, of its name in another folder, or of the original of a version, such as
    "TH1_0001.xmp" of "TH1_0001_edit.jpg", or of another version, such as "TH1_0001_v1.xmp" of "TH1_0001_v2.jpg"."""

    def __init__(self, frames: Sequence[Frame]) -> None:
        shoots = {shoot_of(frame) for frame in frames}
        self._after: dict[str, list[Path]] = {}  # what a sidecar is called after
        self._called: dict[str, list[Path]] = {}
        self._versions: dict[str, list[tuple[str, Path]]] = {}
        for stem, path in (one for shoot in sorted(shoots) for one in loose_sidecars(shoot)):
            for part in {stem, *name_parts(stem)}:
                self._after.setdefault(part, []).append(path)
                self._versions.setdefault(part, []).append((stem, path))
            self._called.setdefault(PurePath(stem).stem if frame_kind(PurePath(stem)) else stem, []).append(path)

    def of(self, frame: str) -> list[Path]:
        """Those of a frame whose file is called so, without its suffix."""
        originals = name_parts(frame) & self._called.keys() if self._called else ()
        found = [*self._after.get(frame, ()), *(path for part in sorted(originals) for path in self._called[part])]
        parts = sorted(name_parts(frame) & self._versions.keys()) if self._versions else ()
        beside = [one for part in parts for one in self._versions[part]]
        found += [path for stem, path in beside if are_called_after_one(frame, stem)]
        return list(dict.fromkeys(found))


def _texts(path: Path, relative: PurePosixPath, loose: _Loose, unread: list[str]) -> Iterable[tuple[str, list[Text]]]:
    """(where, texts) of a frame's own name and folders, its metadata, and its sidecars. Raises OSError."""
    yield FILE_NAME, [Text("", part) for part in (relative.stem, str(relative.with_suffix("")))]
    for file in [*sidecars(path), *loose.of(folded(path.stem))]:
        sidecar = "sidecar" if file.parent == path.parent else _ELSEWHERE
        beside = Found()
        try:
            data = read_bytes(file, SIZE_LIMIT)
        except InputError:
            data = b""
        beside.xmp(data)
        yield sidecar, [*beside.texts, Text("", file.stem)]
        if beside.unreadable or not data.strip(b"\0 \t\r\n"):
            unread.append(sidecar)
    for file in notes_beside(path):
        try:
            yield _NOTE, [Text("", text) for text in (*decodings(read_bytes(file, SIZE_LIMIT)), file.stem)]
        except InputError:
            unread.append(_NOTE)
    inside = own_texts(path)
    yield "metadata", [text for text in inside.texts if text.where != MAKER_NOTE]
    yield MAKER_NOTE, [text for text in inside.texts if text.where == MAKER_NOTE]
    unread += [f"metadata ({what})" if what != "metadata" else what for what in inside.unreadable]
