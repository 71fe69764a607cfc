"""The flicker of the lamps: simulated shutters, lamps and clocks; closed forms of the worked values."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from pipeline.light.lamp_flicker import dark_phase, percent_flicker
from pipeline.light.mains import frequency, phases_of, segments
from tests.tables import numbers


@dataclass(frozen=True)
class Hall:
    """A simulated match; figures are invented within what cameras and lamps do."""

    hz: int = 100
    depth: float = 0.25
    fps: float = 12.0
    frames: int = 7
    bursts: int = 20
    kept: float = 0.001  # what the time stamp keeps, seconds
    jitter: float = 0.0005  # of the stamp, seconds
    readout_time: float = 0.004
    exposure: float = 0.001
    wave: str = "sine"
    phases: int = 1  # of the supply, on which the lamps hang
    noise: float = 0.01  # EV
    trend: float = 0.0  # EV over a burst

    def light(self, angle: np.ndarray) -> np.ndarray:
        if self.wave == "sine":
            return 1 + self.depth * np.cos(angle)
        share = 2 * self.depth / (1 + self.depth)  # of a rectified sine, as fluorescent tubes give
        return 1 - share + share * np.abs(np.cos(angle / 2))

    def shoot(self, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        rows = np.linspace(0, 1, 9)
        inside = ((np.arange(9) + 0.5) / 9 - 0.5) * self.exposure
        times, profiles = [], []
        for number in range(self.bursts):
            f = self.hz * (1 + rng.uniform(-0.002, 0.002))
            rate = self.fps * (1 + rng.uniform(-0.005, 0.005))
            start = np.arange(self.frames) / rate + rng.normal(0, 0.001, self.frames)
            at = start[:, None, None] + self.exposure / 2 + rows[:, None] * self.readout_time + inside
            angle = 2 * np.pi * (f * at + rng.random())
            light = self.light(angle).mean(axis=2)
            if self.phases == 3:
                mix = np.clip(rng.uniform(0.2, 0.8) + rng.uniform(-0.2, 0.2) * (2 * rows - 1), 0, 1)
                light = (1 - mix) * light + mix * self.light(angle + 2 * np.pi / 3).mean(axis=2)
            tilt = rng.normal(0, self.noise, (self.frames, 2))
            logs = np.log2(light) + tilt[:, :1] + tilt[:, 1:] * (2 * rows - 1)
            logs += self.trend * np.linspace(-0.5, 0.5, self.frames)[:, None]
            profiles.append(logs - logs.mean(axis=0))
            stamp = 70000 + 37.123 * number + start + rng.normal(0, self.jitter, self.frames)
            times.append(np.floor(stamp / self.kept) * self.kept)
        count = self.bursts * self.frames
        burst = np.repeat(np.arange(self.bursts), self.frames)
        return np.concatenate(times), np.concatenate(profiles), burst, np.full(count, self.exposure)


def ask(hall: Hall, seed: int = 1):
    times, profiles, burst, exposure = hall.shoot(seed)
    return frequency(times, profiles, burst, hall.kept, exposure)


@pytest.mark.parametrize("hz", [100, 120])
@pytest.mark.parametrize(
    "change",
    [
        {},
        {"depth": 0.05},
        {"depth": 0.4, "wave": "fluorescent"},
        {"readout_time": 0.017},
        {"phases": 3, "wave": "fluorescent"},
        {"fps": 9.0, "jitter": 0.001},
        {"frames": 5, "fps": 14.0},
        {"kept": 0.002},
        {"bursts": 200, "phases": 3},
    ],
    ids=str,
)
def test_frequency_is_found(hz: int, change: dict) -> None:
    hall = Hall(hz=hz, **change)
    found = ask(hall)
    assert found.hz == hz and found.certainty > 0.9
    assert found.readout_time is not None
    if hall.phases == 1:
        assert found.readout_time == pytest.approx(hall.readout_time, abs=0.001)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kept": 0.01}, "1/100 s"),
        ({"kept": 0.1}, "1/10 s"),
        ({"kept": 1.0}, "only kept to 1 s"),
        ({"depth": 0.0, "noise": 0.001}, "no flicker found"),
        ({"depth": 0.0, "trend": 0.5}, "changes slowly"),
        ({"exposure": 0.01, "noise": 0.001}, "averages flicker at 100 Hz away"),
        ({"frames": 2}, "three frames"),
        ({"fps": 10.0, "bursts": 200}, "looks alike"),
        ({"fps": 20.0, "hz": 120}, "looks alike"),
    ],
    ids=str,
)
def test_what_cannot_be_told_is_not(change: dict, words: str) -> None:
    found = ask(Hall(**change))
    assert found.hz is None and found.certainty == 0 and words in found.reason


def test_coarse_times_are_noticed_even_when_unsaid() -> None:
    times, profiles, burst, exposure = Hall(kept=0.01).shoot(2)
    assert "1/100 s" in frequency(times, profiles, burst, 0.001, exposure).reason


def test_broken_input_is_told_and_not_fatal() -> None:
    times, profiles, burst, exposure = Hall().shoot(2)
    assert "same time" in frequency(np.floor(times / 10) * 10 + 0.123, profiles, burst, 0.001, exposure).reason
    times[::5], profiles[3] = np.nan, np.nan
    assert frequency(times, profiles, burst, 0.001, exposure).hz == 100
    assert frequency(times[:0], profiles[:0], burst[:0], 0.001, exposure[:0]).hz is None


@pytest.mark.parametrize(
    ("fps", "lost", "words"),
    [
        (10.0, "", "no burst has three frames or more"),
        (1.0, "", "no burst has three frames within 1.5 s"),
        (10.0, "times", "hold no times"),
        (10.0, "exposure", "hold no exposure times"),
        (10.0, "profiles", "cannot be compared"),
    ],
)
def test_why_there_is_nothing_to_measure(fps: float, lost: str, words: str) -> None:
    """Five frames each: alone, a second apart, or without what is needed of all but two."""
    values = {"times": np.arange(5) / fps, "exposure": np.full(5, 0.001), "profiles": np.zeros((5, 9))}
    if lost:
        values[lost][2:] = np.nan
    alone = words == "no burst has three frames or more"
    burst = np.arange(5) if alone else np.zeros(5, int)
    found = frequency(values["times"], values["profiles"], burst, 0.0, values["exposure"])
    assert found.hz is None and words in found.reason


def test_hardly_ever_wrong() -> None:
    """A mixed bag of halls, some of them hopeless, gives no wrong answer."""
    rng = np.random.default_rng(4)
    right = 0
    for seed in range(24):
        hz = int(rng.choice([100, 120]))
        hall = Hall(
            hz=hz,
            depth=float(rng.choice([0.0, 0.03, 0.1, 0.35])),
            fps=float(rng.choice([5, 7, 8, 9, 10, 11, 12, 14, 15, 20])),
            frames=int(rng.integers(3, 11)),
            bursts=int(rng.choice([1, 3, 20])),
            readout_time=float(rng.choice([0.003, 0.005, 0.017])),
            wave=str(rng.choice(["sine", "fluorescent"])),
            phases=int(rng.choice([1, 3])),
            jitter=float(rng.choice([0.0, 0.001])),
            noise=float(rng.choice([0.01, 0.03])),
        )
        found = ask(hall, seed)
        assert found.hz in (None, hz) and (hall.depth > 0 or found.hz is None), (hall, found)
        right += found.hz == hz
    assert right >= 5


def test_a_long_night() -> None:
    times, profiles, burst, exposure = Hall(bursts=1000, frames=10).shoot(3)
    assert frequency(times, profiles, burst, 0.001, exposure).hz == 100


def test_shapes_are_checked() -> None:
    with pytest.raises(ValueError, match="must agree"):
        frequency(np.zeros(4), np.zeros((3, 9)), np.zeros(4, int), 0.001, np.ones(4))


@pytest.mark.parametrize("hz", [100, 120])
def test_percent_flicker_of_the_worked_values(hz: int) -> None:
    """The swing in EV that an exposure leaves (worked values, closed form) leads back to the lamp's modulation."""
    told = 0
    for row in numbers("sine_flicker"):
        if row["f"] != hz:
            continue
        exposure = np.full(48, row["T"])
        angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)[:, None] + np.linspace(0, 1, 5)
        logs = np.log2(1 + row["residual_modulation"] * np.cos(angle))
        logs -= logs.mean(axis=0)
        seen = percent_flicker(logs, exposure, None)
        assert seen is not None and seen.at_least
        assert seen.percent == pytest.approx(100 * row["residual_modulation"], abs=0.1 + row["m"])
        lamp = percent_flicker(logs, exposure, hz)
        if abs(np.sinc(hz * row["T"])) < 0.15:
            assert lamp is None
        elif row["m"] < 0.6:  # the first harmonic alone: beyond, the logarithm's others count
            assert lamp is not None and lamp.percent == pytest.approx(100 * row["m"], rel=0.05)
            told += 1
    assert told > 15


@pytest.mark.parametrize("depth", [0.03, 0.1, 0.35])
@pytest.mark.parametrize("exposure", [0.001, 0.005])
def test_percent_flicker_by_the_times(depth: float, exposure: float) -> None:
    hall = Hall(depth=depth, exposure=exposure, noise=0.004)
    times, profiles, burst, exposures = hall.shoot(6)
    found = percent_flicker(profiles, exposures, 100, times, burst, hall.readout_time)
    assert found is not None and not found.at_least
    assert found.percent == pytest.approx(100 * depth, rel=0.12)


def test_percent_flicker_needs_two_frames() -> None:
    assert percent_flicker(np.zeros((1, 9)), np.full(1, 0.001), 100) is None
    assert percent_flicker(np.zeros((2, 9)), np.full(2, 0.01), 100) is None


def test_dark_phase_is_a_quarter_stop_below_the_burst() -> None:
    levels = np.array([0.1, 0.0, -0.24, -0.26, 0.05, 1.0, 0.74, 1.1, np.nan])
    profiles = np.repeat(levels[:, None], 9, axis=1)
    burst = np.array([0, 0, 0, 0, 0, 1, 1, 1, 1])
    assert dark_phase(profiles, burst).tolist() == [False, False, False, True, False, False, True, False, False]
    assert not dark_phase(profiles[:2]).any()


@pytest.mark.parametrize("hz", [100, 120])
def test_what_an_exposure_leaves_of_a_wave(hz: int) -> None:
    """The mean of cos and sin over each frame's exposure, by integration: that is how a shutter sees a lamp, with a
    factor sin(pi f T) / (pi f T) at the middle of the exposure."""
    times, exposure = np.array([0.0, 0.071, 0.153, 0.242]), np.array([0.001, 0.004, 0.012, 0.002])
    found = segments(times, np.zeros((4, 3)), np.zeros(4, int), exposure)
    assert found is not None
    at = times[:, None] + exposure[:, None] * (np.arange(2000) + 0.5) / 2000
    for phase, wave in zip(phases_of(found, hz), (np.cos, np.sin), strict=True):
        seen = wave(2 * np.pi * hz * at).mean(axis=1)
        assert phase == pytest.approx(seen - seen.mean(), abs=1e-6)
