"""Noise of finished pictures: against noise of known spectrum, textures, and JPEGs developed from simulated raws."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.fft import dctn
from skimage import data

from pipeline.imaging.denoise.denoise import denoise
from pipeline.imaging.denoise.level_table import LevelTable
from pipeline.imaging.denoise.picture_noise import (
    BINS,
    SCALES,
    PictureNoise,
    PictureStatistics,
    coded,
    hidden_by_step,
    picture_statistics,
    power_of,
)
from pipeline.imaging.denoise.picture_noise_pool import alike, of_frame, pool
from pipeline.imaging.denoise.rounding import hidden
from pipeline.imaging.resample import resize, resize_energy
from pipeline.types import Noise
from tests import jpeg_noise

KERNEL = np.outer([1.0, 2.0, 1.0], [1.0, 2.0, 1.0]) / 16  # of a smoothing camera
DEVIATION = 0.012  # at white, of linear light; that of photon noise falls with the root of the signal


def slopes(height: int = 320, width: int = 384) -> np.ndarray:
    """A grey wall in uneven light, linear: from the shadows to the lights, nothing else."""
    y, x = np.mgrid[0:height, 0:width] / width
    return np.repeat((0.03 + 0.75 * x**2 + 0.05 * y)[..., None], 3, axis=2)


def noisy(truth: np.ndarray, seed: int = 1, deviation: float = DEVIATION) -> np.ndarray:
    """With noise that was white, grew with the root of the signal, and was smoothed by KERNEL."""
    white = np.random.default_rng(seed).standard_normal(truth.shape)
    smooth = cv2.filter2D(white, -1, KERNEL)
    return (truth + deviation * np.sqrt(truth) * smooth).astype(np.float32)


def power_of_kernel() -> np.ndarray:
    """(8, 8) of white noise of unit variance after KERNEL, from its definition: the mean over many blocks."""
    white = np.random.default_rng(5).standard_normal((512, 512))
    smooth = cv2.filter2D(white, -1, KERNEL)
    return (dctn(smooth.reshape(64, 8, 64, 8), axes=(1, 3), norm="ortho") ** 2).mean(axis=(0, 2))


def of_one(picture: np.ndarray, iso: float | None = 6400.0) -> PictureNoise:
    found = pool([picture_statistics(picture)], iso)
    assert found is not None
    return found


def cleaned(picture: np.ndarray, noise: Noise, **params: float) -> np.ndarray:
    assert noise.spectrum is not None
    return denoise(picture, noise, psd=tuple(np.moveaxis(noise.spectrum, 1, 0)), **params)


def level(one: PictureNoise) -> float:
    """Natural logarithm of the power of luma, at middle frequencies."""
    return float(np.log(power_of(one.power)[0, 0, 2:6, 2:6]).mean() + np.log(power_of(one.bright)).mean())


def off(found: np.ndarray, truth: np.ndarray) -> float:
    """Deviation from it, in units of the root of the signal."""
    return float(np.sqrt(np.mean((found - truth) ** 2 / truth)))


def test_spectrum_of_known_noise() -> None:
    """Grey in all channels: luma of each pixel has the deviation DEVIATION * sqrt(x) * KERNEL, brought to the units in
    which brightness is stabilised, where the deviation of channel c is sqrt(levels)."""
    noise = of_one(noisy(slopes())).noise()
    assert noise.levels is not None and noise.spectrum is not None
    signal, variance = noise.levels[:, 1]
    grey = np.searchsorted(signal, 0.2)
    certainty = DEVIATION**2 * signal[grey] / variance[grey]  # of green, whose deviation stands for the others'
    expected = power_of_kernel()
    # Independent channels of equal deviation: luma is their sum, weighted by the other channels' assumed deviations.
    axis = 1 / np.sqrt(noise.levels[1, :, grey])
    weight = (axis**2 / np.sum(axis**2)) @ (noise.levels[1, 1, grey] / noise.levels[1, :, grey])
    ring = (np.hypot(*np.mgrid[0:8, 0:8]) > 2.5) & (np.hypot(*np.mgrid[0:8, 0:8]) < 6)
    ratio = noise.spectrum[0, 0][ring] / (expected * certainty * weight)[ring]
    assert 0.7 < np.median(ratio) < 1.4
    # At half the size the same noise, once averaged over areas.
    half = of_one(resize(noisy(slopes(640, 768)), 320, 384)).noise()
    whole = of_one(noisy(slopes(640, 768))).noise().averaged(resize_energy((640, 768), (320, 384)))
    assert half.spectrum is not None and whole.spectrum is not None
    assert 0.7 < np.median(half.spectrum[0, 0][ring] / whole.spectrum[0, 0][ring]) < 1.4


def test_noise_goes_and_the_wall_stays() -> None:
    truth = slopes()
    frame = noisy(truth)
    noise = of_one(frame).noise()
    before = off(frame, truth)
    assert off(cleaned(frame, noise), truth) < 0.4 * before
    assert before * 0.9 < off(cleaned(frame, noise, chroma=0.0, luma=0.02), truth)
    assert off(cleaned(frame, noise, strength=0.5), truth) > off(cleaned(frame, noise), truth)


def test_gains_change_nothing_but_the_scale() -> None:
    """A balance, or an exposure, before denoise: the same picture comes out, times the gains."""
    frame, gains = noisy(slopes(64, 96)), np.array([1.7, 1.0, 1.4])
    noise = of_one(noisy(slopes())).noise()
    direct = cleaned(frame, noise) * gains
    later = cleaned((frame * gains).astype(np.float32), noise.scaled(gains))
    assert np.abs(later - direct).max() < 2e-3


def test_table_stabilises_and_comes_back() -> None:
    x = np.linspace(0, 1, 33) ** 2
    table = LevelTable(np.stack([x, 1e-4 * x + 1e-6]), total=0.0)
    some = np.linspace(-0.02, 1.4, 400, dtype=np.float32)
    assert table.restore(table.stabilise(some)) == pytest.approx(some, abs=2e-4)
    slope = np.diff(table.stabilise(some)) / np.diff(some)
    middle = some[1:-1][(some[1:-1] > 0.05) & (some[1:-1] < 0.95)]
    deviation = np.sqrt(1e-4 * middle + 1e-6)
    assert np.interp(middle, (some[1:] + some[:-1]) / 2, slope) * deviation == pytest.approx(1, rel=0.03)
    # The mean of many stabilised values of x = 0.3 comes back as 0.3.
    biased = LevelTable(np.stack([x, 1e-2 * x + 1e-4]), total=1.0)
    many = 0.3 + np.sqrt(1e-2 * 0.3 + 1e-4) * np.random.default_rng(1).standard_normal(200_000)
    mean = biased.stabilise(many.astype(np.float32)).mean(keepdims=True)
    assert float(biased.restore(mean)[0]) == pytest.approx(0.3, abs=1.5e-3)


def test_texture_is_not_taken_for_noise() -> None:
    """Grass, gravel and a brick wall (Brodatz-like textures in scikit-image's wheel), as grey JPEGs without Exif."""
    for name in ("grass", "gravel", "brick"):
        codes = np.repeat(getattr(data, name)()[:256, :256, None] / 255.0, 3, axis=2)
        frame = jpeg_noise.read(jpeg_noise.jpeg(codes, 92))
        psnr, apart = jpeg_noise.score(frame, cleaned(frame, of_one(frame, 100.0).noise()))
        assert apart < 0.3 and psnr > 45, name


def test_texture_does_not_hide_the_finest_noise() -> None:
    """Cloth without a quiet place, its power falling with the third power of the frequency, and white noise: at the
    finest, where the cloth is weak, the noise is told as it is. Lowered as all of luma is, it was a sixth."""
    rng = np.random.default_rng(6)
    radius = np.hypot(*np.meshgrid(np.fft.fftfreq(384), np.fft.fftfreq(320)))
    cloth = np.fft.ifft2(np.fft.fft2(rng.standard_normal((320, 384))) / np.maximum(radius, 0.02) ** 1.5).real
    truth = np.repeat(np.clip(0.3 + 0.05 * cloth / cloth.std(), 0.05, 0.7)[..., None], 3, axis=2)
    white = DEVIATION * rng.standard_normal(truth.shape)
    finest = np.hypot(*np.mgrid[0:8, 0:8]) > 7
    found, known = (
        float(np.log(power_of(one.power)[0, 0][finest]).mean() + np.log(power_of(one.bright)).mean())
        for one in (of_one((light + np.sqrt(light) * white).astype(np.float32)) for light in (truth, slopes()))
    )
    assert abs(found - known) < 0.5


def test_pool_sees_through_texture() -> None:
    """A frame that is all texture is denoised by what its fellows' quiet places show."""
    rough = 0.3 + 0.12 * np.random.default_rng(3).standard_normal((320, 384, 1)) * np.ones(3)
    texture = noisy(np.clip(rough, 0.05, 0.7), 9)
    wall = [picture_statistics(noisy(slopes(), seed)) for seed in range(3)]
    alone, pooled = of_one(texture), pool([picture_statistics(texture), *wall], 6400.0)
    assert pooled is not None and pooled.frames == 4
    truth = of_one(noisy(slopes()))

    assert abs(level(pooled) - level(truth)) < 0.5 < level(alone) - level(truth)


@pytest.mark.long
@pytest.mark.skipif(not (jpeg_noise.DATA / "photos").is_dir(), reason="needs ../shared/data/photos")
def test_textured_jpegs_gain_by_calmer_ones_of_their_camera() -> None:
    """Two photographs at ISO 3200 that are all texture, and gain 0.1 dB alone and in the pool as it was, beside two
    with calm places; told the true spectrum of the noise the two gain 2.4 and 2.1 dB."""
    pairs = [jpeg_noise.pair(name, 3200, "web") for name in ("102", "138", "072", "111")]
    own = [picture_statistics(frame) for frame, _ in pairs]
    pooled = pool(own, 3200.0)
    assert pooled is not None
    for (frame, truth), known in list(zip(pairs, own, strict=True))[:2]:
        small, noise = jpeg_noise.at_size(frame, of_frame(pooled, known, 3200.0).noise(), "web")
        wanted = jpeg_noise.at_size(truth, noise, "web")[0]
        before, after = (jpeg_noise.score(wanted, p)[0] for p in (small, jpeg_noise.denoised(small, noise)))
        assert after - before > 1.2
        # Nobody knows that frames of unknown cameras have their noise in common.
        assert level(of_frame(pooled, known, 3200.0, one_camera=False)) < level(pooled) - 1


def test_a_quiet_frame_of_a_noisy_pool_keeps_its_own() -> None:
    """Whatever the others hold: its quiet blocks show the most that it can have."""
    some = [picture_statistics(noisy(slopes(), seed)) for seed in range(4)]
    quiet = picture_statistics(noisy(slopes(), 9, DEVIATION / 5))
    pooled = pool([*some, quiet], 6400.0)
    assert pooled is not None
    assert level(of_frame(pooled, some[0], 6400.0)) == pytest.approx(level(pooled), abs=0.1)
    assert level(of_frame(pooled, quiet, 6400.0)) < level(pooled) - 2


def test_frames_of_which_some_show_far_less_are_not_of_one_noise() -> None:
    """Of many cameras under one name, or edited. One frame may be odd; of one noise, each shows about as much."""
    walls = [picture_statistics(noisy(slopes(256, 256), seed)) for seed in range(4)]
    calm = [picture_statistics(noisy(slopes(256, 256), seed, DEVIATION / 20)) for seed in (7, 8)]
    for some, expected in ((walls, True), ([*walls, calm[0]], True), ([*walls, *calm], False)):
        pooled = pool(some, 6400.0)
        alone = pool(some[:1], 6400.0)
        assert pooled is not None and pooled.alike is expected and alone is not None
        found = of_frame(pooled, some[0], 6400.0)
        assert expected or (found.frames, found.power.tobytes()) == (1, alone.power.tobytes())


@pytest.mark.parametrize("paper", [0.9, 0.6, 0.2])
def test_a_border_of_one_colour_hides_no_noise(paper: float) -> None:
    """A scan, framed, or a screen with bars: the noise of light tones is told as without the border."""
    scan = noisy(slopes(256, 256), deviation=4 * DEVIATION)
    framed = np.full((336, 336, 3), paper, np.float32)
    framed[40:-40, 40:-40] = scan
    levels = []
    for picture in (scan, framed):
        noise = of_one(picture).noise()
        assert noise.levels is not None and noise.spectrum is not None
        levels.append(np.log(noise.levels[1, 1, 8:28:4] * noise.spectrum[0, 0].mean()))
    assert levels[1] == pytest.approx(levels[0], abs=0.5)


def test_a_picture_without_noise_is_told_none_for_being_even() -> None:
    """A drawing: blocks that are even are all there is, and count."""
    drawn = np.kron(np.linspace(0.1, 0.9, 64).reshape(8, 8), np.ones((32, 32)))[..., None] * np.ones(3)
    found = pool([picture_statistics(drawn.astype(np.float32))], 6400.0)
    assert found is None or level(found) < -6


def test_half_the_power_of_hidden_noise_is_rounded_away() -> None:
    """By its definition: Gaussian numbers, rounded to multiples of a step."""
    steps = np.full((2, 8, 8), 7, np.uint16)
    power = np.exp(hidden(steps)[0, 0, 3, 3]) / hidden_by_step()[0] ** 2
    numbers = np.random.default_rng(2).normal(0, np.sqrt(power), 1_000_000)
    left = (7 * np.round(numbers / 7)).var() / power
    assert left == pytest.approx(0.5, abs=0.03)


def test_noise_that_a_jpeg_hides_in_quiet_places() -> None:
    """Fine noise of a wall: rounded to nothing there, but not where there is a picture. What is taken for it is near
    what the wall showed before it was a JPEG, and no more than that where nothing was rounded."""
    white = np.random.default_rng(4).standard_normal((640, 768, 3))
    wall = slopes(640, 768)
    frame = (wall + 0.03 * np.sqrt(wall) * white).astype(np.float32)
    file = jpeg_noise.read(jpeg_noise.jpeg(jpeg_noise.encode(frame), 92))
    fine = np.hypot(*np.mgrid[0:8, 0:8]) > 7

    def power(picture: np.ndarray, steps: np.ndarray | None) -> float:
        found = pool([picture_statistics(picture, steps)], 6400.0)
        assert found is not None
        return float(np.log(power_of(found.power)[0, 0][fine]).mean() + np.log(power_of(found.bright)).mean())

    known = jpeg_noise.steps(92)
    shown, without = power(frame, None), power(file, None)
    assert without < shown - 1.2
    assert shown - 0.6 < power(file, known) < shown + 0.3
    assert power(frame, known) < shown + 0.3


def test_frames_of_unknown_cameras_are_pooled_by_their_noise() -> None:
    noise = [DEVIATION, DEVIATION / 6, DEVIATION * 1.05, DEVIATION / 6]
    some = [picture_statistics(noisy(slopes(), i, value)) for i, value in enumerate(noise)]
    assert sorted(sorted(group) for group in alike(some)) == [[0, 2], [1, 3]]


def test_what_is_kept_comes_back() -> None:
    found = picture_statistics(noisy(slopes(64, 96)), jpeg_noise.steps(92))
    again = PictureStatistics.from_arrays(found.as_arrays())
    assert (again.power == found.power).all() and (again.blocks == found.blocks).all() and again.size == (64, 96)
    assert (again.steps == found.steps).all()
    with pytest.raises(ValueError, match="picture_blocks"):
        PictureStatistics.from_arrays({**found.as_arrays(), "picture_blocks": np.zeros((1, BINS), np.int32)})


def test_nothing_is_known_of_a_picture_without_blocks() -> None:
    """All white, smaller than a block, or so small that the noise of colour cannot be told from structure."""
    small = noisy(np.full((150, 150, 3), 0.2, np.float32))
    for picture in (np.ones((64, 64, 3), np.float32), np.full((5, 5, 3), 0.2, np.float32), small):
        assert pool([picture_statistics(picture)], None) is None


@pytest.mark.skipif(not (jpeg_noise.DATA / "noise").is_dir(), reason="needs ../shared/data/noise")
def test_jpegs_of_known_sensors() -> None:
    """Two photographs of scikit-image's wheel through LibRaw (see tests/jpeg_noise.py) at ISO 6400; 2.5 dB leaves room
    for their size. No truth may change by more than 0.3 CIEDE2000."""
    for name, place in (("coffee", (60, 180)), ("astronaut", (0, 100))):
        top, left = place
        picture = jpeg_noise.decode(getattr(data, name)()[top : top + 256, left : left + 256] / 255.0)
        frame, truth = jpeg_noise.exposed(picture, 6400, "full", 92)
        before, after = (jpeg_noise.score(truth, one) for one in (frame, jpeg_noise.by_itself(frame, "full", 6400)))
        assert after[0] - before[0] > 2.5 and after[1] < before[1], name
        assert jpeg_noise.score(truth, jpeg_noise.by_itself(truth, "full", 100))[1] < 0.3, name


@pytest.mark.skipif(not (jpeg_noise.DATA / "noise").is_dir(), reason="needs ../shared/data/noise")
def test_noise_of_deep_colours_goes_and_they_stay() -> None:
    """Shirts in which a channel is near black, where a camera cuts its noise off and so lifts the mean (by 10 of 255 in
    the red of deep blue): that is in the file and stays. Noise falls to a fourth, the mean moves by 2.5 at the most."""
    shirts = [(0.05, 0.06, 0.3), (0.08, 0.12, 0.6), (0.6, 0.06, 0.08), (0.08, 0.4, 0.12), (0.05, 0.05, 0.05)]
    walls = [(0.5, 0.5, 0.5), (0.2, 0.2, 0.2), (0.8, 0.8, 0.8), (0.7, 0.5, 0.33)]
    picture = np.kron(np.array([*shirts, *walls]).reshape(3, 3, 3), np.ones((85, 85, 1)))
    frame, _ = jpeg_noise.exposed(jpeg_noise.decode(picture), 6400, "web", 92)
    before = jpeg_noise.at_size(frame, Noise(np.ones(3), np.ones(3)), "web")[0]
    changed = [255 * jpeg_noise.encode(one) for one in (before, jpeg_noise.by_itself(frame, "web", 6400))]
    for shirt in range(len(shirts)):
        top, left = (85 * place for place in divmod(shirt, 3))
        was, now = (one[top + 12 : top + 73, left + 12 : left + 73] for one in changed)
        assert (now.std(axis=(0, 1)) < 0.25 * was.std(axis=(0, 1))).all(), shirts[shirt]
        assert abs(now.mean(axis=(0, 1)) - was.mean(axis=(0, 1))).max() < 2.5, shirts[shirt]


@pytest.mark.skipif(not (jpeg_noise.DATA / "photos").is_dir(), reason="needs ../shared/data/photos")
@pytest.mark.parametrize("name", ["041", "024", "127", "126"])
def test_a_small_textured_frame_keeps_its_texture(name: str) -> None:
    """The middle of pictures of rust and brick, of ferns in the shade, and of two lawns, sharp at its pixels, with the
    little noise of ISO 1600. The first loses 1.1 dB without what colour says of luma; 0.3 and 0.4 were lost for want of
    blocks; the lawns lost 0.30 and 0.25, for grass so faint and even looks like noise."""
    picture = jpeg_noise.photograph(name)[128:384, 128:384]
    frame, truth = jpeg_noise.exposed(picture, 1600, "file", 92)
    before, after = (jpeg_noise.score(truth, one)[0] for one in (frame, jpeg_noise.by_itself(frame, "file", 1600)))
    assert after > before - 0.1


@pytest.mark.skipif(not (jpeg_noise.DATA / "photos").is_dir(), reason="needs ../shared/data/photos")
@pytest.mark.parametrize("name", ["036", "060", "192"])
def test_patches_of_a_photographed_chart_come_out_flat(name: str) -> None:
    """The middle of charts that were photographed with noise of their own, as strong as that of ISO 1600 added here.
    Against such a photograph they lose some tenths of a dB; against what is printed, flat patches, they gain."""
    noisy_frame, truth = jpeg_noise.pair(name, 1600, "file", crop=True)
    known = picture_statistics(noisy_frame, jpeg_noise.steps(jpeg_noise.quality_of(name)))
    photographed, before, after = jpeg_noise.off_flat(
        truth, truth, noisy_frame, jpeg_noise.cleaned_by(noisy_frame, "file", 1600, known)
    )
    assert photographed > 0.8 * before
    assert after < 0.8 * before and after < photographed


def test_luma_without_noise_of_colour_is_texture() -> None:
    """Luma that grows towards the coarse, 5.5 natural logarithms above colour: no sensor has such noise."""
    white = np.log(4.0) * np.arange(SCALES)
    logs = np.full((SCALES, BINS, 3, 8, 8), -5.5) - white[:, None, None, None, None]
    logs[:, :, 0] += 5.5 + 2 * np.arange(SCALES)[:, None, None, None]
    found = pool([PictureStatistics(coded(np.exp(logs)), np.full((SCALES, BINS), 99, np.int32), (3000, 4000))], 6400.0)
    assert found is not None
    assert level(found) < -5.5 + 0.7
