"""Figures for the constants of light/: made-up colours, scenes and references that lie close to each limit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.light import cast, highlights, neutral, palette, references, scenes
from pipeline.light.comparing import pairs, tones
from pipeline.light.hall import colours
from pipeline.light.mixing import floor, gradient, hall
from pipeline.light.palette import ChromaSamples
from pipeline.light.rendering import alike, mercury
from pipeline.shoot.facts import Reference
from pipeline.types import F64, Domain, Exif, Frame, Image, Noise
from tests.light.rendering.test_alike import lit as lit_by
from tests.light.rendering.test_alike import own_matrix
from tests.light.test_hall_colours import hall as two_ends
from tests.light.test_neutral import scene

HALLS = [scene(lamp, 0.5, 0.03, seed=i) for i, lamp in enumerate(("FL2", "LED-B3"))]


def spots(places: list[tuple[float, float]], pixels: list[int], luminance: list[float] | None = None) -> ChromaSamples:
    """Even colours of so many pixels each."""
    light = np.repeat(np.array(luminance or [1.0] * len(places)), pixels)
    chroma = np.repeat(np.array(places), pixels, axis=0)
    return ChromaSamples(chroma, np.ones(len(chroma)), *(np.zeros(len(chroma)),) * 2, light, np.log2(light))


def picture(pixels: np.ndarray, noise: float = 1e-4) -> Image:
    values = pixels.astype(np.float32)
    return Image(values, Domain.CAMERA, Noise(np.full(3, noise), np.full(3, noise / 100)), np.ones(3), np.eye(3))


def of_gray_world() -> list[float]:
    """Pictures of several colours, one of them in most places; pixels nearly too dark, too bright, too few."""
    rng = np.random.default_rng(9)
    out: list[float] = []
    colours = rng.uniform(0.05, 0.5, (12, 3))
    for count in (44, 47, 49, 50, 52, 53, 57, 3000):
        pixels = colours[np.minimum(rng.integers(0, 24, count), 11)] * rng.uniform(0.9, 1.1, (count, 3))
        found = highlights.gray_world(pixels[None].astype(np.float32), np.ones(3), np.array([1.3, 1.0, 0.8]))
        out += [0.0] * 3 if found is None else [found.log_rg, found.log_bg, found.scatter]
    bright = rng.uniform([0.7, 0.7, 0.7], [0.95, 0.95, 0.95], (1, 2000, 3))
    dark = rng.uniform([0.002, 0.002, 0.002], [0.008, 0.008, 0.008], (1, 2000, 3))
    for pixels in (bright, dark):
        found = highlights.gray_world(pixels.astype(np.float32), np.ones(3), np.ones(3))
        out += [0.0] * 3 if found is None else [found.log_rg, found.log_bg, found.scatter]
    return out


def of_palette() -> list[float]:
    """Sampling, and registrations with two nearly equal answers."""
    rng = np.random.default_rng(0)
    out: list[float] = []
    for shape in ((25, 26), (300, 250), (270, 300)):
        image = picture(rng.uniform(0.0015, 0.005, (*shape, 3)) if shape[0] == 25 else np.full((*shape, 3), 0.2))
        found = palette.chroma_samples([(image.pixels, image, 0.0, 1.0)], np.ones(3))
        out += [float(len(found.weight)), found.total, float(found.luminance.sum())]
    out.append(float(palette.histogram(HALLS[0]).max()))
    one = palette.spectrum(palette.histogram(spots([(0.02, -0.58)], [500])))
    for n in range(540, 601, 4):
        two = palette.spectrum(palette.histogram(spots([(0.02, -0.58), (0.62, -0.58)], [500, n])))
        out += palette.register(two, one, 1.0).step.tolist()
    return out


def of_gradient() -> Iterator[float]:
    """Light that leans more and less over a hall and its floor, in many pixels and in few, and where colours differ
    from side to side as well."""
    hall = HALLS[0]
    stripes = np.sin(14 * hall.column)[:, None] * [0.1, -0.07]
    for every, begins, steep, striped in (
        (1, -0.25, 0.5, 0), (1, -0.25, 6, 0), (1, -0.25, 1, 1), (5, -0.25, 2, 0), (3, 0.4, 0.6, 0), (3, 0.4, 0.7, 0),
    ):  # fmt: skip
        place = hall.column / (1 + 1.5 * np.maximum(hall.row - begins, 0))
        lean = np.stack([0.15 * place, 0.05 * place**2 - 0.1 * place], axis=1) * steep + striped * stripes
        leaning = replace(hall, chroma=hall.chroma + lean)
        part = ChromaSamples(*(v[::every] for v in vars(leaning).values()))
        yield from gradient.chroma_gradient(part).as_array().tolist()


def of_floor() -> list[float]:
    """Floors before walls that have more and less of their colours, in many pixels and in few."""
    out: list[float] = []
    rng = np.random.default_rng(3)
    for many, every, fade in (
        (0.1, 1, 0.3), (0.2, 1, 0.5), (0.3, 1, 0.2), (0.35, 2, 0.1), (0.15, 7, 0.3), (0.2, 8, 0.2), (0.1, 9, 0.1),
    ):  # fmt: skip
        for seen in HALLS:
            wood = np.arange(len(seen.row)) < len(seen.row) // 2
            above = wood & (rng.uniform(size=len(wood)) < many * (1 + 0.5 * seen.column))
            row = np.where(wood & ~above, np.abs(seen.row), -np.abs(seen.row))
            row += np.where(wood, 0.0, fade * rng.exponential(size=len(wood)) * (rng.uniform(size=len(wood)) < 0.3))
            mixed = replace(seen, row=row, weight=0.93 * seen.weight)
            out += floor.floor_edge(ChromaSamples(*(v[::every] for v in vars(mixed).values())), 1.0)
    return out


def of_mixing_hall() -> list[float]:
    """Gradients more and less clear, and more and less along the line between ends more and less apart."""
    out: list[float] = []
    for apart, across, clear in (
        (0.05, 0.0, 9.0),
        (0.2, 0.05, 9.0),
        (0.2, 0.0, 3.5),
        (0.2, 0.0, 4.5),
        (0.09, 0.0, 9.0),
    ):
        doubted = np.array([[0.08, across], *[[0.0, 0.0]] * 3])
        found = gradient.ChromaGradient(0 * doubted, doubted=doubted, clear=clear)
        ends = np.array([[0.0, 0.0], [apart, 0.0]])
        out += hall.followed([found, found], ends, np.zeros(2, np.int64))[0].as_array().tolist()
    return out


def of_tones() -> list[float]:
    """Two halls in more and less light of another colour, as green and as the luminance of colours bright and dark."""
    out: list[float] = []
    steep = np.array([[1.6, -0.5, -0.9], [-0.1, 1.6, -0.6], [0.0, -0.5, 1.5]])  # a blue darker than nothing
    out.append(float(tones.as_shown(np.array([1.2, 1.0, 0.7]), steep).stops.min()))
    for stops in np.linspace(-1, 1, 7):
        by = np.array([0.2, -0.15]) * stops
        one, other = HALLS[0], _shift(HALLS[1], (float(by[0]), float(by[1])), float(stops))
        for shown in (None, tones.as_shown(np.array([1.2, 1.0, 0.7]), steep)):
            spectra = [tones.tone_spectrum(tones.tone_histogram(s), shown) for s in (other, one)]
            found = tones.brighter(spectra[0], spectra[1], by)
            out += [found.stops, found.match]
    return out


def _scene(name: str, samples: ChromaSamples) -> scenes.Scene:
    return replace(
        scenes.unknown([name]),
        chroma_histogram=palette.histogram(samples).astype(np.float16),
        tone_histogram=tones.tone_histogram(samples),
    )


def _frame(name: str) -> Frame:
    return Frame(name, Path(name), name, "raw", Exif(model="One"))


def _shift(samples: ChromaSamples, by: tuple[float, float], stops: float) -> ChromaSamples:
    return replace(samples, chroma=samples.chroma + by, green=samples.green + stops)


def _strange(rng: np.random.Generator) -> ChromaSamples:
    return spots([(float(u), float(v)) for u, v in rng.uniform([-0.8, -1.5], [0.8, 0.8], (12, 2))], [200] * 12)


def _compared(samples: list[ChromaSamples], first: Sequence[str] = ()) -> list[float]:
    made = [_scene(f"F{i}", s) for i, s in enumerate(samples)]
    light = scenes.compare([_frame(s.names[0]) for s in made], made, first)
    parts = (light.chromaticities, light.tone, light.group, light.match, light.place, scenes.zones(light))
    return [float(v) for part in parts for v in np.ravel(part)]


def of_pairs() -> Iterator[float]:
    """Scenes that share more or less with each other, in light more or less alike; comparisons that disagree."""
    rng = np.random.default_rng(1)
    base = [(float(u), float(v)) for u, v in rng.uniform([-0.5, -1.2], [0.5, 0.4], (10, 2))]
    other = [(float(u), float(v)) for u, v in rng.uniform([-0.5, -1.2], [0.5, 0.4], (10, 2))]
    hall = spots(base, [200] * 10, [float(v) for v in rng.uniform(0.1, 1, 10)])
    for step in np.linspace(0.28, 0.42, 8):  # a third light, nearer or farther, then one between
        lights = [(0.0, 0.0), (float(step), -float(step) / 3), (0.2, -0.1)]
        yield from _compared([_shift(hall, by, 0.3 * i) for i, by in enumerate(lights)])
    for kept in range(1, 10):  # ever less in common
        mixed = spots(base[:kept] + other[kept:], [200] * 10)
        yield from _compared([hall, mixed, _shift(mixed, (0.05, 0.0), 0.2), _shift(hall, (0.1, 0.05), -0.2)])
    pool = base + other
    mixtures = [[pool[i] for i in rng.permutation(20)[:8]] for _ in range(16)]
    yield from _compared([_shift(spots(m, [200] * 8), (0.02 * i, -0.01 * i), 0.05 * i) for i, m in enumerate(mixtures)])
    for _ in range(12):  # nothing in common but by chance
        yield from _compared([spots([pool[i] for i in rng.permutation(20)[:7]], [200] * 7), _strange(rng)])
    for n in range(10, 300, 18):  # a better match in other light, or a worse one in the same
        third = spots(base[:6] + other[:3], [200] * 6 + [n] * 3)
        first, second = spots(base[:6] + pool[7:10], [200] * 9), spots(base[:6] + other[:3], [200] * 9)
        yield from _compared([first, _shift(second, (0.3, 0.0), 0.0), third], ["F0", "F1"])
    many = [_shift(hall, (0.1 * i - 0.8, 0.07 * i), 0.0) for i in range(16)]
    yield from _compared(many)
    yield from _compared([hall, _shift(hall, (1.5, 0.0), 0.0), _shift(hall, (1.68, 0.0), 0.0)])
    ring = [pairs.Pair(i, j, np.array([0.02 * i * i * j, 0.0]), 1.0) for i in range(1, 6) for j in range(i)]
    start = np.array([0])
    yield from pairs.agreed_chroma(ring, start, np.zeros((1, 2))).ravel().tolist()
    yield from pairs.agreed_tones(ring, [tones.Brighter(0.1 * p.one * p.other, 0.9) for p in ring], start).tolist()


def of_cast() -> Iterator[float]:
    """What is taken off; rooms under lamps more or less warm, beside the lamps' way, with more or less red wood, with
    whites that are seen or not."""
    warm = np.array([0.6, -0.7]) / np.hypot(0.6, 0.7)
    beside, grey = warm[::-1] * [-1, 1], neutral.Candidate(np.zeros(2), 1.0)

    def found(white: F64, whites: list[neutral.Candidate], wood: int = 200, supported: bool = True) -> list[float]:
        things = [(0.0, 0.0), (0.02, 0.03), (0.35, -0.55), (0.45, -0.4), (1.1, -0.2), (-0.35, -0.3)]
        at = [(float(u + white[0]), float(v + white[1])) for u, v in things]
        got = cast.warm_cast(whites, palette.histogram(spots(at, [300, 300, wood, 100, 40, 60])), supported=supported)
        return [0.0, 0.0] if got is None else [float(v) for v in got]

    votes = [neutral.Vote(np.zeros(2), 0.1)] * 2
    for lit, far in (([], 0.5), ([True, True], 0.5), ([], 1.5)):
        yield from [v for one in cast.without_cast(votes, np.zeros((2, 2)), [far * warm] * 2, lit) for v in one.white]
    hardly = [[neutral.Candidate(0.2 * warm, 1.0)]] * 2
    yield from cast.without_cast(votes, np.zeros((2, 2)), [1.5 * warm] * 2, [], hardly)[0].white.tolist()
    exposed = [Exif(f_number=n, exposure_time=0.02, iso=100) for n in np.linspace(0.9, 16, 120)]
    yield from [float(where(of)) for of in exposed for where in (cast.outdoors, cast.in_hall)]

    for far in np.linspace(0.05, 1.9, 75):
        white = far * warm
        for whites in ([grey], [neutral.Candidate(white, 1.0)], [neutral.Candidate(white + 0.45 * beside, 1.0), grey]):
            yield from found(white, whites)
        yield from found(0.4 * warm, [neutral.Candidate(far / 4 * warm, 1.0)], 400)
        yield from found(0.5 * warm + (far / 3 - 0.3) * beside, [grey])
        yield from found(0.4 * warm, [neutral.Candidate(0.4 * warm, 1.0), neutral.Candidate(np.zeros(2), far / 10)])
        yield from found(0.8 * warm, [neutral.Candidate((0.8 + far / 2) * warm, 1.0)])
    little = np.array([0.179, -0.281])  # of a filament lamp: a cast is likely, and no more
    for part in np.linspace(0.9, 1.1, 60):
        for whites in ([neutral.Candidate(part * little, 1.0)], [grey]):
            yield from found(part * little, whites)
            yield from found(1.3 * part * little, whites, supported=False)
        yield from found(little, [neutral.Candidate((2.5 * part - 2.25) * warm, 1.0)])
        yield from found(little, [neutral.Candidate(little, 1.0), neutral.Candidate(0 * warm, 1.5 * part - 1.35)])
    for wood in range(0, 3000, 60):
        yield from found(0.3 * warm, [grey], wood) + found(0.3 * warm, [neutral.Candidate(0.3 * warm, 1.0)], wood)


def of_mercury() -> Iterator[float]:
    """White from daylight to greener than any lamp, and warmer, as two cameras see it, one of which sees little."""
    camera = np.array([[1.7, -0.6, -0.1], [-0.2, 1.6, -0.4], [0.0, -0.5, 1.5]])
    for overlap in np.linspace(0.7, 0.95, 60):
        near = (1 - overlap) * np.eye(3) + overlap / 3
        found = mercury.foretell(camera @ np.linalg.inv(near))
        yield 0.0 if found is None else found.green
    found = mercury.foretell(camera)
    for step in np.linspace(0, 1.2, 25):
        for white in (step * np.array([-0.5, -0.4]), np.array([-0.25, -0.2]) + step * np.array([0.65, -0.76])):
            yield float(mercury.rendering_matrix(white, camera, found)[0, 0])


def of_alike() -> Iterator[float]:
    """What is made of two lights, one of which has a chart or none."""
    alike._spread.cache_clear()
    for known in (False, True):
        lights = [lit_by("HP1", "D5100", 0), lit_by("LED-B5", "D5100", 1, known=known)]
        found = alike.alike(lights, own_matrix("D5100"))
        assert found is not None
        yield from found.ravel().tolist()
    alike._spread.cache_clear()


def of_hall_colours() -> Iterator[float]:
    """Turns of scenes, one of them recognised a little more or less, and in a mixture of both lights."""
    for match in np.linspace(0.5, 0.7, 9):
        light, maps = two_ends(("HP4", "LED-B3"), (1.0, 1.0, float(match)))
        light.chromaticities[1] = 0.8 * light.chromaticities[1] + 0.2 * light.chromaticities[0]
        yield from colours.turns(light, maps).get(0, np.eye(3)).ravel().tolist()
    light, maps = two_ends(("H38HT-100", "LED-B3"))
    for part in np.linspace(0.2, 0.6, 41):
        whites = maps[0].whites * [[part], [1.0]]
        yield float(len(colours.turns(light, {0: replace(maps[0], whites=whites)})))


def of_scenes() -> list[float]:
    """Light zones wide and narrow; bursts of few and tiny pictures."""
    rng = np.random.default_rng(1)
    out: list[float] = []
    hall = spots([(0.1, -0.2), (-0.3, 0.1), (0.4, -0.9)], [200] * 3)
    light = scenes.compare([_frame("F0"), _frame("F1")], [_scene("F0", hall), _scene("F1", hall)], [])
    for gap in np.linspace(0.08, 0.2, 25):
        places = np.array([[0.0, 0.0], [gap, 0.0], [2 * gap, 0.0]])
        apart = replace(light, scenes=light.scenes[:1] * 3, chromaticities=places, group=np.zeros(3))
        out.append(float(len(set(scenes.zones(apart).tolist()))))
    near = replace(light, scenes=light.scenes * 30, chromaticities=rng.uniform(0, 0.5, (60, 2)), group=np.zeros(60))
    out += scenes.zones(near).tolist()
    for count, size in ((8, 12), (2, 7), (2, 8), (2, 9)):
        frames = [_frame(f"F{i}") for i in range(count)]
        shots = [picture(rng.uniform(0.1, 0.4, (size, size, 3)) * 2 ** (0.1 * i), 1e-6) for i in range(count)]
        found = scenes.look(frames, shots, np.ones(3))
        out += [float(v) for gain_map in found.flicker for v in gain_map.coefficients[0, 0]]
        out += [float(v) for v in found.level]
        out.append(float(found.chroma_histogram.astype(float) @ np.arange(112) @ np.arange(80)))
    for low, high in ((0.0005, 0.0015), (0.9, 1.1)):
        grainy = picture(rng.uniform(low, high, (40, 100, 3)))
        out += [float(v) for v in scenes.look([_frame("F")], [grainy], np.ones(3)).level]
    for high, wide in ((8, 9), (7, 14), (8, 13), (9, 12), (11, 11)):
        small = picture(np.full((high, wide, 3), 0.2))
        out += [float(v) for v in scenes.look([_frame("F")], [small], np.ones(3)).level]
    return out


def of_references() -> list[float]:
    """Patches nearly clipped, dark or coloured; readings that nearly disagree; mixtures of two lights and of three."""
    out: list[float] = []
    box, grey = Box(0.0, 0.0, 1.0, 1.0), np.full((20, 50, 3), 0.3)
    for level in np.linspace(0.8, 1.1, 31):
        bright = grey.copy()
        bright[:1] = level
        found = references.measure_references(picture(bright), [Reference("F", patch=box)], np.ones(3), Orientation(1))
        out.append(float(found.reasons[0] == ""))
    for count in range(10, 31):
        part = grey.copy().reshape(-1, 3)
        part[:count] = 1.0
        part = part.reshape(grey.shape)
        found = references.measure_references(picture(part), [Reference("F", patch=box)], np.ones(3), Orientation(1))
        out.append(float(found.reasons[0] == ""))
    for colour in [(0.3, 0.3, v) for v in np.geomspace(0.05, 0.09, 40)] + [
        (v, v, v) for v in np.linspace(0.002, 0.004)
    ]:
        flat = np.broadcast_to(np.array(colour), grey.shape)
        found = references.measure_references(picture(flat), [Reference("F", patch=box)], np.ones(3), Orientation(1))
        out.append(float(found.reasons[0] == ""))
    zero = np.zeros(2)
    for off in np.linspace(0.1, 0.6, 51):
        one = references.Reading("F", zero, np.array([off, 0.0]), None)
        for sure, common in ((1.0, 1.0), (1.0, 0.0)):
            kept = references.plausible([one], zero[None], np.array([sure]), np.array([common]), notices := [])
            out.append(len(kept) + 0.1 * len(notices))
    far = references.Reading("F", zero, np.array([0.9, 0.0]), None)
    for value in np.linspace(0, 1, 101):
        for sure, common in ((value, 1.0), (1.0, value)):
            out.append(float(len(references.plausible([far], zero[None], np.array([sure]), np.array([common]), []))))
    for gap in np.linspace(0.05, 0.12, 36):
        same = [references.Reading(n, zero, np.array([o, 0.0]), None) for n, o in (("A", 0.0), ("B", gap))]
        out.append(float(len(references.agreeing(same, np.zeros((2, 2)), []))))
        apart = [
            references.Reading(n, np.array([p, 0.0]), np.array([p + o, 0.0]), None)
            for n, p, o in (("A", 0.0, 0.0), ("B", gap, 0.3))
        ]
        out.append(float(len(references.agreeing(apart, np.zeros((2, 2)), []))))
        out.append(
            float(len(references.WhiteMap.of([replace(r, chromaticity=r.chromaticity / 2) for r in apart]).names))
        )
    ends = [
        references.Reading(n, np.array([p, -p]), np.array([p + 0.2, 0.0]), None) for n, p in (("A", 0.0), ("B", 0.6))
    ]
    third = references.Reading("C", np.array([0.3, 0.3]), np.array([0.1, 0.1]), None)
    for place in ([0.3, -0.2], [-1.0, 1.0], [1.5, -1.5], [0.001, 0.0]):
        out += references.WhiteMap.of(ends).white(np.array(place)).tolist()
        out += references.WhiteMap.of([*ends, third]).shares(np.array(place)).tolist()
    out += [references.likeness(np.array([at, -at]), np.array([0.03, 0.0])) for at in np.linspace(0.0, 0.1, 11)]
    return out
