"""How well bursts that never meet show the error of a clock: `python -m tests.clock_proposals [NIGHTS]`, a few minutes.

Simulated nights of one person with two cameras (tests/shoot/clocks/test_alternation.py), one clock up to a minute off;
the same with a clock that is right; and two cameras of unrelated matches.
"""

from __future__ import annotations

import sys

import numpy as np

from pipeline.shoot.clocks.alternation import by_alternation
from tests.shoot.clocks.test_alternation import camera, night


def main(nights: int) -> None:
    """Print how often an error is found, how far it is off, and how often one is found where there is none."""
    errors, outside, false, moved = [], 0, 0, 0
    for seed in range(nights):
        long, short = night(seed + 5000, minutes=60 + seed % 60)
        off = float(np.random.default_rng(seed).uniform(-60, 60))
        main_camera = camera("A", long)
        if proposal := by_alternation(camera("B", short, off), main_camera):
            errors.append(proposal.seconds + off)
            outside += abs(errors[-1]) > float(proposal.because.split("take ")[1].split(" s")[0])
        false += sum(by_alternation(camera("B", m, off), main_camera) is not None for m in night(seed + 9000))
        moved += by_alternation(camera("B", short), main_camera) is not None
    spread, most = (np.std(errors), np.abs(errors).max()) if errors else (0.0, 0.0)
    print(f"found {len(errors)} of {nights}: standard deviation {spread:.2f} s, at most {most:.1f} s off")
    print(
        f"outside of what was stated {outside}; right clocks moved {moved}; unrelated matches {false} of {2 * nights}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
