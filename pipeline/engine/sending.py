"""What follows the files: each delivery's zip, page and push, with the pictures of this run only."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import MappingProxyType

from pipeline.captions.language import language_of
from pipeline.deliver import sheet
from pipeline.deliver.address import parse_address
from pipeline.deliver.deliver import deliver, recall, withdraw
from pipeline.deliver.model import Delivered, Item, Made, Person, Wanted, set_facts
from pipeline.deliver.records import PushRecords
from pipeline.deliver.targets import lacking
from pipeline.engine.earlier import DeliveredFile
from pipeline.engine.filenames import relative_path
from pipeline.engine.jobs import Planner, Shoot
from pipeline.errors import InputError
from pipeline.recipe.recipe import Delivery, Recipe
from pipeline.report.record import AddedFile, FrameRecord, PushRecord, RunRecord, SentRecord
from pipeline.shoot.facts import Facts, withheld
from pipeline.steps.caption import CaptionParams
from pipeline.store.store import Store
from pipeline.textfile.messages import and_more
from pipeline.types import Progress


def send(
    out: Path,
    shoot: Shoot,
    recipe: Recipe,
    frames: Mapping[str, FrameRecord],
    files: Mapping[str, DeliveredFile],
    progress: Progress,
    there: Callable[[], None] = lambda: None,
    go_on: Callable[[], bool] = lambda: True,
    missing: Mapping[str, int] = MappingProxyType({}),
    held: Mapping[str, Sequence[str]] = MappingProxyType({}),
) -> dict[str, Delivered]:
    """Make each delivery's zip and page and push its files; take back deliveries that the recipe no longer has.

    What may no longer be shown is taken back from all of them first: a run that is stopped later has done that.

    frames  of the record, by name; files  those in OUT, by posix path
    missing  delivery -> how many of its pictures are not done yet; its zip and page say so
    there   called before each delivery; raises where OUT is not there any more
    go_on   asked before each delivery and each file that is sent; where it is false, nothing more is
    held    delivery -> names below its folder that the files of frames held back for consent would have

    Returns by delivery what was done. A disk or link that fails raises nothing: see `Delivered.problems`.
    """
    earlier = {path: entry.sha256 for path, entry in files.items() if not entry.current}
    there()
    sent = withdraw(out, {path: entry.sha256 for path, entry in files.items()}, withheld_names(shoot.facts))
    small_made: dict[str, Made] = {}
    for one in recipe.deliveries:
        there()
        if not go_on():
            return sent
        done = deliver(
            out,
            one.name,
            _items(one.name, frames, shoot),
            _wanted(one),
            replace(
                set_facts(shoot.facts, _unnamed(one, shoot)),
                missing=missing.get(one.name, 0),
                part=one.whole is not None,
            ),
            earlier=earlier,
            small_made=small_made,
            progress=progress,
            held=held.get(one.name, ()),
            go_on=go_on,
        )
        others = (other for name, other in sent.items() if name != one.name)  # its own are told by `done` alone
        said = {text for other in others for text in other.problems}  # of the folder of groups, once
        done = replace(done, problems=tuple(text for text in done.problems if text not in said))
        sent[one.name] = _after(sent.get(one.name), done)
    there()
    if not go_on():
        return sent
    for name, done in recall(out, [one.name for one in recipe.deliveries], earlier=earlier).items():
        sent[name] = _after(sent.get(name), done)
    if lost := PushRecords(Store(out)).lost:
        first = recipe.deliveries[0].name
        sent[first] = replace(sent[first], problems=(*sent[first].problems, *lost))
    return sent


def _after(first: Delivered | None, done: Delivered) -> Delivered:
    """What was sent of a delivery, with what was taken back from it before: what could not be then was tried again."""
    if first is None:
        return done
    push = replace(done.push, removed=(*first.push.removed, *done.push.removed))
    return replace(done, push=push, notices=(*first.notices, *done.notices))


def withheld_names(facts: Facts) -> tuple[str, ...]:
    """The names that must not be read anywhere."""
    return set_facts(facts).withheld


def held_names(planner: Planner) -> dict[str, list[str]]:
    """Delivery -> what the files of the frames that are held back for consent would be called below its folder."""
    held = [frame.name for frame in planner.shoot.frames if planner.shoot.for_consent(frame.name)]
    return {
        one.name: [relative_path(one, planner.names[one.name][name]).removeprefix(f"{one.name}/") for name in held]
        for one in planner.recipe.deliveries
    }


def incomplete(recipe: Recipe, missing: Mapping[str, int], record: RunRecord) -> list[str]:
    """A notice on each delivery that was put into a zip or page or sent before all its pictures were done."""
    notices = []
    for one in recipe.deliveries:
        wanted, left = _wanted(one), missing.get(one.name, 0)
        if left and wanted.anything:
            files = (frame.deliveries.get(one.name) for frame in record.frames.values())
            done = sum(file is not None and file.current for file in files)
            notices.append(
                f"delivery {one.name} is not complete: its zip, page, sheet or push holds {done:,} of {done + left:,} "
                "pictures; run the same command again before you call it finished"
            )
    return notices


def refuse_unready(recipe: Recipe) -> None:
    """Raises InputError where a push or a contact sheet needs a package that is not installed: before the night's
    work, not after."""
    for delivery in recipe.written:
        wanted = _wanted(delivery)
        why = lacking(parse_address(wanted.push)) if wanted.push is not None else ""
        if why := why or (sheet.lacking() if wanted.sheet else ""):
            raise InputError(f"{recipe.file}: delivery {delivery.written.name}: {why}")


def refuse_unplaced(recipe: Recipe, unplaced: Sequence[str], *more: str) -> None:
    """Raises InputError where pictures are to be pushed and a row of frames.csv that would hold one back fits no frame:
    what is in OUT can be looked through first, what was sent cannot be called back from those who saw it.

    unplaced  where such rows stand; more  further lines of the message
    """
    pushing = pushed(recipe)
    if pushing and unplaced:
        raise InputError(
            f"{and_more(unplaced)}: shows a player whose roster line says publish: no, and fits no frame, "
            f"so none is held back; correct the frame's name, delete the row, or take push out of delivery {pushing}",
            *more,
        )


def pushed(recipe: Recipe) -> str:
    """The name of the first delivery that is pushed somewhere, "" for none."""
    return next((d.name for d in recipe.deliveries if _wanted(d).push is not None), "")


def _wanted(delivery: Delivery) -> Wanted:
    bound = delivery.deliver
    return Wanted() if bound is None or bound.step.wanted is None else bound.step.wanted(bound.params)


def sent_record(done: Delivered) -> SentRecord:
    """What was made and sent, for run.json. It holds no password or key: `parse_address` refuses addresses with one."""
    push = done.push
    return SentRecord(
        {m.relative: AddedFile(m.sha256, m.bytes, m.reused) for m in done.made},
        PushRecord(push.address, list(push.sent), len(push.kept), list(push.removed)) if push.address else None,
        list(done.problems),
    )


def _unnamed(delivery: Delivery, shoot: Shoot) -> str:
    """What the page says for a withheld name: `unnamed` of the caption step, else the word of the shoot's language."""
    own = next((b.params.unnamed for b in delivery.steps if isinstance(b.params, CaptionParams)), None)
    return own or language_of(shoot.facts.language, shoot.facts.country).stand_in


def _people(facts: Facts, frame: str) -> tuple[Person, ...]:
    """Those whom frames.csv names in a frame and who may be named."""
    players = [facts.player(side, number) for side, number in facts.row(frame).players]
    named = [one for one in players if one is not None and not withheld(facts, one)]
    return tuple(Person(facts.teams.get(one.team) or one.team, one.number, one.name) for one in named)


def _items(delivery: str, frames: Mapping[str, FrameRecord], shoot: Shoot) -> Sequence[Item]:
    """The files of a delivery for its page and zip, in the order of the shoot. frames  of the record, by true name"""
    items = []
    dated = {frame.name for frame in shoot.frames if not frame.exif.doubt}
    for name, frame in frames.items():
        file = frame.deliveries.get(delivery)
        if file is None or not file.current:
            continue
        taken = datetime.fromisoformat(frame.time) if frame.time else None
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
                date=taken if name in dated else None,
                people=_people(shoot.facts, name),
            )
        )
    return items
