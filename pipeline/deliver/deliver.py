"""What a delivery adds when its files are made, in this order: small pictures, zip, contact sheet, page, push."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path, PurePosixPath

from pipeline.deliver import page, sheet, small_pictures, zip
from pipeline.deliver.address import Address, inside, parse_address
from pipeline.deliver.extras import ExtraRecord, Extras, extra_deliveries, extra_records
from pipeline.deliver.model import Delivered, Item, Made, Pushed, SetFacts, Wanted, names_digest
from pipeline.deliver.push import PAUSES, Outgoing, push
from pipeline.deliver.push import withdraw as push_back
from pipeline.deliver.records import PushRecords, own_folder
from pipeline.deliver.targets import PushError
from pipeline.errors import FrameError
from pipeline.store.keys import digest_json
from pipeline.store.places import SMALL, path_below, read_file
from pipeline.store.store import Store
from pipeline.types import Progress

_LARGEST = 1 << 30  # octets of a delivered file that is read whole; a TIFF of 24 megapixels has 150 MB


def deliver(
    out: Path,
    name: str,
    files: Sequence[Item],
    wanted: Wanted,
    facts: SetFacts,
    *,
    earlier: Mapping[str, str] | None = None,
    small_made: dict[str, Made] | None = None,
    progress: Progress = lambda phase, done, total: None,
    environ: Mapping[str, str] | None = None,
    pauses: Sequence[float] = PAUSES,
    held: Sequence[str] = (),
    go_on: Callable[[], bool] = lambda: True,
) -> Delivered:
    """Make and send what delivery `name` asks for, beside its files in OUT/name. The caller holds OUT's lock.

    files     the pictures of the present run, in the order the page shows them; nothing else leaves
    facts     of the set, from `set_facts`
    earlier   path below OUT -> SHA-256 of delivered files that this run did not make but whose texts and permission
              it has checked; a copy pushed before stays while it has these bytes
    small_made  small pictures of other deliveries, by what they are made from; those of this one are added
    environ   where EVENCOURT_PUSH_PASSWORD is looked up, the process's own environment by default; keys for SSH and S3
              are found by their libraries: agent, ~/.ssh, AWS_* variables, ~/.aws
    pauses    seconds before a cut link is tried again, once for each
    held      what the files of frames that are held back for consent would be called, below OUT/name
    go_on     asked before each file is sent; where it is false, no more is

    What an earlier run made and this one does not ask for is removed, here and at the address. Nothing is raised
    for a file, disk or link that fails: `problems` of the result are sentences to print, with exit status 1.
    """
    if any(not inside(item.relative, name) for item in files):
        raise ValueError("every file of a delivery lies in its own folder")
    problems: list[str] = []
    files = _fit(files, facts, problems)
    if facts.date is None:
        facts = replace(facts, date=min((i.date for i in files if i.date), default=None))
    extras = Extras(out, name, {i.name: i.sha256 for i in files}, names_digest(facts.withheld))
    outgoing = [
        Outgoing(i.name, out / i.relative, i.sha256, digest_json([i.caption, i.alt_text, i.headline])) for i in files
    ]
    archive = f"{PurePosixPath(name).name}.zip" if wanted.zip and files else ""
    if wanted.page and files:
        _small_pictures(extras, out, files, {} if small_made is None else small_made, problems, progress)
    made_zip = extras.guarded(partial(_zip, extras, out, archive, files, facts.missing), problems) if archive else None
    made_sheet = None
    if wanted.sheet and files:
        made_sheet = extras.guarded(partial(_sheet, extras, out, files, facts, wanted.sheet, progress), problems)
    made_page = None
    if wanted.page and files:
        size = made_zip.bytes if made_zip else 0
        data = page.render_page(files, facts, archive if made_zip else "", size, made_sheet)
        made_page = extras.guarded(partial(extras.write, page.NAME, data), problems)
    extras.remove_rest(problems)
    for made in extras.made.values():
        kind = {archive: "archive", sheet.NAME: "archive", page.NAME: "page"}.get(
            made.relative.removeprefix(f"{name}/"), "picture"
        )
        outgoing.append(Outgoing(made.relative.removeprefix(f"{name}/"), out / made.relative, made.sha256, kind=kind))
    if made_page is None:  # small pictures are the page's only
        outgoing = [o for o in outgoing if not o.name.startswith(f"{SMALL}/")]
    pushed = _push(out, name, wanted, facts, outgoing, earlier or {}, progress, environ, pauses, problems, held, go_on)
    extras.notices += extras.store.damage_notice()
    notices = (*extras.notices, *pushed.notices)
    return Delivered(tuple(extras.made.values()), pushed, notices, (*problems, *pushed.problems))


def withdraw(
    out: Path,
    may_stay: Mapping[str, str],
    withheld: Iterable[str],
    *,
    is_named: Callable[[str], bool] = lambda relative: False,
    environ: Mapping[str, str] | None = None,
    pauses: Sequence[float] = (PAUSES[0],),
) -> dict[str, Delivered]:
    """Take back, from every delivery, zips, pages, sheets and pushed files that show what may no longer be shown:
    before anything is made or sent, so that no delivery waits with that for another.

    may_stay  posix path below OUT of each picture that may be shown today -> SHA-256; withheld  names that may not
    is_named  whether one of these, by its path, holds such a name: a copy that was sent of it goes
    pauses    as in `deliver`; the push itself tries again for longer

    Returns by delivery what was taken back, where anything was or could not be. Raises nothing, as `deliver`.
    """
    store, names = Store(out), names_digest(withheld)
    records = PushRecords(store)
    done: dict[str, Delivered] = {}
    known = extra_records(store)
    for name in sorted(known.keys() | records.deliveries()):
        own = {r.removeprefix(f"{name}/"): sha for r, sha in may_stay.items() if inside(r, name)}
        problems: list[str] = []
        extras = Extras(out, name, names=names)
        gone: list[ExtraRecord] = []
        try:
            there = known.get(name, [])
            gone = extras.withdraw(there, own, {small_pictures.small_key(sha) for sha in own.values()}, problems)
            left = {one.relative: one.sha256 for one in there}
            for one in gone:
                del left[one.relative]
            standing = {relative.removeprefix(f"{name}/"): sha for relative, sha in left.items()}
            environment = os.environ if environ is None else environ
            pushed = push_back(
                records, name, own, standing, names=names, is_named=partial(_below, is_named, name),
                environ=environment, pauses=pauses,
            )  # fmt: skip
        except (OSError, PushError) as error:
            problems.append(str(error) if isinstance(error, PushError) else _own_disk(store, error))
            pushed = Pushed()
        if gone or extras.notices or problems or pushed.removed or pushed.problems:
            done[name] = Delivered((), pushed, tuple(extras.notices), (*problems, *pushed.problems))
    return done


def _below(is_named: Callable[[str], bool], delivery: str, name: str) -> bool:
    return is_named(f"{delivery}/{name}")


def _own_disk(store: Store, error: OSError) -> str:
    """Of OUT's own disk; those of the other end do not come here."""
    return f"{store.work}: {error.strerror or type(error).__name__}; the push was not finished"


def _fit(files: Sequence[Item], facts: SetFacts, problems: list[str]) -> list[Item]:
    """The files without those whose own name holds a withheld name; each is a problem."""
    fit = [i for i in files if facts.own(i.name)]
    named = [i.relative for i in files if not facts.own(i.name)]
    if named:
        problems.append(
            f"{', '.join(named)}: the name of the file holds a name that is withheld, so it is in no zip, page or "
            "push; rename the frame and run again"
        )
    return fit


def recall(
    out: Path,
    deliveries: Iterable[str],
    *,
    earlier: Mapping[str, str] | None = None,
    environ: Mapping[str, str] | None = None,
    pauses: Sequence[float] = PAUSES,
) -> dict[str, Delivered]:
    """Take back what was made and pushed for other deliveries than `deliveries`, those that the recipe has."""
    store = Store(out)
    gone = sorted((extra_deliveries(store) | PushRecords(store).deliveries()) - set(deliveries))
    nothing, facts = Wanted(), SetFacts()
    return {
        name: deliver(out, name, (), nothing, facts, earlier=earlier, environ=environ, pauses=pauses) for name in gone
    }


def _push(
    out: Path,
    name: str,
    wanted: Wanted,
    facts: SetFacts,
    outgoing: Sequence[Outgoing],
    earlier: Mapping[str, str],
    progress: Progress,
    environ: Mapping[str, str] | None,
    pauses: Sequence[float],
    problems: list[str],
    held: Sequence[str],
    go_on: Callable[[], bool],
) -> Pushed:
    try:
        store = Store(out)
        address = resolve_address(wanted, facts, name)
        if address is not None:
            _refuse_own_folders(store, address)
        return push(
            PushRecords(store),
            name,
            address,
            outgoing,
            {r.removeprefix(f"{name}/"): sha for r, sha in earlier.items() if inside(r, name)},
            environ=os.environ if environ is None else environ,
            progress=lambda done, total: progress("push", done, total),
            pauses=pauses,
            names=names_digest(facts.withheld),
            held=held,
            is_named=lambda one: facts.own(one) != one,
            go_on=go_on,
        )
    except PushError as error:
        problems.append(str(error))
    except OSError as error:
        problems.append(_own_disk(Store(out), error))
    return Pushed()


def _refuse_own_folders(store: Store, address: Address) -> None:
    """The shoot is never written, and OUT holds what is pushed."""
    try:
        what = own_folder(store, address)
    except RuntimeError:
        raise PushError(f"{address.text}: this user has no home folder; write the whole path") from None
    if what:
        raise PushError(f"{address.text}: lies in {what}; push to another folder")


def resolve_address(wanted: Wanted, facts: SetFacts, name: str) -> Address | None:
    """The address with the facts of the set in it, withheld names left out; None for no push."""
    if wanted.push is None:
        return None
    delivery, _, group = name.partition("/")
    home, away = facts.teams
    values = {
        "date": f"{facts.date:%Y-%m-%d}" if facts.date else "undated",
        "title": facts.own(facts.title) or "untitled",
        "home": facts.own(home) or "home",
        "away": facts.own(away) or "away",
        "delivery": delivery,
    }
    if not group:
        return parse_address(wanted.push, values)
    # The folder of one group lies in that of the delivery: both may have to be made.
    address = parse_address(f"{wanted.push.rstrip('/')}/{group}", values)
    return replace(address, fresh=max(address.fresh, 2))


def _small_pictures(
    extras: Extras,
    out: Path,
    files: Sequence[Item],
    made: dict[str, Made],
    problems: list[str],
    progress: Progress,
) -> None:
    for done, item in enumerate(files, 1):
        extras.guarded(partial(_small_picture, extras, out, item, made), problems)
        progress("page", done, len(files))


def _small_picture(extras: Extras, out: Path, item: Item, made: dict[str, Made]) -> Made:
    key, target = small_pictures.small_key(item.sha256), page.small_name(item)
    one = extras.reuse(target, key)
    if one is None and (other := made.get(key)) is not None:  # that of the same picture in another folder
        with suppress(OSError):
            one = extras.write(target, _read(out, other.relative, other.sha256), key)
    if one is None:
        one = extras.write(target, small_pictures.small_picture(_read(out, item.relative, item.sha256), item.name), key)
    made.setdefault(key, one)
    return one


def _read(out: Path, relative: str, sha256: str) -> bytes:
    """The bytes the run made. Raises ChangedError for others, which nobody has cleared for publication."""
    path = path_below(out, relative)
    data = read_file(path, _LARGEST) if path is not None else b""
    if hashlib.sha256(data).hexdigest() != sha256:
        raise zip.ChangedError(f"{relative}: {zip.CHANGED}")
    return data


def _sheet(extras: Extras, out: Path, files: Sequence[Item], facts: SetFacts, paper: str, progress: Progress) -> Made:
    if why := sheet.lacking():
        extras.drop(sheet.NAME)
        raise FrameError(why)
    key = sheet.sheet_key(files, facts, paper)
    if stands := extras.reuse(sheet.NAME, key):
        return stands
    try:
        data = sheet.render_sheet(
            files, facts, paper, lambda one: _read(out, one.relative, one.sha256), partial(progress, "sheet")
        )
        return extras.write(sheet.NAME, data, key)
    except BaseException:
        extras.drop(sheet.NAME)  # the old one may show somebody who must not be shown
        raise


def _zip(extras: Extras, out: Path, archive: str, files: Sequence[Item], missing: int) -> Made:
    key = digest_json([zip.VERSION, [[i.name, i.sha256] for i in zip.ordered(files)], *([missing] if missing else [])])
    if stands := extras.reuse(archive, key):
        return stands
    path = extras.begin(archive)
    try:
        digest, size = zip.write_zip(
            out, path, PurePosixPath(extras.name).name, files, partial(extras.announce, archive), missing
        )
    except BaseException:
        extras.drop(archive)  # the old one may hold a picture that must not be shown
        raise
    return extras.keep(archive, key, digest, size, reused=False)
