"""Who is found in real pictures, how they are cut, and sheets to judge it by: `python -m tests.real_crops --to DIR`.

Pictures: ../shared/data/court (eleven frames of two rallies, the players of two of them labelled) as it is and
degraded, ../shared/data/people (see their SOURCES.md), drawn scenes (tests/situations.py), and each folder given with
`--also FOLDER`: JPEGs in the order they were taken; those whose names begin alike before the last number are one burst.
`--only detector,court,people,drawn`. They are measured and solved by the step's own functions, as in a run, with its
own parameters at 3:2 and 4:5. Printed:

* labelled players found: with an overlap (IoU) of 0.4 with somebody of the certainty that counts (0.3), and in brackets
  where each box counts for one player only. Of the two labelled frames and their mirror images, 48 players, clean and
  degraded: ISO 12,800, 8 pixels of blur, two stops under (tests/degraded.py), twice. Boxes around two: those that hold
  seven tenths of two players or more. With `--detector` at other sizes of picture too, with the CPU time of finding
  people, balls and faces against the first, in the same run.
* of each set: how many pictures are cropped, cut only to the shape around everybody near, or left whole; which crops
  cut through head or torso of somebody
  found who is at least half as tall as the subject; of labelled pictures, labelled players within half a height of the
  subject who are partly out of the crop
* of the rally: in how many frames the subject is the same person. Positions are followed from frame to frame; a person
  who is hidden and comes back elsewhere counts as another one.
* of drawn scenes: how many are as their truth asks for, and which are not
* CPU seconds that crop takes to measure one picture

A PNG of each picture is written to DIR: people green with their certainty in per cent, faces blue, balls orange, the
subject red, the crops white and yellow, and beside it what would be delivered; and sheets of all that are cropped at an
aspect, twelve to a sheet, dark where it is cut away. No figure says a crop is good: look.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import tempfile
from collections.abc import Container, Iterable, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import NoReturn

import cv2
import numpy as np
import PIL.Image
import PIL.ImageOps
import rawpy

from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.engine.measure import MEASURED_EDGE
from pipeline.engine.run import read_shoot
from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.raw.frame import DecodeOptions
from pipeline.people import detect
from pipeline.people.detect import SURE, find, overlap, within
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.observe import FrameObservation
from pipeline.steps import crop
from pipeline.steps.base import MeasureContext, SolveContext
from pipeline.steps.crop_solution import CropSource
from pipeline.steps.decode import decode
from pipeline.types import Frame
from tests.crop_sheet import Cut, write
from tests.crops import ASPECTS, SHARED_MODELS, cpu, models
from tests.degraded import degraded
from tests.reaches import labelled
from tests.situations import SITUATIONS, Drawn, draw_situation

DATA = SHARED_MODELS.parent / "data"
_IOU = 0.4
_INSIDE = 0.7  # of a labelled player, in a box that is around two
_NEAR = 0.5  # heights of the subject
_TORSO = 0.6  # of a person's height, from the top: head and torso
_BARS = {"clean": 46, "degraded": 42}  # of 48
SEEDS = (1, 2)
_APART, _RALLY = 10, 4  # hundredths of a second between frames of a burst, and of the rally: filmed at 25 a second


def recall(found: np.ndarray, truth: np.ndarray) -> tuple[int, int]:
    """How many of `truth` (N, 4) are met by `found` (M, 5); and how many where each box counts for one only."""
    if not len(found):
        return 0, 0
    over = overlap(truth[:, None], found[None, :, :4])
    pairs = sorted(((-over[i, j], i, j) for i, j in zip(*np.nonzero(over >= _IOU), strict=True)))
    players: set[int] = set()
    boxes: set[int] = set()
    for _, i, j in pairs:
        if i not in players and j not in boxes:
            players.add(i)
            boxes.add(j)
    return int((over.max(axis=1) >= _IOU).sum()), len(players)


def looked_at(pixels: np.ndarray, edge: int = MEASURED_EDGE) -> np.ndarray:
    """An RGB picture as the measuring decode gives it to the networks, `edge` pixels on the longer side."""
    linear = srgb_decode(pixels.astype(np.float32) / 255).astype(np.float32)
    scale = edge / max(linear.shape[:2])
    size = (round(linear.shape[1] * scale), round(linear.shape[0] * scale))
    small = cv2.resize(linear, size, interpolation=cv2.INTER_AREA)
    return detect.picture_for_detection(small, np.ones(3), np.eye(3))


def labelled_pictures() -> Iterable[tuple[str, np.ndarray, np.ndarray]]:
    """(kind, picture for the networks, (N, 4) players in fractions) of the labelled frames and their mirror images."""
    for name, boxes in labelled().items():
        with PIL.Image.open(DATA / "court" / name) as image:
            pixels = np.asarray(image.convert("RGB"))
        height, width = pixels.shape[:2]
        truth = boxes / [width, height, width, height]
        turned = truth[:, [2, 1, 0, 3]] * [-1, 1, -1, 1] + [1, 0, 1, 0]
        for one, players in ((pixels, truth), (pixels[:, ::-1], turned)):
            yield "clean", looked_at(one), players
            for seed in SEEDS:
                yield "degraded", looked_at(degraded(one, seed)), players


@contextmanager
def _detection(**changed: float) -> Iterable[None]:
    before = {name: getattr(detect.DETECTION, name) for name in changed}
    for name, value in changed.items():
        object.__setattr__(detect.DETECTION, name, value)
    try:
        yield
    finally:
        for name, value in before.items():
            object.__setattr__(detect.DETECTION, name, value)


def report_detector(files: ModelFiles, sizes: bool) -> None:
    """Recall, and with `sizes` also at other sizes of picture, with the CPU time against the one used before."""
    pictures = list(labelled_pictures())
    plans: dict[str, dict[str, float]] = {"as it is": {}}
    if sizes:
        plans = {f"{edge} pixels": {"edge": edge, "area": area} for edge, area in
                 ((960, 550_000), (1024, 620_000), (1152, 750_000), (1280, 930_000))} | plans  # fmt: skip
        plans["boxes around two kept"] = {"both_wide": 9.0}
    first = 0.0
    for what, plan in plans.items():
        counts, around = {"clean": np.zeros(3, int), "degraded": np.zeros(3, int)}, 0
        with _detection(**plan):
            for kind, picture, truth in pictures:
                people = find(picture, files.person, None).people
                people = people[people[:, 4] >= SURE.person]
                counts[kind] += (*recall(people, truth), len(truth))
                around += sum((within(truth, person[:4]) > _INSIDE).sum() > 1 for person in people)
            took = cpu(lambda: find(pictures[0][1], files.person, files.face))
        first = first or took
        words = []
        for kind, (met, own, of) in counts.items():
            bar = "" if 48 * met >= _BARS[kind] * of else "  MISSED"
            words.append(f"{kind} {met} of {of} ({own}){bar}")
        print(f"labelled players found, {what}: " + ", ".join(words), end="")
        print(f"; boxes around two {around}; CPU {took:.3f} s, {took / first:.2f} times", flush=True)


def with_time(data: bytes, second: int, hundredth: int) -> bytes:
    """A JPEG's bytes with the time it was taken in front; nothing else of it changes."""
    exif = PIL.Image.Exif()
    exif[271], exif[272] = "Evencourt", "Test Camera"
    when = f"2026:02:14 19:{30 + second // 60:02d}:{second % 60:02d}"
    exif[306] = exif.get_ifd(0x8769)[36867] = when
    exif.get_ifd(0x8769)[37521] = f"{hundredth:02d}"
    block = exif.tobytes()
    return data[:2] + b"\xff\xe1" + (len(block) + 2).to_bytes(2, "big") + block + data[2:]


def write_shoot(folder: Path, pictures: Sequence[Path], worse: bool = False, apart: int = _APART) -> None:
    """Copies of JPEGs in `folder`, hundredths of a second `apart` in a burst, and half a minute between two,
    which begin at other hundredths, so that the times are none of a camera that knows tenths only."""
    folder.mkdir(parents=True)
    before, second, hundredth = "", 0, 0
    for number, path in enumerate(pictures):
        burst = re.sub(r"\d+\D*$", "", path.stem)
        same = burst == before and len(burst) > 0
        second, hundredth = (second, hundredth + apart) if same else (second + 30, number % 7)
        second, hundredth = second + hundredth // 100, hundredth % 100
        before = burst
        data = path.read_bytes()
        if worse:
            with PIL.Image.open(path) as image:
                pixels = degraded(np.asarray(image.convert("RGB")), number)
            ok, coded = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
            assert ok
            data = coded.tobytes()
        (folder / f"{path.stem}.jpg").write_bytes(with_time(data, second, hundredth))


def cuts_of(
    shoot_folder: Path, files: ModelFiles, keep: Path | None = None, only: Container[str] = ()
) -> tuple[list[Cut], float]:
    """Every frame of a shoot as a run would cut it, and the CPU seconds that crop takes to measure the first.

    keep  folder for what was measured, used again where the file and the step's version are the same
    only  frames of which a Cut is asked for; all where empty
    """
    shoot = replace(read_shoot(shoot_folder), models=files)
    measured = {frame.name: observed(frame, files, keep) for frame in shoot.frames}
    subjects, ranks, _ = subjects_and_ranks(measured, shoot.bursts, shoot.facts)
    context = SolveContext(
        shoot.frames, shoot.bursts, shoot.facts, measured, _no_light, lambda: subjects, lambda: ranks, {}
    )
    params = {aspect: crop.CropParams(aspect=aspect) for aspect in ASPECTS}
    solved = {aspect: crop.solve(context, own).by_frame for aspect, own in params.items()}
    found = []
    for frame in shoot.frames:
        name, (height, width) = frame.name, measured[frame.name].people.size
        if only and name not in only:
            continue
        solutions = {aspect: by_frame[name] for aspect, by_frame in solved.items()}
        boxes = {aspect: crop.box_for(params[aspect], solutions[aspect], height, width) for aspect in ASPECTS}
        pixels = picture_of(frame, (height, width))
        found.append(Cut(name, pixels, measured[name], subjects[name], solutions, boxes))
    return found, _time(context_of(shoot.frames[0], files)) if keep is None else float("nan")


def _no_light() -> NoReturn:
    raise AssertionError("crop does not ask for light")


def observed(frame: Frame, files: ModelFiles, keep: Path | None) -> FrameObservation:
    """What crop measures of a frame, from `keep` where it was measured before."""
    if keep is None:
        return crop.measure(context_of(frame, files))
    key = hashlib.sha256(frame.path.read_bytes()).hexdigest()[:24]
    path = keep / f"{key}-{crop.STEP.version}.npz"
    if not path.exists():
        keep.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(f".{os.getpid()}.part.npz")
        np.savez(part, **crop.measure(context_of(frame, files)).as_arrays())
        part.replace(path)
    with np.load(path) as arrays:
        return FrameObservation.from_arrays(dict(arrays))


def _time(context: MeasureContext) -> float:
    return cpu(lambda: crop.measure(context))


def context_of(frame: Frame, files: ModelFiles) -> MeasureContext:
    """What crop measures a frame by."""
    decoded = decode(frame, MEASURED_EDGE, DecodeOptions(sense=True))
    size, detail = decoded.full_size, decoded.detail
    return MeasureContext(frame, decoded.image, decoded.as_shot, decoded.daylight, (), size, detail, files)


def picture_of(frame: Frame, size: tuple[int, int]) -> np.ndarray:
    """BGR, 8 bit, as the file's own picture; a raw one developed plainly."""
    path = frame.path
    if path.suffix.lower() in (".jpg", ".jpeg"):
        with PIL.Image.open(path) as image:
            return np.ascontiguousarray(np.asarray(PIL.ImageOps.exif_transpose(image).convert("RGB"))[..., ::-1])
    with rawpy.imread(str(path)) as raw:
        picture = raw.postprocess(use_camera_wb=True, no_auto_bright=False, half_size=False)
    return cv2.resize(picture[..., ::-1], size[::-1], interpolation=cv2.INTER_AREA)


def cut_players(cut: Cut, aspect: str, truth: np.ndarray) -> int:
    """How many of `truth` (N, 4) near the subject are partly out of the crop; fractions."""
    if cut.whole(aspect) or cut.subject is None:
        return 0
    height, width = cut.pixels.shape[:2]
    box, own = np.array(cut.boxes[aspect]), np.array(cut.subject.box)
    tall = own[3] - own[1]
    across = np.maximum(np.maximum(truth[:, 0] - own[2], own[0] - truth[:, 2]), 0) * width / height
    down = np.maximum(np.maximum(truth[:, 1] - own[3], own[1] - truth[:, 3]), 0)
    near = np.hypot(across, down) <= _NEAR * tall
    share = within(truth, box)
    return int((near & (share > 0.005) & (share < 0.99)).sum())


def cut_found(cut: Cut, aspect: str) -> int:
    """How many of the found people at least half as tall as the subject the crop cuts through, at head or torso."""
    if cut.whole(aspect) or cut.subject is None:
        return 0
    people = cut.seen.people.people
    tall = people[:, 3] - people[:, 1]
    people = people[(people[:, 4] >= SURE.person) & (tall >= 0.5 * (cut.subject.box[3] - cut.subject.box[1]))]
    torsos = people[:, :4].copy()
    torsos[:, 3] = people[:, 1] + _TORSO * (people[:, 3] - people[:, 1])
    share = within(torsos, np.array(cut.boxes[aspect]))
    return int(((share > 0.1) & (share < 0.9)).sum())


def report_cuts(what: str, cuts: Sequence[Cut], truths: Mapping[str, np.ndarray]) -> None:
    print(f"\n{what}: {len(cuts)} pictures, a subject in {sum(c.subject is not None for c in cuts)}")
    for aspect in ASPECTS:
        whole = [c for c in cuts if c.whole(aspect)]
        trimmed = sum(c.solutions[aspect].source is CropSource.TRIMMED for c in cuts)
        print(f"  {aspect}: cropped {len(cuts) - len(whole) - trimmed}, only to the shape {trimmed}", end="")
        print(f", left whole {len(whole)}", end="")
        through = [c.name for c in cuts if cut_found(c, aspect)]
        print(f"; through somebody's head or torso {len(through)} {' '.join(through)}", end="")
        known = [(c, truths[c.name]) for c in cuts if c.name in truths]
        if known:
            bad = {c.name: cut_players(c, aspect, truth) for c, truth in known}
            print(f"; labelled players near the subject cut: {sum(bad.values())} in {len(bad)} pictures", end="")
        print()


def report_burst(cuts: Sequence[Cut]) -> None:
    """Over consecutive frames: how many have the subject of the longest path of small steps."""
    paths: list[list[Cut]] = []
    for cut in cuts:
        if cut.subject is None:
            continue
        here = np.array(cut.subject.box)
        for path in paths:
            there = np.array(path[-1].subject.box)  # type: ignore[union-attr]
            if overlap(there, here[None])[0] > 0.2:
                path.append(cut)
                break
        else:
            paths.append([cut])
    longest = max((len(path) for path in paths), default=0)
    found = sum(len(path) for path in paths)
    print(f"  same subject in {longest} of {len(cuts)} frames; {len(cuts) - found} without one")


def wrong_in(cut: Cut, aspect: str, drawn: Drawn) -> str:
    """What is wrong with the crop of a drawn frame, "" where nothing is."""
    plan = drawn.situation
    if cut.whole(aspect):
        # A crop that takes nothing away holds all that it must.
        return "left whole" if plan.cropped and cut.solutions[aspect].box is None else ""
    trimmed = cut.solutions[aspect].source is CropSource.TRIMMED
    if plan.cropped is False and not trimmed:
        return "cropped"
    if trimmed:
        share = within(np.array([*drawn.must, *drawn.others]), np.array(cut.boxes[aspect]))
        return "" if (share > 0.995).all() else f"leaves out {100 * (1 - share.min()):.1f} % of somebody"
    if cut.subject is None or max(overlap(np.array(cut.subject.box), np.array(drawn.must))) < _IOU:
        return "about somebody else"
    held = within(np.array(drawn.must), np.array(cut.boxes[aspect]))
    return "" if (held > 0.995).all() else f"cuts {100 * (1 - held.min()):.1f} % of whom it is about"


def report_situations(files: ModelFiles, work: Path, to: Path | None, keep: Path | None) -> None:
    """Drawn frames against what is right in them; see tests/situations.py."""
    (work / "drawn").mkdir(parents=True)
    known: dict[str, Drawn] = {}
    for plan in SITUATIONS:
        known |= draw_situation(plan, work / "drawn")
    write_shoot(work / "shoot", sorted((work / "drawn").glob("*.jpg")))
    cuts, _ = cuts_of(work / "shoot", files, keep)
    report_cuts("drawn situations", cuts, {})
    bad = [(cut.name, aspect, wrong_in(cut, aspect, known[cut.name])) for cut in cuts for aspect in ASPECTS]
    print(f"  as they should be: {sum(not why for _, _, why in bad)} of {len(bad)}")
    for name, aspect, why in bad:
        if why:
            print(f"    {name} {aspect}: {why}")
    if to is not None:
        write(to / "drawn", cuts)


def main() -> None:
    parser = argparse.ArgumentParser(description="Crops of real pictures: figures, and sheets to judge them by.")
    parser.add_argument("--to", type=Path, help="folder for the sheets")
    parser.add_argument("--only", default="detector,court,people,drawn")
    parser.add_argument("--also", type=Path, action="append", default=[], help="a further folder of JPEGs")
    parser.add_argument("--keep", type=Path, help="folder for what was measured, used again where it is there")
    parser.add_argument("--detector", action="store_true", help="other sizes of picture too, and what they take")
    given = parser.parse_args()
    only, files = given.only.split(","), models()
    if "detector" in only or given.detector:
        report_detector(files, given.detector)
    truths = {}
    for name, boxes in labelled().items():
        truths[Path(name).stem] = boxes / [1920, 1080, 1920, 1080]
    rally = sorted((DATA / "court").glob("a_*.jpg"))
    court = [*rally, *sorted((DATA / "court").glob("b_*.jpg"))]
    sets: dict[str, tuple[list[Path], bool, int]] = {}
    if "court" in only:
        sets |= {"court": (court, False, _RALLY), "court degraded": (court, True, _RALLY)}
    if "people" in only:
        sets["people"] = (sorted((DATA / "people").glob("*.jpg")), False, _APART)
    for folder in given.also:
        pictures = sorted(p for p in folder.iterdir() if p.suffix.lower() in (".jpg", ".jpeg"))
        sets[folder.name] = (pictures, False, _APART)
    with tempfile.TemporaryDirectory() as scratch:
        for what, (pictures, worse, apart) in sets.items():
            work = Path(scratch) / what.replace(" ", "-")
            write_shoot(work / "shoot", pictures, worse, apart)
            cuts, took = cuts_of(work / "shoot", files, given.keep)
            report_cuts(what, cuts, truths)
            if what.startswith("court"):
                report_burst([c for c in cuts if c.name.startswith("a_")])
            if given.keep is None:
                print(f"  measuring one for crop takes {took:.2f} CPU s")
            if given.to is not None:
                folder = given.to / what.replace(" ", "-")
                print(f"  sheets: {len(write(folder, cuts))} in {folder}")
        if "drawn" in only:
            report_situations(files, Path(scratch) / "drawn", given.to, given.keep)


if __name__ == "__main__":
    main()
