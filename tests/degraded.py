"""A photograph as a dim hall would give it: under-exposed, blurred by movement, with a sensor's noise at ISO 12,800."""

from __future__ import annotations

import io

import cv2
import numpy as np
import PIL.Image

from pipeline.imaging.colour import srgb_decode, srgb_encode
from tests.jpeg_noise import sensor_noise

CAMERA = "CanonEOS700D"  # the noisiest at this ISO of the five measured cameras of ../shared/data/noise
WHITE = 0.6  # of saturation, where a well exposed picture's white lies


def degraded(
    picture: np.ndarray, seed: int, iso: float = 12_800, blur: int = 8, stops: float = 2.0, camera: str = CAMERA
) -> np.ndarray:
    """RGB (H, W, 3), 8 bit -> the same, dim, blurred and noisy.

    blur  pixels that everything moves to the right while the shutter is open, with sharp ends; stops  of light less

    Noise of photons and of reading is put on each pixel's three values in linear light, as if they were mosaic pixels;
    a demosaic would make it coarser. Its measured parameters: Wei et al., "A Physics-based Noise Formation Model for
    Extreme Low-light Raw Denoising", CVPR 2020. The result went through JPEG at quality 92.
    """
    kernel = np.ones((1, blur + 1), np.float32)
    kernel[0, [0, -1]] = 0.5
    linear = srgb_decode(picture.astype(np.float32) / 255).astype(np.float32)
    light = cv2.filter2D(linear, -1, kernel / kernel.sum()) * WHITE * 2.0**-stops
    a, b = sensor_noise(camera, iso)
    rng = np.random.default_rng(seed)
    noisy = a * rng.poisson(np.maximum(light, 0) / a) + rng.normal(0, b**0.5, light.shape)
    codes = srgb_encode(np.clip(noisy / WHITE, 0, 1)) * 255 + 0.5
    data = io.BytesIO()
    PIL.Image.fromarray(codes.astype(np.uint8)).save(data, "JPEG", quality=92)
    return np.asarray(PIL.Image.open(data))


def pulsed(picture: np.ndarray, phase: float) -> np.ndarray:
    """BGR (H, W, 3), 8 bit -> the same in the light of lamps that pulse with the mains: a rolling shutter of one and a
    half periods, rows up to 35 % darker, and its blue not in step with its red, as lamps with phosphors pulse.

    phase  of the first row, in periods
    """
    linear = srgb_decode(picture.astype(np.float32) / 255)
    rows = np.arange(len(picture)) / len(picture)
    late = np.array([0.1, 0.025, 0.0])  # periods, of blue, green and red
    light = 1 - 0.35 * (0.5 + 0.5 * np.sin(2 * np.pi * (1.5 * rows[:, None] + phase + late)))
    return np.asarray(srgb_encode(np.clip(linear * light[:, None], 0, 1)) * 255 + 0.5, dtype=np.uint8)
