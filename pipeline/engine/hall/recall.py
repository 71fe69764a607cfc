"""What is remembered of a hall when a run begins: from the user's folder, and from then on from OUT, so that a second
run over the same frames begins with the same."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from pipeline.errors import InputError
from pipeline.shoot.facts import Facts
from pipeline.shoot.hall.folder import read_hall
from pipeline.shoot.hall.memory import HallMemory, same_hall
from pipeline.shoot.names import first_named
from pipeline.store.store import ROOT, Store

NAME = "hall.json"


class _Snapshot(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    hall: str
    memory: HallMemory | None


@dataclass(frozen=True)
class Recalled:
    """The facts with what is remembered of their hall, and notices on what is wrong with that."""

    facts: Facts
    notices: tuple[str, ...] = ()


def recall(facts: Facts, out: Path | None) -> Recalled:
    """Nothing is looked for where `hall` is empty. out  of an earlier run, whose own copy goes first

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
        return Recalled(replace(facts, remembered=read_hall(facts.hall)), notices)
    except InputError as error:
        unread = (f"{line}; the memory of the hall is not used" for line in error.lines[:3])
        return Recalled(facts, (*notices, *unread))


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
