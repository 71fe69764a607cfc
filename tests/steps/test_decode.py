"""decode's solve: what all frames of one sensor agree on, through measuring and the render."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import PIL.Image
import pytest
from pipeline.fixtures.dng import write_dng

from pipeline.engine.run import measure_shoot, read_shoot
from pipeline.engine.solve import Plan, solve
from pipeline.errors import UndecodableError
from pipeline.imaging.geometry import Box
from pipeline.imaging.raw.frame import Clean, DecodeOptions, SensorCorrection
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from pipeline.steps.decode import decode
from pipeline.store.store import Store

A, B = 1.6e-3, 1.6e-5  # of saturation at ISO 6400; simulated, ours
HOT = ((40, 61), (101, 200), (150, 33), (201, 302), (77, 340))
RECIPE = "recipe: 1\nsteps:\n  - decode:\ndeliveries:\n  web:\n    - save:\n"


def write_shoot(folder: Path, count: int = 12) -> None:
    """Smooth scenes that change from frame to frame, seconds apart, with pixels that stay bright."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[0:240, 0:360]
    folder.mkdir(parents=True)
    for i in range(count):
        scene = 0.12 + 0.07 * np.sin(x / rng.uniform(20, 60) + i) * np.cos(y / rng.uniform(20, 60))
        mosaic = scene + np.sqrt(A * scene + B) * rng.standard_normal(scene.shape)
        for row, column in HOT:
            mosaic[row, column] += 0.5
        cfa = np.clip(mosaic * (15000 - 512) + 512, 0, 15000).round().astype(np.uint16)
        write_dng(
            folder / f"TH2_{i:04d}.dng", cfa, black=512, white=15000, pattern="RGGB", make="Evencourt",
            model="Evencourt Test Camera", serial="1", lens="", iso=6400, exposure_time=0.001, f_number=2.8,
            focal_length=85.0, time=datetime(2026, 2, 14, 19, 30) + timedelta(seconds=5 * i),
            color_matrix=np.array([[0.83, -0.26, -0.08], [-0.46, 1.24, 0.24], [-0.08, 0.19, 0.6]]),
            as_shot_neutral=(1.0, 1.0, 1.0),
        )  # fmt: skip


@pytest.fixture(scope="module")
def solved(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Plan]:
    top = tmp_path_factory.mktemp("sensor")
    write_shoot(top / "shoot")
    (top / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    shoot = read_shoot(top / "shoot")
    store = Store.open(top / "out", shoot.folder)
    measured_frames = measure_shoot(store, shoot, 1, lambda phase, done, total: None)
    plan = solve(store, measured_frames, shoot.bursts, shoot.facts, load_recipe(top / "recipe.yaml", REGISTRY))
    return top / "shoot", plan


def test_a_lost_block_of_a_card_fails_where_a_frame_is_measured(tmp_path: Path) -> None:
    write_shoot(tmp_path / "shoot", 2)
    damaged, whole = read_shoot(tmp_path / "shoot").frames
    data = bytearray(damaged.path.read_bytes())
    data[40 * 512 : 41 * 512] = b"\xff" * 512
    damaged.path.write_bytes(data)
    with pytest.raises(UndecodableError, match="a part of the raw data is lost"):
        decode(damaged, 96, DecodeOptions(sense=True))
    decode(whole, 96, DecodeOptions(sense=True))


def test_noise_is_that_of_all_frames(solved: tuple[Path, Plan]) -> None:
    _, plan = solved
    found = [plan.solutions["decode"][f"TH2_{i:04d}"].as_json() for i in range(12)]
    assert all(one == found[0] for one in found)
    grey = 0.12 * np.array(found[0]["noise_a"]) + np.array(found[0]["noise_b"])
    assert grey == pytest.approx(np.full(3, 0.12 * A + B), rel=0.1)


def test_pixels_that_stay_put_are_repaired(solved: tuple[Path, Plan]) -> None:
    folder, plan = solved
    solution = plan.solutions["decode"]["TH2_0003"]
    assert isinstance(solution, SensorCorrection) and solution.defects.tolist() == sorted(
        row * 360 + column for row, column in HOT
    )
    assert any("stand out in most frames" in n for n in plan.notices)
    frame = next(f for f in read_shoot(folder).frames if f.name == "TH2_0003")
    left, corrected = decode(frame, None).image.pixels, decode(frame, None, DecodeOptions(solution)).image.pixels
    assert min(left[y, x].max() for y, x in HOT) > 0.3
    assert max(corrected[y, x].max() for y, x in HOT) < 0.3
    far = np.ones(left.shape[:2], bool)
    for y, x in HOT:
        far[max(0, y - 16) : y + 17, max(0, x - 16) : x + 17] = False
    assert corrected[far] == pytest.approx(left[far], abs=1e-4)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_window_is_cleaned_like_the_whole_frame(tmp_path: Path, orientation: int) -> None:
    """The window is that part of the cleaned whole, but for the blocks' places."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:480, 0:720]
    scene = 0.15 + 0.05 * np.sin(x / 40) * np.cos(y / 35) + 0.1 * ((x // 90 + y // 90) % 2)
    noisy = scene + np.sqrt(A * scene + B) * rng.standard_normal(scene.shape)
    cfa = np.clip(noisy * (15000 - 512) + 512, 0, 15000).round().astype(np.uint16)
    write_dng(
        tmp_path / "W.dng", cfa, black=512, white=15000, pattern="GRBG", make="Evencourt",
        model="Evencourt Test Camera", serial="1", lens="", iso=6400, exposure_time=0.001, f_number=2.8,
        focal_length=85.0, time=datetime(2026, 2, 14, 19, 30), orientation=orientation,
        color_matrix=np.array([[0.83, -0.26, -0.08], [-0.46, 1.24, 0.24], [-0.08, 0.19, 0.6]]),
        as_shot_neutral=(1.0, 1.0, 1.0),
    )  # fmt: skip
    frame = read_shoot(tmp_path).frames[0]
    clean = Clean(1.0, 1.0, 1.0, 0.0, "standard")
    raw, whole = decode(frame, None).image.pixels, decode(frame, None, DecodeOptions(clean=clean)).image.pixels
    part = decode(frame, None, DecodeOptions(clean=clean, window=Box(0.1, 0.1, 0.4, 0.4))).image
    height, width = whole.shape[:2]
    left, top, *size = part.place
    assert size == [width, height]
    down, across = part.pixels.shape[:2]
    ends = np.array([left / width, top / height, (left + across) / width, (top + down) / height])
    assert ends == pytest.approx(np.array([0.1, 0.1, 0.4, 0.4]), abs=0.01)
    assert part.pixels.size < 0.11 * whole.size  # no more than the window
    noise = np.std(raw - whole)
    assert np.std(part.pixels - whole[top : top + down, left : left + across]) < 0.12 * noise  # its rim too


@pytest.mark.parametrize(("size", "read"), [((3, 2), False), ((640, 15), False), ((24, 16), True)])
def test_a_remnant_of_a_few_pixels_is_no_photograph(tmp_path: Path, size: tuple[int, int], read: bool) -> None:
    path = tmp_path / "TH2_0001.jpg"
    PIL.Image.new("RGB", size, (90, 120, 60)).save(path)
    (frame,) = read_shoot(tmp_path).frames
    if read:
        assert decode(frame, None).full_size == size[::-1]
    else:
        with pytest.raises(UndecodableError, match=f"{size[0]} × {size[1]} pixels: too small to be a photograph; put"):
            decode(frame, None)
