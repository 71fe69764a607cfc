"""What the memory of a hall is worth on generated halls, and which changes of its lamps are noticed.

`python -m tests.hall_memory` makes one night with a card at each end, and the next match there without one: under the
same lamps, with lamps dead or dimmed, and with each published lamp in place of one end's. Each row says what the proof
came to, how far the bursts lie beside the remembered lights (log chroma), and how far a perfect white of each burst
comes out from grey (natural log of R/G and B/G, median and worst; 0.017 is about one CIELAB unit on a white): with the
memory as it is used, as it would be used without a proof (the harm that the proof keeps away), without a memory, and
with tonight's own cards. `--only NAME` for some rows.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from fnmatch import fnmatch
from pathlib import Path

import numpy as np
from pipeline.fixtures.hall import Hall
from pipeline.fixtures.light import Lamp, tables

from pipeline.engine.hall.known import Known
from pipeline.light.hall.unchanged import white_map
from pipeline.light.scene_white import gains_of_white
from tests.engine.hall.made import (
    FIRST,
    HALIDE,
    LED,
    NAME,
    Dimmed,
    hall_of,
    known_of,
    look,
    memory_of,
    next_hall,
    plan,
    put_memory,
    truth_of,
    white_errors,
    write_night,
)

NO_LAMPS = ("D65",)  # of the table of lamps
NEXT = (plan(-7.2, 60.0, 4), plan(7.5, 300.0, 4), plan(-4.0, 600.0, 4), plan(5.5, 900.0, 4))


def nights() -> Iterator[tuple[str, Hall]]:
    """What the next night is like."""
    yield "same lamps", next_hall(HALIDE, LED, NEXT)
    for share in (0.5, 0.2):
        dimmed = Dimmed(LED.spectrum, LED.depth, LED.phase, share=share)
        yield f"right: {share:.0%} left", next_hall(HALIDE, dimmed, NEXT)
    yield "left: 50% left", next_hall(Dimmed(**{**vars(HALIDE), "share": 0.5}), LED, NEXT)
    yield "left: other ballast", next_hall(replace(HALIDE, depth=0.03, second=0.0), LED, NEXT)
    yield "other floor", next_hall(HALIDE, LED, NEXT, floor="grey floor")
    for name in tables()["lamps"]:
        if name in (*NO_LAMPS, HALIDE.spectrum, LED.spectrum):
            continue
        yield f"left: {name}", next_hall(Lamp(name, 0.3, 0.5), LED, NEXT)
        yield f"right: {name}", next_hall(HALIDE, Lamp(name, 0.06, 2.0), NEXT)


def unproven(known: Known, memory) -> Known:
    """The whites that the memory would give where nothing is proven: what the wrong light would be worth."""
    camera = memory.cameras[0]
    whites = white_map(camera)
    proof = next(iter(known.proofs.values()))
    if proof.offset is None:
        return known
    balances = dict(known.balances)
    for index, scene in enumerate(known.light.scenes):
        white = whites.white(known.light.chromaticities[index] + proof.offset)
        for name in scene.names:
            gains = known.daylight[name] * gains_of_white(white)
            balances[name] = replace(balances[name], gains=gains / gains[1])
    return replace(known, balances=balances)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="*")
    only = parser.parse_args().only
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["EVENCOURT_HALLS"] = f"{scratch}/halls"
        first, shoot, _ = known_of(Path(scratch) / "first", hall_of(HALIDE, LED, FIRST))
        memory = memory_of(first, shoot)
        size = put_memory(memory).stat().st_size
        one = memory.cameras[0]
        print(f"memory of {len(one.scenes)} bursts and {len(one.lights)} lights: {size} octets")
        heads = "".join(f"{head:>14}" for head in ("as used", "unproven", "none", "cards"))
        print(f"{'next night':24} {'proof':10} {'beside':>7} {heads}")
        for at, (name, hall) in enumerate(nights()):
            if not fnmatch(name, only):
                continue
            folder = Path(scratch) / f"night{at}"
            write_night(folder, hall, 11, references=False, named=NAME)
            known, _, _ = look(folder)
            truth, proof = truth_of(folder), next(iter(known.proofs.values()))
            cells = [white_errors(known, truth, hall), white_errors(unproven(known, memory), truth, hall)]
            for references in (False, True):
                write_night(folder, hall, 11, references=references)
                cells.append(white_errors(look(folder)[0], truth, hall))
            shown = " ".join(f"{np.median(c):6.3f} {max(c):6.3f}" for c in cells)
            print(f"{name:24} {proof.state:10} {proof.off:7.4f}  {shown}", flush=True)
            for text in proof.words:
                print(f"    {text}")


if __name__ == "__main__":
    main()
