"""Drawn pictures of what misleads a crop: officials, a bench, a team's line-up, an empty hall, a racket, two opponents.

The hall, the figures and the ball are those of fixtures/; the pictures are written as JPEGs, as a camera would finish
them. All is invented: what is right in them follows from how they were drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import PIL.Image
from pipeline.fixtures.equipment import draw_ball, draw_goal
from pipeline.fixtures.figure import Limb, Part, Player, draw, draw_player
from pipeline.fixtures.hall import GREEN_JERSEY, WHITE_JERSEY
from pipeline.fixtures.scene import Camera, Layer, Responses, background, camera_responses

from pipeline.imaging.colour import srgb_encode

SIZE = (1440, 960)
_VIEW = Camera(-6.0, *SIZE)
_OFFICIAL = {"shirt": "chart yellow", "shorts": "black", "ink": "chart yellow"}
_COACH = {"shirt": "dark", "shorts": "dark", "ink": "dark"}
# IEC 61966-2-1: XYZ to linear sRGB, D65.
_TO_RGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])


@dataclass(frozen=True)
class Situation:
    """One burst, and what is right in it.

    figures  of the time in seconds; those with `main` numbers are whom it is about
    cropped  True: each frame is to be cropped; False: each is to be left whole; None: either, but rightly
    ball     place (metres) of the time, None without one
    """

    name: str
    figures: Callable[[float], Sequence[Player]]
    main: tuple[str, ...] = ()
    cropped: bool | None = None
    ball: Callable[[float], tuple[float, float, float]] | None = None
    racket: bool = False
    bench: bool = False
    frames: int = 3


@dataclass(frozen=True)
class Drawn:
    """A frame of a situation: boxes in fractions; must  of each main figure with all it holds, others  of the rest."""

    situation: Situation
    must: list[np.ndarray] = field(default_factory=list)
    others: list[np.ndarray] = field(default_factory=list)


def _player(x: float, z: float, number: str, arms: str, t: float = 0.0, facing: int = 1, **more: object) -> Player:
    wear = {**GREEN_JERSEY, "skin": "skin", "phase": 1.0 + 11 * t, "seed": len(number) + int(10 * abs(x)), **more}
    return Player(x=x, z=z, facing=facing, number=number, arms=arms, **wear)


def _row(arms: str, z: float, wear: dict[str, str], count: int, apart: float) -> Callable[[float], Sequence[Player]]:
    places = (np.arange(count) - (count - 1) / 2) * apart
    skins = ("skin", "brown skin", "skin", "skin")
    return lambda t: [
        _player(float(x), z, str(i + 2), arms, 0.0, 1, skin=skins[i % 4], seed=i, height=1.72 + 0.03 * (i % 5), **wear)
        for i, x in enumerate(places)
    ]


SITUATIONS = (
    Situation("empty", lambda t: [], cropped=False),
    Situation("ball-on-floor", lambda t: [], ball=lambda t: (0.3, 0.09, 8.0), cropped=False),
    Situation("bench", _row("sit", 7.2, dict(WHITE_JERSEY), 6, 0.62), cropped=False, bench=True),
    Situation("line-up", _row("stand", 8.0, dict(GREEN_JERSEY), 7, 0.58), cropped=False),
    Situation("coach", lambda t: [_player(0.5, 6.0, "", "stand", **_COACH)], cropped=False),
    Situation(
        "officials",
        lambda t: [
            _player(-0.9 + 3.2 * t, 10.5, "5", "run", t, **WHITE_JERSEY),
            _player(-0.1 + 2.4 * t, 8.6, "9", "throw", t, above=max(0.0, 0.23 - 2.0 * (t - 0.1) ** 2), swing=0.6),
            _player(1.75, 6.6, "", "stand", facing=-1, height=1.86, **_OFFICIAL),
        ],
        ("9",),
        ball=lambda t: (0.35 + 2.4 * t, 2.45, 8.6),
    ),
    Situation(
        "raised-hands",
        lambda t: [_player(0.0 + 0.3 * t, 8.2, "12", "block", t, above=max(0.05, 0.35 - 2 * (t - 0.15) ** 2))],
        ("12",),
        True,
        lambda t: (0.45 + 0.2 * t, 2.5, 8.2),
    ),
    Situation("racket", lambda t: [_player(-0.2 + 1.5 * t, 8.0, "4", "strike", t)], ("4",), racket=True),
    Situation(
        "opponents",
        lambda t: [
            _player(0.30 + 0.8 * t, 8.7, "3", "block", t, facing=-1, above=0.12, **WHITE_JERSEY),
            _player(-0.12 + 1.0 * t, 8.5, "8", "throw", t, above=0.15, swing=0.4 + t),
        ],
        ("3", "8"),
        ball=lambda t: (0.0 + 1.0 * t, 2.35, 8.5),
    ),
    Situation(
        "opponents-wide",
        lambda t: [
            _player(1.25 + 0.5 * t, 8.7, "3", "run", t, facing=-1, **WHITE_JERSEY),
            _player(-0.75 + 1.0 * t, 8.5, "8", "run", t),
        ],
        ("3", "8"),
        ball=lambda t: (0.25 + 0.6 * t, 1.1, 8.6),
    ),
)


def draw_situation(situation: Situation, folder: Path, seed: int = 5) -> dict[str, Drawn]:
    """Write the frames of a situation as NAME_1.jpg, ... into `folder`; returns what is in each, by stem."""
    resp = camera_responses()
    still = background(_VIEW, resp)
    found = {}
    rng = np.random.default_rng(seed)
    for number in range(situation.frames):
        t = number / 10
        layer = replace(still, buffer=still.buffer.copy(), label=still.label.copy(), where=still.where.copy())
        draw_goal(_VIEW, layer, resp, near=False)
        draw_goal(_VIEW, layer, resp, near=True)
        if situation.bench:
            seat = Limb(np.array([_VIEW.x - 2.0, 0.36, 7.3]), np.array([_VIEW.x + 2.0, 0.36, 7.3]), 0.05, 0.05)
            draw(_VIEW, layer, [Part("dark", [seat])], resp, 7.3, seed=1)
        drawn = Drawn(situation)
        for player in situation.figures(t):
            placed = replace(player, x=player.x + _VIEW.x)
            box, hand = draw_player(_VIEW, layer, placed, resp)
            if situation.racket:
                box = _around(box, _racket(layer, hand, player.facing, resp))
            share = np.array(box) / [*SIZE, *SIZE]
            (drawn.must if player.number in situation.main else drawn.others).append(share)
        if situation.ball is not None:
            x, y, z = situation.ball(t)
            draw_ball(_VIEW, layer, resp, np.array([x + _VIEW.x, y, z]))
        light = np.maximum(layer.buffer[..., 6:9] @ _TO_RGB.T, 0) * 0.8
        noisy = light + rng.normal(0, 1, light.shape) * np.sqrt(4e-4 * light + 1e-5)
        codes = srgb_encode(np.clip(noisy, 0, 1)) * 255 + 0.5
        stem = f"{situation.name}_{number + 1}"
        PIL.Image.fromarray(codes.astype(np.uint8)).save(folder / f"{stem}.jpg", quality=92)
        found[stem] = drawn
    return found


def _racket(layer: Layer, hand: np.ndarray, facing: int, resp: Responses) -> tuple[int, int, int, int]:
    """A racket 0.68 m long that goes on from the hand, up and ahead; returns its box."""
    along = np.array([0.75 * facing, 0.66, 0.0])
    across = np.array([-along[1], along[0], 0.0])
    middle = hand + 0.52 * along
    angles = np.linspace(0, 2 * np.pi, 17)
    rim = [middle + 0.16 * np.cos(a) * along + 0.12 * np.sin(a) * across for a in angles]
    parts = [Part("black", [Limb(hand, hand + 0.36 * along, 0.016, 0.012)])]
    parts += [Part("red", [Limb(p, q, 0.014, 0.014)]) for p, q in pairwise(rim)]
    return draw(_VIEW, layer, parts, resp, float(hand[2]), seed=3)


def _around(one: tuple[int, ...], other: tuple[int, ...]) -> tuple[int, int, int, int]:
    return min(one[0], other[0]), min(one[1], other[1]), max(one[2], other[2]), max(one[3], other[3])
