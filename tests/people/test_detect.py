"""Finding people, faces and balls: what is sure without labels, and the arithmetic of boxes against counted pixels."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import pytest
import skimage.data

from pipeline.imaging.colour import srgb_decode
from pipeline.people.detect import NOTHING, Found, find, merged, overlap, picture_for_detection, within
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.modelfiles import find as find_models

SURE = 0.5  # what the tests hold the networks to; the rest may come and go with a pixel

Look = Callable[[np.ndarray], Found]


@pytest.fixture(scope="module")
def files(shared: Callable[[str], Path]) -> ModelFiles:
    return find_models(shared("models"))


@pytest.fixture(scope="module")
def look(files: ModelFiles) -> Look:
    return lambda picture: find(np.ascontiguousarray(picture), files.person, files.face)


@pytest.fixture(scope="module")
def photographs(shared: Callable[[str], Path]) -> dict[str, np.ndarray]:
    """BGR, those of ../shared/data/people (see its NOTICE) in which people are of some size."""
    folder = shared("data/people")
    found = {}
    for path in sorted(folder.glob("*.jpg")):
        with PIL.Image.open(path) as image:
            found[path.stem[:8]] = np.asarray(image.convert("RGB"))[..., ::-1]
    return {name: found[name] for name in ("17790319", "18124840", "33823288") if name in found}


def bgr(name: str) -> np.ndarray:
    picture = getattr(skimage.data, name)()
    picture = np.repeat(picture[..., None], 3, axis=2) if picture.ndim == 2 else picture[..., :3]
    return np.ascontiguousarray(picture[..., ::-1])


def matched(first: np.ndarray, second: np.ndarray, least: float) -> float:
    """Share of the sure boxes of `first` that have one of `second` over them."""
    sure = first[first[:, 4] >= SURE]
    hits = [len(second) > 0 and overlap(box[:4], second[:, :4]).max() >= least for box in sure]
    return float(np.mean(hits)) if hits else 1.0


@pytest.mark.parametrize("name", ["coffee", "chelsea", "rocket", "brick", "grass", "gravel", "coins", "moon", "page"])
def test_pictures_without_people_have_nobody(look: Look, name: str) -> None:
    """Pictures of scikit-image's own collection: a cup, a cat, a rocket, textures, coins, the moon, a page."""
    found = look(bgr(name))
    assert len(found.people) == len(found.balls) == 0
    assert not (found.faces[:, 4] >= 0.7).any()


@pytest.mark.parametrize("name, box, face", [
    ("astronaut", (0.02, 0.02, 0.78, 1.0), (0.35, 0.13, 0.53, 0.33)),
    ("camera", (0.02, 0.15, 0.57, 0.93), (0.38, 0.22, 0.50, 0.36)),
])  # fmt: skip
def test_somebody_is_found_with_the_face(
    look: Look, name: str, box: tuple[float, ...], face: tuple[float, ...]
) -> None:
    """The boxes are drawn by eye."""
    found = look(bgr(name))
    assert overlap(np.array(box), found.people[:1, :4])[0] > 0.7 and found.people[0, 4] > 0.8
    assert (found.people[:, 4] > SURE).sum() == 1
    assert overlap(np.array(face), found.faces[:1, :4])[0] > 0.5 and found.faces[0, 4] > 0.7
    for x, y in (found.faces[0, 5:7], found.faces[0, 7:9]):  # eyes and nose lie in the face
        assert found.faces[0, 0] < x < found.faces[0, 2] and found.faces[0, 1] < y < found.faces[0, 3]


def test_a_mirrored_picture_has_mirrored_boxes(look: Look, photographs: dict[str, np.ndarray]) -> None:
    shares = []
    for picture in (*photographs.values(), bgr("astronaut")):
        there, back = look(picture), look(picture[:, ::-1])
        turned = back.people.copy()
        turned[:, [0, 2]] = 1 - back.people[:, [2, 0]]
        shares += [matched(there.people, turned, 0.6), matched(turned, there.people, 0.6)]
        faces = back.faces.copy()
        faces[:, [0, 2]] = 1 - back.faces[:, [2, 0]]
        sure = there.faces[there.faces[:, 4] >= 0.85]
        shares.append(matched(sure, faces, 0.5))
    assert np.mean(shares) > 0.85


@pytest.mark.parametrize("x, y", [(0.0, 0.2), (0.33, 0.0), (0.6, 0.45)])
def test_somebody_who_moved_is_found_where_he_went(look: Look, x: float, y: float) -> None:
    """The same portrait on a grey wall, at three places and two sizes."""
    person = bgr("astronaut")
    alone = look(person).people[0]
    for size in (330, 440):
        wall = np.full((800, 1200, 3), 128, np.uint8)
        left, top = int(x * 1200), int(y * 800)
        small = cv2.resize(person, (size, size), interpolation=cv2.INTER_AREA)[: 800 - top, : 1200 - left]
        wall[top : top + small.shape[0], left : left + small.shape[1]] = small
        expected = (alone[:4] * size + (left, top, left, top)) / (1200, 800, 1200, 800)
        expected[2:] = np.minimum(expected[2:], 1)
        found = look(wall).people
        assert overlap(expected, found[:1, :4])[0] > 0.7


def test_two_sizes_of_a_picture_agree(look: Look, photographs: dict[str, np.ndarray]) -> None:
    shares = []
    for picture in photographs.values():
        height, width = picture.shape[:2]
        size = (round(width * 0.6), round(height * 0.6))
        smaller = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        large, small = look(picture), look(smaller)
        large_tall = large.people[large.people[:, 3] - large.people[:, 1] > 0.1]
        shares += [matched(large_tall, small.people, 0.6)]
    assert np.mean(shares) > 0.9


def test_boxes_are_fractions_in_order_and_the_same_every_time(look: Look, photographs: dict[str, np.ndarray]) -> None:
    for picture in photographs.values():
        found, again = look(picture), look(picture)
        for rows, more in ((found.people, again.people), (found.faces, again.faces), (found.balls, again.balls)):
            assert np.array_equal(rows, more)
            assert ((rows[:, :4] >= 0) & (rows[:, :4] <= 1)).all()
            assert (rows[:, 0] < rows[:, 2]).all() and (rows[:, 1] < rows[:, 3]).all()
        assert (np.diff(found.faces[:, 4]) <= 0).all()


@pytest.mark.parametrize("shape", [(1, 1), (1, 700), (900, 3), (33, 31), (2000, 40)])
def test_any_size_of_picture_can_be_looked_at(look: Look, shape: tuple[int, int]) -> None:
    found = look(np.full((*shape, 3), 90, np.uint8))
    assert len(found.people) == 0


def test_without_models_nothing_is_found_and_a_damaged_one_is_named(tmp_path: Path) -> None:
    picture = np.zeros((32, 32, 3), np.uint8)
    found = find(picture, None, None)
    assert len(found.people) == len(found.faces) == len(found.balls) == 0
    assert NOTHING.people.shape == (0, 5) and NOTHING.faces.shape == (0, 9)
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"this is no network")
    with pytest.raises(ValueError, match=r"broken\.onnx: is not a network"):
        find(picture, broken, None)
    with pytest.raises(ValueError, match=r"broken\.onnx: is not a network"):
        find(picture, None, broken)


# ---- the picture that is looked at -----------------------------------------------------------------------------


def linear(name: str = "astronaut") -> np.ndarray:
    return srgb_decode(bgr(name)[..., ::-1].astype(np.float32) / 255).astype(np.float32)


def shown(pixels: np.ndarray, balance: tuple[float, float, float] = (1, 1, 1)) -> np.ndarray:
    return picture_for_detection(pixels.astype(np.float32), np.array(balance, np.float64), np.eye(3)).astype(int)


@pytest.mark.parametrize("stops", [-4, -2, 1, 2])
def test_a_dark_hall_looks_like_a_well_lit_one(stops: int) -> None:
    assert np.abs(shown(linear() * 2.0**stops) - shown(linear())).max() <= 1


def test_a_cast_is_halved_in_stops() -> None:
    """A lamp that gives red twice and blue half of what it should: the picture has half of that cast, in stops."""
    grey = np.full((60, 90, 3), 0.2, np.float32)
    cast = srgb_decode(shown(grey * np.array([2.0, 1.0, 0.5]))[30, 45, ::-1] / 255)
    assert np.log2(cast[0] / cast[2]) == pytest.approx(1.0, abs=0.05)
    same = shown(linear() * np.array([2.0, 1.0, 0.5]), (0.5, 1.0, 2.0))  # one that the camera knows is gone
    assert np.abs(same - shown(linear())).max() <= 1


def test_a_blown_window_does_not_make_the_hall_dark() -> None:
    hall = np.full((200, 300, 3), 0.05, np.float32)
    hall[:40, :60] = 4.0
    assert shown(hall)[150, 150, 0] > 90


# ---- boxes -----------------------------------------------------------------------------------------------------


def masks(boxes: np.ndarray, size: int = 100) -> np.ndarray:
    y, x = np.mgrid[:size, :size] + 0.5
    x0, y0, x1, y1 = (boxes[:, i, None, None] for i in range(4))
    return (x > x0) & (x < x1) & (y > y0) & (y < y1)


def test_overlap_and_within_are_what_counting_pixels_gives() -> None:
    rng = np.random.default_rng(4)
    corners = rng.integers(0, 60, (40, 2))
    boxes = np.concatenate([corners, corners + rng.integers(1, 40, (40, 2))], axis=1).astype(np.float64)
    drawn = masks(boxes)
    for one, mask in zip(boxes, drawn, strict=True):
        both, either = (drawn & mask).sum(axis=(1, 2)), (drawn | mask).sum(axis=(1, 2))
        assert overlap(one, boxes) == pytest.approx(both / either)
        assert within(boxes, one) == pytest.approx(both / drawn.sum(axis=(1, 2)))


def test_boxes_of_one_person_become_one_and_others_stay() -> None:
    one = [(10, 10, 30, 70, 0.9), (11, 9, 31, 72, 0.6), (12, 12, 29, 66, 0.5)]
    rows = np.array([*one, (60, 10, 80, 70, 0.8), (32, 10, 52, 70, 0.7)], np.float32)
    found = merged(rows, rows[:, 4])
    assert len(found) == 3
    assert found[0, 4] == np.float32(0.9)
    weight = np.array([0.81, 0.36, 0.25])
    assert found[0, :4] == pytest.approx((np.array(one)[:, :4] * weight[:, None]).sum(axis=0) / weight.sum(), rel=1e-5)
    assert found[1:, :4] == pytest.approx(rows[3:, :4])
    assert merged(np.zeros((0, 5), np.float32), np.zeros(0)).shape == (0, 5)


def test_a_torso_seen_apart_is_no_second_person() -> None:
    rows = np.array([(10, 10, 40, 100, 0.9), (12, 12, 38, 60, 0.6)], np.float32)
    assert merged(rows, rows[:, 4])[:, :4] == pytest.approx(rows[:1, :4])
    child = np.array([(10, 10, 40, 100, 0.9), (15, 70, 28, 99, 0.6)], np.float32)  # small before somebody large
    assert len(merged(child, child[:, 4])) == 2
