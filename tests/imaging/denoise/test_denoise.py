"""Denoise against the published transform, simulated truth and scikit-image."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.polynomial.hermite_e import hermegauss
from scipy.fft import dctn, idctn
from scipy.stats import poisson
from skimage import data
from skimage.restoration import denoise_wavelet
from skimage.transform import downscale_local_mean

from pipeline.imaging.denoise import denoise as module
from pipeline.imaging.denoise.block_wiener import collaborate, match
from pipeline.imaging.denoise.denoise import QUALITIES, Quality, denoise, denoise_mosaic
from pipeline.imaging.denoise.sliding_dct import sliding_dct
from pipeline.imaging.denoise.stabilise import stabilise, unstabilise
from pipeline.steps.denoise import variance_left
from pipeline.types import Noise

# Simulated ISO 6400; the exposure reaches 0.7 of saturation. Both are ours, no source.
A, B, EXPOSURE = 1.6e-3, 1.6e-5, 0.7
NOISE = Noise(np.full(3, A), np.full(3, B))


def scene(name: str) -> np.ndarray:
    """Linear light of a photograph in scikit-image's wheel; IEC 61966-2-1 decoding."""
    encoded = getattr(data, name)()[:256, 100:420] / 255.0
    return EXPOSURE * np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def shoot(truth: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(3)
    return (A * rng.poisson(truth / A) + rng.normal(0, B**0.5, truth.shape)).astype(np.float32)


def encoded_psnr(estimate: np.ndarray, truth: np.ndarray) -> float:
    def encode(x: np.ndarray) -> np.ndarray:
        x = np.clip(x / EXPOSURE, 0, 1)
        return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)

    return float(-10 * np.log10(np.mean((encode(estimate) - encode(truth)) ** 2)))


@pytest.mark.parametrize("sigma", [0.0, 1.0, 3.0])
def test_inverse_is_unbiased(sigma: float) -> None:
    """Makitalo and Foi 2011, 2013: the exact unbiased inverse I has I(E{f(z) | y}) = y; E summed numerically."""
    nodes, weights = hermegauss(60)
    weights = weights / weights.sum()
    gain = 0.01
    for mean in (0.5, 1.0, 2.0, 5.0, 20.0, 100.0):
        counts = np.arange(0, int(mean + 12 * mean**0.5 + 20))
        z = gain * (counts[:, None] + sigma * nodes[None, :])
        expected = poisson.pmf(counts, mean) @ stabilise(z, gain, (gain * sigma) ** 2) @ weights
        assert unstabilise(np.array(expected), gain, (gain * sigma) ** 2) / gain == pytest.approx(mean, abs=0.06)


def test_closed_form_of_the_paper() -> None:
    """Makitalo and Foi 2011, eq. 11, at a few points, and 0 for f(0); a = 1, b = 0."""
    zero = 2 * np.sqrt(3 / 8)
    d = np.array([zero, 2.0, 5.0, 20.0, 100.0])
    published = d**2 / 4 + np.sqrt(1.5) / 4 / d - 11 / 8 / d**2 + 5 / 8 * np.sqrt(1.5) / d**3 - 1 / 8
    np.testing.assert_allclose(unstabilise(d - zero, 1.0, 0.0), published, atol=1e-12)
    assert abs(published[0]) < 1e-12


def test_stabilised_noise_has_unit_variance() -> None:
    z = shoot(np.full((400, 400, 3), 0.1))
    assert stabilise(z.astype(np.float64), A, B).var() == pytest.approx(1.0, abs=0.02)


def test_without_shot_noise_the_transform_is_a_division() -> None:
    x = np.array([-0.5, 0.0, 0.3])
    np.testing.assert_allclose(stabilise(x, 0.0, 0.04), x / 0.2)
    np.testing.assert_allclose(unstabilise(x / 0.2, 0.0, 0.04), x)


def test_sliding_transform_equals_scipy() -> None:
    """Every patch by scipy.fft, hard threshold, mean weighted by one over the coefficients kept."""
    rng = np.random.default_rng(0)
    plane = rng.normal(0, 3, (19, 22)).astype(np.float32)
    down, across = 3, 2
    got = sliding_dct(plane, None, np.full((8, 8), 2.7, np.float32), (down, across))
    pads = [(7, 7 + (-(side + 6)) % step) for side, step in zip(plane.shape, (down, across), strict=True)]
    padded = np.pad(plane.astype(np.float64), pads, mode="symmetric")
    total, weight = np.zeros_like(padded), np.zeros_like(padded)
    for y in range(0, padded.shape[0] - 7, down):
        for x in range(0, padded.shape[1] - 7, across):
            c = dctn(padded[y : y + 8, x : x + 8], norm="ortho")
            keep = np.abs(c) >= 2.7
            keep[0, 0] = True
            total[y : y + 8, x : x + 8] += idctn(c * keep, norm="ortho") / keep.sum()
            weight[y : y + 8, x : x + 8] += 1 / keep.sum()
    np.testing.assert_allclose(got, (total / weight)[7:26, 7:29], atol=2e-4)


def test_matched_patches_equal_plain_python() -> None:
    """Each group by the formulas of Lebrun et al. 2013 with a diagonal covariance, in NumPy and scipy.fft."""
    rng = np.random.default_rng(4)
    grid, step, radius, most = 2, 4, 6, 8  # those of block_wiener.py
    # Whole numbers, so that distances are exact and equal ones, of mirrored patches, tie in both.
    guide = np.round(np.kron(rng.normal(0, 20, (4, 5)), np.ones((5, 5)))[:17, :23] + rng.normal(0, 3, (17, 23)))
    noisy = guide + rng.normal(0, 1, guide.shape)
    sigma = np.linspace(0.5, 1.5, 64).reshape(8, 8)
    f32 = np.float32
    got = collaborate(noisy.astype(f32), guide.astype(f32), sigma.astype(f32), match(guide.astype(f32)))
    pads = [(7, 7 + (-(side + 6)) % step) for side in guide.shape]
    x, g = (np.pad(plane.astype(np.float64), pads, mode="symmetric") for plane in (noisy, guide))
    height, width = x.shape
    total, weight = np.zeros_like(x), np.zeros_like(x)
    for y0 in range(0, height - 7, step):
        for x0 in range(0, width - 7, step):
            places = []
            for down in range(-radius, radius + 1):
                for across in range(-radius, radius + 1):
                    y1, x1 = y0 + down * grid, x0 + across * grid
                    if 0 <= y1 <= height - 8 and 0 <= x1 <= width - 8:
                        far = np.sum((g[y1 : y1 + 8, x1 : x1 + 8] - g[y0 : y0 + 8, x0 : x0 + 8]) ** 2)
                        places.append((-1 if down == across == 0 else far.astype(f32), y1, x1))
            places = sorted(places, key=lambda place: place[0])[:most]  # stable: the first of equals
            n = len(places)
            c, p = (
                np.stack([dctn(plane[y1 : y1 + 8, x1 : x1 + 8], norm="ortho") for _, y1, x1 in places])
                for plane in (x, g)
            )
            of_mean = n * p.mean(axis=0) ** 2 / (n * p.mean(axis=0) ** 2 + sigma**2)
            spread = p.var(axis=0) * n
            gain = spread / (spread + (n - 1) * sigma**2)
            shrunk = of_mean * c.mean(axis=0) + gain * (c - c.mean(axis=0))
            share = 1 / max(1, np.sum(of_mean**2 + (n - 1) * gain**2))
            for (_, y1, x1), patch in zip(places, shrunk, strict=True):
                total[y1 : y1 + 8, x1 : x1 + 8] += share * idctn(patch, norm="ortho")
                weight[y1 : y1 + 8, x1 : x1 + 8] += share
    expected = (total / weight)[7:24, 7:30]
    np.testing.assert_allclose(got, expected, atol=2e-3)


@pytest.mark.long
def test_better_than_wavelets() -> None:
    """Reference: scikit-image's BayesShrink wavelets with the same stabilisation and colour conversion to YCbCr."""
    pytest.importorskip("pywt", reason="PyWavelets, which scikit-image's wavelets need, is not installed")
    ours, finer, theirs = [], [], []
    for name in ("astronaut", "coffee", "chelsea"):
        truth = scene(name)
        noisy = shoot(truth)
        ours.append(encoded_psnr(denoise(noisy, NOISE), truth))
        finer.append(encoded_psnr(denoise(noisy, NOISE, quality="fine"), truth))
        stable = stabilise(noisy.astype(np.float64), A, B)
        low, high = stable.min(), np.ptp(stable)
        cleaned = denoise_wavelet((stable - low) / high, channel_axis=-1, convert2ycbcr=True, method="BayesShrink")
        theirs.append(encoded_psnr(unstabilise(cleaned * high + low, A, B), truth))
    assert np.mean(ours) > 35.2
    assert np.mean(ours) > np.mean(theirs) + 1.0
    assert np.mean(finer) > np.mean(ours) + 0.1
    figures = (np.round(each, 2) for each in (ours, finer, theirs))
    print("\nPSNR of the encoded picture, dB: standard {}, fine {}, wavelets {}".format(*figures))


def by_cell(mosaic: np.ndarray) -> np.ndarray:
    """(H, W) -> (H/2, W/2, 4)."""
    return np.stack([mosaic[y::2, x::2] for y in (0, 1) for x in (0, 1)], axis=-1).astype(np.float32)


def test_mosaic_before_the_demosaic() -> None:
    """At ISO 12,800 the mosaic, cleaned, is nearer the truth than the demosaiced picture cleaned; OpenCV's bilinear."""
    truth = cv2.resize(scene("coffee")[:160, :200], None, fx=1.5, fy=1.5, interpolation=cv2.INTER_CUBIC)
    truth = np.maximum(truth, 0)
    rng = np.random.default_rng(3)
    a, b = 2 * A, 4 * B
    noise = Noise(np.full(3, a), np.full(3, b))
    mosaic = truth[..., 1].copy()
    mosaic[0::2, 0::2], mosaic[1::2, 1::2] = truth[0::2, 0::2, 0], truth[1::2, 1::2, 2]
    mosaic = a * rng.poisson(mosaic / a) + rng.normal(0, b**0.5, mosaic.shape)

    def demosaiced(values: np.ndarray) -> np.ndarray:
        counts = np.clip(values * 50000 + 5000, 0, 65535).astype(np.uint16)
        return ((cv2.cvtColor(counts, cv2.COLOR_BayerRGGB2RGB).astype(np.float32) - 5000) / 50000).astype(np.float32)

    after = encoded_psnr(denoise(demosaiced(mosaic), noise, quality="fine"), truth)
    figures = {}
    for quality in QUALITIES:
        cleaned = denoise_mosaic(by_cell(mosaic), noise, quality=quality)
        whole = np.empty_like(mosaic)
        for index in range(4):
            whole[index // 2 :: 2, index % 2 :: 2] = cleaned[..., index]
        figures[quality] = encoded_psnr(demosaiced(whole), truth)
    print("\nPSNR, dB: after the demosaic", round(after, 2), "before it", figures)
    assert figures["fine"] > after + 0.15
    assert figures["fine"] > figures["standard"] + 0.2


def test_mosaic_parts_and_pass_through() -> None:
    packed = by_cell(shoot(scene("chelsea"))[:64, :96, 1])
    assert denoise_mosaic(packed, NOISE, strength=0) is packed
    flat = by_cell(shoot(np.full((128, 128), 0.2)))
    for quality in QUALITIES:
        smooth, grainy, luma_only, chroma_only = (
            denoise_mosaic(flat, NOISE, quality=quality, **parts)
            for parts in ({}, {"keep_grain": 0.5}, {"chroma": 0}, {"luma": 0})
        )
        noise = flat.mean(axis=-1).std()
        assert smooth.mean(axis=-1).std() < 0.15 * noise
        tile = (4, 4)  # grain is put back at every pixel, a little softer than a cell: its share is that of the coarse
        tiles = (downscale_local_mean(each.mean(axis=-1), tile) for each in (grainy - smooth, flat - smooth))
        assert np.divide(*(each.std() for each in tiles)) == pytest.approx(0.5, rel=0.1)
        assert luma_only.mean(axis=-1).std() < 0.15 * noise
        assert chroma_only.mean(axis=-1).std() == pytest.approx(noise, rel=0.05)
        assert (chroma_only[..., 1] - chroma_only[..., 2]).std() < 0.15 * (flat[..., 1] - flat[..., 2]).std()
    for shape in ((0, 3, 4), (1, 1, 4), (3, 5, 4)):
        odd = np.full(shape, 0.2, np.float32)
        odd[:1, :1, 1:3] = np.nan, np.inf
        for quality in QUALITIES:
            out = denoise_mosaic(odd, NOISE, quality=quality)
            assert out.shape == shape
            assert np.isfinite(out).all() or out.size == 0


def test_strength_nought_is_exact_and_runs_agree() -> None:
    noisy = shoot(scene("chelsea"))
    assert np.array_equal(denoise(noisy, NOISE, strength=0.0), noisy)
    for quality in QUALITIES:
        assert denoise(noisy, NOISE, strength=0.0, quality=quality) is noisy
        alone = denoise(noisy, NOISE, quality=quality).tobytes()
        with ThreadPoolExecutor(3) as pool:
            for other in pool.map(lambda _, q=quality: denoise(noisy, NOISE, quality=q).tobytes(), range(3)):
                assert other == alone


def test_gain_before_or_after_is_the_same() -> None:
    noisy = shoot(scene("coffee"))[:64, :64]
    gain = np.float32(4)
    louder = denoise(noisy * gain, NOISE.scaled(np.full(3, 4.0)))
    quiet = denoise(noisy, Noise(NOISE.a, NOISE.b))
    assert np.sqrt(np.mean((louder / gain - quiet) ** 2)) < 0.03 * quiet.mean()


@pytest.mark.parametrize(
    "settings", [(1, 1, 1, 0), (1, 1, 1, 0.2), (0.5, 1, 1, 0), (1, 0, 1, 0), (1, 1, 0, 0), (2, 1, 1, 0)]
)
@pytest.mark.parametrize("quality", QUALITIES)
def test_variance_left_is_what_the_step_says(settings: tuple[float, float, float, float], quality: Quality) -> None:
    rng = np.random.default_rng(5)
    flat = (0.2 + 0.02 * rng.standard_normal((256, 256, 3))).astype(np.float32)
    left = denoise(flat, Noise(np.zeros(3), np.full(3, 4e-4)), *settings, quality=quality).var() / 4e-4
    said = variance_left(*settings)
    assert 0.95 * left <= said <= 2 * left


@pytest.mark.parametrize("quality", QUALITIES)
def test_flat_parts_keep_their_mean(quality: Quality) -> None:
    noisy = shoot(np.full((256, 256, 3), 0.01))
    assert denoise(noisy, NOISE, quality=quality).mean() == pytest.approx(0.01, rel=0.01)


def test_correlated_noise_by_its_spectrum() -> None:
    """A 2x2 mean leaves low-frequency noise; told its spectrum, the filter leaves less of it."""
    rng = np.random.default_rng(7)
    white = rng.standard_normal((257, 257, 3))
    soft = (white[1:, 1:] + white[:-1, 1:] + white[1:, :-1] + white[:-1, :-1]) / 2
    blocks = soft[..., 0].reshape(32, 8, 32, 8)
    psd = (dctn(blocks, axes=(1, 3), norm="ortho") ** 2).mean(axis=(0, 2))
    psd /= psd.mean()
    flat = (0.2 + 0.02 * soft).astype(np.float32)
    noise = Noise(np.zeros(3), np.full(3, 4e-4))
    told = denoise(flat, noise, psd=(psd, psd)).var()
    assert told < 0.6 * denoise(flat, noise).var()
    assert told / 4e-4 == pytest.approx(variance_left(1, 1, 1, 0, (psd[0, 0], psd[0, 0])), rel=0.5)


@pytest.mark.parametrize("shape", [(1, 1, 3), (3, 40, 3), (9, 7, 3), (0, 5, 3), (65, 70, 3)])
@pytest.mark.parametrize("value", [0.0, np.nan, np.inf, -np.inf, 1e30, -5.0])
def test_odd_input_stays_finite(shape: tuple[int, int, int], value: float) -> None:
    pixels = np.full(shape, 0.2, np.float32)
    pixels[:1, :1, 0] = value
    for noise in (NOISE, Noise(np.zeros(3), np.zeros(3)), Noise(np.full(3, np.nan), np.full(3, 1e-6))):
        for quality in QUALITIES:
            out = denoise(pixels, noise, quality=quality)
            assert out.shape == shape
            assert out.dtype == np.float32
            assert np.isfinite(out).all()


@pytest.mark.parametrize("name", ["threshold", "threshold_coarse", "wiener"])
def test_thresholds_are_at_their_best(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A tenth more or less leaves photographs further from their truth (scikit-image's, ISO 6400 simulated)."""
    photographs = [scene(photo) for photo in ("coffee", "astronaut", "rocket")]
    usual = module.DENOISE

    def fidelity(times: float) -> float:
        with monkeypatch.context() as patched:
            patched.setattr(module, "DENOISE", replace(usual, **{name: getattr(usual, name) * times}))
            return float(np.mean([encoded_psnr(denoise(shoot(truth), NOISE), truth) for truth in photographs]))

    assert fidelity(1.0) > max(fidelity(0.9), fidelity(1.1))
