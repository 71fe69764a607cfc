"""Raw files of known light, written as DNG: what comes out is that light, upright, at every size."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import PIL.Image
import PIL.ImageOps
import pytest
from pipeline.fixtures.dng import write_dng

from pipeline.errors import FrameError
from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw import area, mosaic
from pipeline.imaging.raw.demosaic import demosaic_noise
from pipeline.imaging.raw.frame import DecodeOptions, SensorCorrection
from pipeline.imaging.raw.mosaic import decode_raw
from pipeline.types import Noise

BLACK, WHITE = 512, 15000
UPRIGHT = Orientation.TOP_LEFT
PATTERNS = {"RGGB": (0, 1, 1, 2), "BGGR": (2, 1, 1, 0), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1)}


def write(path: Path, light: np.ndarray, pattern: str = "RGGB", black: tuple | int = BLACK, **changed: object) -> Path:
    """light (H, W, 3): fractions of what the sensor holds above black."""
    places = black if isinstance(black, tuple) else (black,) * 4
    cfa = np.empty(light.shape[:2], np.uint16)
    for place, (colour, level) in enumerate(zip(PATTERNS[pattern], places, strict=True)):
        cell = (slice(place // 2, None, 2), slice(place % 2, None, 2))
        cfa[cell] = np.clip(np.round(light[(*cell, colour)] * (WHITE - BLACK) + level), 0, WHITE)
    named = changed.pop("white_level", WHITE)
    facts = {"exposure_time": 0.001, "orientation": 1, "as_shot_neutral": (0.5, 1.0, 0.8)} | changed
    write_dng(
        path, cfa, black=black, white=named, pattern=pattern, make="Evencourt", model="Evencourt Test Camera",
        serial="1", lens="", iso=6400, f_number=2.8, focal_length=85.0,
        time=datetime(2026, 2, 14, 19, 30), color_matrix=np.array([[0.8, -0.2, -0.1], [-0.4, 1.2, 0.2], [0, 0.2, 0.6]]),
        **facts,
    )  # fmt: skip
    return path


def flat(red: float, green: float, blue: float, height: int = 128, width: int = 192) -> np.ndarray:
    """One colour, with a little dither: a frame whose rows are constant counts as cut short."""
    dither = np.random.default_rng(0).normal(0, 2e-4, (height, width, 3))
    return np.array([red, green, blue]) + dither


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("edge", [96, None])
def test_levels_are_fractions_of_saturation(tmp_path: Path, pattern: str, edge: int | None) -> None:
    """DNG 1.4: linear response is (value - BlackLevel) / (WhiteLevel - BlackLevel). 0.83 is near white on purpose:
    a decoder that stretches to the data's own maximum changes the exposure."""
    colour = (0.2, 0.83, 0.35)
    found = decode_raw(write(tmp_path / "F.dng", flat(*colour), pattern), UPRIGHT, edge)
    assert found.image.pixels.shape[:2] == ((64, 96) if edge else (128, 192))
    assert found.full_size == (128, 192)
    assert found.image.pixels[8:-8, 8:-8].mean(axis=(0, 1)) == pytest.approx(colour, rel=3e-3)


@pytest.mark.parametrize("edge", [96, None])
def test_levels_of_mosaics_that_are_left_to_libraw(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, edge: int | None
) -> None:
    """The same of a sensor whose pattern we do not know, played here by one that we do."""
    monkeypatch.setattr(mosaic, "_pattern", lambda raw: None)
    colour = (0.2, 0.83, 0.35)
    found = decode_raw(
        write(tmp_path / "F.dng", flat(*colour)), UPRIGHT, edge, DecodeOptions(window=Box(0, 0, 0.5, 0.5))
    )
    assert found.image.part is None and found.image.pixels.shape[:2] == ((64, 96) if edge else (128, 192))
    assert found.image.pixels[8:-8, 8:-8].mean(axis=(0, 1)) == pytest.approx(colour, rel=3e-3)


def test_the_camera_s_balance_makes_its_neutral_grey(tmp_path: Path) -> None:
    """DNG 1.4: AsShotNeutral is the camera colour of a neutral; multipliers are one over it, green = 1."""
    found = decode_raw(write(tmp_path / "F.dng", flat(0.1, 0.2, 0.16)), UPRIGHT, 96)
    assert found.as_shot == pytest.approx([2.0, 1.0, 1.25], rel=1e-4)
    assert found.image.pixels.mean(axis=(0, 1)) * found.as_shot == pytest.approx([0.2, 0.2, 0.2], rel=5e-3)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("edge", [96, None])
def test_frames_come_out_upright(tmp_path: Path, orientation: int, edge: int | None) -> None:
    """Exif 2.32, tag 274; Pillow's transposition of the sensor's picture is the reference."""
    light = flat(0.1, 0.1, 0.1)
    light[:64, :96] += (0.3, 0.0, 0.0)
    light[:64, 96:] += (0.0, 0.3, 0.0)
    exif = PIL.Image.Exif()
    exif[0x0112] = orientation
    picture = PIL.Image.fromarray((light.clip(0, 1) * 255).astype(np.uint8))
    picture.getexif()[0x0112] = orientation
    upright = np.asarray(PIL.ImageOps.exif_transpose(picture)) / 255
    pixels = decode_raw(
        write(tmp_path / "F.dng", light, orientation=orientation), Orientation(orientation), edge
    ).image.pixels
    height, width = pixels.shape[:2]
    assert (height > width) == (upright.shape[0] > upright.shape[1])
    for y, x in ((1, 1), (1, 3), (3, 1), (3, 3)):
        here = pixels[height * y // 4, width * x // 4]
        assert here == pytest.approx(upright[upright.shape[0] * y // 4, upright.shape[1] * x // 4], abs=0.01)


@pytest.mark.parametrize("pattern", ["RGGB", "GRBG"])
@pytest.mark.parametrize("edge", [96, None])
def test_greens_with_blacks_of_their_own_are_levelled(tmp_path: Path, pattern: str, edge: int | None) -> None:
    """A second green whose black lies 60 higher: levelled, both greens say the same and the picture is even; the
    wrong way round it would be off by half of 120, and at full size a pattern of two."""
    places = (BLACK, BLACK, BLACK, BLACK)
    second = max(i for i, colour in enumerate(PATTERNS[pattern]) if colour == 1)
    black = tuple(level + 60 * (i == second) for i, level in enumerate(places))
    found = decode_raw(write(tmp_path / "F.dng", flat(0.2, 0.2, 0.2), pattern, black), UPRIGHT, edge)
    inner = found.image.pixels[8:-8, 8:-8]
    assert inner[..., 1].mean() == pytest.approx(0.2, rel=2e-3)
    rows = inner[:, ::2, 1].mean(axis=1)
    assert abs(rows[::2].mean() - rows[1::2].mean()) < 3e-4


def test_a_file_without_the_directory_at_its_end_may_be_cut_short(tmp_path: Path) -> None:
    """A CIFF heap (CRW) says at its end what it holds: cut short, it is no raw file to LibRaw."""
    path = tmp_path / "F.CRW"
    path.write_bytes(b"II" + (26).to_bytes(4, "little") + b"HEAPCCDR" + bytes(100_000))
    with pytest.raises(FrameError, match=r"not a raw file .* or damaged or cut short; copy it again from the card"):
        decode_raw(path, UPRIGHT, 96)


@pytest.mark.parametrize(("rows", "cut"), [(128, True), (13, True), (4, True), (2, False)])
def test_a_frame_that_ends_early_is_refused(tmp_path: Path, rows: int, cut: bool) -> None:
    """Rows at the end that are one constant are data that never arrived. Two of 128 (1.6 %) may be a camera's own."""
    path = write(tmp_path / "F.dng", flat(0.2, 0.2, 0.2))
    data = bytearray(path.read_bytes())
    data[len(data) - rows * 192 * 2 :] = b"\x34\x12" * (rows * 192)
    path.write_bytes(data)
    if cut:
        with pytest.raises(FrameError, match=r"cut short|same value"):
            decode_raw(path, UPRIGHT, 96)
    else:
        assert decode_raw(path, UPRIGHT, 96).image.pixels.shape == (64, 96, 3)


def test_constant_rows_at_the_top_are_a_picture(tmp_path: Path) -> None:
    """A black wall lit by nothing: only the end of a file goes missing."""
    light = flat(0.2, 0.2, 0.2)
    light[:20] = 0.1
    assert decode_raw(write(tmp_path / "F.dng", light), UPRIGHT, 96).image.pixels.shape == (64, 96, 3)


@pytest.mark.parametrize("edge", [240, None])
def test_noise_of_the_pixels_is_what_the_image_says(tmp_path: Path, edge: int | None) -> None:
    """Photons are Poisson: variance a x + b in the mosaic. After demosaic and average the image's own model must state
    the variance that its pixels have."""
    a, b, level = 2e-3, 2e-5, 0.2
    rng = np.random.default_rng(1)
    light = rng.poisson(level / a, (320, 480, 3)) * a + rng.normal(0, np.sqrt(b), (320, 480, 3))
    known = SensorCorrection(Noise(np.full(3, a), np.full(3, b)))
    image = decode_raw(write(tmp_path / "F.dng", light), UPRIGHT, edge, DecodeOptions(known)).image
    inner = image.pixels[16:-16, 16:-16]
    said = image.noise.a * level + image.noise.b
    measured = inner.var(axis=(0, 1))
    if edge:
        assert measured == pytest.approx(said, rel=0.06)
    else:  # LibRaw's demosaic is taken for a bilinear one, which smooths more than it does
        assert (measured > 0.8 * said).all() and (measured < 3 * said).all()


def test_full_size_bilinear_energy_matches_its_weights() -> None:
    # Bilinear at full size: green 1/2 (1) + 1/2 (4/16); red 1/4 (1) + 1/2 (1/2) + 1/4 (1/4). Closed form.
    energy, _ = demosaic_noise(1.0)
    assert energy[1] == pytest.approx(0.5 + 0.5 / 4, rel=0.03)
    assert energy[0] == pytest.approx(0.25 + 0.25 + 0.0625, rel=0.03)


@pytest.mark.parametrize(("edge", "by_area"), [(64, True), (124, True), (136, False), (None, False)])
def test_sizes_near_the_full_one_get_the_finer_demosaic(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, edge: int | None, by_area: bool
) -> None:
    """192 pixels wide: up to 0.67 of that (128) the average over an area hides what a bilinear demosaic does."""
    taken: list[str] = []

    def watched(*args: object, **named: object) -> object:
        taken.append("by area")
        return area.by_area(*args, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(mosaic, "by_area", watched)
    decode_raw(write(tmp_path / "F.dng", flat(0.2, 0.2, 0.2)), UPRIGHT, edge)
    assert taken == ["by area"] * by_area


def test_a_picture_above_the_white_that_its_file_names_is_no_blank(tmp_path: Path) -> None:
    """An uncompressed raw whose white level is wrong: half of the picture would be clipped, and come out pale."""
    ramp = np.linspace(0.02, 0.9, 192)[None, :, None] + flat(0, 0, 0)
    path = write(tmp_path / "F.dng", ramp, white_level=BLACK + round(0.1 * (WHITE - BLACK)))
    found = decode_raw(path, UPRIGHT, 96)
    assert any("lies above" in text for text in found.notices)
    columns = found.image.pixels[8:-8].mean(axis=(0, 2))
    assert np.diff(columns[2:-2]).min() > 0, "still clipped"
    right = decode_raw(write(tmp_path / "G.dng", ramp), UPRIGHT, 96)
    assert right.notices == ()
    burnt = decode_raw(write(tmp_path / "H.dng", np.clip(ramp * 9, 0, 1)), UPRIGHT, 96)  # clipped at one value
    assert burnt.notices == ()


@pytest.mark.parametrize("edge", [96, None])
def test_a_file_that_ends_at_zero_tells_up_to_where_its_darks_have_no_colour(tmp_path: Path, edge: int | None) -> None:
    """A quarter of it is so dark that its camera's black takes all green and blue off, and leaves red."""
    light = flat(0.5, 0.5, 0.5)
    light[:, :48] = np.maximum(light[:, :48] - [0.48, 0.505, 0.51], 0)
    found = decode_raw(write(tmp_path / "C.dng", light, black=0), UPRIGHT, edge)
    assert found.image.cut_darks == pytest.approx(0.02, abs=0.002)
    assert decode_raw(write(tmp_path / "P.dng", light), UPRIGHT, edge).image.cut_darks == 0


@pytest.mark.parametrize(("format", "name"), [("JPEG", "a.jpg"), ("PNG", "a.png")])
def test_a_finished_picture_named_as_a_raw_is_told_what_it_is(tmp_path: Path, format: str, name: str) -> None:
    path = tmp_path / "a.CR2"
    PIL.Image.new("RGB", (60, 40), "teal").save(path, format)
    with pytest.raises(FrameError, match=rf"inside, whatever its name says; name it {name}$"):
        mosaic.open_raw(path)
