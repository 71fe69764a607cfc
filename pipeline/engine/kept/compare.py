"""Every byte of OUT against what the runs recorded of it."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.deliver.extras import extra_digests
from pipeline.engine.earlier import DeliveredFile, read_done
from pipeline.engine.kept.manifest import NAME, Manifest, read_manifest, work_digest
from pipeline.report.pictures import proves_itself, report_files
from pipeline.report.record import RunRecord
from pipeline.store.files import is_leftover
from pipeline.store.keys import MOSTLY_EMPTY, is_hollow
from pipeline.store.places import OWN_FILES, REPORT_FOLDER, digest_below, is_link, path_below
from pipeline.store.set_aside import FOLDER, files_aside
from pipeline.store.store import HOLDER, KINDS, REVIEW, ROOT, Store
from pipeline.textfile.messages import counted

_AGAIN = "run the same command again"
# What systems leave in folders that somebody has looked into (common practice, no source).
_OF_THE_SYSTEM = ("thumbs.db", "desktop.ini", ".ds_store", ".directory")
_NO_RECORDS = ("lock", HOLDER)  # in .work, and of no weight: they decide nothing


@dataclass(frozen=True)
class Compared:
    """files  how many delivered files were compared; wrong  of them; problems  all that differs, a sentence each;
    notes  on files that are not ours and harm nothing"""

    files: int
    wrong: int
    problems: tuple[str, ...]
    notes: tuple[str, ...]


def compare(store: Store, record: RunRecord) -> Compared:
    """Compare OUT with its records: deliveries, zips, pages, run.json, report.html, frames.csv and OUT/.work.

    What somebody planted together with records that agree cannot be known.
    """
    manifest = read_manifest(store)
    expected = {d.file: d.sha256 for f in record.frames.values() for d in f.deliveries.values()}
    expected |= {name: d.sha256 for sent in record.sent.values() for name, d in sent.files.items()}
    done = {one.relative: one for name in store.names("done") if (one := read_done(store, name)) is not None}
    extras = extra_digests(store)
    files = dict(manifest.delivered if manifest else {}) | expected
    problems: list[str] = []
    wrong = 0
    for relative, digest in sorted(files.items()):
        text = _delivered(store.out, relative, digest, done.get(relative))
        wrong += bool(text)
        problems += [text] if text else []
    for relative in sorted({*done, *extras} - set(files)):
        ours = digest_below(store.out, relative)
        is_right = (relative in done and done[relative].is_ours(ours or "")) or (ours and ours == extras.get(relative))
        why = f"was written by a run that did not finish; {_AGAIN}" if is_right else "differs from its record"
        problems.append(f"{relative}: {why if ours else f'is missing; {_AGAIN}'}")
    if is_unfinished(store, record, manifest):
        problems.append(f"the run was stopped before its end; {_AGAIN}")
        problems += [f".work/{NAME}: is damaged, or not ours"] if NAME in store.damaged else []
        manifest = None  # that of a run before it says nothing of what this one left
    else:
        problems += _own(store.out, manifest)
    problems += _pictures(store.out, manifest)
    added, notes = _added(store, {*files, *done, *extras, *_ours(store.out, manifest)})
    problems += added
    if aside := files_aside(store.out):
        notes.append(f"{store.out / FOLDER}: {counted(aside, 'file')} set aside by earlier runs; not looked at")
    problems += _work(store, manifest)
    return Compared(len(files), wrong, tuple(problems), tuple(notes))


def is_unfinished(store: Store, record: RunRecord, manifest: Manifest | None) -> bool:
    """Whether the last run was stopped before it wrote the list of what it left."""
    if manifest is not None and manifest.own.get("run.json") == digest_below(store.out, "run.json"):
        return False
    killed = manifest is None and NAME not in store.damaged and HOLDER in store.names(ROOT)
    return record.state == "stopped" or killed


def _why_unread(path: Path) -> str:
    with suppress(OSError):
        if path.is_file():
            with path.open("rb") as file:
                return MOSTLY_EMPTY if is_hollow(file.fileno()) else "cannot be read"
    return "cannot be read"


def _delivered(out: Path, relative: str, digest: str, done: DeliveredFile | None) -> str:
    """What is wrong with one file, "" for nothing."""
    path = path_below(out, relative)
    if path is None:
        return f"{relative}: is no path in OUT, or goes through a link; run.json was changed, or OUT was"
    found = digest_below(out, relative)
    if found == digest:
        return ""
    if not os.path.lexists(path):
        return f"{relative}: is missing"
    if found is None:
        return f"{relative}: {_why_unread(path)}"
    if done is not None and done.is_ours(found):
        return f"{relative}: was written by a run that did not finish; {_AGAIN}"
    return f"{relative}: differs from what was delivered"


def _own(out: Path, manifest: Manifest | None) -> Iterator[str]:
    if manifest is None:
        yield (
            f".work/{NAME}: is missing or damaged, so changes of run.json, report.html, frames.csv and .work itself "
            f"cannot be found; {_AGAIN}"
        )
        return
    for name in OWN_FILES:
        found = digest_below(out, name)
        if name in manifest.own and found is None:
            yield f"{name}: is missing"
        elif name in manifest.own and found != manifest.own[name]:
            yield f"{name}: differs from what the last finished run wrote"


def _pictures(out: Path, manifest: Manifest | None) -> Iterator[str]:
    """What is wrong with the report's pictures."""
    for name in manifest.report if manifest is not None else ():
        if not os.path.lexists(out / REPORT_FOLDER / name):
            yield f"{REPORT_FOLDER}/{name}: is missing; {_AGAIN}"
        elif not proves_itself(out, name):
            yield f"{REPORT_FOLDER}/{name}: differs from what was written; delete it, and {_AGAIN}"


def _ours(out: Path, manifest: Manifest | None) -> Iterator[str]:
    """Posix paths below OUT of the report's pictures: those listed; after a run that did not finish, those that prove
    themselves."""
    names = manifest.report if manifest is not None else [n for n in report_files(out) if proves_itself(out, n)]
    yield from (f"{REPORT_FOLDER}/{name}" for name in names)


def _added(store: Store, known: set[str]) -> tuple[list[str], list[str]]:
    """(files that no record names, notes on those that systems leave in folders)."""
    added: list[str] = []
    of_system: list[str] = []
    for relative in _walked(store, store.out, ""):
        name = relative.rsplit("/", 1)[-1]
        if relative in known or relative in OWN_FILES:
            continue
        if name.lower() in _OF_THE_SYSTEM or name.startswith("._"):
            of_system.append(relative)
        elif is_leftover(name):
            added.append(f"{relative}: was left by a run that was stopped; {_AGAIN}")
        elif is_link(store.out / relative):
            added.append(f"{relative}: is a link, and not ours")
        else:
            added.append(f"{relative}: no record says that this program made it")
    notes = [f"{len(of_system)} of the system's own files, such as {of_system[0]}: not looked at"] if of_system else []
    return sorted(added), notes


def _walked(store: Store, folder: Path, above: str) -> Iterator[str]:
    """Posix paths below OUT of all that is no folder. The shoot and other OUTs inside it are not entered."""
    with suppress(OSError), os.scandir(folder) as found:
        for one in found:
            relative = f"{above}{one.name}"
            if not one.is_dir(follow_symlinks=False):
                yield relative
            elif relative != ".work" and not store.is_foreign(Path(one.path)):
                yield from _walked(store, Path(one.path), f"{relative}/")


def _work(store: Store, manifest: Manifest | None) -> Iterator[str]:
    """What is damaged, lost or added in OUT/.work."""
    for kind in (*KINDS, ROOT):
        names = store.names(kind)
        for name in names:
            store.get(kind, name)
        if manifest is not None:
            yield from _listed(store, kind, manifest.work.get(kind, {}), names)
    for relative in _walked_work(store.work, ""):
        kind, _, name = relative.rpartition("/")
        is_kept = kind in KINDS and not name.startswith(".")  # looked at above
        if relative not in _NO_RECORDS and not is_kept and (kind or store.get(ROOT, name) is None):
            store.damaged[relative] = None
    yield from (f".work/{name}: is damaged, or not ours" for name in sorted(store.damaged) if name != NAME)


def _listed(store: Store, kind: str, listed: Mapping[str, str], names: Collection[str]) -> Iterator[str]:
    """What differs in one kind from the list of the last finished run; what is damaged is left to others."""
    above = f".work/{kind}/" if kind else ".work/"
    for name, digest in sorted(listed.items()):
        if store.get(kind, name) is None:
            if f"{above}{name}".removeprefix(".work/") not in store.damaged:
                yield f"{above}{name}: is missing"
        elif digest and work_digest(store, kind, name) != digest:
            yield f"{above}{name}: is not as the last finished run left it"
    for name in sorted(set(names) - set(listed)):
        if f"{kind}/{name}" not in store.damaged:
            yield f"{above}{name}: was not there when the last run finished"


def _walked_work(folder: Path, above: str) -> Iterator[str]:
    with suppress(OSError), os.scandir(folder) as found:
        for one in found:
            if f".work/{above}{one.name}" in (FOLDER, f".work/{REVIEW}") and one.is_dir(follow_symlinks=False):
                continue  # no part of a run
            if one.is_dir(follow_symlinks=False):
                yield from _walked_work(Path(one.path), f"{above}{one.name}/")
            else:
                yield f"{above}{one.name}"
