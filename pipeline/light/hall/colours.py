"""What makes the colours of a hall alike in all its lights, for the scenes that references serve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.light import palette
from pipeline.light.references import WhiteMap
from pipeline.light.rendering.alike import Lit, alike, colours_of, lamp_spread
from pipeline.light.rendering.mercury import mercury_share, rendering_matrix
from pipeline.light.scenes import Scene, ShootLight
from pipeline.types import F64


@dataclass(frozen=True)
class HallColoursConstants:
    """Which scenes show the colours of a light. Chosen on drawn halls: `python -m tests.evenness_of_raws`. That each
    one matters: `pytest tests/test_constants.py`.

    recognised  match (0 to 1) from which a scene's colours are those of the hall
    pure        power of its share of a light by which a scene says what that light makes of colours
    cells       of a light's histogram, the fullest, that are compared
    mercury     share of a light, from which it is mercury's: of tubes the greenest (FL6) reaches 0.15
    """

    recognised: float = 0.6
    pure: int = 4
    cells: int = 200
    mercury: float = 0.35


HALL_COLOURS = HallColoursConstants()


def turns(light: ShootLight, maps: Mapping[int, WhiteMap]) -> dict[int, F64]:
    """Scene -> (3, 3) on colours in working-linear that makes its surfaces look as in the hall's other lights.

    maps  of the groups of scenes that references serve. Scenes of a group in one light, with mercury or a chart in
    each, or of finished pictures have none.
    """
    found: dict[int, F64] = {}
    for group, whites in maps.items():
        members = np.flatnonzero(light.group == group).tolist()
        own = light.scenes[members[0]].to_working
        shares = {i: _shares(whites, light.chromaticities[i]) for i in members}
        known = [i for i in members if light.match[i] >= HALL_COLOURS.recognised]
        if not known or lamp_spread(own) is None or _mercury(light.scenes[known[0]], whites):
            continue
        lights = [_lit(light, whites, shares, known, number) for number in range(len(whites.names))]
        matrices = alike(lights, own)
        if matrices is None:
            continue
        back = np.linalg.inv(own)
        found |= {i: own @ np.tensordot(shares[i], matrices, axes=1) @ back for i in members}
    return found


def _shares(whites: WhiteMap, chromaticity: F64) -> F64:
    share = whites.shares(chromaticity).clip(0, 1)
    return np.asarray(share / share.sum())


def _lit(light: ShootLight, whites: WhiteMap, shares: Mapping[int, F64], known: list[int], number: int) -> Lit:
    """What the scenes show of one light, each the more the purer it is there."""
    say = {i: float(shares[i][number]) ** HALL_COLOURS.pure for i in known}
    total = sum(say.values())
    chart = whites.matrices[number] is not None
    nothing = Lit(np.zeros((0, 2)), np.zeros(0), np.eye(len(whites.names))[number], whites.whites[number], chart)
    if total <= 0:
        return nothing
    sums = np.zeros(palette.SIZE)
    for i in known:
        if say[i] > 0:
            sums += say[i] * _balanced(light.scenes[i], whites.white(light.chromaticities[i]))
    cells = np.argsort(sums.ravel())[::-1][: HALL_COLOURS.cells]
    weight = sums.ravel()[cells]
    cells, weight = cells[weight > 0], weight[weight > 0]
    chroma = palette.LOW + palette.STEP * (np.column_stack(np.unravel_index(cells, palette.SIZE)) + 0.5)
    own = light.scenes[known[0]].to_working
    matrix = whites.matrices[number]
    if matrix is None:
        matrix = rendering_matrix(whites.whites[number], own, light.scenes[known[0]].mercury)
    shown = colours_of(chroma) @ (np.linalg.inv(own) @ matrix).T
    good = (shown > 0).all(axis=1)
    shown, weight = shown[good], weight[good]
    chroma = np.log(shown[:, [0, 2]] / shown[:, 1:2])
    share = sum(say[i] * shares[i] for i in known) / total
    return Lit(chroma, weight, np.asarray(share), whites.whites[number], chart)


def _mercury(scene: Scene, whites: WhiteMap) -> bool:
    """Whether one of the lights is mercury's, whose colours are foretold already. No matrix makes what it leaves alike:
    reds are a stop darker there, and the other light's colours would follow them."""
    return any(mercury_share(white, scene.mercury) > HALL_COLOURS.mercury for white in whites.whites)


def _balanced(scene: Scene, white: F64) -> F64:
    """(80, 112) the histogram of a scene's chroma against white at nought."""
    cells = np.asarray(scene.chroma_histogram, dtype=np.float64)
    rows, columns = np.nonzero(cells)
    chroma = palette.LOW + palette.STEP * (np.column_stack([rows, columns]) + 0.5)
    return palette.counts(chroma - white, cells[rows, columns])
