"""What makes the colours of a hall alike in all its lights, for the scenes that references serve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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


def turns(light: ShootLight, maps: Mapping[int, WhiteMap], places: Mapping[int, F64] | None = None) -> dict[int, F64]:
    """Scene -> (3, 3) on colours in working-linear that makes its surfaces look as in the hall's other lights.

    maps  of the groups of scenes that references serve; places  scene -> where it lies on its group's map (2,), of
    those that the map serves; None: all, by their own chromaticity. Scenes of a group in one light, with mercury or a
    chart in each, or of finished pictures have none.
    """
    at = dict(enumerate(light.chromaticities)) if places is None else places
    found: dict[int, F64] = {}
    for group, whites in maps.items():
        members = [i for i in np.flatnonzero(light.group == group).tolist() if i in at]
        known = [i for i in members if light.match[i] >= HALL_COLOURS.recognised]
        if not known:
            continue
        own = light.scenes[known[0]].to_working
        if lamp_spread(own) is None or _mercury(light.scenes[known[0]], whites):
            continue
        shares = {i: _shares(whites, at[i]) for i in members}
        shown = [(light.scenes[i], whites.white(at[i]), shares[i]) for i in known]
        matrices = alike([_lit(shown, whites, number) for number in range(len(whites.names))], own)
        if matrices is None:
            continue
        back = np.linalg.inv(own)
        found |= {i: own @ np.tensordot(shares[i], matrices, axes=1) @ back for i in members}
    return found


def _shares(whites: WhiteMap, chromaticity: F64) -> F64:
    share = whites.shares(chromaticity).clip(0, 1)
    return np.asarray(share / share.sum())


def _lit(shown: Sequence[tuple[Scene, F64, F64]], whites: WhiteMap, number: int) -> Lit:
    """What scenes, each with its white (2,) and shares (L,) of the lights, show of one light, the more the purer it is
    there."""
    say = [float(shares[number]) ** HALL_COLOURS.pure for _, _, shares in shown]
    total = sum(say)
    chart = whites.matrices[number] is not None
    nothing = Lit(np.zeros((0, 2)), np.zeros(0), np.eye(len(whites.names))[number], whites.whites[number], chart)
    if total <= 0:
        return nothing
    sums = np.zeros(palette.SIZE)
    for (scene, white, _), part in zip(shown, say, strict=True):
        if part > 0:
            sums += part * _balanced(scene, white)
    cells = np.argsort(sums.ravel())[::-1][: HALL_COLOURS.cells]
    weight = sums.ravel()[cells]
    cells, weight = cells[weight > 0], weight[weight > 0]
    chroma = palette.LOW + palette.STEP * (np.column_stack(np.unravel_index(cells, palette.SIZE)) + 0.5)
    first = shown[0][0]
    own, matrix = first.to_working, whites.matrices[number]
    if matrix is None:
        matrix = rendering_matrix(whites.whites[number], own, first.mercury)
    colours = colours_of(chroma) @ (np.linalg.inv(own) @ matrix).T
    good = (colours > 0).all(axis=1)
    colours, weight = colours[good], weight[good]
    chroma = np.log(colours[:, [0, 2]] / colours[:, 1:2])
    share = sum(part * shares for (_, _, shares), part in zip(shown, say, strict=True)) / total
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
