"""Names of delivered files: from a template over the facts, safe on all three systems, without a withheld name."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping, Sequence

from pipeline.captions.filename_template import DEFAULT_NAME
from pipeline.captions.people import moment
from pipeline.captions.template import explained, fields_of, render
from pipeline.errors import InputError
from pipeline.recipe.recipe import Delivery
from pipeline.shoot.facts import Facts, FrameFacts, withheld
from pipeline.shoot.names import first_named, hints_at, holds_any, name_pattern, replace_name
from pipeline.types import Frame

# Octets of UTF-8 without suffix. Linux file systems take 255 octets, encrypted home folders about 143 (from memory),
# Windows and macOS 255 units of UTF-16 (never more than the octets); the rest is room for "-2" and a suffix.
LENGTH_LIMIT = 120
_MARK = 8  # digits of a digest, at the end of a name that is cut: two in a shoot of 20,000 are alike once in 20 shoots
_CUTS = (60, 40, 24, 12, 6)  # characters that each text is cut to, one after the other, until a name fits; by eye
_WHOLE = ("frame", "count", "date", "time", "number")  # these are never cut
# Device names that Windows keeps for itself, whatever suffix follows: Microsoft, "Naming Files, Paths, and Namespaces".
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


def file_names(
    frames: Sequence[Frame | str], facts: Facts | None = None, template: str = DEFAULT_NAME
) -> dict[str, str]:
    """A file name without suffix for each frame's name, never the same twice.

    frames    in the order of the shoot, which `count` numbers where they have no number of their own; all of them, so
              that a name does not depend on which are delivered. Bare names where neither facts nor times are at hand
    template  over NAME_FIELDS; frame is added at the end where it has neither frame nor count, so that an added
              frame renames no other; see `captions.filename_template.check_name`

    Names are letters, marks and digits of any script, "-", "_" and "." inside, at most LENGTH_LIMIT octets, no
    device name of Windows; none equals another whatever the case and the composition of letters. A name of the
    roster that is withheld is taken out, and so is a frame's own name where it may hold a part of one.
    Raises InputError where the template fails on a frame.
    """
    facts = facts or Facts()
    if template != DEFAULT_NAME and not fields_of(template) & {"frame", "count"}:
        template += "_{{ frame }}"
    used: set[str] = set()
    names: dict[str, str] = {}
    numbered = [(one.number if isinstance(one, Frame) and one.number else at, one) for at, one in enumerate(frames, 1)]
    # In order of the numbers, so that a frame that was there before others never gives its file name to one of them.
    for number, one in sorted(numbered, key=lambda pair: pair[0]):
        frame = one if isinstance(one, Frame) else None
        name = frame.name if frame else str(one)
        base = _fitting(name, template, _values(name, frame, number, facts), facts)
        found, count = base, 1
        while folded_name(found) in used:
            count += 1
            found = f"{base}-{count}"
        used.add(folded_name(found))
        names[name] = found
    return names


def relative_path(delivery: Delivery, name: str) -> str:
    """Where a delivery puts the file of this name, below OUT, with the suffix of its format."""
    return f"{delivery.name}/{name}.{delivery.file_name.suffix}"


def holds_withheld(name: str, facts: Facts, *, parts: bool = False) -> bool:
    """Whether a file's name, given by an earlier run or by hand, holds a name of the roster that is withheld today.

    parts  also where it may hold only a surname or another part of one
    """
    names = tuple(player.name for player in facts.roster if withheld(facts, player))
    if first_named(name, names, language=facts.language, initials=parts) is not None:
        return True
    return parts and any(hints_at(name, one, facts.language) for one in names)


def _values(name: str, frame: Frame | None, count: int, facts: Facts) -> dict[str, str]:
    """Field of NAME_FIELDS -> text. A withheld player has neither name nor number, since the roster links the two."""
    row = facts.rows.get(name, FrameFacts())
    taken = moment(frame, facts, []) if frame else facts.start
    players = [player for side, number in row.players if (player := facts.player(side, number))]
    named = [player for player in players if not withheld(facts, player)]
    sides = dict.fromkeys(side for side, _ in row.players)
    # The frame's own file may be named after a withheld player, perhaps only in part: its number is used instead.
    if holds_withheld(name, facts, parts=True):
        name = f"frame-{count:04d}"
    return {
        "frame": name,
        "count": f"{count:04d}",
        "date": f"{taken:%Y-%m-%d}" if taken else "",
        "time": f"{taken:%H%M%S}" if frame and taken and taken == frame.exif.time else "",
        "event": facts.title,
        "home": facts.teams.get("home") or "",
        "away": facts.teams.get("away") or "",
        "venue": facts.venue,
        "city": facts.city,
        "team": "-".join(team for side in sides if (team := facts.teams.get(side))),
        "number": "-".join(player.number for player in named),
        "players": "-".join(player.name for player in named),
        "creator": facts.creator,
    }


def _fitting(frame: str, template: str, values: Mapping[str, str], facts: Facts) -> str:
    base = _made(frame, template, values, facts)
    for cut in _CUTS:
        if len(base.encode()) <= LENGTH_LIMIT:
            break
        shorter = {key: text if key in _WHOLE else text[:cut] for key, text in values.items()}
        base = _made(frame, template, shorter, facts)
    if len(base.encode()) > LENGTH_LIMIT:  # the same whatever other frames there are
        mark = "-" + hashlib.sha256(base.encode()).hexdigest()[:_MARK]
        base = base.encode()[: LENGTH_LIMIT - len(mark)].decode("utf-8", "ignore").strip("-._") + mark
    return fit_for_all(base or "frame")


def fit_for_all(name: str) -> str:
    """A name that no system keeps for itself."""
    return f"_{name}" if _RESERVED.fullmatch(name) else name


def _made(frame: str, template: str, values: Mapping[str, str], facts: Facts) -> str:
    if template == DEFAULT_NAME:
        return _as_the_camera(values["frame"])
    try:
        text = render(template, values)
    except Exception as error:  # a template can raise anything
        raise InputError(f"file name of frame {frame}: {explained(error)}") from error
    names = tuple(player.name for player in facts.roster if withheld(facts, player))
    for one in names if holds_any(text, names) else ():
        if pattern := name_pattern(one):
            text = replace_name(text, pattern, "")
    if first_named(text, names, initials=False) is not None:  # inside a longer word, say
        text = values["frame"]
    # A missing fact leaves separators side by side.
    return re.sub(r"[-_.]{2,}", lambda run: "_" if "_" in run[0] else run[0][0], safe(text))


def _as_the_camera(frame: str) -> str:
    """A frame's own name, with the sign that some cameras put first."""
    name = safe(frame)
    return f"_{name}" if name and frame.startswith("_") else name


def safe(text: str) -> str:
    """Text with "_" for everything but letters, marks, digits, "-", "_" and "."; these three neither first nor last."""
    letters: list[str] = []
    for character in unicodedata.normalize("NFC", text):
        kind = unicodedata.category(character)
        good = character in "-_." or kind[0] == "L" or kind == "Nd" or (kind in ("Mn", "Mc") and letters[-1:] != ["_"])
        if good or letters[-1:] != ["_"]:
            letters.append(character if good else "_")
    return "".join(letters).strip("-._")


def folded_name(name: str) -> str:
    """Equal for names that some file system takes for the same: NFD or NFC, either case (Unicode 16, D146 and more)."""
    return unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", name).casefold())
