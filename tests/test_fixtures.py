"""The generator of the demonstration shoot against LibRaw, other readers, published tables and closed forms."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import cv2
import exifread
import numpy as np
import pytest
import rawpy
import tifffile
from pipeline.fixtures.demo import BLACK, WHITE, expose, right_share, write_demo
from pipeline.fixtures.dng import write_dng
from pipeline.fixtures.hall import BurstPlan, Hall
from pipeline.fixtures.light import (
    LEFT,
    RIGHT,
    Lamp,
    colour_matrix,
    lab_d65,
    lab_of,
    response,
    srgb_d65,
    tables,
    xyz_d65,
)
from pipeline.fixtures.scene import surfaces

FACTS = {
    "black": 500, "white": 15500, "make": "Evencourt", "model": "Evencourt Test Camera", "serial": "EC-1",
    "lens": "85 mm f/1.8", "iso": 6400, "exposure_time": 0.001, "f_number": 2.8, "focal_length": 85.0,
    "time": datetime(2026, 2, 14, 19, 42, 7, 131_250), "as_shot_neutral": (0.5, 1.0, 0.8),
}  # fmt: skip


def mosaic_of(path: Path) -> np.ndarray:
    """Values of a generated frame by a reader other than LibRaw, 0 = black, 1 = saturation."""
    return (tifffile.imread(path).astype(float) - BLACK) / (WHITE - BLACK)


def mean_rgb(mosaic: np.ndarray, box: list[float]) -> np.ndarray:
    """Mean R, G, B of an RGGB mosaic in a box of fractions of the frame."""
    h, w = mosaic.shape
    x0, y0, x1, y1 = (round(v * n / 2) * 2 for v, n in zip(box, (w, h, w, h), strict=True))
    part = mosaic[y0:y1, x0:x1]
    green = 0.5 * (part[0::2, 1::2].mean() + part[1::2, 0::2].mean())
    return np.array([part[0::2, 0::2].mean(), green, part[1::2, 1::2].mean()])


def pulse_at(entry: dict, lamp: str, row: float) -> float:
    """Light of a lamp at a row (fraction of the height) from the knots in the truth."""
    knots = entry["pulses"][lamp]
    return float(np.interp(row, np.arange(len(knots)) / 8, knots))


@pytest.mark.parametrize(("pattern", "colours"), [
    ("RGGB", [[0, 1], [1, 2]]), ("BGGR", [[2, 1], [1, 0]]), ("GRBG", [[1, 0], [2, 1]]), ("GBRG", [[1, 2], [0, 1]]),
])  # fmt: skip
def test_dng_gives_back_what_was_written(tmp_path, pattern, colours) -> None:
    """LibRaw and tifffile against the array, and LibRaw's reading of levels, pattern and neutral against the call."""
    cfa = np.random.default_rng(3).integers(0, 16383, (128, 192)).astype(np.uint16)
    path = tmp_path / "A.dng"
    write_dng(path, cfa, pattern=pattern, color_matrix=colour_matrix(), **FACTS)
    with rawpy.imread(str(path)) as raw:
        assert (raw.raw_image_visible == cfa).all()
        assert raw.black_level_per_channel == [500] * 4 and raw.white_level == 15500
        # LibRaw numbers the second green 3
        assert np.where(raw.raw_pattern == 3, 1, raw.raw_pattern).tolist() == colours
        gains = np.array(raw.camera_whitebalance[:3])
        assert gains / gains[1] == pytest.approx([2.0, 1.0, 1.25], rel=1e-4)
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        assert (page.asarray() == cfa).all()
        parts = np.array(page.tags["ColorMatrix1"].value, dtype=float).reshape(9, 2)
    assert (parts[:, 0] / parts[:, 1]).reshape(3, 3) == pytest.approx(colour_matrix(), abs=1e-5)


@pytest.mark.parametrize(("gps", "latitude", "longitude"), [
    ((59.9139, 10.7522), ("N", [59, 54, 50.04]), ("E", [10, 45, 7.92])),
    ((-33.5, -0.25), ("S", [33, 30, 0]), ("W", [0, 15, 0])),
])  # fmt: skip
def test_exif_facts_by_another_reader(tmp_path, gps, latitude, longitude) -> None:
    path = tmp_path / "A.dng"
    cfa = np.zeros((64, 64), np.uint16)
    write_dng(path, cfa, pattern="RGGB", color_matrix=colour_matrix(), orientation=6, gps=gps, **FACTS)
    with path.open("rb") as file:
        tags = exifread.process_file(file, details=False)
    stamp = f"{tags['EXIF DateTimeOriginal']}.{tags['EXIF SubSecTimeOriginal']}"
    assert datetime.strptime(stamp, "%Y:%m:%d %H:%M:%S.%f") == FACTS["time"]
    assert str(tags["EXIF OffsetTimeOriginal"]) == "+01:00"
    assert str(tags["EXIF BodySerialNumber"]) == "EC-1" and str(tags["EXIF LensModel"]) == "85 mm f/1.8"
    assert tags["Image Orientation"].values == [6]
    for name, (letter, parts) in (("GPSLatitude", latitude), ("GPSLongitude", longitude)):
        assert str(tags[f"GPS {name}Ref"]) == letter
        assert [float(v) for v in tags[f"GPS {name}"].values] == pytest.approx(parts, abs=1e-3)


@pytest.mark.parametrize("cfa", [np.zeros((3, 4), np.uint16), np.zeros((4, 4), np.float32), np.zeros((4, 4, 3), "u2")])
def test_what_is_no_mosaic_is_refused(tmp_path, cfa) -> None:
    with pytest.raises(ValueError, match="even sides"):
        write_dng(tmp_path / "A.dng", cfa, pattern="RGGB", color_matrix=colour_matrix(), **FACTS)
    assert not (tmp_path / "A.dng").exists()


def test_tables_are_the_published_ones() -> None:
    """light.json against the data in colour-science: CIE 15:2018 illuminants, NPL camera, BabelColor chart."""
    pytest.importorskip("colour", reason="the extra `spectra` is not installed")
    import colour

    shape = colour.SpectralShape(400, 700, 10)
    kept = tables()
    for name, values in kept["lamps"].items():
        published = colour.SDS_LIGHT_SOURCES["H38HT-100 (Mercury)"] if name == "H38HT-100" else None
        published = colour.SDS_ILLUMINANTS[name] if published is None else published
        if name in ("LED-B3", "HP4", "FL2", "D65"):  # samples; the others are bands that keep the energy of lines
            assert values == pytest.approx(published.copy().align(shape).values, abs=1e-6)
            continue
        energy = np.array([sum(published[w + d] for d in (-5, 0, 0, 5)) for w in range(400, 701, 10)])
        assert values / values.sum() == pytest.approx(energy / energy.sum(), abs=1e-5)
    for name, published in (("D5100", "Nikon 5100 (NPL)"), ("SD Merrill", "Sigma SDMerill (NPL)")):
        camera = colour.MSDS_CAMERA_SENSITIVITIES[published]
        known = slice(0, 29)  # 400 to 680 nm, as far as both are published
        assert kept["cameras"][name][known] == pytest.approx(camera[shape.range()[known]], abs=1e-6)
    for name, values in kept["reflectances"].items():
        published = colour.SDS_COLOURCHECKERS["BabelColor Average"][name].copy().align(shape).values
        assert values == pytest.approx(published, abs=1e-6)


def test_truth_colours_agree_with_each_other() -> None:
    """sRGB of the truth, taken back by scikit-image (IEC 61966-2-1), is its CIELAB where nothing was clipped."""
    from skimage.color import rgb2lab

    for reflectance in surfaces().values():
        rgb = srgb_d65(reflectance)
        if rgb.min() > 0.001 and rgb.max() < 0.999:
            assert rgb2lab(rgb[None, None])[0, 0] == pytest.approx(lab_d65(reflectance), abs=0.25)


@pytest.mark.parametrize("iso", [3200, 12800])
def test_noise_of_flat_fields(iso) -> None:
    """Variance of flat fields is a x + b (Foi et al., IEEE Trans. Image Processing 17(10), 2008, for the model)."""
    for level in (0.02, 0.15, 0.6):
        cfa, a, b = expose(np.full((256, 256, 3), level), iso, np.random.default_rng(5))
        values = (cfa.astype(float) - BLACK) / (WHITE - BLACK)
        assert values.mean() == pytest.approx(level, rel=0.01)
        assert values.var() == pytest.approx(a * level + b, rel=0.03)
    assert (a, b) == pytest.approx((1.6e-3 * iso / 6400, 1.6e-5 * (iso / 6400) ** 2))


def test_every_chart_patch_answers_by_its_spectrum(small_shoot) -> None:
    """All 24 patches and the card of both reference frames, in absolute terms, from the published spectra."""
    folder, truth = small_shoot
    reflectances = {f"chart {n}": r for n, r in tables()["reflectances"].items()}
    reflectances["grey card"] = reflectances["chart neutral 5 (.70 D)"]
    for name in ("TH1_0001", "TH1_0002"):
        entry = truth["frames"][name]
        mosaic = mosaic_of(folder / f"{name}.dng")
        share = right_share(entry["x"])
        for surface, reflectance in reflectances.items():
            box = entry["boxes"][surface]
            row = 0.5 * (box[1] + box[3])
            light = (1 - share) * pulse_at(entry, "left", row) * response(reflectance, LEFT.spectrum)
            light = light + share * pulse_at(entry, "right", row) * response(reflectance, RIGHT.spectrum)
            assert mean_rgb(mosaic, box) == pytest.approx(0.9 * entry["gain"] * light, rel=0.04, abs=0.004), surface


def test_white_kit_and_wall_have_the_colour_of_the_mixed_light(small_shoot) -> None:
    """Surfaces at a known place on the court: colour ratios from the published spectra and the mixture of lamps."""
    folder, truth = small_shoot
    known = surfaces()
    checked = 0
    for name, entry in truth["frames"].items():
        mosaic = mosaic_of(folder / f"{name}.dng")
        for surface, distance in (("wall", 24.0), ("white", 8.6)):
            box = entry["boxes"].get(surface)
            if box is None or (surface == "white" and entry["kit"] != "white"):
                continue
            row = 0.5 * (box[1] + box[3])
            share = right_share(entry["x"] + (0.5 * (box[0] + box[2]) - 0.5) * distance / 1.83)
            light = (1 - share) * pulse_at(entry, "left", row) * response(known[surface], LEFT.spectrum)
            light = light + share * pulse_at(entry, "right", row) * response(known[surface], RIGHT.spectrum)
            found = mean_rgb(mosaic, box)
            assert found / found[1] == pytest.approx(light / light[1], rel=0.06), (name, surface)
            checked += 1
    assert checked > 40


def test_frames_of_a_burst_differ_by_their_pulses(small_shoot) -> None:
    """The wall does not move: its brightness in the frames of a burst is in proportion to the light in the truth."""
    folder, truth = small_shoot
    white = response(np.ones(31), LEFT.spectrum)[1], response(np.ones(31), RIGHT.spectrum)[1]
    for burst in range(4):
        found, expected = [], []
        for name, entry in truth["frames"].items():
            if entry.get("burst") != burst:
                continue
            found.append(mean_rgb(mosaic_of(folder / f"{name}.dng"), [0.3, 0.02, 0.7, 0.07])[1])
            share = right_share(entry["x"])
            left, right = (pulse_at(entry, lamp, 0.045) for lamp in ("left", "right"))
            expected.append((1 - share) * left * white[0] + share * right * white[1])
        assert np.array(found) / found[0] == pytest.approx(np.array(expected) / expected[0], rel=0.03)


def test_exposure_is_that_of_a_dark_hall(small_shoot) -> None:
    """Floor well below and white kit close to, but not at, saturation (common practice, no source)."""
    folder, truth = small_shoot
    for name, entry in truth["frames"].items():
        mosaic = mosaic_of(folder / f"{name}.dng")
        assert 0.03 < mean_rgb(mosaic, entry["boxes"]["floor"])[1] < 0.25
        assert (mosaic > 0.95).mean() < 1e-3


def test_same_seed_same_bytes_and_nothing_elsewhere(tmp_path) -> None:
    seen = []
    for name, seed in (("a", 7), ("b", 7), ("c", 8)):
        write_demo(tmp_path / name / "shoot", seed=seed, width=96, height=64, progress=lambda done, total: None)
        assert sorted(p.name for p in (tmp_path / name).iterdir()) == ["shoot", "shoot-truth"]
        seen.append({p.name: p.read_bytes() for p in (tmp_path / name / "shoot").iterdir()})
    assert sorted(seen[0]) == sorted(
        [f"TH1_{i:04d}.dng" for i in range(1, 27)] + ["frames.csv", "roster.csv", "shoot.yaml"]
    )
    assert seen[0] == seen[1] and seen[0]["TH1_0003.dng"] != seen[2]["TH1_0003.dng"]


HALL = Hall(
    Lamp("HP1", 0.4, 0.2, 0.08, 0.9), Lamp("FL12", 0.2, 1.0), width=3.0, mains=60.0, travel=0.017, camera="SD Merrill",
    floor="grey floor", noise=1e-4, checks=(1.0,),
    bursts=(
        BurstPlan(-7.0, 800, 0.9, 60.0, frames=4, pan=0.2),
        BurstPlan(6.0, 800, 0.9, 90.0, frames=4, zoom=1.05, board=True),
        BurstPlan(-5.0, 800, 0.9, 120.0, frames=5, intruder=True, flash=1),
        BurstPlan(5.0, 800, 0.9, 200.0, frames=2, singles=True),
    ),
)  # fmt: skip


@pytest.fixture(scope="module")
def other_hall(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict]:
    """A small shoot with another camera, floor and lamps, and everything that may disturb a burst."""
    folder = tmp_path_factory.mktemp("hall") / "shoot"
    write_demo(folder, hall=HALL, seed=3, width=576, height=384)
    return folder, json.loads((folder.parent / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))


def test_harmonics_shrink_by_the_exposure() -> None:
    """The closed form of a pulse with two harmonics against a numerical mean over the exposure."""
    lamp = Lamp("HP1", 0.4, 0.2, 0.08, 0.9)
    start, exposure, f = np.linspace(0, 0.02, 50), 1 / 500, 120.0
    t = start[:, None] + exposure * (np.arange(4000) + 0.5) / 4000
    light = 1 + 0.4 * np.cos(2 * np.pi * f * t + 0.2) + 0.08 * np.cos(4 * np.pi * f * t + 0.9)
    assert lamp.during(start, exposure, f) == pytest.approx(light.mean(axis=1), abs=1e-6)


def test_another_hall_answers_by_its_own_lamps_and_camera(other_hall) -> None:
    """Card and chart of all three frames from the published spectra of that hall's lamps and camera."""
    folder, truth = other_hall
    for name in ("TH1_0001", "TH1_0002", "TH1_0003"):
        entry = truth["frames"][name]
        mosaic = mosaic_of(folder / f"{name}.dng")
        share = right_share(entry["x"], HALL.centre, HALL.width)
        for surface in ("grey card", "chart neutral 6.5 (.44 D)", "chart red", "chart cyan"):
            reflectance = surfaces()[surface]
            box = entry["boxes"][surface]
            moment = np.array(entry["moment"] + 0.017 * 0.5 * (box[1] + box[3]))
            left, right = (lamp.during(moment, 0.001, 120.0) for lamp in (HALL.left, HALL.right))
            light = (1 - share) * left * response(reflectance, "HP1", "SD Merrill")
            light = light + share * right * response(reflectance, "FL12", "SD Merrill")
            assert mean_rgb(mosaic, box) == pytest.approx(0.9 * entry["gain"] * light, rel=0.05, abs=0.002), surface
    assert ["end" in e for e in truth["frames"].values()][:4] == [True, True, False, False]


def test_a_place_stays_the_same_place_under_pan_and_zoom(other_hall) -> None:
    """What the truth calls one place of wall or floor has one true colour in all frames of its burst."""
    _, truth = other_hall
    seen: dict[tuple[int, str], list[list[float]]] = {}
    for entry in truth["frames"].values():
        for spot in entry["spots"]:
            if spot["kind"] in ("floor", "wall") and "burst" in entry and "single" not in entry:
                seen.setdefault((entry["burst"], spot["place"]), []).append(spot["xyz"])
    assert {burst for burst, _ in seen} == {0, 1, 2} and max(map(len, seen.values())) == 5
    spread = {place: np.ptp(np.log(xyz), axis=0).max() for place, xyz in seen.items() if len(xyz) > 2}
    walls = [v for (_, place), v in spread.items() if place.startswith("wall")]
    assert len(walls) > 5 and max(walls) < 0.03  # bricks seen larger
    floors = [v for (_, place), v in spread.items() if place.startswith("floor")]
    assert len(floors) > 5 and max(floors) < 0.25  # a player's shadow may fall there


def test_boxes_hold_one_surface(other_hall) -> None:
    """A box of the truth has the true colour of its surface, but for the shade of folds and the floor's shine."""
    _, truth = other_hall
    for name, entry in truth["frames"].items():
        for spot in entry["spots"]:
            lab = lab_of(np.array(spot["xyz"]), np.array([0.9505, 1.0, 1.089]))
            reflectance = surfaces()["grey floor" if spot["kind"] == "floor" else spot["surface"]]
            xyz, white = xyz_d65(reflectance)
            true = lab_of(xyz * spot["xyz"][1] / xyz[1], white)
            assert np.hypot(*(lab - true)[1:]) < 4, (name, spot)


def test_disturbances_are_there(other_hall) -> None:
    """A person covers about 30 % of two frames, a flash and a board add light, times are whole milliseconds."""
    folder, truth = other_hall
    frames = truth["frames"]
    covered = [e["covered"] for e in frames.values() if e.get("burst") == 2]
    assert [c > 0 for c in covered] == [False, False, True, True, False]
    assert all(0.15 < c < 0.45 for c in covered if c)
    stands = [0.3, 0.15, 0.7, 0.4]
    names = [n for n, e in frames.items() if e.get("burst") == 2]
    quiet, flash = (mean_rgb(mosaic_of(folder / f"{n}.dng"), stands)[1] for n in names[:2])
    pulse = [np.mean(frames[n]["pulses"]["left"][1:4]) for n in names[:2]]
    assert flash / quiet > 1.3 * pulse[1] / pulse[0]
    for name in frames:
        with (folder / f"{name}.dng").open("rb") as file:
            tags = exifread.process_file(file, details=False)
        assert str(tags["EXIF SubSecTimeOriginal"]).endswith("000")
        assert str(tags["Image Model"]) == "Evencourt Test Camera II"


def test_a_person_detector_finds_the_main_player(small_shoot, shared) -> None:
    """A published person detector (YOLOX-nano, ../shared/models) agrees with the truth's box in most frames."""
    net = cv2.dnn.readNetFromONNX(str(shared("models/yolox_nano.onnx")))
    folder, truth = small_shoot
    names = [n for n, e in truth["frames"].items() if "main" in e][::3]
    hits = sum(_overlap(_persons(net, folder / f"{n}.dng"), truth["frames"][n]["main"]) > 0.5 for n in names)
    assert hits >= 0.75 * len(names)


def _persons(net: cv2.dnn.Net, path: Path) -> np.ndarray:
    """Boxes (n, 4) of class 0 above 0.3; YOLOX's grids of stride 8, 16 and 32 (Ge et al., arXiv:2107.08430)."""
    with rawpy.imread(str(path)) as raw:
        bgr = raw.postprocess(use_camera_wb=True, no_auto_bright=True, bright=2.5)[..., ::-1]
    side = 416
    ratio = side / max(bgr.shape[:2])
    small = cv2.resize(bgr, None, fx=ratio, fy=ratio, interpolation=cv2.INTER_AREA)
    canvas = np.full((side, side, 3), 114, np.uint8)
    canvas[: small.shape[0], : small.shape[1]] = small
    net.setInput(canvas.transpose(2, 0, 1)[None].astype(np.float32))
    out = net.forward().reshape(-1, 85)
    grids = [np.stack(np.meshgrid(np.arange(side // s), np.arange(side // s)), -1).reshape(-1, 2) for s in (8, 16, 32)]
    steps = np.concatenate([np.full((len(g), 1), s) for g, s in zip(grids, (8, 16, 32), strict=True)])
    centre, size = (out[:, :2] + np.concatenate(grids)) * steps, np.exp(out[:, 2:4]) * steps
    sure = out[:, 4] * out[:, 5] > 0.3
    return np.concatenate([centre - size / 2, centre + size / 2], axis=1)[sure] / ratio


def _overlap(boxes: np.ndarray, truth: list[int]) -> float:
    """Largest intersection over union with the true box."""
    best = 0.0
    for x0, y0, x1, y1 in boxes:
        across = max(0.0, min(x1, truth[2]) - max(x0, truth[0]))
        shared_area = across * max(0.0, min(y1, truth[3]) - max(y0, truth[1]))
        union = (x1 - x0) * (y1 - y0) + (truth[2] - truth[0]) * (truth[3] - truth[1]) - shared_area
        best = max(best, shared_area / union)
    return best
