"""Whether the better frame is chosen, and nobody is rated lower for skin or kit: `python -m tests.choice [--keep DIR]`.

Scenes: parts of the labelled court frames of ../shared/data around single players, people in ../shared/data/people and
photos, and the portrait that comes with scikit-image. Each makes bursts of three: the picture, the same with one fault,
in the middle of the burst, where a frame has the better chance, and the picture again, moved by two pixels and with
other noise. Faults: the camera moved by 4 or 8 pixels, focus missed on the subject only, one and two stops under, the
subject cut by the frame at a side, its head cut off, the face or the eyes behind something, the head as from behind,
half of the subject behind something, and of the court its nearest part without a player. All is done as the pictures
are and with the noise of ISO 12,800 (tests/degraded.py), and each frame goes through a JPEG file, the measuring and the
ranking of a run, in a shoot of the other scenes.

Printed for each fault and kind: in how many bursts the frame with the fault is not chosen, by how many points it is
worse in the median and at least, and what is most said of it. And with skin as it is and darker in the same light, and
other jerseys: the most that a score falls, how many words and ratings change; MISSED over three points or a star.

Needs the model files. --keep  folder for what was measured, used again; --only SCENE ... ; --each prints every burst;
--faults leaves skin and kit out
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import skimage.data

from pipeline.engine.run import read_shoot
from pipeline.imaging.colour import srgb_decode, srgb_encode
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.observe import FrameObservation
from pipeline.people.ranking import Ranked, rank
from pipeline.people.subject import find_subjects
from pipeline.types import Burst
from tests.closer import window
from tests.crops import models
from tests.degraded import degraded
from tests.people.test_choice import FALL, darker_skin
from tests.reaches import COURT, labelled
from tests.real_crops import DATA, observed, with_time

Picture = np.ndarray  # (H, W, 3) BGR, 8 bit
_TALL, _SIZE = 0.6, (960, 640)  # of a court player in its view; pixels of it
_PLAYERS = {"a_29885.jpg": (1, 2, 9, 10), "b_29905.jpg": (1, 2, 5)}  # rows of those whom nobody hides
_PEOPLE = ("people/33823288584_1d21cf0a26_k.jpg", "people/17790319373_bd19b24cfc_k.jpg", "photos/112.webp")
KINDS = {"clean": 100.0, "ISO 12,800": 12_800.0}
_SHARES = ((0.5, 0.42, 0.36), (0.17, 0.11, 0.08))  # of light skin's red, green and blue
# A place on each jersey, seen by eye, in fractions of the box around its player: who leans is not in the middle of it.
_JERSEYS = {
    "portrait": (0.3, 0.6), "33823288": (0.5, 0.42), "17790319": (0.45, 0.28), "112": (0.7, 0.6),
    "a-player-1": (0.45, 0.25), "a-player-2": (0.35, 0.25), "a-player-9": (0.5, 0.42), "a-player-10": (0.42, 0.4),
    "b-player-1": (0.68, 0.27), "b-player-2": (0.36, 0.18), "b-player-5": (0.5, 0.2),
}  # fmt: skip
_CLOTH = 245  # of 255, the brightest that a jersey is put on: well exposed ones do not burn
_UNLIKE = np.array([0.35, 1, 1], np.float32) / 25  # by which lightness and colour are another, of 255
_KITS = {"black": (0.08, 0.08, 0.08), "red": (0.15, 0.15, 0.8), "white": (0.9, 0.9, 0.9)}


@dataclass(frozen=True)
class Person:
    """The subject of a scene: its box and its surest face (row of detect.Found, None without one), fractions."""

    box: np.ndarray
    face: np.ndarray | None


def scenes() -> Iterable[tuple[str, Picture]]:
    """Pictures of one person each, by name."""
    yield "portrait", np.ascontiguousarray(skimage.data.astronaut()[..., ::-1])
    for name in _PEOPLE:
        yield Path(name).stem[:8], cv2.imread(str(DATA / name))
    for name, rows in _PLAYERS.items():
        frame = cv2.imread(str(COURT / name))
        for row in rows:
            yield f"{name[0]}-player-{row}", _part(frame, _view(frame, labelled()[name][row]))


def _view(frame: Picture, player: np.ndarray) -> tuple[int, int, int, int]:
    x0, y0, x1, y1 = window(player, _TALL, 0.0, (frame.shape[1], frame.shape[0])).round().astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def _part(frame: Picture, view: tuple[int, int, int, int]) -> Picture:
    x0, y0, x1, y1 = view
    return cv2.resize(frame[y0:y1, x0:x1], _SIZE, interpolation=cv2.INTER_CUBIC)


def elsewhere(scene: str) -> dict[str, Picture]:
    """The part of its court frame nearest to a player's, as large, in which no player is; none for other scenes."""
    if "player" not in scene:
        return {}
    name, row = next(one for one in _PLAYERS if one[0] == scene[0]), int(scene.rsplit("-", 1)[1])
    frame, players = cv2.imread(str(COURT / name)), labelled()[name]
    x0, y0, x1, y1 = _view(frame, players[row])
    wide, tall = x1 - x0, y1 - y0
    left, top = np.meshgrid(np.arange(0, frame.shape[1] - wide, 8), np.arange(0, frame.shape[0] - tall, 8))
    away = np.hypot(left - x0, top - y0)
    for a, b, c, d in players:
        away[(left < c) & (left + wide > a) & (top < d) & (top + tall > b)] = np.inf
    x, y = int(left.flat[away.argmin()]), int(top.flat[away.argmin()])
    return {"nobody": _part(frame, (x, y, x + wide, y + tall))}


def _pixels(picture: Picture, box: np.ndarray) -> tuple[int, int, int, int]:
    height, width = picture.shape[:2]
    x0, y0, x1, y1 = np.round(np.clip(box[:4], 0, 1) * [width, height, width, height]).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def _linear(picture: Picture, change: Callable[[np.ndarray], np.ndarray]) -> Picture:
    light = change(srgb_decode(picture.astype(np.float32) / 255).astype(np.float32))
    return np.asarray(srgb_encode(np.clip(light, 0, 1)) * 255 + 0.5, dtype=np.uint8)


def _moved(pixels: int) -> Callable[[Picture, Person], Picture]:
    kernel = np.ones((1, pixels + 1), np.float32)
    kernel[0, [0, -1]] = 0.5
    return lambda picture, _: _linear(picture, lambda light: cv2.filter2D(light, -1, kernel / kernel.sum()))


def _under(stops: float) -> Callable[[Picture, Person], Picture]:
    return lambda picture, _: _linear(picture, lambda light: light * 2.0**-stops)


def _missed(picture: Picture, person: Person) -> Picture:
    """The hall is sharp and the subject is not: by an eightieth of its height."""
    x0, y0, x1, y1 = _pixels(picture, person.box)
    mask = np.zeros(picture.shape[:2], np.float32)
    mask[y0:y1, x0:x1] = 1
    mask = cv2.GaussianBlur(mask, (0, 0), max(0.03 * (y1 - y0), 1))[..., None]
    soft = cv2.GaussianBlur(picture, (0, 0), (y1 - y0) / 80)
    return np.asarray(mask * soft + (1 - mask) * picture + 0.5, dtype=np.uint8)


def _cut(picture: Picture, person: Person) -> Picture:
    x0, _, x1, _ = _pixels(picture, person.box)
    middle = (x0 + x1) // 2
    left = picture.shape[1] - middle < middle  # what is left is the larger part
    return picture[:, :middle] if left else picture[:, middle:]


def _headless(picture: Picture, person: Person) -> Picture:
    _, y0, _, y1 = _pixels(picture, person.box)
    below = y0 + 0.2 * (y1 - y0)
    if person.face is not None:
        face = _pixels(picture, person.face)
        below = face[3] - 0.1 * (face[2] - face[0])
    return picture[round(below) :]


def _covered(picture: Picture, x0: int, y0: int, x1: int, y1: int) -> Picture:
    """Something woven, in no colour of skin, before a part of the picture."""
    y, x = np.mgrid[0 : y1 - y0, 0 : x1 - x0]
    step = max(3, (x1 - x0) // 12)
    woven = np.where(((x // step + y // step) % 2 == 0)[..., None], (120, 70, 40), (160, 110, 60))
    result = picture.copy()
    result[y0:y1, x0:x1] = woven[: result[y0:y1, x0:x1].shape[0], : result[y0:y1, x0:x1].shape[1]]
    return result


def _no_face(picture: Picture, person: Person) -> Picture | None:
    if person.face is None:
        return None
    x0, y0, x1, y1 = _pixels(picture, person.face)
    grow = (x1 - x0) // 8
    return _covered(picture, max(x0 - grow, 0), max(y0 - grow, 0), x1 + grow, y1 + grow)


def _no_eyes(picture: Picture, person: Person) -> Picture | None:
    if person.face is None:
        return None
    x0, _, x1, _ = _pixels(picture, person.face)
    eyes, wide = round(float(person.face[6]) * len(picture)), x1 - x0
    skin = np.median(picture[eyes + wide // 4 : eyes + wide // 2, x0:x1].reshape(-1, 3), axis=0)
    result = picture.copy()
    cv2.rectangle(result, (x0, eyes - wide // 5), (x1, eyes + wide // 6), skin.tolist(), -1)
    return result


def _from_behind(picture: Picture, person: Person) -> Picture | None:
    """What is above the face, hair or a cap, on all of it: the head of who turns the back."""
    if person.face is None:
        return None
    x0, y0, x1, y1 = _pixels(picture, person.face)
    tall, wide = y1 - y0, x1 - x0
    above = picture[max(y0 - tall // 3, 0) : max(y0 - tall // 16, 2), x0 + wide // 4 : x1 - wide // 4]
    x0, y0 = max(x0 - wide // 8, 0), max(y0 - tall // 8, 0)
    part = picture[y0 : y1 + tall // 8, x0 : x1 + wide // 8]
    over = cv2.resize(above, size := part.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    mask = np.zeros(part.shape[:2], np.float32)
    cv2.ellipse(mask, (size[0] // 2, size[1] // 2), (size[0] // 2, size[1] // 2), 0, 0, 360, 1, -1)
    mask = cv2.GaussianBlur(mask, (0, 0), max(1, wide / 24))[..., None]
    result = picture.copy()
    result[y0 : y1 + tall // 8, x0 : x1 + wide // 8] = mask * over + (1 - mask) * part + 0.5
    return result


def _behind(picture: Picture, person: Person) -> Picture:
    x0, y0, x1, y1 = _pixels(picture, person.box)
    return _covered(picture, x0, y0 + (y1 - y0) // 2, x1, y1)


FAULTS: dict[str, Callable[[Picture, Person], Picture | None]] = {
    "moved by 4": _moved(4), "moved by 8": _moved(8), "focus missed": _missed, "1 stop under": _under(1),
    "2 stops under": _under(2), "cut at a side": _cut, "head cut off": _headless, "face covered": _no_face,
    "eyes covered": _no_eyes, "from behind": _from_behind, "half hidden": _behind,
    "nobody": lambda *_: None,  # see elsewhere
}  # fmt: skip


def kit(picture: Picture, person: Person, at: tuple[float, float], share: tuple[float, float, float]) -> Picture:
    """The jersey in another colour: what has its colour from below the face to the hips, its shading kept.

    at  a place on the jersey, in fractions of the person's box
    """
    x0, y0, x1, y1 = _pixels(picture, person.box)
    x, y = round(x0 + at[0] * (x1 - x0)), round(y0 + at[1] * (y1 - y0))
    top = y0 + round(0.13 * (y1 - y0)) if person.face is None else _pixels(picture, person.face)[3]
    rows, columns = slice(top, y0 + round(0.7 * (y1 - y0))), slice(x0, x1)
    part = picture[rows, columns].astype(np.float32)
    colours = cv2.cvtColor(picture, cv2.COLOR_BGR2YCrCb).astype(np.float32)
    away = (colours[rows, columns] - np.median(colours[y - 2 : y + 3, x - 2 : x + 3], axis=(0, 1))) * _UNLIKE
    apart = _cut_out(picture, person)
    if not apart[y, x]:  # nobody was found in the box
        apart[...] = 1
    alike = np.asarray(np.exp(-(away**2).sum(axis=2)) * apart[rows, columns], np.float32)
    alike = cv2.GaussianBlur(alike, (0, 0), 1.5)[..., None]
    own = np.median(picture[y - 2 : y + 3, x - 2 : x + 3])
    light = part.mean(axis=2, keepdims=True) / max(float(own), 1)
    result = picture.copy()
    cloth = light * np.array(share) * 230
    brightest = cloth[alike[..., 0] > 0.5]
    cloth *= min(1.0, _CLOTH / max(float(np.percentile(brightest, 99)), 1)) if len(brightest) else 1.0
    result[rows, columns] = np.clip(part * (1 - alike) + alike * cloth, 0, 255).astype(np.uint8)
    return result


def _cut_out(picture: Picture, person: Person) -> np.ndarray:
    """(H, W) 1 where the person is, as GrabCut finds it from the box, at a quarter of the pixels."""
    small = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    x0, y0, x1, y1 = (v // 2 for v in _pixels(picture, person.box))
    mask = np.zeros(small.shape[:2], np.uint8)
    cv2.setRNGSeed(1)
    models = np.zeros((2, 1, 65))
    cv2.grabCut(small, mask, (x0, y0, x1 - x0, y1 - y0), models[0], models[1], 3, cv2.GC_INIT_WITH_RECT)
    found = np.isin(mask, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    return cv2.resize(found, picture.shape[1::-1], interpolation=cv2.INTER_NEAREST)


class Shoot:
    """Frames that were written, measured and kept."""

    def __init__(self, folder: Path, files: ModelFiles, keep: Path | None) -> None:
        self.folder, self.files, self.keep = folder, files, keep
        folder.mkdir(parents=True, exist_ok=True)
        self.seen: dict[str, FrameObservation] = {}

    def add(self, pictures: Mapping[str, Picture], iso: float) -> None:
        """Measure pictures as a run would. iso  of noise that is put on, 100 for none"""
        for name, picture in pictures.items():
            number = len(self.seen)
            seed = sum(map(ord, name))
            pixels = degraded(picture[..., ::-1], seed, iso, 0, 0)[..., ::-1] if iso > 100 else picture
            ok, data = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 92])
            assert ok
            one = self.folder / f"{number:05d}"
            one.mkdir()
            (one / f"{number:05d}.jpg").write_bytes(with_time(data.tobytes(), number % 1800, 0))
            (frame,) = read_shoot(one).frames
            self.seen[name] = observed(frame, self.files, self.keep)

    def person(self, name: str) -> Person | None:
        """Whom a picture is about."""
        return person_in(self.seen[name])

    def ranks(self, burst: Sequence[str], scenes: Iterable[str], kind: str) -> dict[str, Ranked]:
        """Of one burst, in a shoot with single frames of the other scenes of its sort."""
        own = burst[0].split()[0]
        like = [one for one in scenes if one != own and ("player" in one) == ("player" in own)]
        bursts = [tuple(burst), *((f"{one} {kind} first",) for one in like)]
        qualities = {}
        for names in bursts:
            frames = [self.seen[name] for name in names]
            subjects = find_subjects([one.people for one in frames])
            qualities |= {n: f.assessed(s) for n, f, s in zip(names, frames, subjects, strict=True)}
        return rank([Burst(names) for names in bursts], qualities)


def person_in(one: FrameObservation) -> Person | None:
    """Whom a frame is about."""
    (subject,) = find_subjects([one.people])
    if subject is None:
        return None
    faces = one.people.faces
    x, y = (faces[:, 0] + faces[:, 2]) / 2, (faces[:, 1] + faces[:, 3]) / 2
    box = subject.box
    high = box.y0 + 0.6 * (box.y1 - box.y0)
    own = faces[(x > box.x0) & (x < box.x1) & (y > box.y0) & (y < high) & (faces[:, 4] > 0.6)]
    return Person(np.array(box), own[0] if len(own) else None)


def versions(picture: Picture, person: Person) -> dict[str, Picture]:
    """The picture twice, and with each fault that it can have."""
    found = {"first": picture, "again": np.ascontiguousarray(picture[2:, 2:])}
    made = {fault: change(picture, person) for fault, change in FAULTS.items()}
    return found | {fault: np.ascontiguousarray(one) for fault, one in made.items() if one is not None}


def report_faults(shoot: Shoot, names: Sequence[str], kind: str, each: bool) -> None:
    """One line for each fault."""
    for fault in FAULTS:
        kept, apart, said = 0, [], Counter[str]()
        for name in names:
            it = f"{name} {kind} {fault}"
            if it not in shoot.seen:
                continue
            burst = [f"{name} {kind} first", it, f"{name} {kind} again"]
            ranks = shoot.ranks(burst, names, kind)
            better = max(ranks[burst[0]].score, ranks[burst[2]].score)
            kept += ranks[it].place > 1
            apart.append(better - ranks[it].score)
            said[ranks[it].why] += 1
            if each:
                texts = [f"{ranks[n].score:.1f} {ranks[n].why}" for n in burst]
                print(f"    {name}: " + " | ".join(texts))
        if apart:
            worst = f"worse by {np.median(apart):.1f} in the median, {min(apart):.1f} at least"
            print(f"  {fault:14} not chosen {kept} of {len(apart)}; {worst}; {said.most_common(1)[0][0]!r}", flush=True)


def looks(picture: Picture, person: Person, jersey: tuple[float, float]) -> dict[str, Picture]:
    """The picture and its likes with other skin and other kit; the same at a stop less."""
    skins = {"plain": picture}
    if person.face is not None:
        x0, y0, x1, y1 = _pixels(picture, person.box)
        for share in _SHARES:
            skins[f"skin {share[0]:g}"] = other = picture.copy()
            other[y0:y1, x0:x1] = darker_skin(picture, person.face, share)[y0:y1, x0:x1]
    found = {f"{name} {light}": change(one, person) for name, one in skins.items() for light, change in _LIGHTS.items()}
    return found | {f"kit {name} as taken": kit(picture, person, jersey, share) for name, share in _KITS.items()}


_LIGHTS = {"as taken": _under(0), "2 under": _under(2)}


def report_looks(shoot: Shoot, names: Sequence[str], kind: str, what: str) -> None:
    """How skin or kit changes what is said of a frame."""
    lost, words, lower = [], [], 0
    for name in names:
        for it in (one for one in shoot.seen if one.startswith(f"{name} {kind} {what} ")):
            light = next(one for one in _LIGHTS if it.endswith(one))
            plain = f"{name} {kind} plain {light}"
            before, after = shoot.ranks([plain], names, kind)[plain], shoot.ranks([it], names, kind)[it]
            lost.append(before.score - after.score)
            lower += after.rating < before.rating
            if before.why != after.why:
                words.append(f"{it}: {before.score:.1f} {before.why} -> {after.score:.1f} {after.why}")
    if lost:
        fall = f"a score falls by {max(lost):.1f} at most, by {np.mean(lost):.1f} in the mean"
        missed = "  MISSED" if max(lost) > FALL or lower else ""
        said = f"{lower} rated lower; other words of {len(words)}{missed}"
        print(f"  {what}: {len(lost)} pictures; {fall}; {said}", flush=True)
        for line in words:
            print(f"    {line}")


def main() -> None:
    """Print it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--only", nargs="*", default=())
    parser.add_argument("--each", action="store_true")
    parser.add_argument("--faults", action="store_true")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as work:
        shoot = Shoot(Path(work), models(), chosen.keep)
        pictures = {name: one for name, one in scenes() if not chosen.only or name in chosen.only}
        shoot.add(pictures, 100)
        people = {name: person for name in pictures if (person := shoot.person(name)) is not None}
        for name in pictures.keys() - people.keys():
            print(f"{name}: nobody leads in it")
        for kind, iso in KINDS.items():
            for name, person in people.items():
                made = versions(pictures[name], person) | elsewhere(name)
                if not chosen.faults:
                    made |= looks(pictures[name], person, _JERSEYS[name])
                shoot.add({f"{name} {kind} {what}": one for what, one in made.items()}, iso)
            print(f"{kind}: {len(people)} scenes")
            report_faults(shoot, list(people), kind, chosen.each)
            for what in ("skin", "kit"):
                report_looks(shoot, list(people), kind, what)


if __name__ == "__main__":
    main()
