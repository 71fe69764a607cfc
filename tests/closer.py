"""How real players are cropped from nearer by: `python -m tests.closer --to DIR [--only singles,bursts] [--pulsing]`.

../shared/data/court shows two rallies from far away. A part of a frame around one of its labelled players, enlarged, is
a picture of that player as a photographer at the line takes it: real light, bodies, overlaps and blur, though soft. So
is the same part of every other frame of a rally a real burst, of 12.5 frames a second. Who stands at the rim of the
court is listed here, by eye: a part around one of these is a picture that is not about a player.

Singles: each player and official of two frames in three sizes, to either side of the middle. Bursts: those of one frame
in two sizes, over five frames of its rally. Printed at 3:2 and 4:5, of views of players and of officials: how many are
cropped, how many to less than 0.93 of the largest crop, and which crops are about an official, leave out the player, or
cut labelled players (or, in bursts, found people) who are at least 0.45 times as tall as the subject; and how much
larger the largest crop of a burst is than its smallest. Of bursts also how far the turns of the camera that are
measured in the views are from those of the whole frames, in heights of a view. With `--pulsing` the bursts are cropped
in the light of lamps that pulse too, and it is said how alike. Sheets as of tests.real_crops: look.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise, product
from pathlib import Path

import cv2
import numpy as np

from pipeline.people.detect import overlap, within
from pipeline.people.tracking import camera_shifts
from pipeline.steps.crop_solution import CropSource
from tests.crop_sheet import Cut, write
from tests.crops import ASPECTS, models
from tests.degraded import pulsed
from tests.reaches import COURT, labelled
from tests.real_crops import cut_found, cuts_of, write_shoot

SIZE = (1620, 1080)  # pixels of a view: 3:2
TALL = (0.3, 0.45, 0.65)  # of a view's height that the player takes
SIZES = ("small", "middle", "large")
ASIDE = 0.12  # of a view's width from the middle to the player: nobody aims at the middle
SIDES = {"left": 1, "right": -1}
APART = 2  # frames of the rally: it was filmed at 25 a second, and cameras take some 10 to 20
HUNDREDTHS = 8  # of a second between them
# Referees, coaches, line judges and an umpire by eye: pixels of x0 y0 x1 y1.
OFFICIALS = {
    "a_29885.jpg": ((480, 790, 568, 990), (986, 872, 1070, 1080), (1810, 790, 1882, 1025), (52, 425, 128, 570),
                    (1742, 385, 1822, 525), (1022, 272, 1088, 425)),
    "b_29905.jpg": ((650, 765, 740, 962), (1150, 855, 1240, 1080), (142, 790, 228, 980), (225, 400, 320, 535),
                    (1200, 250, 1262, 412)),
}  # fmt: skip


@dataclass(frozen=True)
class View:
    """One view: name, pixels (H, W, 3) BGR, whom it is around (4,) in fractions, (N, 4) every labelled player in it,
    none where they are not labelled; official  whether it is around one."""

    name: str
    pixels: np.ndarray
    main: np.ndarray
    players: np.ndarray
    official: bool


def window(main: np.ndarray, tall: float, aside: float, size: tuple[int, int]) -> np.ndarray:
    """x0 y0 x1 y1 of the part of a frame (size: width, height) in which `main` (pixels) takes `tall` of the height."""
    high = min((main[3] - main[1]) / tall, size[1])
    wide = high * SIZE[0] / SIZE[1]
    x = (main[0] + main[2]) / 2 - aside * wide
    y = (main[1] + main[3]) / 2
    x0, y0 = np.clip(x - wide / 2, 0, size[0] - wide), np.clip(y - high / 2, 0, size[1] - high)
    return np.array([x0, y0, x0 + wide, y0 + high])


def view_of(picture: np.ndarray, part: np.ndarray) -> np.ndarray:
    x0, y0, x1, y1 = (round(float(v)) for v in part)
    return cv2.resize(picture[y0:y1, x0:x1], SIZE, interpolation=cv2.INTER_CUBIC)


def within_part(boxes: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Boxes (N, 4) in pixels as fractions of a part, those that are seen in it."""
    wide, high = part[2] - part[0], part[3] - part[1]
    found = (boxes - part[[0, 1, 0, 1]]) / [wide, high, wide, high]
    seen = (found[:, 0] < 0.99) & (found[:, 2] > 0.01) & (found[:, 1] < 0.99) & (found[:, 3] > 0.01)
    return np.clip(found[seen], 0, 1)


def singles() -> Iterable[View]:
    """A view of each labelled player, and of each official, in each size and to each side."""
    for name, players in labelled().items():
        picture = cv2.imread(str(COURT / name))
        size = picture.shape[1], picture.shape[0]
        mains = [(box, False) for box in players] + [(np.array(box, float), True) for box in OFFICIALS[name]]
        for number, (box, official) in enumerate(mains):
            for (word, tall), (side, sign) in product(zip(SIZES, TALL, strict=True), SIDES.items()):
                part = window(box, tall, ASIDE * sign, size)
                kind = "official" if official else "player"
                stem = f"{kind}-{name[:1]}-{chr(97 + number)}-{word}-{side}"  # no digits: no two are of one burst
                own = within_part(box[None], part)[0]
                yield View(stem, view_of(picture, part), own, within_part(players, part), official)


def bursts(sizes: Iterable[float] = TALL[1:]) -> Iterable[View]:
    """Frames of the rally in the part around each player, and each official, of its labelled frame."""
    ((name, players),) = [item for item in labelled().items() if item[0].startswith("a_")]
    pictures = {path.stem: cv2.imread(str(path)) for path in sorted(COURT.glob("a_*.jpg"))[1::APART]}
    first = next(iter(pictures.values()))
    size = first.shape[1], first.shape[0]
    mains = [(box, False) for box in players] + [(np.array(box, float), True) for box in OFFICIALS[name]]
    for number, (box, official) in enumerate(mains):
        for at, tall in enumerate(sizes):
            part = window(box, tall, ASIDE * (1, -1)[(number + at) % 2], size)
            for stem, picture in pictures.items():
                kind = "official" if official else "player"
                told = f"{kind}-{number:02d}x{round(100 * tall)}_{stem[-2:]}"
                known = within_part(players, part) if stem == Path(name).stem else np.zeros((0, 4))
                yield View(told, view_of(picture, part), within_part(box[None], part)[0], known, official)


_NEAR = 0.45  # heights of the subject
_TIGHT = 0.93  # heights of the largest crop, below which a crop changes the picture


def wrong_in(cut: Cut, aspect: str, view: View) -> str:
    """What is wrong with a crop, "" where nothing is."""
    if cut.whole(aspect) or cut.subject is None:
        return ""
    box, own = np.array(cut.boxes[aspect]), np.array(cut.subject.box)
    about = cut.solutions[aspect].source is not CropSource.TRIMMED
    if about and view.official and len(view.players):
        players = overlap(own, view.players).max() if len(view.players) else 0.0
        if overlap(own, view.main[None])[0] >= 0.4 and players < 0.4:
            return "about an official"
    if not view.official and len(view.players) and within(view.main[None], box)[0] < 0.97:
        return "the player is out or cut"
    near = view.players[view.players[:, 3] - view.players[:, 1] >= _NEAR * (own[3] - own[1])]
    share = within(near, box) if len(near) else np.zeros(0)
    few = int(((share > 0.05) & (share < 0.93)).sum())
    return f"cuts {few} labelled" if few else f"cuts {many} found" if (many := cut_found(cut, aspect)) else ""


def turns_of(cuts: Sequence[Cut]) -> None:
    """Print how far the turns of the camera in views of the rally are from those of the whole frames."""
    whole = [np.log1p(cv2.imread(str(path), 0).astype(np.float32)) for path in sorted(COURT.glob("a_*.jpg"))[1::APART]]
    fine = [cv2.GaussianBlur(one, (0, 0), 1.5) for one in whole]
    edges = [one - cv2.GaussianBlur(one, (0, 0), 12) for one in fine]
    high, wide = edges[0].shape
    rim = cv2.createHanningWindow((wide, high), cv2.CV_32F)
    truth = [np.array(cv2.phaseCorrelate(one, two, rim)[0]) for one, two in pairwise(edges)]
    ((name, players),) = [item for item in labelled().items() if item[0].startswith("a_")]
    mains = [*players, *(np.array(box, float) for box in OFFICIALS[name])]
    off: list[float] = []
    for burst, views in groupby(cuts, lambda cut: cut.name.rpartition("_")[0]):
        number, tall = (int(word) for word in burst.partition("-")[2].split("x"))
        aside = ASIDE * (1, -1)[(number + TALL[1:].index(tall / 100)) % 2]
        part = window(mains[number], tall / 100, aside, (wide, high))
        found = camera_shifts([cut.seen.people for cut in views])[1:]
        apart = [one[:2] - true / (part[2:] - part[:2]) for one, true in zip(found, truth, strict=True)]
        off += [float(np.hypot(x * SIZE[0] / SIZE[1], y)) for x, y in apart]
    known = np.array([one for one in off if np.isfinite(one)])
    print(f"turns of the camera: {len(known)} of {len(off)} known, off by {np.median(known):.4f} in the median", end="")
    print(f" and {known.max():.3f} at most; {(known > 0.03).sum()} by more than 0.03")


def sizes_of(cuts: Iterable[Cut], aspect: str) -> list[float]:
    """Of each burst with several crops: the largest against the smallest."""
    bursts: dict[str, list[float]] = {}
    for cut in cuts:
        box = cut.boxes[aspect]
        bursts.setdefault(cut.name.rpartition("_")[0], []).append(box.y1 - box.y0)
    return [max(own) / min(own) for name, own in bursts.items() if name and len(own) > 1]


def report(what: str, views: Iterable[View], work: Path, to: Path | None, keep: Path | None) -> list[Cut]:
    known: dict[str, View] = {}
    folder = work / what / "jpegs"
    folder.mkdir(parents=True)
    for view in views:
        cv2.imwrite(str(folder / f"{view.name}.jpg"), view.pixels, [cv2.IMWRITE_JPEG_QUALITY, 92])
        known[view.name] = View(view.name, np.zeros(0), view.main, view.players, view.official)
    write_shoot(work / what / "shoot", sorted(folder.glob("*.jpg")), apart=HUNDREDTHS)
    cuts, _ = cuts_of(work / what / "shoot", models(), keep)
    for official in (False, True):
        own = [cut for cut in cuts if known[cut.name].official is official]
        for aspect in ASPECTS:
            ratio = float(np.divide(*map(float, aspect.split(":"))))
            largest = min(1.0, SIZE[0] / SIZE[1] / ratio)
            trimmed = [cut for cut in own if cut.solutions[aspect].source is CropSource.TRIMMED]
            cropped = [cut for cut in own if not cut.whole(aspect)]
            cropped = [cut for cut in cropped if cut.solutions[aspect].source is not CropSource.TRIMMED]
            tight = sum(cut.boxes[aspect].y1 - cut.boxes[aspect].y0 < _TIGHT * largest for cut in cropped)
            kind = "officials" if official else "players"
            print(f"{what}, of {kind}, {aspect}: cropped {len(cropped)} of {len(own)}, {tight} of them by more", end="")
            print(f"; only to the shape {len(trimmed)}")
            sizes = sizes_of(cropped, aspect)
            if sizes:
                print(f"    largest by smallest crop of a burst: median {np.median(sizes):.3f}, most {max(sizes):.3f}")
            for cut in [*cropped, *trimmed]:
                if why := wrong_in(cut, aspect, known[cut.name]):
                    print(f"    {cut.name}: {why}")
    if to is not None:
        print(f"  sheets: {len(write(to / what, cuts))} in {to / what}")
    return cuts


def pulsing(views: Iterable[View]) -> Iterable[View]:
    """The same in light that pulses, another part of it in each frame."""
    for view in views:
        yield replace(view, pixels=pulsed(view.pixels, 0.37 * int(view.name[-2:])))


def compare(one: Sequence[Cut], two: Sequence[Cut]) -> None:
    """How alike the same frames are cropped in even and in pulsing light."""
    other = {cut.name: cut for cut in two}
    for aspect in ASPECTS:
        pairs = [(cut, other[cut.name]) for cut in one if not cut.whole(aspect) or not other[cut.name].whole(aspect)]
        both = [(np.array(a.boxes[aspect]), np.array(b.boxes[aspect])) for a, b in pairs]
        same = sum(overlap(a, b[None])[0] > 0.8 for a, b in both)
        print(f"in pulsing light as in even light, {aspect}: {same} of {len(both)} crops (overlap 0.8)", end="")
        print(f"; whole in one of the two {sum(a.whole(aspect) != b.whole(aspect) for a, b in pairs)}")


def main() -> None:
    parser = argparse.ArgumentParser(description="Crops of closer views of real court frames.")
    parser.add_argument("--to", type=Path, help="folder for the sheets")
    parser.add_argument("--only", default="singles,bursts")
    parser.add_argument("--pulsing", action="store_true", help="the bursts in light that pulses too, to compare")
    parser.add_argument("--keep", type=Path, help="folder for what was measured, used again where it is there")
    given = parser.parse_args()
    sets: dict[str, Callable[[], Iterable[View]]] = {"singles": singles, "bursts": bursts}
    with tempfile.TemporaryDirectory() as scratch:
        for what in given.only.split(","):
            cuts = report(what, sets[what](), Path(scratch), given.to, given.keep)
            if what == "bursts":
                turns_of(cuts)
            if given.pulsing and what == "bursts":
                compare(cuts, report("pulsing", pulsing(bursts()), Path(scratch), given.to, given.keep))


if __name__ == "__main__":
    main()
