"""The weights that are run are those that were trained; the root of the light."""

from __future__ import annotations

import hashlib
from importlib.resources import files

import numpy as np
import pytest

from pipeline.errors import FrameError
from pipeline.imaging.learned import domain, runtime
from pipeline.imaging.learned.runtime import FINISHED, MOSAIC, WEB, read

FOLDER = files("pipeline.imaging.learned")


def test_the_weights_are_small_and_named_in_the_card() -> None:
    """4 MB, in the wheel and installed."""
    found = [(weights, FOLDER.joinpath(weights.file).read_bytes()) for weights in (MOSAIC, WEB, FINISHED)]
    assert sum(len(data) for _, data in found) <= 4_000_000
    for weights, data in found:
        assert hashlib.sha256(data).hexdigest() == weights.sha256
        assert weights.sha256 in FOLDER.joinpath("MODEL_CARD.md").read_text(encoding="utf-8")


def test_other_weights_are_refused_in_words() -> None:
    with pytest.raises(FrameError, match=r"mosaic\.npz.*damaged.*SHA-256.*install evencourt again.*fine"):
        read(runtime.Weights(MOSAIC.file, "0" * 64))
    with pytest.raises(FrameError, match=r"none\.npz.*cannot be read"):
        read(runtime.Weights("none.npz", "0" * 64))


@pytest.mark.parametrize("a", [1e-5, 1.6e-3, 6e-3])
def test_the_root_is_undone_and_its_deviation_is_told(a: float) -> None:
    """By simulation: the deviation of u is what `deviation` says, where light is far from black."""
    b, gain, y = a * a, 1.9, 0.25
    s = domain.foot(a, b)
    light = np.linspace(-0.05, 1.2, 500)
    assert np.allclose(domain.from_root(domain.to_root(light, s), s), light, atol=1e-9)
    assert domain.to_root(np.array([0.0, 1.0]), s) == pytest.approx([0, 1])
    rng = np.random.default_rng(2)
    noisy = y + rng.normal(0, (gain * a * y + gain**2 * b) ** 0.5, 200_000)
    assert domain.to_root(noisy, s).std() == pytest.approx(domain.deviation(y, gain * a, gain**2 * b, s), rel=0.03)
