"""lens: pictures darkened by a known falloff come out even, once, and nothing else moves.

Falloffs are closed forms (cos^4 of the field angle, the polynomial of the Adobe DNG specification 1.6, chapter 7).
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pipeline.imaging.geometry import Box
from pipeline.imaging.lens.falloff import NODES, Falloff, stops_of_polynomial
from pipeline.imaging.lens.warp import UprightWarp, Warp, of_factors, only
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.light.lens.pans import evidence
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.steps import lens
from pipeline.steps.base import ApplyContext, SolveContext
from pipeline.steps.lens import LensMeasurement, LensParams, LensSolution, LensSource
from pipeline.store.packing import pack_parts, unpack_part
from pipeline.types import Burst, Domain, Exif, Frame, Image, Noise, Part
from tests.light.lens.drawn import burst, seen

HEIGHT, WIDTH = 240, 360
SHOT = Exif(make="Canon", model="Canon EOS R6", iso=6400, f_number=2.8, focal_length=100.0)
FRAME = Frame("TH1_0001", Path("TH1_0001.dng"), "TH1_0001.dng", "raw", SHOT)
BARREL = of_factors(np.array([1.0, 0.0, -0.04, 0.0, 0.005]))


def squared_radius(height: int = HEIGHT, width: int = WIDTH) -> np.ndarray:
    y, x = (np.mgrid[0:height, 0:width] + 0.5) - np.array([height, width])[:, None, None] / 2
    return (x * x + y * y) / (height**2 + width**2) * 4


def cos4(strength: float = 1.0, focal: float = 1.6) -> np.ndarray:
    """(HEIGHT, WIDTH) of a lens of that focal length in half diagonals: 0.94 EV at the corners."""
    return np.cos(np.arctan(np.sqrt(squared_radius()) / focal)) ** (4 * strength)


def falloff_of(focal: float = 1.6) -> Falloff:
    u = np.linspace(0, 1, NODES)
    return Falloff(-4 * np.log2(np.cos(np.arctan(np.sqrt(u) / focal))))


def picture(pixels: np.ndarray, part: Part | None = None) -> Image:
    noise = Noise(np.full(3, 1e-4), np.full(3, 1e-6))
    return Image(pixels.astype(np.float32), Domain.CAMERA, noise, np.ones(3), np.eye(3), part=part)


def applied(image: Image, solution: LensSolution, frame: Frame = FRAME) -> Image:
    return lens.apply(image, LensParams(), ApplyContext(frame, FrameFacts(), solution))


def test_an_even_wall_is_even_again() -> None:
    dark = picture(np.full((HEIGHT, WIDTH, 3), 0.2) * cos4()[..., None])
    assert np.log2(dark.pixels[0, 0, 1] / 0.2) < -0.9
    out = applied(dark, LensSolution(LensSource.FILE, falloff_of()))
    assert np.abs(np.log2(out.pixels / 0.2)).max() < 0.01


def test_it_is_even_in_a_part_and_in_any_orientation() -> None:
    wall = np.full((HEIGHT, WIDTH, 3), 0.2) * cos4()[..., None]
    solution = LensSolution(LensSource.FILE, Falloff(falloff_of().stops, (0.4, 0.5)))
    whole = applied(picture(wall), solution).pixels
    cut = applied(picture(wall[50:130, 200:], Part(200, 50, WIDTH, HEIGHT)), solution).pixels
    assert np.allclose(cut, whole[50:130, 200:], rtol=1e-5)
    for orientation in Orientation:
        frame = replace(FRAME, exif=replace(SHOT, orientation=int(orientation)))
        turned = applied(picture(orientation.to_upright(wall)), solution, frame).pixels
        assert np.allclose(orientation.to_sensor(turned), whole, rtol=1e-5)


def test_noise_is_known_where_it_was_lifted() -> None:
    rng = np.random.default_rng(3)
    image = picture(0.1 * cos4(2)[..., None] * np.ones(3))
    noisy = image.with_pixels(
        (image.pixels + np.sqrt(1e-4 * image.pixels + 1e-6) * rng.standard_normal(image.pixels.shape)).astype(
            np.float32
        )
    )
    out = applied(noisy, LensSolution(LensSource.FILE, Falloff(2 * falloff_of().stops)))
    corner = out.pixels[:40, :40].astype(np.float64)
    assert out.noise_gain_map is not None
    u = float(out.noise_gain_map[:7, :7].mean())
    assert u > 2.5 and corner.var() == pytest.approx(1e-4 * 0.1 * u + 1e-6 * u * u, rel=0.1)


def test_blown_light_stays_white_and_colour_stays_colour_in_the_corners() -> None:
    pixels = np.full((HEIGHT, WIDTH, 3), 0.3)
    pixels[:12, :12] = 1.0  # a lamp, clipped in all channels
    pixels[-12:, :12] = (0.6, 0.55, 0.1)  # a yellow shirt, of 1.2, 1.1 and 0.2 without the falloff: not clipped
    out = applied(picture(pixels), LensSolution(LensSource.FILE, Falloff(falloff_of().stops * 1.1)))
    raw = replace(out, to_working=np.eye(3) + 0.1)
    balanced = apply_gain_map(raw, GainMap.of_multipliers(np.array([1.6, 1.0, 2.0])), Orientation.TOP_LEFT)
    lamp, shirt = balanced.pixels[2, 2], balanced.pixels[-3, 2]
    assert np.ptp(lamp) < 1e-3 * lamp.max() and lamp.min() > 3
    assert shirt / shirt[1] == pytest.approx(np.array([0.6 * 1.6, 0.55, 0.1 * 2.0]) / 0.55, rel=1e-3)


# ---- where it is known from --------------------------------------------------------------------------------


def solved(
    frames: list[Frame],
    of_file: Falloff | None = None,
    scenes: tuple[Any, ...] = (),
    warp: Warp | None = None,
    bursts: list[Burst] | None = None,
    **params: Any,
) -> Any:
    class Light:
        pass

    light: Any = Light()
    light.scenes = scenes
    measured = {f.name: LensMeasurement((HEIGHT, WIDTH), of_file, warp) for f in frames}
    groups = bursts or [Burst((f.name,)) for f in frames]
    context = SolveContext(frames, groups, Facts(), measured, lambda: light, dict, dict, {})
    return lens.solve(context, LensParams(**params))


def named(lens_name: str, **exif: Any) -> Frame:
    return replace(FRAME, exif=replace(SHOT, lens=lens_name, **exif))


KNOWN = named("EF70-200mm f/2.8L IS II USM")


def test_the_file_comes_before_the_database() -> None:
    found = solved([KNOWN], falloff_of()).by_frame[KNOWN.name]
    assert found.source is LensSource.FILE and found.falloff.stops == pytest.approx(falloff_of().stops, abs=1e-4)
    assert solved([KNOWN], falloff_of(), vignetting="database").by_frame[KNOWN.name].source is LensSource.DATABASE
    assert solved([KNOWN]).by_frame[KNOWN.name].source is LensSource.DATABASE
    assert solved([KNOWN], vignetting="file").by_frame[KNOWN.name] == LensSolution()
    assert solved([KNOWN], falloff_of(), vignetting="none").by_frame[KNOWN.name] == LensSolution()


def panned(stops: np.ndarray) -> tuple[dict[str, Any], list[Frame]]:
    """Scenes of five pans of one lens, and their frames."""
    scenes, frames = [], []
    for n in (3, 4, 6, 8, 12):
        names = tuple(f"P{n}_{k}" for k in range(8))
        scenes.append(SimpleNamespace(names=names, pans=evidence(seen(*burst(n, stops)))))
        frames += [replace(KNOWN, name=name) for name in names]
    return {"scenes": tuple(scenes), "bursts": [Burst(s.names) for s in scenes]}, frames


def test_pans_tell_where_nobody_else_does_and_are_believed_before_the_database() -> None:
    u = np.linspace(0, 1, NODES)
    dark, frames = panned(1.3 * u)
    unknown = [replace(f, exif=replace(SHOT, lens="")) for f in frames]
    found = solved(unknown, **dark)
    one = found.by_frame[unknown[0].name]
    assert one.source is LensSource.SHOOT and one.falloff.stops == pytest.approx(1.3 * u, abs=0.05)
    assert "measured in this shoot: 40 frames" in " ".join(found.notices)
    assert solved(unknown, **dark, vignetting="file").by_frame[unknown[0].name].falloff is None
    other = replace(unknown[0], name="other", exif=replace(unknown[0].exif, f_number=8.0))
    assert solved([*unknown, other], **dark).by_frame["other"].falloff is None  # at another aperture
    assert solved(frames, **dark).by_frame[frames[0].name].source is LensSource.DATABASE  # which says 1.5
    even, frames = panned(0 * u)  # the camera took it out already
    found = solved(frames, **even)
    assert found.by_frame[frames[0].name] == LensSolution()
    assert any("the pictures are believed" in text for text in found.notices)
    assert solved(frames, **even, vignetting="database").by_frame[frames[0].name].source is LensSource.DATABASE


def test_half_the_strength_is_half_the_stops() -> None:
    whole, half = (solved([KNOWN], falloff_of(), strength=s).by_frame[KNOWN.name].falloff for s in (1.0, 0.5))
    assert half.stops == pytest.approx(whole.stops / 2, abs=1e-4)
    assert solved([KNOWN], falloff_of(), strength=0.0).by_frame[KNOWN.name].as_json() == {}


def test_a_finished_picture_is_left_alone_unless_a_person_asks() -> None:
    finished = replace(KNOWN, kind="picture")
    assert solved([finished]).by_frame[FRAME.name] == LensSolution()
    assert solved([finished], vignetting="database").by_frame[FRAME.name].source is LensSource.DATABASE


def test_a_shoot_without_the_database_goes_on_and_says_so_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "lensfunpy", None)
    found = solved([KNOWN, replace(KNOWN, name="TH1_0002")])
    assert found.notices.count(lens.NO_DATABASE) == 1 and set(found.by_frame.values()) == {LensSolution()}
    assert any("left as shot" in text and text.endswith("2 frames") for text in found.notices)


def test_lenses_that_nobody_knows_are_one_note() -> None:
    other = replace(FRAME, name="TH1_0009", exif=replace(FRAME.exif, lens="Made-up 50mm"))
    (text,) = solved([replace(FRAME, exif=Exif(lens="Made-up 35mm")), other]).notices
    assert text.endswith("1 frame, and 1 more camera or lens")


def test_a_strength_of_nothing_is_said() -> None:
    """vignetting: none leaves nothing of which a part could be taken out."""
    assert any("strength does nothing" in text for text in solved([KNOWN], vignetting="none", strength=0.5).notices)
    assert not any("strength" in text for text in solved([KNOWN], vignetting="none").notices)


def test_what_is_taken_out_is_said() -> None:
    found = solved([KNOWN])
    assert found.notices == (
        "lens: Canon EOS R6, EF70-200mm f/2.8L IS II USM: corners lifted by up to 1.5 EV, from the open lens database: "
        "1 frame",
    )
    assert "corners +1.49 EV (from the open lens database)" in lens.in_words(found.by_frame[FRAME.name])


def test_no_corner_is_lifted_without_limit() -> None:
    assert solved([KNOWN], Falloff(np.linspace(0, 9, NODES))).by_frame[FRAME.name].falloff.corner == 3.0


def test_what_was_measured_is_read_back() -> None:
    gains = np.random.default_rng(1).uniform(1, 2, (64, 64, 3)).astype(np.float32)
    for one in (
        LensMeasurement((HEIGHT, WIDTH)),
        LensMeasurement((HEIGHT, WIDTH), Falloff(stops_of_polynomial(0.4), (0.4, 0.6), gains), BARREL),
    ):
        back = LensMeasurement.from_arrays(unpack_part(pack_parts({"lens": one.as_arrays()}), "lens"))
        assert back.as_arrays().keys() == one.as_arrays().keys()
        assert all(np.array_equal(v, one.as_arrays()[k]) for k, v in back.as_arrays().items())
    with pytest.raises(ValueError, match="stops"):
        LensMeasurement.from_arrays({"size": np.array([4, 4]), "stops": np.full(NODES, np.nan), "centre": np.zeros(2)})


def test_another_map_of_gains_is_another_key() -> None:
    a, b = (
        LensSolution(LensSource.FILE, Falloff(gains=np.full((64, 64, 3), v, np.float32))).as_json() for v in (1.1, 1.2)
    )
    assert a != b


# ---- distortion --------------------------------------------------------------------------------------------


def lines() -> np.ndarray:
    """Smooth waves, so that a place can be told from its value."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5
    return np.stack([0.3 + 0.1 * np.sin(x / 12), 0.3 + 0.1 * np.sin(y / 9), 0.3 + 0.1 * np.sin((x + y) / 15)], axis=2)


def moved(warp: Warp, orientation: Orientation = Orientation.TOP_LEFT) -> UprightWarp:
    return UprightWarp(warp, orientation, orientation.upright_size(HEIGHT, WIDTH))


def test_distortion_is_off_by_default_and_moves_what_the_file_says() -> None:
    assert solved([FRAME], warp=BARREL).by_frame[FRAME.name].warp is None
    found = solved([FRAME], warp=BARREL, distortion=True).by_frame[FRAME.name]
    assert found.moved_by is LensSource.FILE
    assert found.warp.zoom == BARREL.filled(HEIGHT, WIDTH).zoom > 1.01
    out = applied(picture(lines()), found).pixels
    x, y = moved(found.warp).source(np.array([300.5 / WIDTH]), np.array([200.5 / HEIGHT]))
    sx, sy = x[0] * WIDTH, y[0] * HEIGHT
    assert abs(sx - 300.5) > 0.5  # it did move
    want = [0.3 + 0.1 * np.sin(sx / 12), 0.3 + 0.1 * np.sin(sy / 9), 0.3 + 0.1 * np.sin((sx + sy) / 15)]
    assert out[200, 300] == pytest.approx(want, abs=2e-3)


def test_the_corrected_picture_has_no_empty_corner_and_wastes_nothing() -> None:
    for warp in (BARREL, of_factors(np.array([1.0, 0.0, 0.05])), of_factors(np.array([1.02, 0.0, -0.01]))):
        filled = moved(warp.filled(HEIGHT, WIDTH))
        edge = np.linspace(0, 1, 101)
        x, y = (np.concatenate(v) for v in ((edge, edge, 0 * edge, 0 * edge + 1), (0 * edge, 0 * edge + 1, edge, edge)))
        sx, sy = filled.source(x, y)
        assert min(sx.min(), sy.min()) > -1e-4 and max(sx.max(), sy.max()) < 1 + 1e-4
        assert min(sx.min(), sy.min()) < 0.003


@pytest.mark.parametrize("orientation", [Orientation.TOP_LEFT, Orientation.RIGHT_TOP, Orientation.TOP_RIGHT])
def test_boxes_go_there_and_back(orientation: Orientation) -> None:
    warp = moved(Warp(BARREL.factors, np.full((3, 2), 0.002), (0.45, 0.5)).filled(HEIGHT, WIDTH), orientation)
    box = Box(0.6, 0.1, 0.9, 0.5)
    after = warp.box_after(box)
    assert after != pytest.approx(box, abs=2e-3)
    before = warp.box_before(after)
    assert before.x0 <= box.x0 and before.y0 <= box.y0 and before.x1 >= box.x1 and before.y1 >= box.y1
    assert list(before) == pytest.approx(list(box), abs=0.03)


def test_a_window_renders_as_the_whole_does() -> None:
    solution = LensSolution(moved_by=LensSource.FILE, warp=BARREL.filled(HEIGHT, WIDTH))
    whole = applied(picture(lines()), solution).pixels
    wanted = Box(0.7, 0.05, 0.95, 0.4)
    read = lens.reaches(solution, FRAME, wanted, HEIGHT, WIDTH)
    left, top = int(read.x0 * WIDTH), int(read.y0 * HEIGHT)
    right, bottom = (int(np.ceil(v)) for v in (read.x1 * WIDTH, read.y1 * HEIGHT))
    left, top = min(left, int(wanted.x0 * WIDTH)), min(top, int(wanted.y0 * HEIGHT))
    part = applied(picture(lines()[top:bottom, left:right], Part(left, top, WIDTH, HEIGHT)), solution).pixels
    inside = (slice(int(0.05 * HEIGHT), int(0.4 * HEIGHT)), slice(int(0.7 * WIDTH), int(0.95 * WIDTH)))
    cut = part[inside[0].start - top : inside[0].stop - top, inside[1].start - left : inside[1].stop - left]
    assert np.abs(cut - whole[inside]).max() < 1e-5


def test_gain_maps_follow_what_moves() -> None:
    """A wave of flicker over the sensor's rows is taken out of a picture whose places have moved."""
    coefficients = np.zeros((5, 2, 3))
    coefficients[1], coefficients[3], coefficients[4, 1] = 0.4, -0.3, 0.2
    flicker = GainMap(coefficients)
    solution = LensSolution(moved_by=LensSource.FILE, warp=BARREL.filled(HEIGHT, WIDTH))
    dark = picture(0.2 * 2.0 ** -flicker.on(HEIGHT, WIDTH))
    out = apply_gain_map(applied(dark, solution), flicker, Orientation.TOP_LEFT).pixels
    assert np.abs(np.log2(out / 0.2)).max() < 0.01


def test_lateral_colour_alone_moves_red_and_blue_against_green() -> None:
    factors = np.zeros((3, 7))
    factors[:, 0], factors[:, 2] = (1.002, 1.0, 0.998), -0.03
    part = only(Warp(factors, np.zeros((3, 2))), False, True)
    assert part is not None
    whole, alone = moved(Warp(factors, np.zeros((3, 2)))), moved(part)
    x, y = np.array([0.9]), np.array([0.15])
    green = whole.source(x, y, 1)
    for channel in range(3):
        assert np.concatenate(alone.source(*green, channel)) == pytest.approx(
            np.concatenate(whole.source(x, y, channel)), abs=1e-5
        )
    assert only(Warp(factors, np.zeros((3, 2))), False, False) is None


def test_gains_that_the_noise_went_through_move_too() -> None:
    off = Falloff(falloff_of().stops, (0.3, 0.5))
    still = applied(picture(lines()), LensSolution(LensSource.FILE, off)).noise_gain_map
    warp = of_factors(np.array([1.0, 0.0, -0.2]))
    out = applied(picture(lines()), LensSolution(LensSource.FILE, off, LensSource.FILE, warp)).noise_gain_map
    assert still is not None and out is not None
    x, y = moved(warp).source(np.array([50 / 63]), np.array([20 / 63]))
    assert abs(x[0] - 50 / 63) > 0.01
    there = still[round(y[0] * 63), round(x[0] * 63), 1]
    assert out[20, 50, 1] == pytest.approx(there, rel=0.01) and abs(out[20, 50, 1] / still[20, 50, 1] - 1) > 0.005


def test_noise_after_the_move_is_what_the_model_says() -> None:
    rng = np.random.default_rng(4)
    flat = 0.2 + np.sqrt(1e-4 * 0.2 + 1e-6) * rng.standard_normal((HEIGHT, WIDTH, 3))
    out = applied(picture(flat), LensSolution(moved_by=LensSource.FILE, warp=BARREL))
    inside = out.pixels[20:-20, 20:-20].astype(np.float64)
    assert inside.var() == pytest.approx(float(out.noise.a[0] * 0.2 + out.noise.b[0]), rel=0.1)
