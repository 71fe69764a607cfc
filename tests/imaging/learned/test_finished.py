"""The network for finished pictures: past the classical filter on one it never saw, calm where all is clean."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from pipeline.imaging.denoise.picture_noise import PICTURE_NOISE, picture_statistics
from pipeline.imaging.denoise.picture_noise_pool import pool
from pipeline.imaging.learned import finished
from pipeline.imaging.learned.tiles import Part, Settings
from pipeline.imaging.learned.told import CHANNELS
from pipeline.types import Noise
from tests import denoise_cases, jpeg_noise

QUALITY = 92


@pytest.fixture(autouse=True)
def _one_thread() -> None:
    cv2.setNumThreads(1)


@cache
def case() -> tuple[np.ndarray, np.ndarray, Noise]:
    """Noisy, truth and the noise as measured: a JPEG of ISO 6400, saved at web size."""
    picture = denoise_cases.photograph("china")
    assert picture is not None
    noisy, truth = jpeg_noise.exposed(picture / denoise_cases.EXPOSURE, 6400, "file", QUALITY)
    own = pool([picture_statistics(noisy, jpeg_noise.steps(QUALITY))], 6400)
    assert own is not None
    return noisy, truth, own.noise()


def learned(picture: np.ndarray, noise: Noise, **settings: float) -> np.ndarray:
    return finished.learned_picture(np.asarray(picture, dtype=np.float32), noise, Settings(**settings))


def weak(variance: float) -> Noise:
    """White, of the same variance at every brightness."""
    levels = np.stack([np.stack([np.linspace(0, 1, 33) ** 2, np.full(33, variance)])] * 3, axis=1)
    white = np.ones((5, 3, 8, 8)) * 0.25 ** np.arange(5)[:, None, None, None]
    return Noise(np.zeros(3), np.full(3, variance), white, levels)


def test_better_than_fine_on_a_picture_not_learnt_from() -> None:
    noisy, truth, noise = case()
    fine = jpeg_noise.score(truth, jpeg_noise.denoised(noisy, noise, quality="fine"))
    found = jpeg_noise.score(truth, learned(noisy, noise))
    print(f"\nlearned {found[0]:.2f} dB, {found[1]:.2f}; fine {fine[0]:.2f} dB, {fine[1]:.2f}")
    assert found[0] > fine[0] + 0.4 and found[1] < 1.02 * fine[1]


def test_without_noise_a_picture_stays_itself() -> None:
    """Where next to none was measured, to a fifth of a code."""
    _, truth, _ = case()
    off = 255 * np.abs(finished.encoded(learned(truth, weak(1e-12))) - finished.encoded(truth))
    assert off.max() < 0.2


def test_grain_of_the_scene_is_not_all_taken() -> None:
    """Four times as much noise as was told may be texture: hardly more is taken than was told."""
    rng = np.random.default_rng(5)
    grain = np.clip(0.3 + rng.normal(0, 0.02, (96, 96, 3)), 0, 1).astype(np.float32)
    known, all_of_it = weak(0.02**2 / 16), weak(0.02**2)
    assert np.std(learned(grain, known) - grain) < 0.4 * np.std(learned(grain, all_of_it) - grain)


def test_no_more_is_taken_than_the_noise_that_was_told() -> None:
    """That much whole, never twice as much, and the less the more it would be: texture is no noise that was missed."""
    sure = np.full(2, 0.07, np.float32)
    known = finished.share_taken(np.array([0.5, 1], np.float32), np.full(2, 20, np.float32), sure)
    assert known == pytest.approx([1, 1])
    deviations = np.linspace(2, 60, 300, dtype=np.float32)
    many = np.ones(300, np.float32)
    taken = deviations * finished.share_taken(deviations, 20 * many, 0.07 * many)
    assert taken.max() < 2 and (np.diff(taken) < 0).all() and taken[-1] < 0.1


def test_less_of_what_two_looks_do_not_agree_on() -> None:
    """More than was told, if the network is sure; in a picture of no camera nothing strong whole, if it is not."""
    apart = np.array([0.02, 0.06, 0.1, 0.3], np.float32)
    ones = np.ones(4, np.float32)
    more = finished.share_taken(2 * ones, 8 * ones, apart)
    assert more[0] == 1 and more[0] > more[1] > more[2] == more[3] > 0.5
    assert finished.share_taken(ones, 8 * ones, apart) == pytest.approx(ones)
    unknown = finished.share_taken(ones, 8 * ones, apart, of_camera=False)
    assert unknown[0] == 1 and (np.diff(unknown) < 0).all() and unknown[2] < 0.7
    weak_ones = finished.share_taken(ones, ones, apart, of_camera=False)
    assert weak_ones == pytest.approx(finished.share_taken(ones, ones, apart))


def test_less_of_what_is_less_than_a_few_codes() -> None:
    """Noise that shows is taken whole; of less than a step of 8 bits, which is seldom noise, less than half."""
    ones = np.ones(3, np.float32)
    share = finished.share_taken(ones, np.array([0.1, 1, 8], np.float32), 0.03 * ones)
    assert share[0] < 0.5 and share[1] < 0.7 and share[2] == 1


def plain(value: float) -> np.ndarray:
    """One colour, but not even, as which it would be drawn: checked by a thousandth."""
    return (value * (1 + 1e-3 * (np.indices((64, 64)).sum(axis=0) % 2))[..., None] * np.ones(3)).astype(np.float32)


class _Taking:
    """In place of the network: finds so many deviations of noise at every second pixel, none between."""

    sides = 4

    def __init__(self, much: float) -> None:
        self.much = much

    def looks(self, part: Part) -> tuple[np.ndarray, np.ndarray]:
        half = self.picture(part) / 2
        return half, half.copy()

    def cells(self, height: int, width: int) -> np.ndarray:
        return np.zeros((height, width, CHANNELS), np.float32)

    def picture(self, part: Part) -> np.ndarray:
        found = np.zeros((2 * (part.low - part.top), 2 * (part.right - part.left), 3), np.float32)
        found[:, ::2] = self.much * 2**0.5  # root mean square: `much`
        return found


def test_what_a_network_finds_is_bounded_in_the_picture() -> None:
    """Of a network that is wrong and takes forty times the noise, next to nothing is taken; of one that is not, all."""
    grey, deviation = plain(0.2), 0.02
    noise = weak(deviation**2)
    off = []
    for much in (1.0, 40.0):
        found = finished.learned_picture(grey, noise, Settings(), by=_Taking(much))  # type: ignore[arg-type]
        off.append(np.sqrt(np.mean((found - grey) ** 2)) / deviation)
    assert 0.75 < off[0] < 1.25 and off[1] < 0.15


@pytest.mark.parametrize("true", [255, 250, 244, 238])
def test_a_white_sky_is_not_lifted_more_than_noise_was_cut_off(true: int) -> None:
    """Of a network that makes all lighter by half a deviation: near white, what noise lost there comes back, no more.

    What was lost is drawn; further below, a tone curve may have taken more, and the network is left alone.
    """

    class Lighter(_Taking):
        def picture(self, part: Part) -> np.ndarray:
            return np.full((2 * (part.low - part.top), 2 * (part.right - part.left), 3), 0.5, np.float32)

    seen = np.clip(np.random.default_rng(3).normal(true, 6, (400, 400)), 0, 255).mean() / 255
    sky = plain(float(jpeg_noise.decode(np.array(seen))))
    slope = 1.055 / 2.4 * float(sky[0, 0, 0]) ** (1 / 2.4 - 1)
    noise = weak((6 / 255 / slope) ** 2)
    found = finished.learned_picture(sky, noise, Settings(), by=Lighter(0))  # type: ignore[arg-type]
    lighter = 255 * float(finished.encoded(found).mean() - seen)
    assert lighter == pytest.approx(true - 255 * seen, abs=0.25)
    dark = finished.learned_picture(0.5 * sky, noise, Settings(), by=Lighter(0))  # type: ignore[arg-type]
    assert 255 * float((finished.encoded(dark) - finished.encoded(0.5 * sky)).mean()) > 2


@pytest.mark.parametrize(
    ("tint", "colour", "least", "most"),
    [(0.1, 0.0, 0.3, 0.6), (0.1, 0.09, 0.8, 1.1), (0.0, 0.0, 0.8, 1.1)],
    ids=["leaves in the dark", "a camera that smooths colour", "a grey picture"],
)
def test_luma_noise_of_a_coloured_picture_without_colour_noise_is_doubted(
    tint: float, colour: float, least: float, most: float
) -> None:
    """No sensor has luma noise alone. The deviation of colour over luma's in a burst of ../shared/data is 0.09."""
    picture, noise = plain(0.2), weak(0.02**2)
    picture[..., 0] += tint
    assert noise.spectrum is not None
    noise.spectrum[:, 1:] *= colour**2
    every = weak(0.02**2)
    asked = [finished.learned_picture(picture, n, Settings(), by=_Taking(1.0)) for n in (noise, every)]  # type: ignore[arg-type]
    total = (1 + 2 * colour**2) / 3  # of the deviation told, as the planes' mean power has it
    taken = np.std(asked[0] - picture) / np.std(asked[1] - picture) / total**0.5
    assert least < taken < most


def test_a_grey_picture_stays_grey() -> None:
    """Of one channel, with noise: no colour of its making, to a hundredth of a code, whatever its balance."""
    rng = np.random.default_rng(6)
    grey = 0.3 + rng.normal(0, 0.03, (64, 64, 1)).astype(np.float32) * np.ones(3, np.float32)
    white = np.array([0.8, 1, 0.6], np.float32)
    noise = weak(0.03**2)
    assert noise.levels is not None
    noise.levels[0] *= white[:, None]
    noise.levels[1] *= white[:, None] ** 2
    assert noise.spectrum is not None
    noise.spectrum[:, 1:] = 0
    found = finished.encoded(learned(grey * white, noise) / white)
    assert np.std(found - finished.encoded(grey)) > 0.01  # much is done
    assert 255 * np.ptp(found, axis=2).max() < 0.01


def test_what_is_told_is_the_noise() -> None:
    """By simulation the deviation in sRGB; the power of each size falls to a quarter where noise is white."""
    noise, rng = weak(1e-4), np.random.default_rng(2)
    work = finished._Work(np.zeros((8, 8, 3), np.float32), noise, Settings(), None)  # type: ignore[arg-type]
    for light in (0.05, 0.4):
        v = finished.encoded((light + rng.normal(0, 0.01, 100_000)).astype(np.float32))
        told = work.deviation_of(finished.encoded(np.full((1, 1), light, np.float32)))
        assert v.std() == pytest.approx(told[0, 0], rel=0.25)  # of what is coarser than eight cells nothing is told
    luma, colour = finished.bands(noise)
    assert luma[1:] / luma[:-1] == pytest.approx([0.25] * 3)
    assert colour == pytest.approx(luma)


def test_the_training_measures_as_the_program_does() -> None:
    finished_training = pytest.importorskip("tests.training.finished", reason="PyTorch is not installed")
    p = PICTURE_NOISE
    assert (p.a, p.b, p.deviations) == (finished_training.A, finished_training.B, finished_training.DEVIATIONS)


def test_tiles_leave_no_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tiles against one whole pass, in codes of 255, where noise has a deviation of twelve; odd sides."""
    noisy, _, noise = case()
    noisy = np.tile(noisy, (2, 2, 1))[:331, :333]
    whole = 255 * finished.encoded(learned(noisy, noise, keep_grain=0.12))
    assert whole.shape == (331, 333, 3)
    small = replace(finished.LEARNED_FINISHED, tile=(56, 56))
    monkeypatch.setattr(finished, "LEARNED_FINISHED", small)
    off = np.abs(255 * finished.encoded(learned(noisy, noise, keep_grain=0.12)) - whole)
    assert off.max() < 0.75 and off.mean() < 0.02


def test_settings_mean_what_they_mean_elsewhere() -> None:
    noisy, _, noise = case()
    asked = {"whole": {}, "half": {"luma": 0.5, "chroma": 0.5}, "grain": {"keep_grain": 0.12}}
    asked["none"] = {"luma": 0.0, "chroma": 0.0}
    off = {name: np.std(learned(noisy, noise, **given) - noisy) for name, given in asked.items()}
    assert off["none"] < 1e-5 and off["half"] < 0.5 * off["whole"]
    assert 0.8 * off["whole"] < off["grain"] < 0.97 * off["whole"]


@pytest.mark.parametrize("size", [(1, 1), (3, 5), (16, 41)])
def test_small_pictures_and_no_numbers(size: tuple[int, int]) -> None:
    picture = np.random.default_rng(0).random((*size, 3), np.float32)
    picture[0, 0, 0] = np.nan
    found = learned(picture, weak(1e-4))
    assert found.shape == picture.shape and np.isfinite(found).all()


def test_threads_change_no_byte() -> None:
    noisy, _, noise = case()
    found = []
    for threads in (1, 2):
        cv2.setNumThreads(threads)
        found.append(learned(noisy, noise).tobytes())
    cv2.setNumThreads(1)
    assert found[0] == found[1]


def test_a_clean_border_stays_as_it_is() -> None:
    """Paper of one colour about a noisy scan: what is quite even is no noise, and is not touched."""
    rng = np.random.default_rng(4)
    page = np.full((160, 160, 3), 0.6, np.float32)
    page[32:128, 32:128] += rng.normal(0, 0.03, (96, 96, 3)).astype(np.float32)
    found = learned(page, weak(0.03**2))
    assert np.abs(found - page)[:24].max() < 1e-6
    assert np.std(found[64:96, 64:96]) < 0.5 * np.std(page[64:96, 64:96])


def test_no_more_than_rounding_costs_no_network() -> None:
    class Never(_Taking):
        def cells(self, height: int, width: int) -> np.ndarray:
            raise AssertionError("the network was asked")

    picture = np.random.default_rng(7).random((32, 32, 3), np.float32)
    found = finished.learned_picture(picture, weak(1e-8), Settings(), by=Never(1))  # type: ignore[arg-type]
    assert found == pytest.approx(picture, abs=1e-6)
