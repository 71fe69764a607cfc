"""Tilt of halls of known geometry and of photographs turned by known angles; none where nothing is straight."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import pytest
import skimage.data
from scipy import ndimage
from skimage.util import img_as_float32

from pipeline.imaging import level, manhattan, rotation
from pipeline.imaging.geometry import Box, PixelBox, box_to_pixels, pixels_inside, pixels_to_box
from pipeline.imaging.level import LEVEL, Family, Tilt, Unsure, _of_hall, agreed, families, segments, tilt
from pipeline.imaging.rotation import before_turn, inscribed, inside, rotated
from pipeline.shoot.scan import scan
from pipeline.steps.decode import decode
from pipeline.types import F32, Part

HEIGHT, WIDTH = 640, 960
NOISE_PATTERN = np.random.default_rng(8).standard_normal((HEIGHT, WIDTH)).astype(np.float32)
NOISE = 0.08  # of display white; the demonstration at ISO 12,800 has 0.03 to 0.04 at this size


def hall(
    yaw: float, pitch: float, roll: float, focal: float, seed: int = 0, people: int = 6, noise: float = NOISE
) -> F32:
    """A hall of 44 by 24 by 8 metres with panels, a dado, windows and court lines, through a pinhole camera.

    Degrees; roll turns the picture clockwise; focal in frame widths (85 mm on full frame: 2.4). Every pixel's ray is
    cut with the planes of the hall (pinhole geometry as in Hartley and Zisserman, "Multiple View Geometry", ch. 6;
    from memory), so the truth owes nothing to the code under test. People are heaps of leaning boxes.
    """
    rng = np.random.default_rng(seed)
    w, h = 2 * WIDTH, 2 * HEIGHT
    x, y = np.meshgrid((np.arange(w) + 0.5 - w / 2) / w / focal, (np.arange(h) + 0.5 - h / 2) / w / focal)
    r, p, q = np.radians([roll, pitch, yaw])
    x, y = x * np.cos(r) + y * np.sin(r), y * np.cos(r) - x * np.sin(r)
    up, ahead = -y * np.cos(p) + np.sin(p), y * np.sin(p) + np.cos(p)
    right, ahead = x * np.cos(q) + ahead * np.sin(q), ahead * np.cos(q) - x * np.sin(q)
    rays, eye = (right, up, ahead), (0.0, 1.6, -11.0)
    ends = ((-22.0, 22.0), (0.0, 8.0), (-12.0, 12.0))
    reach = np.stack([np.where(d > 0, b - o, a - o) / d for d, o, (a, b) in zip(rays, eye, ends, strict=True)])
    plane, far = reach.argmin(axis=0), reach.min(axis=0)
    px, py, pz = (o + far * d for o, d in zip(eye, rays, strict=True))
    along = np.where(plane == 2, px, pz)
    wall = 0.55 + 0.12 * (np.floor(along / 2.4) % 2) - 0.2 * ((py < 1) & (py > 0.1)) + 0.15 * (np.abs(py - 3) < 0.06)
    wall -= 0.25 * ((py > 5) & (py < 6.5) & ((along / 3) % 1 < 0.6))
    goal = np.hypot(np.maximum(np.abs(pz) - 1.5, 0), 20 - np.abs(px))  # handball: lines 6 and 9 m from the goal
    lines = [np.abs(px) - 20, np.abs(pz) - 10, px, goal - 6, goal - 9]
    drawn = (np.min(np.abs(lines), axis=0) < 0.05) & (np.abs(px) < 20.05) & (np.abs(pz) < 10.05)
    grey = np.where(plane == 1, np.where(py > 4, 0.3, np.where(drawn, 0.8, 0.42)), wall).astype(np.float32)
    grey = np.asarray(cv2.resize(grey, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA))
    for heap in _heaps(rng, people):
        for corners, shade in heap:
            cv2.fillPoly(grey, [np.round(corners * 16).astype(np.int32)], shade, cv2.LINE_AA, 4)
    grey = cv2.GaussianBlur(grey, (0, 0), 0.8) + noise * rng.standard_normal(grey.shape)
    return np.clip(grey, 0, 1).astype(np.float32)


def _heaps(rng: np.random.Generator, people: int) -> list[list[tuple[np.ndarray, float]]]:
    """Of each of the people of a hall their boxes: four corners in pixels, and a shade."""
    heaps = []
    for _ in range(people):
        x0, y0, size = rng.uniform(0, WIDTH), rng.uniform(0.4, 0.7) * HEIGHT, rng.uniform(0.1, 0.45) * HEIGHT
        lean, heap = rng.uniform(-25, 25), []
        for _ in range(6):
            at = (x0 + size * 0.15 * rng.standard_normal(), y0 + size * 0.4 * rng.uniform(-1, 1))
            extent = (size * rng.uniform(0.08, 0.25), size * rng.uniform(0.2, 0.5))
            corners = cv2.boxPoints((at, extent, lean + rng.normal(0, 15)))
            heap.append((corners, float(rng.uniform(0.05, 0.95))))
        heaps.append(heap)
    return heaps


def people_of(seed: int, people: int = 6) -> F32:
    """(N, 4) where the people of `hall` are, as a detector would say: x0, y0, x1, y1 in fractions."""
    boxes = []
    for heap in _heaps(np.random.default_rng(seed), people):
        corners = np.concatenate([one for one, _ in heap]) / (WIDTH, HEIGHT)
        boxes.append(np.clip([*corners.min(axis=0), *corners.max(axis=0)], 0, 1))
    return np.array(boxes, np.float32).reshape(-1, 4)


def turned(grey: F32, degrees: float, most: float = 5.0) -> F32:
    """The picture turned clockwise, always cut to the same centred part, in which no border is seen."""
    height, width = grey.shape
    x0, y0, x1, y1 = box_to_pixels(inscribed(most, height, width), height, width)
    turned = np.asarray(PIL.Image.fromarray(grey).rotate(-degrees, PIL.Image.Resampling.BICUBIC))  # the other way round
    return np.ascontiguousarray(turned[y0 + 2 : y1 - 2, x0 + 2 : x1 - 2])


@pytest.mark.long
def test_roll_of_a_hall_is_found() -> None:
    """Yaw, pitch, roll and focal length of a camera at the side of the court, level or not."""
    views = [
        (0, 0, -1.7, 1.1),
        (0, 5, -2.9, 2.5),
        (-1, -6, 2.9, 1.8),
        (0, -2, 0.75, 3.2),
        (2, 1, 4.5, 1.4),
        (0, 0, 0, 2),
    ]
    found = [tilt(hall(yaw, pitch, roll, focal)) for yaw, pitch, roll, focal in views]
    answers = [(one, view[2]) for one, view in zip(found, views, strict=True) if isinstance(one, Tilt)]
    assert len(answers) >= 4
    for one, roll in answers:
        assert one.degrees == pytest.approx(roll, abs=0.3)
        assert 0.25 < one.certainty <= 1


@pytest.mark.long
def test_never_wrong_from_anywhere_in_the_hall() -> None:
    """Corners, floor lines in perspective, up to 13 people: some are answered, none by more than the tolerance."""
    rng = np.random.default_rng(31)
    errors = []
    for seed in range(10):
        yaw, pitch, roll = rng.uniform(-50, 50), rng.uniform(-8, 8), rng.uniform(-5, 5)
        picture = hall(yaw, pitch, roll, rng.uniform(0.9, 4), seed, int(rng.integers(0, 14)), rng.choice([0.02, 0.08]))
        found = tilt(picture)
        if isinstance(found, Tilt):
            errors.append(abs(found.degrees - roll))
    assert len(errors) >= 6 and max(errors) < LEVEL.agree, errors


@pytest.mark.parametrize(
    "view", [(20.7, 1.5, 2.9, 4.0, 25, 1, 0.02), (-12.5, 3.6, 0.3, 3.58, 50, 5, 0.08)], ids=["corner", "noise"]
)
def test_verticals_and_perspective_answer_together_where_neither_does_alone(view: tuple[float, ...]) -> None:
    grey = hall(*view[:4], int(view[4]), int(view[5]), view[6])
    pairs = [families(grey, edge) for edge in LEVEL.edges]
    lines = [segments(grey, edge) for edge in LEVEL.edges]
    alone = manhattan.fit(lines, LEVEL.edges)
    assert alone is not None and not alone.sure
    assert not any(isinstance(agreed(*pair), Tilt) for pair in pairs)
    found = tilt(grey)
    assert isinstance(found, Tilt) and found.degrees == pytest.approx(view[2], abs=0.3)


def test_in_noise_lines_are_looked_for_under_more_blur(monkeypatch: pytest.MonkeyPatch) -> None:
    grey = hall(12.3, 0.2, 0.1, 2.53, 31, 11, 0.08)
    found = tilt(grey)
    assert isinstance(found, Tilt) and found.degrees == pytest.approx(0.1, abs=0.3)
    monkeypatch.setattr(level, "LEVEL", replace(LEVEL, noisy=1.0))
    assert isinstance(tilt(grey), Unsure)


def test_lines_within_somebody_are_nothing_of_the_hall() -> None:
    """Someone in a picture of 960 by 640: a limb goes, one that reaches a little beyond too, a line behind stays."""
    at = np.array([0.0, 0.06, 0.0, 0.3])  # from the middle, in frames; the box is 0.2 wide and 0.27 tall
    lines = at, np.zeros(4), np.array([60.0, 0, 0, 10]), np.array([0.1, 0.09, 0.5, 0.1])
    kept = _of_hall(lines, np.array([[0.4, 0.3, 0.6, 0.7, 0.9]], np.float32), (HEIGHT, WIDTH))
    assert kept[0].tolist() == [0.0, 0.3] and kept[3].tolist() == [0.5, 0.1]
    assert _of_hall(lines, None, (HEIGHT, WIDTH)) is lines


def test_a_border_says_nothing_of_how_the_hall_is_turned(monkeypatch: pytest.MonkeyPatch) -> None:
    """Black at one side and white below, as of video and of prints: its edges go, a post beside them stays."""
    grey = np.full((640, 960), 0.4, np.float32) + 0.05 * NOISE_PATTERN
    grey[:, :12], grey[620:] = 0.0, 1.0
    shown = rotation.shown(grey)
    assert shown * 960 == pytest.approx([12 - 480, -320, 480, 300])
    x, y = np.array([12 - 480, 0, 25 - 480, 0]) / 960, np.array([0, 299, 0, 280]) / 960
    lines = x, y, np.array([90.0, 0, 90, 0]), np.array([0.6, 0.9, 0.6, 0.9])
    assert rotation.off_rim(lines, shown)[0].tolist() == x[2:].tolist()
    told: list[manhattan.Lines] = []
    monkeypatch.setattr(manhattan, "fit", lambda pictures, _: told.extend(pictures))
    tilt(grey)
    assert len(told) == 3 and all(len(rotation.off_rim(one, shown)[0]) == len(one[0]) for one in told)
    assert len(segments(grey, 640)[0]) > len(told[2][0])  # which finds them
    assert rotation.shown(np.full((640, 960), 0.4, np.float32)).tolist() == pytest.approx([-0.5, -1 / 3, 0.5, 1 / 3])


def test_a_crowd_before_the_hall_hides_no_tilt_where_it_is_known_who_stands_where() -> None:
    grey = hall(6.22657, -7.29888, -0.67369, 2.97482, 2, 13, 0.02)
    assert isinstance(tilt(grey), Unsure)
    found = tilt(grey, people_of(2, 13))
    assert isinstance(found, Tilt) and found.degrees == pytest.approx(-0.67369, abs=0.3)


def test_of_one_bundle_of_lines_no_turn_is_known_though_it_be_split() -> None:
    """Floor lines at the top of the frame, all of one direction, whose pieces pass for two: once wrong by 0.8."""
    grey = hall(11.15797, -9.38994, -3.13206, 2.99154, 43, 6, 0.08)
    people = people_of(43, 6)
    lines = [_of_hall(segments(grey, edge, True), people, grey.shape) for edge in (432, 528, 640)]
    found = manhattan.fit(lines, (432, 528, 640))
    assert found is not None and replace(found, second=9.0).sure and abs(found.roll + 3.13206) > LEVEL.agree
    assert isinstance(tilt(grey, people), Unsure)


@pytest.mark.parametrize(("spread", "said"), [(0.3, False), (0.6, True)])
def test_verticals_and_horizontals_do_not_answer_against_the_three_directions(
    spread: float, said: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which are not sure by themselves, but say something else by more than two standard deviations, or by less."""
    other = manhattan.Fit(roll=-0.9, spread=spread, evidence=20.0, share=0.5, moved=0.1, second=9.0, bent=1.0)
    monkeypatch.setattr(manhattan, "fit", lambda *_: other)
    assert isinstance(tilt(hall(0, 0, -1.7, 1.1)), Tilt) is said


@pytest.mark.parametrize(
    ("apart", "spread", "told"), [(0.25, 0.15, True), (0.3, 0.15, False), (0.45, 0.5, True), (0.55, 0.5, False)]
)
def test_verticals_and_perspective_are_one_answer_within_their_error_only(
    apart: float, spread: float, told: bool
) -> None:
    """At 1.5 standard deviations of their difference: hypot(0.1, 0.15) is 0.18 degrees, so 0.27; never over 0.5."""
    verticals = Family(
        1.0, 0.1, 0.0, 1.0, share=0.5, rival=0.5, moved=0.02, slope_error=0.0, cells=4, lump=0.3, side=0.5
    )
    perspective = manhattan.Fit(1.0 + apart, spread, evidence=20.0, share=0.6, moved=0.1, second=10.0, bent=1.0)
    assert isinstance(level._in_perspective(perspective, [verticals, verticals]), Tilt) is told


@pytest.mark.parametrize("roll", [-9.0, -6.5, 6.5, 9.0])
def test_more_than_the_limit_is_meant(roll: float) -> None:
    assert abs(roll) > LEVEL.limit
    assert isinstance(tilt(hall(0, 0, roll, 1.4)), Unsure)


@pytest.mark.long
def test_frames_of_the_demonstration(small_shoot: tuple[Path, dict]) -> None:
    """Reference frames and ISO 12,800; their hall is level (fixtures/scene.py). Most others hold too few verticals."""
    folder, _ = small_shoot
    answered = 0
    for frame in [f for f in scan(folder).frames if f.exif.iso in (3200, 12800)]:
        green = decode(frame, 960).image.pixels[..., 1]
        grey = np.clip(green / np.percentile(green, 98), 0, 1).astype(np.float32) ** np.float32(1 / 2.2)
        for degrees in (-2.4, 1.3):
            found = tilt(turned(grey, degrees))
            if isinstance(found, Tilt):
                answered += 1
                assert found.degrees == pytest.approx(degrees, abs=0.5)
    assert answered >= 2


@pytest.mark.long
@pytest.mark.parametrize(("kind", "least", "most"), [("people", 0, 8), ("chart-jpeg", 17, 20)])
def test_photographs_turn_with_their_tilt(shared: Callable[[str], Path], kind: str, least: int, most: int) -> None:
    """Between any two answers for turns of one photograph lies the angle between the turns. Streets and decks, whose
    lines run away in all directions, get few. They are upright by eye, but a bridge, whose posts lean by 2 degrees."""
    answered = 0
    for path in sorted(shared(f"data/{kind}").glob("*.[jJ][pP][gG]")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        grey = cv2.resize(grey, (960, round(960 * grey.shape[0] / grey.shape[1])), interpolation=cv2.INTER_AREA)
        away = []
        for degrees in (-3.4, -1.4, 0.0, 1.1, 2.6):
            found = tilt(turned(grey.astype(np.float32) / 255, degrees))
            away += [found.degrees - degrees] if isinstance(found, Tilt) else []
        answered += len(away)
        if away:
            assert np.ptp(away) < 0.4, path.name
            leans = 2.0 if path.name.startswith("24274813513") else 0.0
            assert kind != "people" or abs(np.mean(away) - leans) < 0.3, path.name
    assert least <= answered <= most


def _patterns() -> list[F32]:
    rng = np.random.default_rng(1)
    found = [rng.random((HEIGHT, WIDTH)).astype(np.float32), np.full((HEIGHT, WIDTH), 0.5, np.float32)]
    for sigma in (1.5, 4, 10):
        soft = cv2.GaussianBlur(rng.random((HEIGHT, WIDTH)), (0, 0), sigma)
        found.append(((soft - soft.min()) / np.ptp(soft)).astype(np.float32))
    for count in (30, 80, 150):  # heads and balls, then sticks, then boxes at every angle
        rounds, sticks, boxes = (np.full((HEIGHT, WIDTH), 0.5, np.float32) for _ in range(3))
        for _ in range(count):
            at = [int(v) for v in rng.uniform(0, WIDTH, 4)]
            size = [int(v) for v in rng.uniform(10, 150, 2)]
            shade, angle = float(rng.random()), float(rng.uniform(0, 180))
            cv2.ellipse(rounds, (at[0], at[1]), (size[0], size[1]), angle, 0, 360, shade, -1, cv2.LINE_AA)
            cv2.line(sticks, (at[0], at[1]), (at[2], at[3]), shade, int(rng.integers(1, 9)), cv2.LINE_AA)
            corners = cv2.boxPoints(((at[0], at[1]), (size[0], size[1]), angle))
            cv2.fillPoly(boxes, [corners.astype(np.int32)], shade, cv2.LINE_AA)
        found += [rounds, sticks, boxes]
    return found


def test_nothing_straight_nothing_said() -> None:
    assert [i for i, picture in enumerate(_patterns()) if isinstance(tilt(picture), Tilt)] == []


@pytest.mark.long
@pytest.mark.parametrize("name", ["chelsea", "grass", "gravel", "moon", "coins"])
def test_photographs_of_nothing_straight(name: str) -> None:
    """A face (a cat's) and textures that come with scikit-image, upright and at angles."""
    grey = img_as_float32(getattr(skimage.data, name)())
    grey = grey if grey.ndim == 2 else np.ascontiguousarray(grey[..., 1])
    assert [degrees for degrees in (-3.0, -1.0, 0.0, 2.0) if isinstance(tilt(turned(grey, degrees)), Tilt)] == []


def test_small_pictures_are_no_error() -> None:
    for shape in ((1, 1), (3, 200), (40, 30)):
        assert tilt(np.zeros(shape, np.float32)) is Unsure.FEW


@pytest.mark.parametrize("degrees", [0.0, 0.3, 1.0, -1.3, 4.0])
def test_an_edge_has_its_angle(degrees: float) -> None:
    """Edges that are flat but for a fraction of a degree must not come out as steps."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    turn = math.radians(degrees)
    off = (y - HEIGHT / 2) * math.cos(turn) - (x - WIDTH / 2) * math.sin(turn)
    noise = 0.03 * np.random.default_rng(2).standard_normal(off.shape)
    picture = (0.3 + 0.4 * np.clip(0.5 + off / 2, 0, 1) + noise).astype(np.float32)
    _, _, angle, length = segments(picture, LEVEL.edges[0])
    assert np.average(angle, weights=length**2) == pytest.approx(degrees, abs=0.05)


@pytest.mark.parametrize("degrees", [0.4, -2.0, 5.0])
def test_rotated_as_a_spline_of_fifth_order(degrees: float) -> None:
    """Against scipy.ndimage, another implementation and kernel, on what a picture at web size holds."""
    rng = np.random.default_rng(3)
    pixels = cv2.GaussianBlur(rng.random((240, 360, 3)), (0, 0), 1.5).astype(np.float32)
    reference = ndimage.rotate(pixels, -degrees, reshape=False, order=5, mode="nearest")  # it counts the other way
    x0, y0, x1, y1 = box_to_pixels(inscribed(degrees, 240, 360), 240, 360)
    off = (rotated(pixels, degrees) - reference)[y0 + 4 : y1 - 4, x0 + 4 : x1 - 4]
    assert float(off.std()) < 0.02 * float(pixels.std())


def test_rotated_straightens_what_tilt_finds() -> None:
    picture = hall(0, 2, 2.5, 1.5, noise=0.03)
    found = tilt(picture)
    assert isinstance(found, Tilt)
    straight = rotated(np.repeat(picture[..., None], 3, axis=2), -found.degrees)[..., 1]
    x0, y0, x1, y1 = box_to_pixels(inscribed(found.degrees, HEIGHT, WIDTH), HEIGHT, WIDTH)
    left = tilt(np.ascontiguousarray(straight[y0:y1, x0:x1]))
    assert isinstance(left, Tilt)
    assert abs(left.degrees) < 0.3


def test_rotated_keeps_lamps_without_a_halo() -> None:
    pixels = np.full((80, 120, 3), 0.2, np.float32)
    pixels[30:50, 40:60] = 30.0  # linear, far above white
    out = rotated(pixels, 3.0)
    assert out.shape == pixels.shape and out.dtype == np.float32
    assert (out.min(), out.max()) == (pixels.min(), pixels.max())
    assert rotated(pixels, 0.0) is pixels


@pytest.mark.parametrize("shape", [(640, 960), (960, 640), (500, 500)])
@pytest.mark.parametrize("degrees", [-5.0, 0.0, 0.2, 3.0])
@pytest.mark.parametrize("aspect", [None, 1.0, 1.5, 0.8, 16 / 9])
def test_inscribed_is_the_largest_box_without_border(
    shape: tuple[int, int], degrees: float, aspect: float | None
) -> None:
    height, width = shape
    box = inscribed(degrees, height, width, aspect)
    x0, y0, x1, y1 = box
    assert (x1 - x0) * width / ((y1 - y0) * height) == pytest.approx(aspect or width / height)
    assert inside(box, degrees, height, width)
    grown = Box(x0 - 1e-4, y0 - 1e-4, x1 + 1e-4, y1 + 1e-4)
    assert not inside(grown, degrees, height, width)


def test_inside_holds_only_pixels_of_the_frame() -> None:
    """Boxes anywhere, against a marked border that rotation brings in (Pillow, which fills with 0)."""
    height, width, degrees = 200, 300, 4.0
    full = PIL.Image.fromarray(np.ones((height, width), np.float32))
    real = np.asarray(full.rotate(-degrees, PIL.Image.Resampling.NEAREST)) > 0
    rng = np.random.default_rng(6)
    seen = {True: 0, False: 0}
    for _ in range(400):
        x0, y0 = rng.uniform(0, 0.3, 2)
        box = Box(x0, y0, x0 + rng.uniform(0.3, 0.7), y0 + rng.uniform(0.3, 0.7))
        left, top, right, bottom = box_to_pixels(box, height, width)
        if right > width or bottom > height or box[2] > 1 or box[3] > 1:
            continue
        exact = pixels_to_box(PixelBox(left, top, right, bottom), height, width)
        said = inside(exact, degrees, height, width)
        seen[said] += 1
        if said:
            assert real[top:bottom, left:right].all()
        slightly_less = Box(exact[0] + 2 / width, exact[1] + 2 / height, exact[2] - 2 / width, exact[3] - 2 / height)
        if not inside(slightly_less, degrees, height, width):
            assert not real[top:bottom, left:right].all()
    assert min(seen.values()) > 20


@pytest.mark.parametrize("degrees", [-4.0, 1.3, 5.0])
@pytest.mark.parametrize("box", [Box(0.1, 0.5, 0.4, 0.8), Box(0.6, 0.2, 0.9, 0.5)])
def test_a_part_is_turned_as_the_whole_is(degrees: float, box: Box) -> None:
    pixels = cv2.GaussianBlur(np.random.default_rng(4).random((400, 600, 3)), (0, 0), 1.5).astype(np.float32)
    x0, y0, x1, y1 = pixels_inside(before_turn(box, degrees, 400, 600), 400, 600)
    part = rotated(pixels[y0:y1, x0:x1], degrees, Part(x0, y0, 600, 400))
    inner = box_to_pixels(box, 400, 600)
    whole = rotated(pixels, degrees)[inner.y0 : inner.y1, inner.x0 : inner.x1]
    off = part[inner.y0 - y0 : inner.y1 - y0, inner.x0 - x0 : inner.x1 - x0] - whole
    assert np.abs(off).max() < 0.01 * float(np.ptp(pixels))  # OpenCV takes places to 1/32 of a pixel
