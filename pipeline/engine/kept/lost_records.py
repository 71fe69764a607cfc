"""Delivered files whose record in OUT/.work is damaged or gone: those that run.json names too are still known as ours.

Without a record, a file would stay when its consent is withdrawn.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from pipeline.deliver.extras import extra_digests
from pipeline.engine.earlier import DeliveredFile
from pipeline.engine.filenames import file_names, holds_withheld
from pipeline.engine.jobs import Planner, Shoot
from pipeline.engine.kept.manifest import read_manifest
from pipeline.engine.redaction import Redaction
from pipeline.errors import trace
from pipeline.formats.jpeg_segments import scan_digest
from pipeline.formats.metadata.model import SOFTWARE
from pipeline.formats.metadata.own_texts import own_texts
from pipeline.report.kept_frames import read_left
from pipeline.report.record import FrameRecord
from pipeline.shoot.facts import withheld
from pipeline.shoot.kinds import PICTURE
from pipeline.store.files import folded
from pipeline.store.places import SMALL, digest_below, is_delivered_path, path_below, read_file
from pipeline.store.store import Store
from pipeline.textfile.messages import and_more

UNKNOWN = "no record says that this program made it, so it is left; if it must not be shown, delete it"
_LARGEST = 1 << 30  # octets of a delivered file that is read whole


def found_again(store: Store, known: Collection[str], shoot: Shoot) -> tuple[DeliveredFile, ...]:
    """Records of the files in the folders of deliveries that are not `known` (posix paths below OUT), as far as
    run.json and their SHA-256 prove them to be ours. Neither their key nor their texts are known."""
    strays = set(_in_deliveries(store)) - set(known)
    return tuple(_recorded(store, strays, read_left(store.out)[0], shoot)) if strays else ()


@dataclass(frozen=True)
class OfNobody:
    """held  files (posix paths below OUT) that are called as those of held frames; made  pictures that this program
    made, and perhaps  others, that may show somebody who is withheld; notices  on all that is left"""

    held: tuple[str, ...] = ()
    made: tuple[str, ...] = ()
    perhaps: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()


def of_nobody(store: Store, known: Collection[str], planner: Planner, allowed: Collection[str]) -> OfNobody:
    """The files in the folders of deliveries that no record names: neither `known` nor beside the pictures. What is
    left of them may show somebody who is withheld today, so it is named.

    allowed  paths that the file of a frame which is not held back may have today
    """
    small, extras = set(_small(store)), extra_digests(store)
    strays = (set(_in_deliveries(store)) | small) - set(known) - (extras.keys() - small)
    if not strays:
        return OfNobody()
    manifest = read_manifest(store)
    delivered = {relative.split("/")[0] for relative in (*known, *(manifest.delivered if manifest else ()))}
    delivered |= {d.written.name for d in planner.recipe.deliveries}
    delivered |= {name.split("/")[0] for frame in read_left(store.out)[0].values() for name in frame.deliveries}
    is_held = _held(planner)
    ours = sorted(relative for relative in strays if relative.split("/")[0] in delivered)
    small_of = {f"{PurePosixPath(one).parent}/{SMALL}/{PurePosixPath(one).stem}" for one in allowed}
    held = [
        relative
        for relative in ours
        if relative not in allowed
        and relative.rpartition(".")[0] not in small_of
        and is_held(relative)
        and not (relative in extras and digest_below(store.out, relative) == extras[relative])
    ]
    # A page makes its small pictures again.
    left = [one for one in ours if one not in held and one not in small]
    made, perhaps = [], []
    if any(withheld(planner.shoot.facts, player) for player in planner.shoot.facts.roster):
        pictures = [one for one in left if one not in allowed and PurePosixPath(one).suffix[1:].lower() in PICTURE]
        made = [one for one in pictures if _is_made_here(store, one)]
        perhaps = [one for one in pictures if one not in made]
        left = [one for one in left if one not in pictures]
    left += [one for one in sorted(strays) if one not in ours and is_held(one)]
    notices = (f"{and_more(left)}: {UNKNOWN}",) if left else ()
    return OfNobody(tuple(held), tuple(made), tuple(perhaps), notices)


def _is_made_here(store: Store, relative: str) -> bool:
    """Whether a picture says that this program made it, of whatever night."""
    try:
        path = path_below(store.out, relative)
        return path is not None and any(one.maker and one.text == SOFTWARE for one in own_texts(path).texts)
    except Exception as error:  # no picture of ours
        trace(error)
        return False


def _held(planner: Planner) -> Callable[[str], bool]:
    """Whether a path is called as the file of a frame that is held back, today or before the names were withheld."""
    shoot = planner.shoot
    held = {frame.name for frame in shoot.frames if shoot.withheld(frame.name)}
    names = held | {former for former, name in shoot.index.formerly.items() if name in held}
    names |= {PurePosixPath(frame.relative).stem for frame in shoot.frames if frame.name in held}
    roster = tuple(replace(player, publish=True) for player in shoot.facts.roster)
    all_named = replace(shoot.facts, roster=roster, minors=False)
    for delivery in planner.recipe.deliveries if held else ():
        before = file_names(shoot.frames, all_named, delivery.file_name.template)
        names |= {called[name] for called in (planner.names[delivery.name], before) for name in held}
    known = {folded(name) for name in names}

    def is_held(relative: str) -> bool:
        stem = PurePosixPath(relative).stem
        return folded(stem) in known or holds_withheld(stem, shoot.facts)

    return is_held


def _in_deliveries(store: Store) -> Iterator[str]:
    """Posix paths below OUT of the files in folders that may be those of deliveries."""
    for folder in store.delivery_folders():
        if folder.name == SMALL and folder.parent != store.out:
            continue
        for path in folder.iterdir():
            relative = path.relative_to(store.out).as_posix()
            if is_delivered_path(relative) and not path.is_dir():
                yield relative


def _small(store: Store) -> Iterator[str]:
    """The same of the small pictures of pages."""
    for folder in store.delivery_folders():
        small = path_below(store.out, f"{folder.relative_to(store.out).as_posix()}/{SMALL}")
        for path in small.iterdir() if small is not None and small.is_dir() else ():
            relative = path.relative_to(store.out).as_posix()
            if is_delivered_path(relative) and not path.is_dir():
                yield relative


def _recorded(
    store: Store, strays: Collection[str], frames: Mapping[str, FrameRecord], shoot: Shoot
) -> Iterator[DeliveredFile]:
    true_names = {called: name for name, called in Redaction(shoot).called.items()}
    by_path = {path: one.name for one in shoot.frames for path in one.relatives}
    then = {name: by_path.get(true_names.get(one.relative, one.relative), "") for name, one in frames.items()}
    for name, frame in frames.items():
        for one in frame.deliveries.values():
            if one.file not in strays or digest_below(store.out, one.file) != one.sha256:
                continue
            # The file counts before the name: without the names that runs kept, another frame may be called so today.
            true = then[name] or true_names.get(name, name)
            if not then[name] and true in then.values():
                true = f"{true} (then)"
            if true not in {f.name for f in shoot.frames} and name.startswith("frame-"):
                continue  # a name that was withheld then: which frame it is cannot be said
            data = read_file(store.out / one.file, _LARGEST)
            scan = scan_digest(data) if data.startswith(b"\xff\xd8") else ""
            yield DeliveredFile(
                one.file, "", one.sha256, len(data), one.width, one.height, one.quality, scan, one.thumb, frame=true
            )
