"""The parts that tests.burst_parts splits an error into, by closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from tests.burst_parts import boxes, nearest_map, split
from tests.evenness import burst_spread

ROWS, COLUMNS = np.meshgrid(np.linspace(-1, 1, 40), np.linspace(-1, 1, 60), indexing="ij")


def test_parts_add_up_to_the_error_less_what_frames_share() -> None:
    level, wave, tilt = (v[..., None] * np.ones(3) for v in (0 * ROWS + 0.1, 0.2 * ROWS, 0.3 * COLUMNS))
    parts = split([level + wave, -level + tilt, -wave - tilt])
    assert parts["frame"][0] == pytest.approx(level, abs=1e-9)
    assert parts["rows"][0] == pytest.approx(wave, abs=1e-9)
    assert parts["place"][1] == pytest.approx(tilt, abs=1e-9)
    whole = np.sum([parts[name] for name in parts], axis=0)
    assert whole[0] == pytest.approx(level + wave, abs=1e-9)


def test_the_nearest_map_of_a_map_is_itself() -> None:
    at, across = (np.arange(40) + 0.5) / 20 - 1, (np.arange(60) + 0.5) / 30 - 1
    light = (np.outer(at**5, across**3) + at[:, None])[..., None] * np.array([1.0, 0.5, -1.0])
    assert nearest_map(light) == pytest.approx(light, abs=1e-9)
    assert np.abs(nearest_map(np.sign(across)[None, :, None] * np.ones((40, 1, 3))) - 1).max() > 0.3


class _Frame:
    """As tests.burst_parts.DrawnFrame, of one grey box."""

    def __init__(self, name: str) -> None:
        spot = {"box": (0.2, 0.2, 0.6, 0.6), "kind": "wall", "place": "wall 0", "xyz": [0.19, 0.2, 0.218]}
        self.name, self.truth = name, {"burst": 0, "spots": [spot]}


def test_an_error_of_luminance_has_no_chroma() -> None:
    """A tenth of a stop in every channel is 0.1 EV, and nothing where luminance is taken out."""
    errors = [np.zeros((40, 60, 3)), np.full((40, 60, 3), 0.1)]
    frames = [_Frame("a"), _Frame("b")]
    ev, colour = burst_spread(boxes(frames, errors, np.eye(3)))[:2]  # type: ignore[arg-type]
    assert ev == pytest.approx(0.1, abs=1e-6)
    assert colour > 1
    assert burst_spread(boxes(frames, errors, np.eye(3), "chroma"))[:2] == pytest.approx((0, 0), abs=1e-6)  # type: ignore[arg-type]
