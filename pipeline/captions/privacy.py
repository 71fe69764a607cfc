"""Names that must not be published: they are taken out of every text, and so are words that may be a part of one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields, replace
from functools import lru_cache, partial

from pipeline.captions.people import why_withheld
from pipeline.formats.metadata.carried import CARRIED
from pipeline.formats.metadata.credits import Contact, changed
from pipeline.formats.metadata.model import Metadata, PictureTexts
from pipeline.shoot.eventfile import TEXTS
from pipeline.shoot.facts import Facts, FrameFacts, Player, held_back, hinted_at, known_taken_out, withheld
from pipeline.shoot.names import (
    NamePattern,
    first_named,
    hints_at,
    holds_any,
    name_pattern,
    perhaps_named,
    replace_name,
    same_name,
)

# Texts that would be false with "a player" in them: they are left out whole.
_OWN = ("creator", "job_title", "caption_writer", "credit", "source", "copyright", "title", "job_id", "rights_url",
        "country_code", "make", "model", "lens")  # fmt: skip
_ABOUT = ("caption", "headline", "alt_text", "instructions")  # of one picture, as frames.csv's words are
_CODES = ("language", "digital_source_type")  # nobody types a player's name there
_CAMERA = ("make", "model", "lens")  # not typed for the event: no short form is somebody else's there
NO_ROW = FrameFacts()
_LIST = ("keywords", "contact", "rating")


def without_hints(row: FrameFacts, facts: Facts, notices: list[str]) -> FrameFacts:
    """`row` without its words where one of them is, or may be, a part or a form of a withheld name.

    A whole name is handled elsewhere: other words take its place.
    """
    lines = _hinted(row.words, facts, row)
    if not lines:
        return row
    # Of a frame that is held because of them, nobody should take out what they say.
    advice = "" if held_back(facts, row) else "; add under players who is in the picture too, or write them without it"
    notices.append(
        f"the words in frames.csv line {row.line} are left out: one of them is, or looks like, a part of a name that "
        f"is withheld (roster.csv line {lines}){advice}"
    )
    return replace(row, words="")


def carried_without_hints(
    carried: PictureTexts, facts: Facts, notices: list[str], row: FrameFacts = NO_ROW
) -> PictureTexts:
    """Texts typed in the camera, without those about this picture that may hold a part of a withheld name.

    Those about who made it go where they hold a short form of one, such as initials with the surname. Keywords, the
    title and whole names are looked at later, see `withhold`.
    """
    kept = carried
    for name in _ABOUT:
        if lines := _hinted(getattr(carried, name), facts, row):
            kept = changed(kept, {name: ""})
            notices.append(
                f"{name.replace('_', ' ')} typed in the camera left out: a word of it is, or looks like, a part of a "
                f"name that is withheld (roster.csv line {lines})"
            )
    names, known = _withheld_and_others(facts)

    def initials(text: str) -> bool:
        return not holds_any(text, names) and first_named(text, names, known, facts.language) is not None

    for name in CARRIED if names else ():
        if name not in (*_ABOUT, *_LIST) and initials(getattr(kept, name)):
            kept = changed(kept, {name: ""})
            notices.append(f"{name.replace('_', ' ')} typed in the camera left out: it may be a name that is withheld")
    contact = kept.contact.changed(lambda text: "" if initials(text) else text)
    return kept if contact == kept.contact else changed(kept, {"contact": contact})


def _withheld_and_others(facts: Facts) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names that are withheld, and names that may be published and are spelled otherwise."""
    names = tuple(player.name for player in facts.roster if withheld(facts, player))
    return names, _others(tuple(player.name for player in facts.roster if not withheld(facts, player)), names)


@lru_cache(maxsize=16)
def _others(shown: tuple[str, ...], names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(name for name in shown if not any(same_name(name, other) for other in names))


def _hinted(text: str, facts: Facts, row: FrameFacts) -> str:
    """Lines of the roster whose withheld names `text` may hold a part of, "" for none; whole names do not count."""
    return ", ".join(str(player.line) for player in hinted_at(text, facts, _hidden(facts), row.players))


def _hidden(facts: Facts) -> tuple[Player, ...]:
    return tuple(player for player in facts.roster if withheld(facts, player))


def withhold(metadata: Metadata, facts: Facts, unnamed: str, notices: list[str]) -> Metadata:
    """`metadata` with every withheld name replaced by `unnamed`, in whatever text it stands, or without the text."""
    names, others = _withheld_and_others(facts)
    names = tuple(names[at] for at in perhaps_named("\0".join(_texts(metadata)), names, short=True))
    players = [player for player in facts.roster if withheld(facts, player) and player.name in names]
    known = [pattern for name in others if (pattern := name_pattern(name))] if players else []
    for player in sorted(players, key=lambda p: (-len(p.name), p.line)):  # a longer name may hold a shorter
        pattern = name_pattern(player.name)
        if pattern is None:
            continue
        changes: dict[str, str | tuple[str, ...]] = {}
        for item in fields(metadata):
            name, value = item.name, getattr(metadata, item.name)
            if isinstance(value, str) and value and name not in _CODES:
                text = replace_name(value, pattern, unnamed, known)
                if text != value:
                    changes[name] = "" if name in _OWN else text
            elif isinstance(value, tuple):
                kept = tuple(entry for entry in value if replace_name(entry, pattern, unnamed, known) == entry)
                if kept != value:
                    changes[name] = kept
        if changes:
            metadata = changed(metadata, changes)
            notices.append(why_withheld(facts, player))
            notices.append(_taken_out(changes, _typed(facts, partial(_is_in, pattern, known))))
    return _hints(_without_short_forms(metadata, names, others, facts, notices), facts, notices)


def _without_short_forms(
    metadata: Metadata, names: tuple[str, ...], known: tuple[str, ...], facts: Facts, notices: list[str]
) -> Metadata:
    """Leave out what still holds a name: in a form that cannot be replaced, such as inside a longer word, or in the
    contact, which would be false with another word in it."""

    def holds(text: str, initials: bool = False) -> bool:
        return first_named(text, names, known, initials=initials) is not None

    changes: dict[str, str | tuple[str, ...] | Contact] = {}
    for item in fields(metadata) if names else ():
        value = getattr(metadata, item.name)
        if isinstance(value, str) and value and item.name not in _CODES and holds(value, item.name in _CAMERA):
            changes[item.name] = ""
        elif isinstance(value, tuple) and any(map(holds, value)):
            changes[item.name] = tuple(entry for entry in value if not holds(entry))
    contact = metadata.contact.changed(lambda text: "" if names and holds(text) else text)
    if contact != metadata.contact:
        changes["contact"] = contact
    if changes:
        notices.append(_taken_out(changes, _typed(facts, holds)))
    return changed(metadata, changes) if changes else metadata


def _is_in(pattern: NamePattern, known: Sequence[NamePattern], text: str) -> bool:
    return replace_name(text, pattern, "", known) != text


def _typed(facts: Facts, holds: Callable[[str], bool]) -> str:
    """Which keys of shoot.yaml hold a withheld name, "" where it was typed in a camera, a table or the recipe."""
    texts = {key: getattr(facts, key) for key in TEXTS} | {f"teams: {side}": name for side, name in facts.teams.items()}
    texts |= {"contact": "\n".join(filter(None, facts.contact.iptc().values()))}
    return ", ".join(key for key, text in texts.items() if text and holds(text))


def _taken_out(changes: Iterable[str], where: str) -> str:
    out_of = ", ".join(name.replace("_", " ") for name in sorted(changes))
    stands = f"; it stands in shoot.yaml under {where}" if where else ""
    return f"a withheld name was typed: it is taken out of {out_of}{stands}"


def _texts(metadata: Metadata) -> Iterator[str]:
    for item in fields(metadata):
        value = getattr(metadata, item.name)
        yield from [value] if isinstance(value, str) else value if isinstance(value, tuple) else ()
    yield from metadata.contact.iptc().values()


def _hints(metadata: Metadata, facts: Facts, notices: list[str]) -> Metadata:
    """Leave out keywords that may be a part of a withheld name, and report such a word in the texts of the recipe."""
    players = _hidden(facts)
    if not players:
        return metadata
    keywords = [(word, known_taken_out(word, facts, players, metadata.persons)) for word in metadata.keywords]
    text = "\n".join((metadata.headline, metadata.caption, metadata.alt_text))
    text = known_taken_out(text, facts, players, metadata.persons)
    if any(hints_at(metadata.title, player.name, facts.language) for player in players):
        metadata = replace(metadata, title="")  # the name of the frame's own file
    out: set[str] = set()
    for player in players:
        hinting = {word for word, rest in keywords if hints_at(rest, player.name, facts.language)}
        if hinting - out:
            notices.append(f"a keyword left out: it may be a part of a withheld name (roster.csv line {player.line})")
        out |= hinting
        if hints_at(text, player.name, facts.language):
            notices.append(
                f"a text has a word of a withheld name (roster.csv line {player.line}); only whole names are "
                "taken out: look at it"
            )
    return replace(metadata, keywords=tuple(word for word in metadata.keywords if word not in out)) if out else metadata
