"""Whether a single frame could be evened by the phase of the mains that its neighbours show: `python -m
tests.singles_phase`.

A lamp 1 + 0.3 cos(phase) at 100 Hz, the phase carried from a burst to a single frame by the camera's times and divided
out. Printed for each error of the time between both: how far the light is off before and after, EV at the 95th
percentile. A clock that counts in steps is off evenly by half a step either way, at both ends (10 ms steps are what
Exif SubSecTime of two digits can say). Mains that are off by a share of their frequency shift the phase in proportion
to the gap: 0.2 % is 100 mHz of 50 Hz, 0.02 % a calm network (from memory of common grid practice).
"""

from __future__ import annotations

import numpy as np

DEPTH, HZ = 0.3, 100.0


def left(errors: np.ndarray) -> tuple[float, float]:
    """EV at the 95th percentile without and with the carried phase; errors (N,) of time in seconds."""
    phase = np.random.default_rng(0).uniform(0, 2 * np.pi, len(errors))
    true = np.log2(1 + DEPTH * np.cos(phase))
    off = true - np.log2(1 + DEPTH * np.cos(phase + 2 * np.pi * HZ * errors))
    return float(np.percentile(abs(true), 95)), float(np.percentile(abs(off), 95))


def main() -> None:
    random = np.random.default_rng(1)
    for step in (0.01, 0.001, 0.0005, 0.0001):
        before, after = left(random.uniform(-step / 2, step / 2, 40000) + random.uniform(-step / 2, step / 2, 40000))
        print(f"clock in steps of {1000 * step:4.1f} ms: {before:.2f} EV before, {after:.2f} after")
    for share in (0.002, 0.0002):
        for gap in (0.5, 2.0, 10.0):
            before, after = left(random.uniform(-1, 1, 40000) * share * gap)
            told = f"mains off by up to {100 * share:.2f} %, {gap:4.1f} s later"
            print(f"{told}: {before:.2f} EV before, {after:.2f} after")


if __name__ == "__main__":
    main()
