"""How well pans show the falloff of a lens, on drawn bursts: `python -m tests.lens_falloff [--bursts N] [--flicker M]`.

The truth is the falloff of lenses in the open lens database, read through lensfunpy, and none at all. Bursts of eight
frames pan through drawn halls while lamps flicker by M (0 to 1) at one side and a sixth of that at the other. Of each
lens: the stops it takes at the corners, what the bursts say with the standard error they give, whether that is used,
and the most stops that are then left, or falsely taken, anywhere along the radius.
"""

from __future__ import annotations

import argparse

import numpy as np

from pipeline.imaging.lens.database import LensDatabase
from pipeline.light.lens.pans import evidence, fit_bursts
from pipeline.types import CameraFacts
from tests.light.lens.drawn import Pan, U, burst, seen

# Camera, lens, focal length (mm), all at f/2.8: lenses of indoor sport, of three makers.
LENSES = (
    ("Canon", "Canon EOS R6", "EF70-200mm f/2.8L IS II USM", 70.0),
    ("Canon", "Canon EOS R6", "EF70-200mm f/2.8L IS II USM", 180.0),
    ("NIKON CORPORATION", "NIKON Z 9", "NIKKOR Z 70-200mm f/2.8 VR S", 135.0),
    ("FUJIFILM", "X-T4", "XF50-140mmF2.8 R LM OIS WR", 100.0),
)


def truths() -> dict[str, np.ndarray]:
    """Lens -> (NODES,) stops that it takes along the squared radius."""
    database = LensDatabase()
    found = {"none": 0 * U}
    for make, model, name, focal in LENSES:
        known = database.find(CameraFacts(make, model, name, f_number=2.8, focal_length=focal), (4000, 6000))
        if known is not None and known.falloff is not None:
            found[f"{name} at {focal:.0f} mm"] = known.falloff.stops
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description="How well pans show the falloff of a lens.")
    parser.add_argument("--bursts", type=int, default=12)
    parser.add_argument("--flicker", type=float, default=0.0)
    parser.add_argument("--registered", action="store_true", help="find the motions too, which takes longer")
    given = parser.parse_args()
    print("| lens | takes at the corners, EV | as measured | used | left, at most |\n|---|---|---|---|---|")
    for name, stops in truths().items():
        pan = Pan(modulation=given.flicker)
        each = (evidence(seen(*burst(n, stops, pan), registered=given.registered)) for n in range(given.bursts))
        fit = fit_bursts([one for one in each if one is not None])
        if fit is None:
            continue
        proved = fit.proved
        left = np.abs(stops - (fit.stops if proved else 0)).max() if proved or name == "none" else float("nan")
        measured = f"{fit.stops[-1]:.2f} ± {fit.errors[-1]:.2f}"
        print(f"| {name} | {stops[-1]:.2f} | {measured} | {'yes' if proved else 'no'} | {left:.2f} |", flush=True)


if __name__ == "__main__":
    main()
