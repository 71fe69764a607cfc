"""Scenes of a shoot and how they compare: drawn halls whose light is known in closed form."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from pipeline.fixtures.light import response, tables

from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap
from pipeline.light.scenes import Scene, ShootLight, compare, look, lowest_row, zones
from pipeline.steps.decode import decode
from pipeline.types import Domain, Exif, Frame, Image, Noise

HEIGHT, WIDTH = 96, 144
NOISE = Noise(np.full(3, 3e-5), np.full(3, 1e-7))
DAY = 1 / (response(np.ones(31), "D65") / response(np.ones(31), "D65")[1])
COLOURS = ["neutral 6.5 (.44 D)", "orange yellow", "white 9.5 (.05 D)", "light skin", "red", "blue", "foliage"]


def hall(lamp: str, seed: int = 0) -> np.ndarray:
    """Published surfaces under a published lamp, strewn over a wall above a floor; invented places."""
    rng = np.random.default_rng(seed)
    seen = [response(np.array(tables()["reflectances"][n]), lamp) for n in COLOURS]
    out = np.broadcast_to(seen[0], (HEIGHT, WIDTH, 3)).copy()
    out[60:] = seen[1]
    for _ in range(60):
        y, x = int(rng.integers(0, HEIGHT)), int(rng.integers(0, WIDTH))
        out[y : y + int(rng.integers(4, 20)), x : x + int(rng.integers(4, 20))] = seen[2 + int(rng.integers(0, 5))]
    return out * rng.uniform(0.45, 0.6, (HEIGHT, WIDTH, 1)) * 0.5


def taken(
    pixels: np.ndarray, name: str, orientation: int = 1, model: str = "One", seed: int = 0
) -> tuple[Frame, Image]:
    rng = np.random.default_rng(seed)
    seen = pixels + rng.normal(0, 1, pixels.shape) * np.sqrt(NOISE.a * pixels + NOISE.b)
    upright = Orientation(orientation).to_upright(np.minimum(seen, 1).astype(np.float32))
    frame = Frame(name, Path(f"{name}.dng"), f"{name}.dng", "raw", Exif(model=model, orientation=orientation))
    return frame, Image(np.ascontiguousarray(upright), Domain.CAMERA, NOISE, np.ones(3), np.eye(3))


def seen_as(shots: list[tuple[Frame, Image]]) -> Scene:
    return look([f for f, _ in shots], [i for _, i in shots], DAY)


def flicker(k: int) -> np.ndarray:
    """30 % of light that rises and falls over the rows, 0.4 of a wave, closed form."""
    return (1 + 0.3 * np.cos(2.4 * k + 0.8 * np.pi * np.linspace(0, 1, HEIGHT)))[:, None, None]


def burst(lamp: str, orientation: int = 1, count: int = 6) -> list[tuple[Frame, Image]]:
    return [taken(hall(lamp) * flicker(k), f"F{k}", orientation, seed=k) for k in range(count)]


def left_over(scene: Scene) -> float:
    logs = np.array([np.log2(flicker(k)) + p.on(HEIGHT, WIDTH) for k, p in enumerate(scene.flicker)])
    return float(np.quantile(np.ptp(logs, axis=0), 0.95))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_flicker_follows_the_sensor_s_rows(orientation: int) -> None:
    """Whatever way the camera was held (Exif 274), the gain maps are those of the sensor."""
    scene = seen_as(burst("FL2", orientation))
    assert left_over(scene) < 0.03
    assert scene.names == tuple(f"F{k}" for k in range(6))
    assert min(scene.steady) > 0.5 and scene.pan == pytest.approx([0.0] * 6, abs=0.002)


def test_which_row_of_the_sensor_is_the_lowest() -> None:
    """By Exif 2.32, tag 274: the first row is at the top in 1 and 2, at the bottom in 3 and 4, else at a side."""
    assert [lowest_row({Orientation(n)}) for n in range(1, 9)] == [1, 1, -1, -1, 0, 0, 0, 0]
    assert lowest_row({Orientation.TOP_LEFT, Orientation.BOTTOM_RIGHT}) == 0
    assert lowest_row({Orientation.TOP_LEFT, Orientation.TOP_RIGHT}) == 1


def test_a_zoom_within_a_burst_is_seen() -> None:
    """The last frame shows the middle of the others, larger by a twentieth."""
    larger = cv2.getRotationMatrix2D(((WIDTH - 1) / 2, (HEIGHT - 1) / 2), 0, 1.05)
    pixels = [hall("FL2")] * 2 + [cv2.warpAffine(hall("FL2"), larger, (WIDTH, HEIGHT))]
    scene = seen_as([taken(one, f"F{k}", seed=k) for k, one in enumerate(pixels)])
    assert scene.zoom == pytest.approx((1.0, 1.0, 1.05), abs=0.01)


def test_scene_survives_the_store() -> None:
    scene = seen_as(burst("FL2", count=3))
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **scene.as_arrays())
    with np.load(io.BytesIO(buffer.getvalue())) as arrays:
        back = Scene.from_arrays(scene.names, arrays)
    for one, other in zip(scene.flicker, back.flicker, strict=True):
        assert one.on(5, 5) == pytest.approx(other.on(5, 5))
    assert np.array_equal(back.chroma_histogram, scene.chroma_histogram)
    assert np.array_equal(back.tone_histogram, scene.tone_histogram) and np.asarray(scene.tone_histogram).max() == 255
    assert [w.score for w in back.whites] == [w.score for w in scene.whites]
    assert (back.steady, back.pan, back.zoom) == (scene.steady, scene.pan, scene.zoom)
    assert back.level == pytest.approx(scene.level)


def test_a_scene_is_the_same_when_it_is_found_again() -> None:
    one, other = (seen_as(burst("HP3", count=4)).as_arrays() for _ in range(2))
    assert all(np.array_equal(one[k], other[k], equal_nan=True) for k in one)


def test_a_single_has_no_flicker() -> None:
    scene = seen_as([taken(hall("FL2"), "F1")])
    assert np.abs(scene.flicker[0].coefficients).max() == 0
    assert len(scene.whites) > 0


@pytest.mark.parametrize("value", [0.0, 1.0])
@pytest.mark.parametrize("count", [1, 3])
def test_a_burst_that_shows_nothing(value: float, count: int) -> None:
    shots = [taken(np.full((HEIGHT, WIDTH, 3), value), f"F{k}") for k in range(count)]
    for _, image in shots:
        image.pixels[:] = value
    scene = seen_as(shots)
    assert np.isnan(scene.level).all() and scene.whites == ()
    light = compare([f for f, _ in shots], [scene], [])
    assert np.isfinite(light.chromaticities).all() and list(zones(light)) == [0]
    assert all(np.isfinite(p.coefficients).all() for p in scene.flicker)


@pytest.mark.parametrize("odd", [0, 5])
def test_one_frame_of_another_size_is_left_alone(odd: int) -> None:
    """It cannot be compared pixel by pixel; the others still are, also where it comes first."""
    shots = burst("FL2")
    frame, image = shots[odd]
    shots[odd] = (frame, image.with_pixels(image.pixels[:48]))
    scene = seen_as(shots)
    assert np.abs(scene.flicker[odd].coefficients).max() == 0
    rest = [k for k in range(6) if k != odd]
    logs = np.array([np.log2(flicker(k)) + scene.flicker[k].on(HEIGHT, WIDTH) for k in rest])
    assert np.quantile(np.ptp(logs, axis=0), 0.95) < 0.03


def ends(lamps: list[str], stops: list[float] | None = None, models: list[str] | None = None) -> ShootLight:
    frames, scenes = [], []
    for index, lamp in enumerate(lamps):
        pixels = hall(lamp, seed=index) * 2.0 ** (stops[index] if stops else 0)
        shot = taken(pixels, f"F{index}", model=models[index] if models else "One", seed=index)
        frames.append(shot[0])
        scenes.append(seen_as([shot]))
    return compare(frames, scenes, [])


def test_zones_are_the_lamps_and_not_the_order() -> None:
    """LED and metal halide by turns: the zones are found from the pictures."""
    light = ends(["LED-B5", "HP3", "LED-B5", "HP3", "HP3", "LED-B5"])
    assert list(zones(light)) == [0, 1, 0, 1, 1, 0]
    assert list(light.group) == [0] * 6
    one, other = (np.log(response(np.ones(31), n))[[0, 2]] for n in ("HP3", "LED-B5"))
    assert light.chromaticities[1] - light.chromaticities[0] == pytest.approx(one - other, abs=0.08)


def test_tone_tells_light_and_not_what_is_in_the_picture() -> None:
    light = ends(["FL2"] * 4, [0.0, 0.5, -0.7, 0.2])
    assert light.tone - light.tone[0] == pytest.approx([0.0, 0.5, -0.7, 0.2], abs=0.12)


def test_cameras_are_not_compared() -> None:
    light = ends(["FL2", "FL2", "FL2"], models=["One", "Two", "One"])
    assert light.group[0] == light.group[2] != light.group[1]
    assert zones(light)[0] == zones(light)[2] != zones(light)[1]


def test_a_camera_s_jpeg_is_not_compared_with_its_raw() -> None:
    """A JPEG has gone through the camera's curve and colours: its numbers are no light (common practice)."""
    shots = [taken(hall("FL2", seed=i), f"F{i}", seed=i) for i in range(3)]
    frames = [f if i != 1 else replace(f, kind="picture") for i, (f, _) in enumerate(shots)]
    light = compare(frames, [seen_as([s]) for s in shots], [])
    assert light.group[0] == light.group[2] != light.group[1]


def strange(seed: int) -> np.ndarray:
    """Three colours of no hall: the way there, the changing room, the stands; invented."""
    rng = np.random.default_rng(seed)
    out = np.empty((HEIGHT, WIDTH, 3))
    out[:], out[60:], out[20:50, 30:60] = np.exp(rng.normal(0, 0.5, (3, 3))) * 0.2
    return np.clip(out, 0.02, 0.8) * rng.uniform(0.5, 1, (HEIGHT, WIDTH, 1))


@pytest.mark.long
def test_another_camera_that_comes_late_is_one_group_too() -> None:
    """Twelve strange frames of the first camera must not use up the scenes that others are compared with."""
    shots = [taken(strange(i), f"F{i}", seed=i) for i in range(12)]
    shots += [taken(hall("FL2", seed=i), f"F{i}", model="Two", seed=i) for i in range(12, 16)]
    light = compare([f for f, _ in shots], [seen_as([s]) for s in shots], [])
    assert len(set(light.group[12:].tolist())) == 1


@pytest.mark.long
@pytest.mark.parametrize("early", [0, 2])
def test_test_shots_leave_room_for_a_hall_and_do_not_push_it_out(early: int) -> None:
    """Twelve strange frames, more than scenes that others are compared with, before a hall's or in the middle of them,
    and one between any two: those of the hall prove to each other that they show one place, strange ones to nobody."""
    halls = [taken(hall("FL2" if i % 2 else "FL11", seed=i), f"F{i}", seed=i) for i in range(early + 3)]
    odd = [taken(strange(i), f"S{i}", seed=i) for i in range(15)]
    shots = [*halls[:early], *odd[:12], *(s for pair in zip(halls[early:], odd[12:], strict=True) for s in pair)]
    light = compare([f for f, _ in shots], [seen_as([s]) for s in shots], [])
    places = [place for place, (f, _) in zip(light.place, shots, strict=True) if f.name.startswith("F")]
    assert len(set(places)) == 1
    assert len(set(light.place.tolist())) == len(odd) + 1


def test_flicker_by_name() -> None:
    scene = seen_as(burst("FL2", count=3))
    none, place = np.zeros(1), np.zeros(1, dtype=int)
    light = ShootLight((scene,), np.zeros((1, 2)), none, none, np.ones(1), place, dict.fromkeys(scene.names, 0))
    assert light.flicker("F1") is scene.flicker[1]
    assert light.scene("F2") is scene
    assert isinstance(light.flicker("F0"), GainMap)


@pytest.mark.long
def test_jpegs_of_a_phone_that_are_even_are_left_alone(shared) -> None:
    """Four frames of a phone under daylight (CC0) are changed by less than 0.02 EV."""
    paths = sorted(shared("data/burst-jpeg").glob("*.JPG"))
    frames = [Frame(p.stem, p, p.name, "picture") for p in paths]
    scene = look(frames, [decode(f, 192).image for f in frames], np.ones(3))
    assert scene.mercury is None  # its camera made the colours
    change = np.abs([p.on(32, 32) for p in scene.flicker])
    print(f"burst-jpeg: mean {change.mean():.4f} EV, largest {change.max():.4f} EV")
    assert change.mean() < 0.02
