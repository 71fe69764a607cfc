"""Arithmetic behind the advice on a hall: published worked values and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.light.hall.settings import Settings, iso_needed, light_value, one_exposure, settings_of
from pipeline.light.hall.timing import modulation, timing
from tests.tables import numbers


def test_frames_differ_as_a_sine_averaged_over_its_exposure() -> None:
    """sine_flicker.csv: 1 + m cos, averaged over T, in closed form; EV between its ends."""
    rows = numbers("sine_flicker")
    assert len(rows) > 50
    for row in rows:
        assert modulation(row["m"], row["f"], row["T"]) == pytest.approx(row["residual_modulation"], abs=2e-5)
        if row["m"] < 1:
            found = timing(row["m"], row["f"], row["T"], 0.004)
            assert found.frames == pytest.approx(row["ev_pp"], abs=2e-4)


@pytest.mark.parametrize("readout_time", [0.001, 0.003, 0.004, 0.009, 0.017])
@pytest.mark.parametrize("depth", [0.1, 0.35, 0.7])
def test_rows_at_the_brightest_moment_against_a_simulated_shutter(depth: float, readout_time: float) -> None:
    """Each row averages the lamp over its own exposure, by sums of small steps and no formula."""
    hz, exposure = 100.0, 1 / 1000
    rows = np.linspace(-0.5, 0.5, 401)[:, None] * readout_time
    inside = (np.arange(200) + 0.5) / 200 * exposure - exposure / 2
    light = (1 + depth * np.cos(2 * np.pi * hz * (rows + inside))).mean(axis=1)
    found = timing(depth, hz, exposure, readout_time)
    assert found.at_peak == pytest.approx(np.log2(light.max() / light.min()), abs=1e-3)


def test_waiting_helps_a_curtain_and_not_a_slow_readout() -> None:
    """At 100 Hz a curtain of 3 ms sees the middle third of a period, 17 ms all of it."""
    assert timing(0.3, 100, 1 / 1000, 0.003).helps
    assert not timing(0.3, 100, 1 / 1000, 0.017).helps
    assert not timing(0.05, 100, 1 / 1000, 0.003).helps  # nothing to help: 0.14 EV
    assert not timing(0.3, 100, 1 / 100, 0.003).helps  # the exposure takes a whole period


def test_iso_needed_is_apex() -> None:
    """The APEX table (Exif 2.32 annex C), solved for the ISO."""
    for row in numbers("apex"):
        assert iso_needed(row["EV100"], row["T"], row["N"]) == pytest.approx(row["ISO"], rel=2e-3)
        assert light_value(row["ISO"], row["T"], row["N"]) == pytest.approx(row["EV100"], abs=0.002)


def test_settings_brighten_by_stops() -> None:
    """Twice the time or the ISO is a stop, f/2.8 against f/4 one (f-numbers go by the root of two)."""
    one = Settings(3200, 1 / 1000, 2.8)
    assert Settings(6400, 1 / 1000, 2.8).gain - one.gain == pytest.approx(1)
    assert Settings(3200, 1 / 500, 2.8).gain - one.gain == pytest.approx(1)
    assert one.gain - Settings(3200, 1 / 1000, 2.8 * 2**0.5).gain == pytest.approx(1)
    assert settings_of(None, 0.001, 2.8) is None and settings_of(100, 0.0, 2.8) is None
    assert settings_of(100, 0.001, None) == Settings(100, 0.001, 0)


@pytest.mark.parametrize(("apart", "serves"), [(0.0, True), (0.6, True), (2 / 3, True), (0.7, False), (1.5, False)])
def test_one_exposure_serves_within_a_third_of_a_stop(apart: float, serves: bool) -> None:
    found = one_exposure([5.0, 5.0 + apart])
    assert found.serves is serves and found.off == pytest.approx(apart / 2)
