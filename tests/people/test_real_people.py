"""Players of real court frames are found, clean and degraded, and the counting of tests.real_crops is right."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import PIL.Image
import pytest

from pipeline.people.detect import SURE, find
from pipeline.people.modelfiles import find as find_models
from pipeline.steps.crop_solution import CropSource
from tests.degraded import CAMERA, WHITE, degraded
from tests.jpeg_noise import sensor_noise
from tests.reaches import labelled
from tests.real_crops import cut_players, looked_at, recall, with_time, wrong_in
from tests.situations import SITUATIONS, SIZE, Drawn, draw_situation


@pytest.mark.parametrize("kind, least", [("clean", 23), ("degraded", 21)])
def test_labelled_players_are_found(shared: Callable[[str], Path], kind: str, least: int) -> None:
    """24 players labelled in two frames (see SOURCES.md there); wanted are 46 and 42 of 48."""
    folder, files = shared("data/court"), find_models(shared("models"))
    met = 0
    for name, boxes in labelled().items():
        with PIL.Image.open(folder / name) as image:
            pixels = np.asarray(image.convert("RGB"))
        picture = looked_at(degraded(pixels, 1) if kind == "degraded" else pixels)
        people = find(picture, files.person, None).people
        met += recall(people[people[:, 4] >= SURE.person], boxes / [1920, 1080, 1920, 1080])[0]
    assert met >= least


def test_a_box_counts_once_in_the_stricter_count() -> None:
    two = np.array([[0.1, 0.1, 0.3, 0.5], [0.12, 0.1, 0.32, 0.5]])
    one = np.array([[0.11, 0.1, 0.31, 0.5, 0.9]])
    assert recall(one, two) == (2, 1)
    assert recall(np.concatenate([one, one]), two) == (2, 2)
    assert recall(one, two + 0.5) == recall(one[:0], two) == (0, 0)


def test_a_degraded_picture_is_dim_blurred_and_noisy(shared: Callable[[str], Path]) -> None:
    """A grey of 0.5 two stops under, with the variance of the sensor; a line of one pixel is eight wide."""
    shared("data/noise")
    grey = np.full((200, 300, 3), 188, np.uint8)  # sRGB of linear 0.5
    linear = (degraded(grey, 3) / 255.0) ** 2.2
    assert linear.mean() == pytest.approx(0.125, rel=0.08)
    a, b = sensor_noise(CAMERA, 12_800)
    assert linear[..., 1].std() == pytest.approx((a * 0.125 * WHITE + b) ** 0.5 / WHITE, rel=0.35)  # JPEG takes some
    grey[:, 150] = 255
    line = degraded(grey, 3, iso=100)[..., 1].astype(float).mean(axis=0)
    assert ((line - np.median(line)) > 2).sum() in (8, 9)


def test_the_time_is_put_into_a_jpeg_and_nothing_else_changes(tmp_path: Path) -> None:
    path = tmp_path / "one.jpg"
    PIL.Image.fromarray(np.arange(48, dtype=np.uint8).reshape(4, 4, 3)).save(path)
    (tmp_path / "two.jpg").write_bytes(with_time(path.read_bytes(), 61, 30))
    with PIL.Image.open(path) as before, PIL.Image.open(tmp_path / "two.jpg") as after:
        assert np.array_equal(np.asarray(before), np.asarray(after))
        inner = after.getexif().get_ifd(0x8769)
        assert (inner[36867], inner[37521]) == ("2026:02:14 19:31:01", "30")


def cut(
    box: tuple[float, ...] | None, subject: tuple[float, ...] | None, source: CropSource = CropSource.SUBJECT
) -> Any:
    return SimpleNamespace(
        solutions={"3:2": SimpleNamespace(source=source, box=box)},
        pixels=np.zeros((100, 100, 3), np.uint8),
        subject=None if subject is None else SimpleNamespace(box=subject),
        boxes={"3:2": box or (0, 0, 1, 1)},
        whole=lambda aspect: box is None,
    )


def test_players_near_the_subject_that_a_crop_cuts_are_counted() -> None:
    own, near, far, out = (
        np.array(b) for b in ([0.4, 0.3, 0.5, 0.7], [0.6, 0.3, 0.7, 0.7], [0.8, 0.3, 0.9, 0.7], [0.1, 0.3, 0.15, 0.7])
    )
    truth = np.stack([own, near, far, out])
    assert cut_players(cut((0.3, 0.2, 0.65, 0.8), tuple(own)), "3:2", truth) == 1
    assert cut_players(cut((0.3, 0.2, 0.75, 0.8), tuple(own)), "3:2", truth) == 0
    assert cut_players(cut(None, tuple(own)), "3:2", truth) == 0


def test_what_is_wrong_with_a_drawn_frame_is_said() -> None:
    plans = {plan.name: plan for plan in SITUATIONS}
    hall, hands = Drawn(plans["bench"]), Drawn(plans["raised-hands"], [np.array([0.4, 0.3, 0.5, 0.7])])
    own = (0.41, 0.3, 0.5, 0.7)
    assert wrong_in(cut(None, None), "3:2", hall) == ""
    assert wrong_in(cut((0, 0, 0.5, 1), own), "3:2", hall) == "cropped"
    assert wrong_in(cut(None, own), "3:2", hands) == "left whole"
    assert wrong_in(cut((0.3, 0.2, 0.6, 0.8), own), "3:2", hands) == ""
    assert wrong_in(cut((0.3, 0.2, 0.6, 0.8), (0.1, 0.1, 0.2, 0.2)), "3:2", hands) == "about somebody else"
    assert wrong_in(cut((0.42, 0.2, 0.6, 0.8), own), "3:2", hands) == "cuts 20.0 % of whom it is about"
    for left, said in ((0.3, ""), (0.42, "leaves out 20.0 % of somebody")):
        assert wrong_in(cut((left, 0.2, 0.6, 0.8), own, CropSource.TRIMMED), "3:2", hands) == said
    assert wrong_in(cut((0, 0, 0.5, 1), own, CropSource.TRIMMED), "3:2", Drawn(hall.situation, [], hands.must)) == ""


def test_a_racket_belongs_to_what_must_be_kept(tmp_path: Path) -> None:
    """It is drawn red beyond the hand: red pixels, which the wall has nowhere at that place, end at the box."""
    (plan,) = (plan for plan in SITUATIONS if plan.name == "racket")
    (stem, drawn), *_ = draw_situation(replace(plan, frames=1), tmp_path).items()
    with PIL.Image.open(tmp_path / f"{stem}.jpg") as image:
        assert image.size == SIZE
        pixels = np.asarray(image).astype(int)
    _, y0, x1, _ = (int(v) for v in drawn.must[0] * [*SIZE, *SIZE])
    red = pixels[..., 0] - pixels[..., 1:].max(axis=2) > 40
    wall = red[y0 - 40 : y0 + 60, x1 - 120 : x1 + 40]
    rows, columns = np.nonzero(wall)
    assert len(rows) > 50 and rows.min() >= 36 and columns.max() <= 124
