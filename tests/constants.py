"""Figures that hold the constants of a topic in place: see test_constants.py.

`python -m tests.constants [TOPIC ...]` writes them anew, after a constant was changed on purpose (say in the commit
why), and names every constant that a tenth more or less does not show.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from types import ModuleType
from typing import Any
from unittest.mock import patch

import numpy as np

from pipeline.imaging import level, manhattan, resample, rotation, sharpness, tone
from pipeline.imaging.denoise import block_wiener, cells, denoise, edges, picture_noise, picture_noise_pool
from pipeline.imaging.learned import finished, repeats, settle, texture, tiles, web
from pipeline.imaging.raw import (
    borders,
    cut_darks,
    defects,
    greens,
    mosaic,
    noise,
    noise_pool,
    residual_demosaic,
    row_noise,
    window,
)
from pipeline.light import (
    cast,
    flicker,
    highlights,
    lamp_flicker,
    lamp_perspective,
    mains,
    neutral,
    palette,
    references,
    registration,
    row_wave,
    scenes,
    shared_lamp,
    static_bands,
)
from pipeline.light.chart import card, find, fit
from pipeline.light.comparing import pairs, tones
from pipeline.light.hall import colours
from pipeline.light.lens import pans
from pipeline.light.mixing import floor, gradient
from pipeline.light.mixing import hall as mixing_hall
from pipeline.light.rendering import alike, mercury
from pipeline.light.response import evidence
from pipeline.light.singles import frame
from tests.constants_bursts import (
    of_flicker,
    of_lamp_perspective,
    of_registration,
    of_response,
    of_shared_lamp,
    of_single_frame,
    of_static,
)
from tests.constants_chart import of_card, of_chart, of_fit, of_read, of_refine
from tests.constants_filters import (
    of_blocks,
    of_cells,
    of_denoise,
    of_edges,
    of_highlights,
    of_learned,
    of_learned_finished,
    of_learned_web,
    of_picture_noise,
    of_picture_pool,
    of_repeats,
    of_settle,
    of_sharpen,
    of_sharpness,
    of_texture,
    of_tone,
)
from tests.constants_lens import of_pans
from tests.constants_level import of_borders, of_level, of_manhattan
from tests.constants_light import (
    HALLS,
    of_alike,
    of_cast,
    of_floor,
    of_gradient,
    of_gray_world,
    of_hall_colours,
    of_mercury,
    of_mixing_hall,
    of_pairs,
    of_palette,
    of_references,
    of_scenes,
    of_tones,
    spots,
)
from tests.constants_mains import of_lamp_flicker, of_mains, of_row_wave
from tests.constants_raw import (
    of_cut_darks,
    of_defects,
    of_greens,
    of_mosaic,
    of_noise,
    of_pool,
    of_raw_borders,
    of_residual_demosaic,
    of_row_noise,
    of_vote,
    of_window,
)

FILE = Path(__file__).with_name("constants.json")


@dataclass(frozen=True)
class Topic:
    """The constants `name` of a module, what is worked out with them, and why some fields change nothing."""

    module: ModuleType
    name: str
    figures: Callable[[], Iterable[float]]
    flat: Mapping[str, str] = field(default_factory=dict)

    @property
    def constants(self) -> Any:
        return getattr(self.module, self.name)

    def shows(self, name: str, factor: float, recorded: Sequence[float]) -> bool:
        """Whether the figures change with a field times `factor`; a value that is refused shows too."""
        with patch.object(self.module, self.name, changed(self.constants, name, factor)):
            try:
                return not same(self.figures(), recorded)
            except ValueError:
                return True


def same(figures: Iterable[float], recorded: Sequence[float]) -> bool:
    """Whether figures agree but for the last bits of another processor; none is worked out after one that does not."""
    count = 0
    for value in figures:
        if count == len(recorded) or not _close(value, recorded[count]):
            return False
        count += 1
    return count == len(recorded)


def _close(value: float, recorded: float) -> bool:
    if math.isnan(value) or math.isnan(recorded):
        return math.isnan(value) and math.isnan(recorded)
    return value == recorded or abs(value - recorded) <= 1e-7 + 1e-5 * abs(recorded)


def changed(constants: Any, name: str, factor: float) -> Any:
    """`constants` with one field times `factor`; a whole number moves by one at least."""
    return replace(constants, **{name: _times(getattr(constants, name), factor)})


def _times(value: Any, factor: float) -> Any:
    if isinstance(value, tuple):
        return tuple(_times(v, factor) for v in value)
    if isinstance(value, int):
        near = round(value * factor)
        return near if near != value else max(value + (1 if factor > 1 else -1), 1)
    return value * factor


def _neutral() -> Iterator[float]:
    """The whites of drawn halls and of spots of colour, one nearly too few, too many or too dark; and what many scenes
    agree on, one after another redder, and where a dense and a wide cluster compete."""
    for scene in HALLS:
        yield from _told(neutral.candidates(scene))
    yield from neutral.plausible(np.random.default_rng(0).uniform(-1.5, 1.5, (50, 2))).tolist()
    rng = np.random.default_rng(1)
    places = np.stack([np.linspace(0, 0.15, 14), np.linspace(0, -0.1, 14)], axis=1)
    many = [
        [neutral.Candidate(p + rng.normal([0.1, 0.1], 0.08), rng.uniform(0.1, 1)) for _ in range(50)] for p in places
    ]
    for vote in neutral.agree_on_white(places, many):
        yield from [*vote.white, vote.sure]
    dense, wide = rng.normal(0, 0.02, (60, 2)), rng.normal([0.6, -0.7], 0.09, (60, 2))
    for share in np.linspace(0.2, 0.9, 29):
        both = [neutral.Candidate(p, share) for p in dense] + [neutral.Candidate(p, 1.0) for p in wide]
        yield from neutral.agree_on_white(np.zeros((1, 2)), [both])[0].white.tolist()
    yield from _told(neutral.candidates(spots([(0.15 * k, -0.17 * k) for k in range(8)], [200] * 8)))
    for v in np.linspace(0.36, 0.5, 29):
        yield from _told(neutral.candidates(spots([(0.3, -0.35), (0.6, -0.7)], [200, 200], [1.0, float(v)])))
    for n in range(18, 36):
        yield from _told(neutral.candidates(spots([(0.3, -0.35)], [n])))
        yield from _told(neutral.candidates(spots([(0.3, -0.35), (0.58, 0.02)], [n, n])))


def _told(found: Sequence[neutral.Candidate]) -> list[float]:
    return [float(len(found)), *(v for one in found for v in (*one.chroma, one.score))]


def _camera_prior() -> Iterator[float]:
    """White of some scenes, near and far from the camera's balance, in one light and in changing light."""
    for count in (1, 2, 3, 5, 12, 30):
        for far in np.linspace(0, 1.2, 13):
            for step in (0.0, 0.05):
                places = np.arange(count)[:, None] * np.array([[step, -step]])
                found = [[neutral.Candidate(np.array([far, -far * (1 + 0.01 * (i % 3))]) + p, 1.0)]
                         for i, p in enumerate(places)]  # fmt: skip
                vote = neutral.agree_on_white(places, found, np.zeros((count, 2)))[0]
                yield from [*vote.white, vote.sure]
    for far in np.linspace(0.1, 0.2, 21):  # a balance near daylight's, in a hall
        camera = np.tile([far, 0.0], (3, 1))
        whites = [[neutral.Candidate(np.array([0.5, -0.6]), 1.0)]] * 3
        vote = neutral.agree_on_white(np.zeros((3, 2)), whites, camera, halls=[True] * 3)[0]
        yield from (*vote.white.tolist(), vote.sure)
    for far in np.linspace(0, 0.6, 7):  # bluer and warmer than a finished picture
        for way in (-1.0, 1.0):
            one = [[neutral.Candidate(np.array([way * far, -way * far]), 1.0)]]
            for many in (1, 12):
                none = np.zeros((many, 2))
                vote = neutral.agree_on_white(none, one * many, none, True)[0]
                yield from (*vote.white.tolist(), vote.sure)


TOPICS = {
    "neutral": Topic(
        neutral, "NEUTRAL", _neutral,
        {"settle_window": "at its edge the kernel of the mean shift is below 1e-5 of its peak: it only saves time"},
    ),
    "camera prior": Topic(
        neutral, "CAMERA_PRIOR", _camera_prior, {"most": "bounds a power: 20 doublings of the odds leave no doubt"}
    ),
    "cast": Topic(cast, "CAST", of_cast, {"weakest": "the casts that are tried next to it lie at 0.08 and 0.16"}),
    "mercury": Topic(mercury, "MERCURY", of_mercury),
    "alike": Topic(alike, "ALIKE", of_alike),
    "hall colours": Topic(colours, "HALL_COLOURS", of_hall_colours),
    "flicker": Topic(flicker, "FLICKER", of_flicker),
    "registration": Topic(registration, "REGISTRATION", of_registration),
    "pans": Topic(
        pans, "PANS", of_pans,
        {
            "most": "bounds the cost: more bursts of one lens say the same",
            "groups": "no more than the bursts here; the error of a mean hardly depends on them",
            "steps": "converged by then: fewer show, more do not",
            "rounds": "converged before",
        },
    ),
    "static": Topic(
        static_bands, "STATIC", of_static,
        {"decided": "another solution of these bursts is worse by far more, or as good"},
    ),
    "shared lamp": Topic(
        shared_lamp, "SHARED_LAMP", of_shared_lamp, {"turn": "seldom a step is as long; where it ends is the same"}
    ),
    "single frame": Topic(frame, "SINGLE_FRAME", of_single_frame),
    "lamp perspective": Topic(lamp_perspective, "LAMP_PERSPECTIVE", of_lamp_perspective),
    "response": Topic(evidence, "RESPONSE", of_response),
    "gray world": Topic(highlights, "GRAY_WORLD", of_gray_world),
    "palette": Topic(palette, "PALETTE", of_palette),
    "floor": Topic(floor, "FLOOR", of_floor),
    "gradient": Topic(
        gradient, "GRADIENT", of_gradient, {"edge": "it weighs a few views against each other, and one is taken whole"}
    ),
    "mixing in a hall": Topic(mixing_hall, "HALL", of_mixing_hall),
    "scenes": Topic(
        scenes, "SCENES", of_scenes,
        {"least": "pictures this small have too few tiles to be fitted anyway: it only saves the attempt"},
    ),
    "pairs": Topic(
        pairs, "PAIRS", of_pairs,
        {"most_alone": "bounds the cost where 60 scenes have nothing in common"},
    ),
    "tones": Topic(tones, "TONES", of_tones),
    "references": Topic(references, "REFERENCES", of_references),
    "tone": Topic(tone, "CONTRAST", of_tone),
    "noise": Topic(noise, "NOISE", of_noise, {"fit_steps": "converged by then: fewer show, more do not"}),
    "noise pool": Topic(noise_pool, "POOL", of_pool),
    "vote": Topic(noise_pool, "VOTE", of_vote),
    "defects": Topic(
        defects, "DEFECTS", of_defects,
        {"room": "bounds the memory: 131,072 pixels that stand out are no frame of a working sensor"},
    ),
    "row noise": Topic(row_noise, "ROW_NOISE", of_row_noise),
    "mosaic": Topic(
        mosaic, "MOSAIC", of_mosaic,
        {
            "black": "a frame that is nowhere brighter than a millionth shows nothing, at whatever exposure",
        },
    ),
    "raw borders": Topic(borders, "BORDERS", of_raw_borders),
    "cut darks": Topic(cut_darks, "CUT_DARKS", of_cut_darks),
    "window": Topic(window, "WINDOW", of_window),
    "greens": Topic(greens, "GREENS", of_greens),
    "residual demosaic": Topic(residual_demosaic, "RESIDUAL", of_residual_demosaic),
    "denoise": Topic(denoise, "DENOISE", of_denoise),
    "learned": Topic(
        tiles, "LEARNED", of_learned,
        {
            "tile": "decides time and memory: tests/imaging/learned/test_mosaic.py shows that tiles leave no seam",
            "overlap": "the same",
            "beyond": "the network knows borders: four times as much changes their error by 0.2 %",
        },
    ),
    "learned web": Topic(
        web, "LEARNED_WEB", of_learned_web,
        {
            "tile": "decides time and memory: tests/imaging/learned/test_web.py shows that tiles leave no seam",
            "overlap": "the same",
        },
    ),
    "learned finished": Topic(
        finished, "LEARNED_FINISHED", of_learned_finished,
        {
            "tile": "decides time and memory: tests/imaging/learned/test_finished.py shows that tiles leave no seam",
            "overlap": "the same",
        },
    ),
    "settle": Topic(settle, "SETTLE", of_settle),
    "repeats": Topic(repeats, "REPEATS", of_repeats),
    "texture": Topic(texture, "TEXTURE", of_texture),
    "cells": Topic(cells, "CELLS", of_cells),
    "edges": Topic(edges, "EDGES", of_edges),
    "blocks": Topic(block_wiener, "BLOCKS", of_blocks),
    "picture noise": Topic(
        picture_noise, "PICTURE_NOISE", of_picture_noise,
        {
            "tile": "bounds the cost of large pictures: so many blocks are enough",
            "tiles": "bounds the cost of large pictures: so many blocks are enough",
            "rounds": "converged by then",
        },
    ),
    "picture pool": Topic(picture_noise_pool, "POOL", of_picture_pool),
    "sharpen": Topic(resample, "SHARPEN", of_sharpen, {"dark": "keeps a ratio finite: least_factor holds long before"}),
    "sharpness": Topic(sharpness, "SHARPNESS", of_sharpness),
    "highlights": Topic(highlights, "HIGHLIGHTS", of_highlights),
    "row wave": Topic(row_wave, "ROW_WAVE", of_row_wave),
    "mains": Topic(mains, "MAINS", of_mains),
    "lamp flicker": Topic(
        lamp_flicker, "LAMP_FLICKER", of_lamp_flicker,
        {
            "pull": "next to none: it only keeps a division finite",
            "most_shift": "keeps the steps from running away: times that are off by 6 ms at random do not reach it",
        },
    ),
    "chart": Topic(find, "CHART", of_chart),
    "refine": Topic(find, "REFINE", of_refine, {"steps": "converged before", "stop": "no more than the last digits"}),
    "card": Topic(
        card, "CARD", of_card,
        {
            "corner": "what strays so far from a quadrangle fills too little of its box: solid refuses it first",
            "inner_least": "the steps from inner_most fall on 0.35 and 0.25, a tenth further on none",
        },
    ),
    "read": Topic(fit, "READ", of_read),
    "fit": Topic(fit, "FIT", of_fit, {"evaluations": "converged before"}),
    "manhattan": Topic(
        manhattan, "MANHATTAN", of_manhattan,
        dict.fromkeys(("focal_from", "steepest"), "no answer to these lines lies there: a rail for the search"),
    ),
    "borders": Topic(rotation, "BORDERS", of_borders),
    "level": Topic(
        level, "LEVEL", of_level,
        {
            "lsd_sigma": "LSD smooths only at a scale other than 1 (OpenCV's createLineSegmentDetector)",
            "window": "wider than the 7 degrees of search and 8 degrees a frame over half of it: it only saves time",
            "cell_agrees": "a cell whose segments agree this little has next to no weight: without it nothing moves",
        },
    ),
}  # fmt: skip


def cases() -> list[tuple[str, str]]:
    """(topic, field) of every constant."""
    return [(topic, one.name) for topic, of in TOPICS.items() for one in fields(of.constants)]


def main() -> None:
    """Writes the figures of topics into constants.json anew, and names each constant that a tenth more or less does not
    show in them."""
    parser = argparse.ArgumentParser(prog="python -m tests.constants", description=main.__doc__)
    parser.add_argument("topics", nargs="*", metavar="TOPIC", help=f"all if none is given: {'; '.join(TOPICS)}")
    asked = parser.parse_args().topics or list(TOPICS)
    if unknown := [topic for topic in asked if topic not in TOPICS]:
        parser.error(f"no such topic: {', '.join(unknown)}")
    recorded = json.loads(FILE.read_text(encoding="utf-8"))
    recorded |= {topic: [float(f"{v:.9g}") for v in TOPICS[topic].figures()] for topic in asked}
    lines = ",\n ".join(f"{json.dumps(topic)}: {json.dumps(recorded[topic])}" for topic in TOPICS)
    FILE.write_text(f"{{{lines}}}\n", encoding="utf-8")
    for topic, name in cases():
        for factor in (0.9, 1.1) if topic in asked else ():
            if TOPICS[topic].shows(name, factor, recorded[topic]) == (name in TOPICS[topic].flat):
                print(f"{topic}.{name} times {factor}: {TOPICS[topic].flat.get(name, 'nothing changes')}")


if __name__ == "__main__":
    main()
