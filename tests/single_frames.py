"""Single frames in pulsing halls, evened by bursts: `python -m tests.single_frames --hall A --seed 23`.

Generated halls of fixtures/hall.py ("stranger": one that no other test uses), with singles added near each burst, from
a step to either side. Each single is tried by every burst of the hall (`phase_in`), nearest first, as a run
does: of those that a burst is believed for, and of all as shot, how far the light on white is from even, EV of green
between its 2.5th and 97.5th percentile over the frame; how many were evened; how many became worse.

`--court`: frames of the rally a_* in ../shared/data/court as a burst, later frames and the one frame of another rally
as singles, each with a pulse of its own put on it (tests.court_flicker), and without. `--photographs N`: pictures of
../shared/data/people and photos, as singles of the court: none may be believed.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from unittest import mock

import cv2
import numpy as np
import PIL.Image
from pipeline.fixtures import demo
from pipeline.fixtures.hall import HALLS, WHITE_JERSEY, BurstPlan, Hall, horizon_for
from pipeline.fixtures.light import Lamp

from pipeline.light.flicker import View, agreed, views
from pipeline.light.singles.frame import KnownHall, gain_map, phase_in
from pipeline.types import Domain, Image, Noise
from tests.burst_parts import DrawnFrame, _Drawing, to_working
from tests.court_flicker import DATA, DEPTH, PERIODS, decode

_PURPLE = {"shirt": "chart purple", "shorts": "white", "ink": "white"}
STRANGER = Hall(
    Lamp("FL12", 0.34, 0.7), Lamp("HP4", 0.40, 1.9, 0.05, 0.5), width=3.5, centre=0.5, floor="grey floor", lens=1.15,
    horizon=horizon_for(0.42, 1.15), jerseys=(WHITE_JERSEY, _PURPLE),
    bursts=(
        BurstPlan(-6.0, 6400, 1.0, 70.0), BurstPlan(6.8, 12800, 1.0, 260.0),
        BurstPlan(0.5, 6400, 0.9, 540.0, frames=4, pan=-0.1),
    ),
)  # fmt: skip
_ASIDE = (-0.5, 0.6)  # metres from a burst's place; each single a step of up to 1.2 m beside
_EACH = 4  # singles a burst
_SMALL = 192  # pixels, longer side
Picture = np.ndarray


class _WithSingles(_Drawing):
    """That keeps the light of single frames too."""

    def take(self, *given: object) -> None:
        more = given[5]
        assert isinstance(more, dict)
        single = more.pop("single", False)
        super().take(*given)  # type: ignore[arg-type]
        if single:
            more["single"] = True


def drawn(hall: Hall, seed: int, size: tuple[int, int]) -> tuple[list[list[DrawnFrame]], list[DrawnFrame]]:
    """The bursts of a hall, and singles beside them."""
    bursts = tuple(b for b in hall.bursts if not b.singles)
    more = tuple(
        BurstPlan(b.x + _ASIDE[k % 2], 6400, 0.85, 5000.0 + 100 * k, frames=_EACH, singles=True)
        for k, b in enumerate(bursts)
    )
    hall = replace(hall, bursts=(*bursts, *more), checks=())
    nothing = mock.patch.object(demo, "write_dng", lambda *_, **__: None)
    with tempfile.TemporaryDirectory() as scratch, mock.patch.object(demo, "_Shoot", _WithSingles), nothing:
        demo.write_demo(Path(scratch) / "shoot", hall=hall, seed=seed, width=size[0], height=size[1])
    found, singles = defaultdict(list), []
    for frame in _WithSingles.made.pop().kept:
        (singles if frame.truth.get("single") else found[frame.truth["burst"]]).append(frame)
    return list(found.values()), singles


def spread(light: Picture) -> float:
    """EV of green over a frame."""
    return float(np.ptp(np.percentile(light[..., 1], [2.5, 97.5])))


def of_hall(hall: Hall, seed: int, size: tuple[int, int]) -> Iterator[tuple[float, float | None]]:
    """Of each single: EV as shot, and as the first burst leaves it that is believed."""
    matrix, random = to_working(hall.camera), np.random.default_rng(seed)
    bursts, singles = drawn(hall, seed, size)

    def seen(frames: Sequence[DrawnFrame]) -> list[View]:
        shown = views([frame.proxy(matrix, random) for frame in frames], 1)
        return [replace(view, people=frame.people()) for view, frame in zip(shown, frames, strict=True)]

    known = []
    for burst in bursts:
        shown = seen(burst)
        if (tells := KnownHall.of(shown, agreed(shown))) is not None:
            known.append((burst[0].truth["x"], tells))
    for single in singles:
        view, white, x = seen([single])[0], single.white.astype(np.float32), single.truth["x"]
        after = None
        for _, tells in sorted(known, key=lambda one: abs(one[0] - x)):
            if (found := phase_in(view, tells)).believed:
                after = spread(white + gain_map(found, tells, view.people).on(*white.shape[:2]))
                break
        yield spread(white), after


def small(path: Path, size: tuple[int, int] | None = None) -> Picture:
    """A finished picture, linear, (H, W, 3), of at most a proxy's size, or of (width, height)."""
    linear = decode(np.asarray(PIL.Image.open(path).convert("RGB"), np.float32) / 255).astype(np.float32)
    by = _SMALL / max(linear.shape[:2])
    size = size or (round(linear.shape[1] * by), round(linear.shape[0] * by))
    return cv2.resize(linear, size, interpolation=cv2.INTER_AREA)


def court_views(pictures: Sequence[Picture], lamps: Sequence[Picture]) -> list[View]:
    """With so much light put on each."""
    noise = Noise(np.full(3, 2e-5), np.full(3, 1e-7))
    lit = [np.clip(p * light / (1 + DEPTH.max()), 0, 1) for p, light in zip(pictures, lamps, strict=True)]
    return views([Image(p.astype(np.float32), Domain.CAMERA, noise, np.ones(3), np.eye(3)) for p in lit], 1)


def pulse(rows: int, periods: float, phase: float) -> Picture:
    """(rows, 1, 3) the light of lamps as of tests.court_flicker."""
    return 1 + DEPTH * np.sin(2 * np.pi * periods * (np.arange(rows) + 0.5) / rows + phase)[:, None, None]


def on_court(seed: int, photographs: int) -> Iterator[str]:
    """What becomes of single frames of the court, and of pictures of other places, in words."""
    random = np.random.default_rng(seed)
    rally = [small(p) for p in sorted(DATA.glob("a_*.jpg"))]
    other = small(DATA / "b_29905.jpg")
    rows, periods = other.shape[0], float(random.uniform(*PERIODS))
    burst = court_views(rally[:6], [pulse(rows, periods, p) for p in random.uniform(0, 2 * np.pi, 6)])
    tells = KnownHall.of(burst, agreed(burst))
    if tells is None:
        yield "the burst tells nothing"
        return
    for name, picture in (("a_29888", rally[8]), ("a_29889", rally[9]), ("b_29905", other)):
        for light in [*(pulse(rows, periods, p) for p in random.uniform(0, 2 * np.pi, 4)), np.ones((rows, 1, 3))]:
            view = court_views([picture], [light])[0]
            found = phase_in(view, tells)
            even = gain_map(found, tells, None).on(rows, 8) if found.believed else np.zeros((rows, 8, 3))
            before, after = np.log2(light) + np.zeros((rows, 8, 3)), np.log2(light) + even
            done = f"{np.ptp(after, axis=(0, 1)).max():.3f}" if found.believed else "kept"
            yield f"{name}: {np.ptp(before, axis=(0, 1)).max():.2f} EV, {done}"
    paths = sorted([*(DATA.parent / "people").glob("*.jpg"), *(DATA.parent / "photos").glob("*.webp")])
    for path in random.permutation(np.array(paths))[:photographs].tolist():
        view = court_views([small(path, (other.shape[1], rows))], [np.ones((rows, 1, 3))])[0]
        if (found := phase_in(view, tells)).believed:
            yield f"{path.name}: FALSE: {found}"
    yield f"{photographs} photographs of other places tried"


def main() -> None:
    parser = argparse.ArgumentParser(description="Single frames in pulsing halls, evened by bursts.")
    parser.add_argument("--hall", nargs="*", default=["stranger"], choices=[*HALLS, "stranger"])
    parser.add_argument("--seed", type=int, nargs="*", default=[4407])
    parser.add_argument("--size", default="768x512")
    parser.add_argument("--court", action="store_true")
    parser.add_argument("--photographs", type=int, default=0)
    given = parser.parse_args()
    if given.court:
        for seed in given.seed:
            print(*on_court(seed, given.photographs), sep="\n", flush=True)
        return
    width, height = (int(v) for v in given.size.split("x"))
    for name in given.hall:
        for seed in given.seed:
            each = list(of_hall(HALLS.get(name, STRANGER), seed, (width, height)))
            before, pairs = [b for b, _ in each], [(b, a) for b, a in each if a is not None]
            shot, after, worse = (np.array(v) for v in (before, [a for _, a in pairs], [a > b for b, a in pairs]))
            print(f"{name} {seed}: {len(pairs)} of {len(each)} evened, {worse.sum():.0f} worse; as shot {_of(shot)} "
                  f"EV, evened {_of(np.array([b for b, _ in pairs]))} to {_of(after)}", flush=True)  # fmt: skip


def _of(values: Picture) -> str:
    return "nothing" if not len(values) else f"{np.median(values):.2f} (most {values.max():.2f})"


if __name__ == "__main__":
    main()
