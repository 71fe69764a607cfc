"""After the files: each delivery's zip, page and push, for the pictures of this run and no others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from pipeline.captions.language import language_of
from pipeline.deliver.address import parse_address
from pipeline.deliver.deliver import Progress, deliver, recall
from pipeline.deliver.model import Delivered, Item, Wanted, set_facts
from pipeline.deliver.targets import lacking
from pipeline.engine.jobs import Shoot
from pipeline.engine.outputs import Standing
from pipeline.errors import InputError
from pipeline.recipe.recipe import Delivery, Recipe
from pipeline.report.record import AddedFile, FrameRecord, PushRecord, SentRecord
from pipeline.steps.caption import CaptionParams


def send(
    out: Path,
    shoot: Shoot,
    recipe: Recipe,
    frames: Mapping[str, FrameRecord],
    files: Mapping[str, Standing],
    progress: Progress,
) -> dict[str, Delivered]:
    """What was made and sent, by delivery; also what was taken back of deliveries that the recipe no longer has.

    frames  the record's, files  those that stand. Nothing is raised for a disk or link that fails: see `problems`.
    """
    standing = {path: entry.sha256 for path, entry in files.items() if not entry.current}
    sent = {
        one.name: deliver(
            out,
            one.name,
            _items(one.name, frames),
            _wanted(one),
            set_facts(shoot.facts, _unnamed(one, shoot)),
            standing=standing,
            progress=progress,
        )
        for one in recipe.deliveries
    }
    return sent | recall(out, [one.name for one in recipe.deliveries], standing=standing)


def refuse_unready(recipe: Recipe) -> None:
    """Raises InputError where a push needs what is not installed: that is told before the night's work."""
    for delivery in recipe.deliveries:
        address = _wanted(delivery).push
        if address is not None and (why := lacking(parse_address(address))):
            raise InputError(f"{recipe.file}: delivery {delivery.name}: {why}")


def _wanted(delivery: Delivery) -> Wanted:
    bound = delivery.deliver
    return Wanted() if bound is None or bound.step.wanted is None else bound.step.wanted(bound.params)


def sent_record(done: Delivered) -> SentRecord:
    """For run.json. Holds no credential: an address cannot carry one."""
    push = done.push
    return SentRecord(
        {m.relative: AddedFile(m.sha256, m.bytes, m.reused) for m in done.made},
        PushRecord(push.address, list(push.sent), len(push.kept), list(push.removed)) if push.address else None,
        list(done.problems),
    )


def _unnamed(delivery: Delivery, shoot: Shoot) -> str:
    """What stands in for a withheld name on the page: the caption's own word, else that of the shoot's language."""
    own = next((b.params.unnamed for b in delivery.steps if isinstance(b.params, CaptionParams)), None)
    return own or language_of(shoot.facts.language, shoot.facts.country).nobody("") or "…"


def _items(delivery: str, frames: Mapping[str, FrameRecord]) -> Sequence[Item]:
    """In the order of the shoot."""
    items = []
    for frame in frames.values():
        file = frame.deliveries.get(delivery)
        if file is None or not file.current:
            continue
        items.append(
            Item(
                relative=file.file,
                sha256=file.sha256,
                bytes=file.bytes,
                width=file.width,
                height=file.height,
                caption=file.caption,
                alt_text=file.alt_text,
                headline=file.headline,
                date=datetime.fromisoformat(frame.time) if frame.time else None,
            )
        )
    return items
