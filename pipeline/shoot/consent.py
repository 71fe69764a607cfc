"""Frames whose own texts name the persons shown: their file name, their metadata, or a sidecar beside them.

The texts are only searched for names that may not be published. They are written nowhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from pipeline.formats.metadata.blocks import CAPTION, read_blocks
from pipeline.formats.metadata.carried import iim_texts
from pipeline.formats.metadata.xmp_read import Packet
from pipeline.shoot.facts import Facts
from pipeline.shoot.names import holds_any, name_pattern, replace_name
from pipeline.shoot.sidecar import SIZE_LIMIT, sidecars
from pipeline.types import Frame

# IPTC Photo Metadata Standard 2025.1 and IIM 4.2: what may name a person shown. Not who made or owns the picture.
_XMP = (
    "Iptc4xmpExt:PersonInImage", "dc:subject", "dc:description", "photoshop:Headline", "dc:title",
    "Iptc4xmpCore:AltTextAccessibility", "Iptc4xmpCore:ExtDescrAccessibility",
)  # fmt: skip
_IIM = (5, 25, 105, 120)  # object name, keywords, headline, caption

_WHY = "its {what} names a player whose line in the roster says publish: no (line {line})"


def held_by_own_texts(facts: Facts, frames: Sequence[Frame]) -> dict[str, str]:
    """Frame -> why it is held, without a name, of those that name a player whose roster line says publish: no."""
    withheld = [player for player in facts.roster if not player.publish]
    held: dict[str, str] = {}
    for frame in frames if withheld else ():
        with suppress(OSError):  # such a frame fails with its reason when it is decoded
            for what, text in _texts(frame.path):
                text = _without_namesakes(text, facts, frame.name)
                if holds_any(text, tuple(player.name for player in withheld)):
                    line = next(p.line for p in withheld if holds_any(text, (p.name,)))
                    held[frame.name] = _WHY.format(what=what, line=line)
                    break
    return held


def _texts(path: Path) -> list[tuple[str, str]]:
    """(where, text) of a frame's own name, its metadata, and its sidecars. Raises OSError."""
    blocks = read_blocks(path)
    iim = iim_texts(blocks.iim)
    inside = [*_of_packet(blocks.xmp), *(text for number in _IIM for text in iim.get(number, ()))]
    inside.append(blocks.texts.get(CAPTION, b"").decode("utf-8", "ignore"))
    beside = [text for file in sidecars(path) for text in _of_packet(file.read_bytes()[:SIZE_LIMIT])]
    return [("file", path.stem), ("metadata", "\n".join(inside)), ("sidecar", "\n".join(beside))]


def _of_packet(data: bytes) -> list[str]:
    packet = Packet(data)
    return [text for name in _XMP for text in packet.texts(name)]


def _without_namesakes(text: str, facts: Facts, frame: str) -> str:
    """The text without the names of players of the frame who may be shown: two players may have the same name."""
    players = facts.row(frame).players
    for player in facts.roster:
        if player.publish and (player.team, player.number) in players and (pattern := name_pattern(player.name)):
            text = replace_name(text, pattern, "")
    return text
