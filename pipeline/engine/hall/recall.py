"""What is remembered of a hall when a run begins: from the user's folder, and from then on from OUT, so that a second
run over the same frames begins with the same."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.errors import InputError
from pipeline.shoot.facts import Facts
from pipeline.shoot.hall.folder import read_hall
from pipeline.shoot.hall.memory import HallMemory, Night, mark, same_hall
from pipeline.shoot.names import first_named
from pipeline.store.keys import digest_file
from pipeline.store.store import ROOT, Store
from pipeline.types import Frame

NAME = "hall.json"
_AGAIN = (
    "hall memory: these frames were run before, so what they said of the hall themselves is left aside, and the run "
    "begins with what was known before them"
)


class _Snapshot(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    hall: str
    memory: HallMemory | None


@dataclass(frozen=True)
class Recalled:
    """The facts with what is remembered of their hall, and notices on what is wrong with that."""

    facts: Facts
    notices: tuple[str, ...] = ()


def recall(facts: Facts, out: Path | None, frames: Sequence[Frame] = ()) -> Recalled:
    """Nothing is looked for where `hall` is empty.

    out     of an earlier run, whose own copy goes first
    frames  of tonight, with their cameras' own times: what the hall is known by from these very frames, in a run into
            another OUT, is left aside: a night cannot prove that nothing has changed since

    A file that is damaged or cannot be read costs the memory only, and is named.
    """
    if not facts.hall:
        return Recalled(facts)
    if first_named(facts.hall, [player.name for player in facts.roster]) is not None:
        text = "hall: its name holds a name of the roster, so nothing is remembered of it; call it something else"
        return Recalled(replace(facts, hall=""), (text,))
    kept, notices = _snapshot(out) if out is not None else (None, ())
    if kept is not None and same_hall(kept.hall, facts.hall):
        return Recalled(replace(facts, remembered=kept.memory))
    try:
        memory = read_hall(facts.hall)
        tonight = {night.id for night in memory.nights if _is_of(night, frames)} if memory is not None else set()
        if memory is not None and tonight:
            notices = (*notices, _AGAIN)
            memory = memory.without(tonight)
        return Recalled(replace(facts, remembered=memory), notices)
    except InputError as error:
        unread = (f"{line}; the memory of the hall is not used" for line in error.lines[:3])
        return Recalled(facts, (*notices, *unread))


def _is_of(night: Night, frames: Sequence[Frame]) -> bool:
    """Whether a remembered night has one of these frames: of the same time, and then of the same bytes."""
    sample = {one.split(" ")[0] for one in night.sample}
    for frame in frames if sample else ():
        time = frame.exif.time
        if time is not None and time.replace(tzinfo=None).isoformat() in sample:
            with suppress(OSError):  # it will fail by name
                if mark(time, digest_file(frame.path)) in night.sample:
                    return True
    return False


def keep_snapshot(store: Store, facts: Facts) -> None:
    """Keep in OUT what the run began with. Raises OSError."""
    if facts.hall:
        told = _Snapshot(hall=facts.hall, memory=facts.remembered).model_dump_json()
        store.put(ROOT, NAME, told.encode())
    else:
        store.remove(ROOT, NAME)


def _snapshot(out: Path) -> tuple[_Snapshot | None, tuple[str, ...]]:
    """(what the first run into OUT began with, None where none is kept; notices)."""
    store = Store(out)
    data = store.get(ROOT, NAME)
    with suppress(ValidationError):
        if data is not None:
            return _Snapshot.model_validate_json(data), ()
    if not (store.work / NAME).exists():
        return None, ()
    return None, (
        f"{NAME} in OUT/.work is damaged, so what this night's first run knew of the hall is lost: the memory of today "
        "is used, and white may come out a little otherwise; compare it with what is delivered",
    )
