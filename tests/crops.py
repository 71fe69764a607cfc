"""How generated shoots are cropped and ranked, against their ground truth: `python -m tests.crops`.

`--halls T,A,B,C,E` of fixtures/hall.py, `--size 960x640`, `--seed 31`, `--keep DIR` to leave the shoots there and use
them again. Every hall is made twice, at ISO 800 and at ISO 12,800, measured and solved as a run would. Needs the
model files, where `evencourt models` has them or in ../shared/models.

* people: truth's people with an overlap (IoU) of 0.4 or more with somebody found; those are asked for who are a
  tenth of the frame tall, four fifths of them in it, and a half not behind somebody nearer.
* holds the main player: his whole box, or what of it the frame holds, is in the crop; a pixel is not counted.
* tightness: height of the crop by that of the main player's box, where the frame has room for a crop as tight.
* faces: those found with the certainty that a crop heeds, and how many a crop shows a part of.
* same at both ISOs: a subject whose boxes overlap by a half, crops by four fifths, the first place of a burst.
* unrest: second differences from frame to frame, root mean square, of the crop's and the main player's middle and
  height, in hundredths of the frame's height. A crop that is calmer than its subject has the smaller number.
* room ahead: share of the room beside the subject that lies ahead of it, where its movement is clear and no rim of the
  frame stops the crop; a half is as much ahead as behind.
* CPU: one 24-megapixel raw frame of such a hall, one thread, time of the processor, the best of three.

The main player is who the generator drew nearest and in the middle of the play. Its figures are drawn, so what is
found of them says little about photographs; the steadiness between ISOs and frames does.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.engine.measure import MEASURED_EDGE, Measurements, measure_frames
from pipeline.engine.run import read_shoot
from pipeline.engine.solve import solve
from pipeline.imaging.geometry import Box, row_to_box
from pipeline.imaging.raw.frame import DecodeOptions
from pipeline.imaging.sharpness import sharpness
from pipeline.people.detect import SURE, find, overlap, picture_for_detection, within
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.modelfiles import find as find_models
from pipeline.people.observe import FrameObservation
from pipeline.people.ranking import Ranked
from pipeline.people.subject import Subject
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY, crop
from pipeline.steps.base import MeasureContext
from pipeline.steps.decode import decode
from pipeline.store.store import Store
from pipeline.types import Burst
from pipeline.workers.executors import default_workers, worker_setup
from tests import benchmark

ISOS = (800, 12800)
ASPECTS = {"3:2": "wide", "4:5": "tall"}
# at_least is for large frames: of these small ones it would forbid most crops.
RECIPE = "recipe: 1\nsteps:\n  - decode:\ndeliveries:\n" + "".join(
    f'  {name}:\n    - crop: {{to: subject, aspect: "{aspect}", at_least: 0}}\n    - save:\n'
    for aspect, name in ASPECTS.items()
)
SHARED_MODELS = Path(__file__).resolve().parents[2] / "shared" / "models"
_TALL, _IN_FRAME, _SEEN = 0.1, 0.8, 0.5  # which of the truth's people are asked for
_CLEAR, _RIM = 0.6, 0.002  # how much a movement is one; how near to the frame's rim a crop is stopped by it
_BAR = {"people": 90.0, "holds": 90.0, "tight": 1.6, "same": 95.0, "cpu": 0.2}


@dataclass(frozen=True)
class Look:
    """One shoot as a run sees it. boxes: aspect -> frame -> crop in fractions."""

    truth: Mapping[str, Mapping]
    size: tuple[int, int]  # height, width
    bursts: Sequence[Burst]
    measured: Mapping[str, FrameObservation]
    subjects: Mapping[str, Subject | None]
    ranks: Mapping[str, Ranked]
    boxes: Mapping[str, Mapping[str, Box]]

    def main(self, name: str) -> np.ndarray:
        """The main player's box in the frame, fractions."""
        return np.clip(self.scaled([self.truth[name]["main"]])[0], 0, 1)

    def scaled(self, boxes: Sequence) -> np.ndarray:
        height, width = self.size
        return np.array(boxes, dtype=np.float64).reshape(-1, 4) / [width, height, width, height]

    def played(self) -> list[str]:
        """Frames with players."""
        return [n for n in self.subjects if "main" in self.truth[n]]


@dataclass
class Tally:
    """What is counted over the frames of one hall, or of all; the shares are (yes, of) by name."""

    shares: dict[str, list[int]] = field(default_factory=dict)
    tight: dict[str, list[float]] = field(default_factory=lambda: {a: [] for a in ASPECTS})
    ahead: dict[str, list[float]] = field(default_factory=lambda: {a: [] for a in ASPECTS})
    unrest: dict[str, list[float]] = field(default_factory=dict)

    def count(self, name: str, yes: int, of: int = 1) -> None:
        known = self.shares.setdefault(name, [0, 0])
        known[0] += int(yes)
        known[1] += of

    def add(self, other: Tally) -> None:
        for name, (yes, of) in other.shares.items():
            self.count(name, yes, of)
        for mine, theirs in ((self.tight, other.tight), (self.ahead, other.ahead), (self.unrest, other.unrest)):
            for name, values in theirs.items():
                mine.setdefault(name, []).extend(values)


def models() -> ModelFiles:
    """The model files of the user, else those in ../shared/models. Raises SystemExit where there are none."""
    files = find_models()
    if not files.person and SHARED_MODELS.is_dir():
        files = find_models(SHARED_MODELS)
    if not files.person or not files.face:
        raise SystemExit("the model files are not here; run once: evencourt models fetch")
    return files


def make(folder: Path, hall: str, iso: int, seed: int, size: tuple[int, int]) -> Path:
    """Write the shoot of a hall at one ISO unless it is there."""
    from pipeline.fixtures.demo import write_demo
    from pipeline.fixtures.hall import HALLS

    shoot = folder / f"{hall}-{iso}-{seed}-{size[0]}" / "shoot"
    truth = shoot.parent / "shoot-truth" / "truth.json"  # written last
    if not truth.exists():
        plan = HALLS[hall]
        plan = replace(plan, bursts=tuple(replace(burst, iso=iso) for burst in plan.bursts))
        write_demo(shoot, hall=plan, seed=seed, width=size[0], height=size[1])
    return shoot


def look_at(shoot_folder: Path, files: ModelFiles, work: Path) -> Look:
    """Measure and solve a shoot with the pipeline's own phases."""
    shoot = replace(read_shoot(shoot_folder), models=files)
    recipe_file = work / "recipe.yaml"
    recipe_file.write_text(RECIPE, encoding="utf-8")
    recipe = load_recipe(recipe_file, REGISTRY)
    store = Store.open(work / shoot_folder.parent.name, shoot_folder)
    measured_frames = list(measure_frames(store, shoot.frames, shoot.facts, files, default_workers()))
    wrong = [f"{s.frame.name}: {s.error}" for s in measured_frames if s.error]
    if wrong:
        raise SystemExit("\n".join(wrong))
    plan = solve(store, measured_frames, shoot.bursts, shoot.facts, recipe)
    measured = dict(Measurements(store, measured_frames, crop.STEP))
    subjects, _, _ = subjects_and_ranks(measured, shoot.bursts, shoot.facts)
    truth = json.loads((shoot_folder.parent / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))
    width, height = truth["size"]
    params = {d.name: b.params for d in recipe.deliveries for b in d.steps if b.step is crop.STEP}
    boxes = {
        aspect: {n: crop.box_for(params[name], plan.solutions[f"{name}/crop"][n], height, width) for n in subjects}
        for aspect, name in ASPECTS.items()
    }
    return Look(truth["frames"], (height, width), shoot.bursts, measured, subjects, plan.ranks, boxes)


def asked_people(look: Look, name: str) -> np.ndarray:
    """(N, 4) those of the truth's people who can be seen; they were drawn from the farthest to the nearest."""
    raw = look.scaled(look.truth[name]["people"])
    whole = np.clip(raw, 0, 1)
    kept = []
    for i, box in enumerate(raw):
        nearer = whole[i + 1 :]
        hidden = max((within(whole[i][None], other)[0] for other in nearer), default=0.0)
        if box[3] - box[1] >= _TALL and within(box[None], np.array([0, 0, 1, 1]))[0] >= _IN_FRAME and hidden <= _SEEN:
            kept.append(whole[i])
    return np.array(kept).reshape(-1, 4)


def cuts(box: Box, faces: np.ndarray) -> int:
    """How many of `faces` (N, 4) a crop shows a part of."""
    share = within(faces, np.array(box)) if len(faces) else np.zeros(0)
    return int(((share > 0.005) & (share < 0.995)).sum())


def tally_frames(look: Look, tally: Tally) -> None:
    for name, subject in look.subjects.items():
        if "main" not in look.truth[name]:
            tally.count("nobody there, nobody found", subject is None)
            continue
        people = look.measured[name].people.people
        asked = asked_people(look, name)
        met = sum(len(people) > 0 and overlap(person, people[:, :4]).max() >= 0.4 for person in asked)
        tally.count("people found, IoU 0.4", met, len(asked))
        main = look.main(name)
        is_main = subject is not None and overlap(main, np.array([subject.box]))[0] >= 0.4
        tally.count("subject is the main player", is_main)
        faces = look.measured[name].people.faces
        faces = faces[faces[:, 4] >= SURE.face][:, :4]
        height, width = look.size
        for aspect, by_frame in look.boxes.items():
            box = by_frame[name]
            out = np.array([box[0] - main[0], box[1] - main[1], main[2] - box[2], main[3] - box[3]])
            tally.count(f"{aspect} holds the main player", bool((out * [width, height, width, height] <= 1).all()))
            tally.count(f"{aspect} faces cut", cuts(box, faces), len(faces))
            ratio = float(np.divide(*map(float, aspect.split(":"))))
            room = min(1.0, width / height / ratio)  # height of the largest crop
            wide = (main[2] - main[0]) * width / height / ratio  # height that a crop as wide as the player has
            if 1.6 * (main[3] - main[1]) <= room and wide <= main[3] - main[1] and subject is not None:
                tally.tight[aspect].append(float((box[3] - box[1]) / (main[3] - main[1])))
            if subject is not None and abs(subject.towards) >= _CLEAR and box[0] > _RIM and box[2] < 1 - _RIM:
                left, right = subject.box[0] - box[0], box[2] - subject.box[2]
                tally.ahead[aspect].append((right if subject.towards > 0 else left) / max(left + right, 1e-6))


def tally_pair(low: Look, high: Look, tally: Tally) -> None:
    """What is the same at both ISOs."""
    for name in low.played():
        a, b = low.subjects[name], high.subjects[name]
        alike = a is b if a is None or b is None else overlap(np.array(a.box), np.array([b.box]))[0] > 0.5
        tally.count("same subject at both ISOs", bool(alike))
        for aspect in ASPECTS:
            one, two = (np.array(look.boxes[aspect][name]) for look in (low, high))
            tally.count(f"{aspect} same crop at both ISOs", overlap(one, two[None])[0] > 0.8)
    for burst in low.bursts:
        names = [n for n in burst.frames if "main" in low.truth[n]]
        if len(names) > 1:
            first, second = (min(names, key=lambda n: look.ranks[n].place) for look in (low, high))
            tally.count("same best of its burst", first == second)


def tally_unrest(look: Look, tally: Tally) -> None:
    """Second differences of the paths of crop and main player, in hundredths of the frame's height."""
    height, width = look.size
    ratio = width / height
    for burst in look.bursts:
        names = [n for n in burst.frames if "main" in look.truth[n]]
        if len(names) < 3:
            continue
        paths = {aspect: [by_frame[n] for n in names] for aspect, by_frame in look.boxes.items()}
        for what, boxes in {"player": [look.main(n) for n in names], **paths}.items():
            x0, y0, x1, y1 = np.array(boxes).T
            middle, tall = np.stack([(x0 + x1) / 2 * ratio, (y0 + y1) / 2], axis=1), (y1 - y0)[:, None]
            for part, path in (("middle", middle), ("height", tall)):
                second = 100 * np.linalg.norm(np.diff(path, 2, axis=0), axis=1)
                tally.unrest.setdefault(f"{what} {part}", []).extend(second.tolist())


def _mark(bad: bool) -> str:
    return "  MISSED" if bad else ""


def report(name: str, tally: Tally) -> None:
    print(f"\n{name}")
    for what, (yes, of) in sorted(tally.shares.items()):
        share = 100 * yes / of if of else float("nan")
        if "cut" in what:
            bad = yes > 0
        else:
            key = "people" if "people" in what else "holds" if "holds" in what else "same"
            bad = key in what and share < _BAR[key]
        print(f"  {what:32s} {yes:4d} of {of:4d}  {share:5.1f} %{_mark(bad)}")
    for aspect, values in tally.tight.items():
        if values:
            middle, high, most = np.percentile(values, [50, 95, 100])
            text = f"median {middle:.2f}, 95th {high:.2f}, most {most:.2f} ({len(values)} crops)"
            print(f"  {aspect} tightness: {text}{_mark(most > _BAR['tight'])}")
    for aspect, values in tally.ahead.items():
        if values:
            few = 100 * float((np.array(values) < 0.4).mean())
            print(f"  {aspect} room ahead: median {np.median(values):.2f}, below 0.4 in {few:.0f} % of {len(values)}")
    for part in ("middle", "height"):
        parts = (
            (what, np.sqrt(np.mean(np.square(tally.unrest.get(f"{what} {part}", [np.nan])))))
            for what in ("player", *ASPECTS)
        )
        print(f"  unrest of the {part}: " + ", ".join(f"{what} {value:.2f}" for what, value in parts))


def write_large(path: Path, folder: Path) -> None:
    """One frame of a hall at 6000 x 4000: drawn at a quarter of that without noise, enlarged, exposed anew."""
    import cv2
    from pipeline.fixtures.demo import BLACK, START, WHITE, expose, write_demo
    from pipeline.fixtures.dng import write_dng
    from pipeline.fixtures.hall import HALLS
    from pipeline.fixtures.light import colour_matrix

    hall = HALLS["T"]
    hall = replace(hall, noise=1e-4, checks=(), bursts=(replace(hall.bursts[0], frames=1),))
    write_demo(folder / "drawn", hall=hall, seed=31, width=1500, height=1000)
    frame = read_shoot(folder / "drawn").frames[-1]
    decoded = decode(frame, None)
    picture = cv2.resize(decoded.image.pixels, (6000, 4000), interpolation=cv2.INTER_CUBIC)
    iso = 6400
    cfa, _, _ = expose(picture, iso, np.random.default_rng(0))
    as_shot = decoded.as_shot if decoded.as_shot is not None else np.ones(3)
    write_dng(
        path, cfa, black=BLACK, white=WHITE, pattern="RGGB", make="Evencourt", model="Evencourt Test Camera",
        serial="1", lens="", iso=iso, exposure_time=0.001, f_number=2.8, focal_length=85.0, time=START,
        color_matrix=colour_matrix(hall.camera), as_shot_neutral=tuple(1 / as_shot),
    )  # fmt: skip


def cpu(work: Callable[[], object]) -> float:
    """CPU seconds, the least of three."""
    return benchmark.cpu(work, 3)[0]


def report_cpu(files: ModelFiles, folder: Path) -> None:
    worker_setup()
    (folder / "large").mkdir()
    write_large(folder / "large" / "TH9_0001.dng", folder)
    frame = read_shoot(folder / "large").frames[0]
    decoded = decode(frame, MEASURED_EDGE, DecodeOptions(sense=True))
    balance = decoded.camera_balance
    context = MeasureContext(
        frame, decoded.image, decoded.as_shot, decoded.daylight, (), decoded.full_size, decoded.detail, files
    )
    picture = picture_for_detection(decoded.image.pixels, balance, decoded.image.to_working)
    found = find(picture, files.person, files.face)
    crop.measure(context)  # warms
    detail = decoded.detail
    times = {
        "picture": cpu(lambda: picture_for_detection(decoded.image.pixels, balance, decoded.image.to_working)),
        "people, balls and faces": cpu(lambda: find(picture, files.person, files.face)),
    }
    both = sum(times.values())
    sharp = cpu(lambda: [sharpness(detail, row_to_box(p)) for p in found.people])
    whole = cpu(lambda: crop.measure(context))
    print(f"\nCPU s, one 24-megapixel raw frame, {len(found.people)} people and {len(found.faces)} faces in it")
    print("  " + ", ".join(f"{what} {took:.3f}" for what, took in times.items()))
    print(f"  detection with its resizing {both:.3f}{_mark(both > _BAR['cpu'])}; sharpness {sharp:.3f}")
    print(f"  crop's whole measure (also tilt, kits, light) {whole:.3f}{_mark(whole > _BAR['cpu'])}")
    print(f"  the measuring decode of the frame to {MEASURED_EDGE} pixels, which every step shares: ", end="")
    print(f"{cpu(lambda: decode(frame, MEASURED_EDGE, DecodeOptions(sense=True))):.3f}")


def measure(halls: Iterable[str], seed: int, size: tuple[int, int], folder: Path, work: Path) -> None:
    files = models()
    total = Tally()
    for hall in halls:
        own = Tally()
        looks = {iso: look_at(make(folder, hall, iso, seed, size), files, work) for iso in ISOS}
        for look in looks.values():
            tally_frames(look, own)
            tally_unrest(look, own)
        tally_pair(looks[ISOS[0]], looks[ISOS[1]], own)
        report(f"hall {hall}", own)
        sys.stdout.flush()
        total.add(own)
    report("all halls", total)
    report_cpu(files, work)


def main() -> None:
    parser = argparse.ArgumentParser(description="Crops and ranking of generated shoots against their ground truth.")
    parser.add_argument("--halls", default="T,A,B,C,E")
    parser.add_argument("--size", default="960x640")
    parser.add_argument("--seed", type=int, default=31)
    parser.add_argument("--keep", type=Path, help="folder for the shoots, used again where they are there")
    given = parser.parse_args()
    width, height = (int(n) for n in given.size.split("x"))
    with tempfile.TemporaryDirectory() as scratch:
        work = Path(scratch)
        measure(given.halls.split(","), given.seed, (width, height), given.keep or work / "shoots", work)


if __name__ == "__main__":
    main()
