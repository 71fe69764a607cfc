"""exposure never burns: how far frames with bright parts are lifted, judged in pixels that the real curve makes.

A channel counts as burnt from 254 of 255; half a percent of a frame may newly be so.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import PIL.Image
import pytest

from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.light.scene_white import WhiteSource
from pipeline.steps import exposure, tone
from pipeline.steps.base import SolveContext
from pipeline.steps.bright_pixels import BRIGHT, BrightPixels, bright_pixels
from pipeline.steps.exposure import ExposureMeasurement, ExposureParams, ExposureSolution, solve
from pipeline.steps.tone import ToneParams
from pipeline.steps.white_balance import WhiteBalanceSolution
from pipeline.textfile.notices import Weight, weigh
from pipeline.types import Domain, Image, Noise
from tests.real_exposure import MOST, clipping
from tests.steps.test_white_balance import context_of, light_of, scene

HEIGHT, WIDTH = 240, 360
NOISE = Noise(np.zeros(3), np.zeros(3))
UP = Orientation.TOP_LEFT
CURVE = ToneParams()


def picture(bright: float, share: float, colour: Sequence[float] = (1, 1, 1), base: float = 0.04) -> Image:
    """A dark hall with a part, `share` of the frame, that is `bright` and shaded by a tenth."""
    pixels = np.full((HEIGHT, WIDTH, 3), base, np.float32)
    rows = round(HEIGHT * share * 4)
    shade = np.linspace(0.9, 1, rows)[:, None, None]
    pixels[:rows, : WIDTH // 4] = np.minimum(bright * shade * np.array(colour), 1)
    return Image(pixels, Domain.CAMERA, NOISE, np.ones(3), np.eye(3))


def solved(
    images: Sequence[Image],
    finished: bool = False,
    flicker: Sequence[GainMap] | None = None,
    curves: Sequence[ToneParams] = (CURVE,),
    **params: object,
) -> tuple[list[ExposureSolution], dict[str, str], SolveContext]:
    """One burst of these frames, through solve; what is said of each frame."""
    names = [f"F{i}" for i in range(len(images))]
    still = tuple(GainMap.constant(np.zeros(3)) for _ in names)
    light = light_of([scene(names, level=np.full(3, -5.0), flicker=tuple(flicker or still))])
    context = context_of(light)
    measured = {
        n: ExposureMeasurement(bright_pixels(i, np.ones(3), UP, finished), np.ones(3))
        for n, i in zip(names, images, strict=True)
    }
    frames = [replace(f, kind="picture" if finished else "raw", path=Path(f.name)) for f in context.frames]
    context = replace(
        context, frames=frames, measured=measured,
        displayed=lambda image, is_finished: [tone.displayed(image, c, is_finished) for c in curves],
    )  # fmt: skip
    found = solve(context, ExposureParams(**params))
    return [found.by_frame[n] for n in names], dict(found.notices_by_frame), context


def newly(image: Image, solution: ExposureSolution, finished: bool = False, curve: ToneParams = CURVE) -> float:
    """Largest share of the pixels, over R, G and B, that is burnt as delivered and was whole."""
    shown = tone.displayed(apply_gain_map(image, solution.gain_map, UP), curve, finished)
    return float(((shown.pixels >= 253.5 / 255) & (image.pixels < 0.97)).mean(axis=(0, 1)).max())


def level_wanted(**params: object) -> float:
    return solved([picture(0.04, 0.05)], **params)[0][0].ev


@pytest.mark.parametrize("share", [0.02, 0.1])
@pytest.mark.parametrize("colour", [(1, 1, 1), (1, 0.3, 0.1), (0.9, 0.9, 0.1)])
def test_a_bright_part_limits_the_lift(share: float, colour: tuple[float, ...]) -> None:
    image = picture(0.9, share, colour)
    found, said, _ = solved([image], target=1.5)
    assert found[0].ev < level_wanted(target=1.5) - 0.3
    assert newly(image, found[0]) <= 0.005 < newly(image, ExposureSolution.of(GainMap.constant(np.full(3, 3.5))))
    assert said["F0"].startswith("exposure: ") and "in place of +3.50 EV" in said["F0"]


@pytest.mark.parametrize("apart, seen", [(0.09, False), (0.3, True)])
def test_a_person_is_asked_to_look_where_the_difference_can_be_seen(apart: float, seen: bool) -> None:
    """Else every frame of a bright hall is on the list of those to look at, and nobody reads it."""
    assert (weigh(exposure._held_back(0.5, 0.5 - apart)) == Weight.LOOK) == seen


def test_a_part_too_small_to_matter_limits_nothing() -> None:
    found, said, _ = solved([picture(0.9, 0.003)], target=1.5)
    assert found[0].ev == level_wanted(target=1.5) and not said


def test_lamps_that_are_clipped_in_the_file_do_not_count() -> None:
    image = picture(0.9, 0.05)
    lamps = image.with_pixels(np.where(image.pixels > 0.5, np.float32(1), image.pixels))
    found, said, _ = solved([lamps], target=1.5)
    assert found[0].ev == level_wanted(target=1.5) and not said
    one_channel = image.with_pixels(np.where(image.pixels > 0.5, np.array([0.9, 1, 0.9], np.float32), image.pixels))
    assert solved([one_channel], target=1.5)[0][0].ev == found[0].ev


def test_a_finished_picture_counts_each_channel_by_itself() -> None:
    """A yellow whose red is clipped in the JPEG must not lose its green as well."""
    image = picture(0.9, 0.05, (1.2, 0.9, 0.2))
    assert image.pixels.max() == 1 and image.pixels[0, 0, 1] < 0.85
    hard = ToneParams(knee=0.9, white=1.0)  # no shoulder
    found, said, _ = solved([image], finished=True, curves=(hard,), target=2.5)
    assert 0 <= found[0].ev < 0.3 and "F0" in said
    assert newly(image, found[0], finished=True, curve=hard) <= 0.005
    assert newly(image, ExposureSolution.of(GainMap.constant(np.full(3, 0.5))), True, hard) > 0.04


@pytest.mark.parametrize("across", ["none", "burst", "zone", "shoot"])
@pytest.mark.parametrize("level", [-6.0, -1.0])
def test_a_finished_picture_keeps_its_brightness(across: str, level: float) -> None:
    """Alone, and a burst by itself: somebody has chosen it. A number adds just that."""
    images = [picture(0.3, 0.05)] * 3
    found, said, context = solved(images, finished=True, across=across)
    assert [s.ev for s in found] == [0, 0, 0] and not said
    light = context.light()
    dark = replace(context, light=lambda: replace(light, scenes=(replace(light.scenes[0], level=np.full(3, level)),)))
    assert solve(dark, ExposureParams(across=across)).by_frame["F0"].ev == 0
    if across != "none":
        assert solve(dark, ExposureParams(across=across, target=0.5)).by_frame["F0"].ev == pytest.approx(0.5)


def test_a_finished_picture_near_its_end_is_not_darkened() -> None:
    """A sky that lies at 252 of 255 in the JPEG stays there: it is no burning that was not in the file."""
    sky = float(srgb_decode(np.array(252 / 255)))
    image = picture(0.05, 0.01).with_pixels(np.full((HEIGHT, WIDTH, 3), sky, np.float32))
    found, said, _ = solved([image], finished=True)
    assert found[0].ev == 0 and not said


def test_a_burst_is_limited_as_one() -> None:
    """The bright part comes into view from frame to frame; all frames get the level that each of them bears."""
    images = [picture(0.7 + 0.05 * i, 0.05) for i in range(4)]
    found, said, _ = solved(images, target=1.5)
    assert len({s.ev for s in found}) == 1 and set(said) == {"F0", "F1", "F2", "F3"}
    assert max(newly(i, s) for i, s in zip(images, found, strict=True)) <= 0.005
    assert found[0].ev == pytest.approx(solved([images[3]], target=1.5)[0][0].ev, abs=0.02)


def test_one_frame_alone_at_fault_is_limited_alone() -> None:
    """A flash in one frame of five leaves the others as bright as they should be."""
    images = [picture(0.04, 0.05)] * 2 + [picture(0.95, 0.05)] + [picture(0.04, 0.05)] * 2
    found, said, _ = solved(images, target=1.5)
    assert set(said) == {"F2"} and newly(images[2], found[2]) <= 0.005
    assert [s.ev for i, s in enumerate(found) if i != 2] == [level_wanted(target=1.5)] * 4


def test_of_two_frames_neither_is_alone() -> None:
    found, said, _ = solved([picture(0.04, 0.05), picture(0.95, 0.05)], target=1.5)
    assert found[0].ev == found[1].ev and set(said) == {"F0", "F1"}


def test_evening_and_balance_count() -> None:
    """The rows that the flicker left dark are lifted most, and red by its balance: both can burn a part."""
    dark_above = GainMap(np.array([[[0.0] * 3], [[-1.0] * 3]]))  # stops over the rows: +1 at the top
    image = picture(0.7, 0.05)
    plain = solved([image], target=0.5)[0][0].ev
    lifted = solved([image], target=0.5, flicker=[dark_above])[0][0]
    assert lifted.ev < plain - 0.5 and newly(image, lifted) <= 0.005
    _, _, context = solved([image], target=0.5)
    gains = np.array([2.5, 1.0, 1.0])
    balance = {"F0": WhiteBalanceSolution(gains, WhiteSource.FIXED, "fixed")}
    found = solve(replace(context, earlier={"white_balance": balance}), ExposureParams(target=0.5)).by_frame["F0"]
    assert found.ev < plain - 0.5
    assert newly(apply_gain_map(image, GainMap.of_multipliers(gains), UP), found) <= 0.005


def test_the_delivery_that_burns_first_decides() -> None:
    """`tone` of one delivery adds a stop, or has no shoulder."""
    image = picture(0.7, 0.05)
    hard = ToneParams(knee=0.9, white=1.0)
    one = solved([image], target=1.0)[0][0].ev
    both = solved([image], target=1.0, curves=(CURVE, hard))[0][0]
    assert both.ev < one - 0.5 and newly(image, both, curve=hard) <= 0.005


@pytest.mark.parametrize("orientation", range(1, 9))
def test_samples_lie_where_the_sensor_saw_them(orientation: int) -> None:
    """The bright part is in the first rows and columns of the sensor, however the camera was held (Exif 274)."""
    image = picture(0.8, 0.02)
    turned = image.with_pixels(Orientation(orientation).to_upright(image.pixels))
    found = bright_pixels(turned, np.ones(3), Orientation(orientation), False)
    inside = found.places[found.pixels[:, 0] > 0.5]
    assert len(inside) > 100 and inside[:, 0].max() < -0.8 and inside[:, 1].max() < -0.45


def test_each_sample_gets_the_gains_of_its_place() -> None:
    """As `apply_gain_map` gives them to the pixels of the picture: brighter downwards, and redder to the right."""
    map_ = GainMap(np.array([[[0.0] * 3, [0.3, 0, -0.3]], [[1.0] * 3, [0.0] * 3]]))
    image = picture(0.3, 0.1)
    found = bright_pixels(image, np.ones(3), UP, False)
    rows, columns = ((found.places + 1) / 2 * [HEIGHT, WIDTH]).astype(int).T
    true = apply_gain_map(image, map_, UP).pixels[rows, columns]
    assert np.ptp(np.log2(true / image.pixels[rows, columns]), axis=0).min() > 0.7
    assert found.balanced(map_)[0] == pytest.approx(true, rel=0.01)


def test_samples_stand_for_their_share_and_survive_the_store() -> None:
    found = bright_pixels(picture(0.8, 0.03), np.ones(3), UP, False)
    assert found.weight[found.pixels[:, 0] > 0.5].sum() == pytest.approx(0.03, rel=0.06)
    assert len(found.weight) <= 1024
    kept = ExposureMeasurement(found, np.array([1.9, 1.0, 1.5])).as_arrays()
    back = ExposureMeasurement.from_arrays(kept)
    assert back.bright.pixels == pytest.approx(found.pixels, rel=1e-3) and back.daylight.tolist() == [1.9, 1.0, 1.5]
    assert back.bright.places == pytest.approx(found.places, abs=0.005)
    for name in kept:
        with pytest.raises(ValueError):
            ExposureMeasurement.from_arrays({k: v for k, v in kept.items() if k != name})


def test_samples_show_every_colour_of_a_mosaic_that_was_saved_as_a_picture() -> None:
    """Every other pixel of every other row alone is bright, as red is under a deep red lamp, whichever comes first."""
    for row, column in np.ndindex(2, 2):
        image = picture(0.1, 0.0)
        image.pixels[row::2, column::2] = 0.9
        found = bright_pixels(image, np.ones(3), UP, True)
        bright = found.pixels[:, 0] > 0.5
        assert bright.all() and found.weight.sum() == pytest.approx(max(BRIGHT.shares), rel=0.02)


def coded(shown: np.ndarray, quality: int = 88) -> np.ndarray:
    """(H, W, 3) what a decoder reads of display values that Pillow wrote as a JPEG. (Outside reference: libjpeg.)"""
    held = io.BytesIO()
    PIL.Image.fromarray((np.clip(shown, 0, 1) * 255 + 0.5).astype(np.uint8)).save(held, "jpeg", quality=quality)
    return np.asarray(PIL.Image.open(held).convert("RGB")).astype(float)


def grain(middle: float, deviation: float, seed: int = 3) -> np.ndarray:
    """(256, 256, 3) a grey part whose pixels differ by so much, display values."""
    noise = np.random.default_rng(seed).normal(0, deviation, (256, 256, 1))
    return np.repeat(middle + noise, 3, axis=2)


@pytest.mark.parametrize("deviation, off", [(0.0, 0.0), (0.004, 1.0), (0.1, BRIGHT.coding)])
def test_coding_scatters_a_channel_by_its_texture_and_at_most_by_the_steps_of_the_table(
    deviation: float, off: float
) -> None:
    shown = grain(0.5, deviation)
    assert (coded(shown) - shown * 255).std() == pytest.approx(off, rel=0.1, abs=0.1)
    image = Image(srgb_decode(shown).astype(np.float32), Domain.CAMERA, NOISE, np.ones(3), np.eye(3))
    found = bright_pixels(image, np.ones(3), UP, True)
    assert np.median(found.texture) * 127 == pytest.approx(127 * deviation / 0.5, rel=0.35, abs=0.3)


def test_a_part_of_fine_texture_is_lifted_less_than_a_flat_one() -> None:
    """Leaves, nets, a mosaic: what JPEG rounds in them comes out clipped, and a flat part of that brightness not."""
    lifts = []
    for deviation in (0.0, 0.06):
        shown = np.full((256, 384, 3), 0.1)
        shown[:, :256] = np.minimum(grain(0.75, deviation), 0.97)
        image = Image(srgb_decode(np.maximum(shown, 0)).astype(np.float32), Domain.CAMERA, NOISE, np.ones(3), np.eye(3))
        hard = ToneParams(knee=0.9, white=1.0)
        (found,), _, _ = solved([image], finished=True, curves=(hard,), target=3.0)
        delivered = tone.displayed(apply_gain_map(image, found.gain_map, UP), hard, True).pixels
        assert (coded(delivered) >= 254).mean(axis=(0, 1)).max() <= 0.005
        lifts.append(found.ev)
    assert 0.1 < lifts[1] < lifts[0] - 0.2


def test_a_frame_that_is_all_clipped_or_all_black_has_no_limit() -> None:
    for value in (0.0, 1.0):
        image = Image(np.full((HEIGHT, WIDTH, 3), value, np.float32), Domain.CAMERA, NOISE, np.ones(3), np.eye(3))
        found = bright_pixels(image, np.ones(3), UP, False)
        assert isinstance(found, BrightPixels)
        assert solved([image], target=1.5)[0][0].ev == pytest.approx(3.5)


def test_a_real_jpeg_with_a_bright_sky_is_not_burnt(shared, tmp_path: Path) -> None:
    """A photograph (US government work, ../shared/data/people) whose sky came out with 9 % of its blue clipped at this
    lift, in the file that is delivered; python -m tests.real_exposure does the same with all real files."""
    (tmp_path / "shoot").mkdir()
    (path,) = shared("data/people").glob("24274813513*")
    (tmp_path / "shoot" / path.name).write_bytes(path.read_bytes())
    (plain,) = clipping(tmp_path / "shoot", tmp_path)
    # What gray_world raises blue by is taken back, as coding alone clips 0.3 % of the frame.
    assert abs(plain.ev) < 0.02 and plain.new.max() <= MOST and not any("in place of" in n for n in plain.notices)
    (lifted,) = clipping(tmp_path / "shoot", tmp_path, target="1.5")
    assert lifted.new.max() <= MOST
    assert any("in place of +1.50 EV" in n for n in lifted.notices)


@pytest.mark.parametrize(("matrix", "blue"), [(np.eye(3), 1.0), (np.eye(3) + 0.1, 2.0)])
def test_burnt_white_is_judged_as_it_comes_out(matrix: np.ndarray, blue: float) -> None:
    """White of a finished picture stays at green's end under a lamp's gains; that of a raw, whose channels clip before
    any balance, goes on to the brightest of them."""
    white = replace(picture(1.0, 0.1), to_working=matrix)
    gains = GainMap.constant(np.array([-0.5, 0.0, 1.0]))
    burnt, found = white.pixels.min(axis=2) > 0.99, bright_pixels(white, np.ones(3), UP, True)
    assert apply_gain_map(white, gains, UP).pixels[burnt].max() == pytest.approx(blue, rel=0.01)
    assert found.balanced(gains)[0][found.pixels.min(axis=1) > 0.99].max() == pytest.approx(blue, rel=0.01)
