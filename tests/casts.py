"""Casts of lamps put on real pictures, and what is taken off again: `python -m tests.casts [--also DIR] [--write]`.

The pictures are those of ../shared/data whose own white is taken for true: photos without a chart and without candles
(by eye; three crops of each of 40 photographs), people, and two court frames. `--also DIR` adds the JPEGs of a folder,
one of each name before an underscore (by hand: those of tests.library_pictures).
Each is given the light of a published lamp, whole, as a camera set to daylight shows it, and by half (in log chroma),
as one that balances in part: white of that lamp in linear Rec. 709, times the light that an S-shaped camera curve of
strength 0.5 was undone to (imaging.camera_curve), as bright as before, clipped, bent again and coded in 8 bits. x and y
of CIE A, FL2, FL11, LED-B1 and LED-B3: CIE 15:2018, by colour-science.

Printed for each set and lamp, log chroma (0.017 is about one CIELAB unit): the cast; how far white is off after
gray_world of that picture alone, median and 90th percentile, where its exposure is not known and where it is that of a
hall; and of how many less than half of the cast is left. In the lines "none put on" what is moved is harm. Then how
often what is said to be so many per cent sure is right, within 0.05: pictures without a cast and with one (each lamp
and share alike) are mixed, a quarter of them with one by default (--mixed; no source). The table of natural colours
(light/natural_colours.npz) is made without the photograph that it judges: in five parts, all crops of a photograph in
one. `--write` makes it of all of them, but never of those of --also. Their licences (CC0, US government works, BSD-2):
../shared/data/SOURCES.md.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import PIL.Image
from scipy.ndimage import gaussian_filter

from pipeline.engine.measure import PROXY_EDGE
from pipeline.imaging.camera_curve import bend, straighten
from pipeline.imaging.colour import LUMINANCE, XYZ_FROM_REC709, srgb_decode, srgb_encode
from pipeline.light import cast, palette
from pipeline.light.neutral import Candidate, agree_on_white, candidates
from pipeline.types import F32, F64, Domain, Image, Noise

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
# First of three crops of each photograph without a chart, by eye; 184 to 186 is lit by candles, a cast of its own.
PHOTOS = (
    0, 9, 12, 23, 32, 41, 44, 47, 50, 56, 62, 71, 74, 77, 83, 89, 92, 95, 99, 102, 108, 111, 126, 129, 138, 141, 147,
    153, 160, 163, 187, 193, 197, 200, 206, 211, 223, 227, 233, 241,
)  # fmt: skip
LAMPS = ("A", "FL2", "FL11", "LED-B1", "LED-B3")
SHARES = (0.5, 1.0)
PARTS = 5
RIGHT = 0.05  # log chroma: three CIELAB units
_SAID = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1.01)
_CURVE = 0.5
_BLUR, _ANYTHING = 1.5, 0.03  # bins; share of colours that may be any
_UNIT = 0.05  # of the table, natural log
NOISE = Noise(np.full(3, 1e-5), np.full(3, 1e-6))


@dataclass(frozen=True)
class Case:
    """A picture under a lamp. group  of pictures that never judge each other; lamp  "" for none; put  (2,) its white;
    whites, histogram, place  what is seen of it"""

    kind: str
    group: str
    lamp: str
    share: float
    put: F64
    whites: Sequence[Candidate]
    histogram: F64
    place: F64


def lamp_white(name: str) -> F64:
    """(2,) ln R/G and ln B/G of a published lamp's white in linear Rec. 709."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    x, y = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name]
    rgb = np.linalg.inv(XYZ_FROM_REC709) @ np.array([x / y, 1, (1 - x - y) / y])
    return np.asarray(np.log(rgb / rgb[1])[[0, 2]])


def under(light: F32, white: F64) -> F32:
    """A picture (H, W, 3), linear by the sRGB curve, as its camera would have shown it in light of this white (2,)."""
    scene = straighten(light, _CURVE)
    lit = scene * np.exp([white[0], 0.0, white[1]]).astype(np.float32)
    weight = LUMINANCE.astype(np.float32)
    lit = lit * float((scene @ weight).mean() / max(float((lit @ weight).mean()), 1e-6))
    shown = np.clip(bend(np.minimum(lit, 1).astype(np.float32), _CURVE), 0, 1)
    return np.asarray(srgb_decode(np.round(srgb_encode(shown) * 255) / 255), dtype=np.float32)


def files(also: Path | None) -> Iterator[tuple[str, str, Path]]:
    """Kind, group and path of each picture."""
    for first in PHOTOS:
        for number in range(first, first + 3):
            yield "own", f"photo {first}", DATA / "photos" / f"{number:03d}.webp"
    for path in sorted((DATA / "people").glob("*.jpg")):
        yield "own", path.stem, path
    for name in ("a_29885", "b_29905"):
        yield "own", "court", DATA / "court" / f"{name}.jpg"
    if also is not None:
        first_of = {path.stem.partition("_")[0]: path for path in sorted(also.glob("*.jpg"), reverse=True)}
        for group, path in sorted(first_of.items()):
            if "mirrored" not in group:
                yield "also", group, path


def cases(paths: Sequence[tuple[str, str, Path]]) -> list[Case]:
    """Each picture as it is and under each lamp."""
    found = []
    lamps = {name: lamp_white(name) for name in LAMPS}
    for kind, group, path in paths:
        with PIL.Image.open(path) as picture:
            small = picture.convert("RGB")
            small.thumbnail((PROXY_EDGE, PROXY_EDGE), PIL.Image.Resampling.BOX)
        light = srgb_decode(np.asarray(small, np.float32) / 255).astype(np.float32)
        for lamp, share in [("", 0.0), *((name, share) for name in LAMPS for share in SHARES)]:
            put = share * lamps[lamp] if lamp else np.zeros(2)
            pixels = under(light, put) if lamp else light
            image = Image(pixels, Domain.CAMERA, NOISE, np.ones(3), np.eye(3))
            samples = palette.chroma_samples([(pixels, image, 0.0, 1.0)], np.ones(3))
            histogram = palette.histogram(samples)
            place = palette.main_chroma(histogram.astype(np.float32))
            found.append(Case(kind, group, lamp, share, put, candidates(samples), histogram, place))
    return found


def table_of(some: Sequence[Case]) -> F64:
    """(80, 112) natural log of how common colours are, each picture alike."""
    shares = np.sum([c.histogram**2 / max(float((c.histogram**2).sum()), 1e-12) for c in some], axis=0) / len(some)
    return np.asarray(np.log((1 - _ANYTHING) * gaussian_filter(shares, _BLUR) + _ANYTHING / shares.size))


def answers(some: Sequence[Case], hall: bool) -> tuple[F64, list[bool]]:
    """(N, 2) white of each by gray_world alone, and whether a cast was seen."""
    groups = sorted({c.group for c in some if c.kind == "own"})
    part = {g: i % PARTS for i, g in enumerate(np.random.default_rng(1).permutation(groups))}
    plain = [c for c in some if c.kind == "own" and not c.lamp]
    tables = {k: table_of([c for c in plain if part[c.group] != k]) for k in range(PARTS)}
    every, whites, seen = table_of(plain), [], []
    for case in some:
        votes = agree_on_white(case.place[None], [case.whites], np.zeros((1, 2)), True)
        table = tables.get(part.get(case.group, -1), every)
        found = cast.warm_cast(case.whites, case.histogram, table, supported=hall)
        whites.append(cast.without_cast(votes, case.place[None], [found], [hall], [case.whites])[0].white)
        seen.append(found is not None)
    return np.array(whites), seen


def report(some: Sequence[Case]) -> Iterator[str]:
    """Lines of the study."""
    (unknown, guessed), (lit, seen) = answers(some, False), answers(some, True)
    put = np.array([c.put for c in some])

    def left(white: F64, of: np.ndarray) -> str:
        off, strong = np.hypot(*(white - put)[of].T), np.hypot(*put[of].T)
        return f"{np.median(off):.2f} {np.quantile(off, 0.9):.2f}, less than half {(off < strong / 2).mean():4.0%}"

    for kind in dict.fromkeys(c.kind for c in some):
        for lamp, share in dict.fromkeys((c.lamp, c.share) for c in some):
            of = np.array([(c.kind, c.lamp, c.share) == (kind, lamp, share) for c in some])
            casts = [float(np.array(which)[of].mean()) for which in (guessed, seen)]
            if not lamp:
                moved = [[float((np.hypot(*w[of].T) > far).mean()) for far in (0.2, 0.5)] for w in (unknown, lit)]
                yield (f"{kind}: {of.sum()} pictures, none put on: cast seen {casts[0]:.1%}, moved by more than 0.2 "
                       f"{moved[0][0]:.1%}, 0.5 {moved[0][1]:.1%}; in a hall seen {casts[1]:.1%}, moved "
                       f"{moved[1][0]:.1%}, {moved[1][1]:.1%}")  # fmt: skip
                continue
            yield (f"{kind} {lamp:7s}{share:.1f}: {np.hypot(*put[of][0]):.2f}, seen {casts[0]:4.0%}, left "
                   f"{left(unknown, of)}; in a hall seen {casts[1]:4.0%}, left {left(lit, of)}")  # fmt: skip


def said_and_right(some: Sequence[Case], mixed: float) -> Iterator[str]:
    """How sure the white of one picture alone is said to be, and how often it is right. mixed  share with a cast; those
    whose cast is seen get no figure."""
    for kind in dict.fromkeys(c.kind for c in some):
        own = [c for c in some if c.kind == kind]
        votes = [agree_on_white(c.place[None], [c.whites], np.zeros((1, 2)), True)[0] for c in own]
        sure, plain = np.array([v.sure for v in votes]), np.array([not c.lamp for c in own])
        right = np.array([np.hypot(*(v.white - c.put)) for v, c in zip(votes, own, strict=True)]) < RIGHT
        weight = np.where(plain, (1 - mixed) / plain.sum(), mixed / max((~plain).sum(), 1))
        for low, high in pairwise(_SAID):
            of = (sure >= low) & (sure < high)
            if of.any():
                said, was = (float(weight[of] @ v[of] / weight[of].sum()) for v in (sure, right))
                share = float(weight[of].sum())
                yield f"{kind}: said {said:.0%} sure, right {was:.0%} ({of.sum()} cases, {share:.0%} of all)"


def write(some: Sequence[Case], say: Callable[[str], None] = print) -> None:
    """The table of all pictures without a cast, into the package."""
    table = table_of([c for c in some if c.kind == "own" and not c.lamp])
    path = Path(cast.__file__).with_name("natural_colours.npz")
    np.savez_compressed(path, log_share=np.round(table / _UNIT).astype(np.int16), unit=np.float32(_UNIT))
    say(f"{path.name}: {path.stat().st_size} bytes")


def main() -> None:
    parser = argparse.ArgumentParser(description="Casts put on real pictures, and what is taken off.")
    parser.add_argument("--also", type=Path, help="folder of more pictures, which never make the table")
    parser.add_argument("--write", action="store_true", help="write light/natural_colours.npz anew")
    parser.add_argument(
        "--mixed", type=float, default=0.25, help="share of pictures with a cast, for how sure is right"
    )
    given = parser.parse_args()
    if not DATA.is_dir():
        parser.error("../shared/data is not there")
    some = cases(list(files(given.also)))
    if given.write:
        write(some)
    print(*report(some), *said_and_right(some, given.mixed), sep="\n")


if __name__ == "__main__":
    main()
