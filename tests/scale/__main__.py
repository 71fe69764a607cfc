"""How the program grows with the night: `python -m tests.scale --frames 100,1000,10000,20000 [--parent]`.

Small generated frames of a made-up handball evening, each with bytes of its own, go through the real command line: a
first run, a second one that has nothing to do, `status` and `verify`. Printed are the parent's peak memory, processor
time of each phase a frame and against the smallest size, what run.json, report.html and .work hold a frame, and how
well the time left was foretold.

--parent  does the work of the worker processes for the first frames only and copies it for the rest: memory and time of
          the parent are the real ones, and 20,000 frames take minutes
--processor  the time left goes by the processor's time of all processes: an idle machine of one core
--mixed   larger frames, of which one burst in four has sixteen times the pixels
--folder  keep the frames there, and use those that are there already; a run that was stopped goes on, and what it took
          until then is in answer.json there
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from pipeline.cli.console import SOON
from tests.scale.evening import write_facts, write_frames

BAR = {"peak": 400.0, "linear": 1.2, "second": 60.0, "left": 0.2}
RECIPE = """\
recipe: 1
steps:
  - decode:
  - white_balance: {method: reference_patch}
  - exposure: {across: burst}
  - denoise: {quality: standard}
deliveries:
  web:
    - crop: {to: subject, aspect: "3:2"}
    - resize: {long_edge: 40}
    - caption:
    - save: {format: jpeg, quality: 88, at_most: 1.5 MB}
"""
ROOT = Path(__file__).resolve().parents[2]


def command(folder: Path, mode: str, *words: object) -> dict[str, Any]:
    """What `tests.scale.child` measured of a command."""
    answer = folder / "answer.json"
    environment = {**os.environ, "EVENCOURT_OFFLINE": "1", "PYTHONPATH": str(ROOT)}
    given = [sys.executable, "-m", "tests.scale.child", str(answer), mode, *map(str, words)]
    with (folder / "log.txt").open("a") as log:
        done = subprocess.run(given, cwd=ROOT, env=environment, stdout=log, stderr=log, check=False)
    found: dict[str, Any] = json.loads(answer.read_text()) if answer.is_file() else {}
    if "ended" not in found:  # what it told until then stays there
        raise SystemExit(f"{' '.join(given)}: ended with {done.returncode}; see {answer} and {folder / 'log.txt'}")
    answer.unlink()
    return found


def phases(one: dict[str, Any]) -> dict[str, float]:
    """Phase -> seconds of the processor; what digests take is part of measuring, and stands apart."""
    found = {"scan": one.get("scan", 0.0), "digest": one.get("digest", 0.0), **one.get("phases", {})}
    if "measure" in found:
        found["measure"] = max(0.0, found["measure"] - found["digest"])
    return found


def held(one: dict[str, Any], phase: str) -> str:
    """The parent's time in a phase, and its memory at the beginning and at most, megabytes."""
    at, most = one["memory"].get(phase), one.get("peaks", {}).get(phase)
    own = f"{one['own'][phase]:.1f} s of it the parent's, " if phase in one.get("own", {}) else ""
    return "" if at is None else f"{own}{at} MB, at most {most or at}"


def octets(path: Path) -> int:
    """Of a file, or of all files in a folder."""
    return sum(p.stat().st_size for p in path.rglob("*") if p.is_file()) if path.is_dir() else path.stat().st_size


def foretold(one: dict[str, Any]) -> list[str]:
    """By phase: how far what was said of its own and of the whole time left was off, at most, after the first tenth.

    Below `SOON` seconds the program says no number, so that none is wrong there.
    """
    ends: dict[str, float] = {}
    order = [entry for entry in one["said"] if entry[1] == -1]
    for entry, later in zip(order, [*order[1:], None], strict=True):
        ends[entry[0]] = later[2] if later else one["ended"]
    lines = [
        f"  {phase}: {one['expected'][phase]:.1f} s said by the trial, {ends[phase] - min(began):.1f} s taken"
        for phase in one.get("expected", ())
        if (began := [entry[2] for entry in order if entry[0] == phase])
    ]
    start = min(entry[2] for entry in order)
    tenth_of_all = start + 0.1 * (one["ended"] - start)
    for phase in dict.fromkeys(entry[0] for entry in one["said"]):
        off, whole = [], []
        for _, tenth, moment, own, all_of_it in (e for e in one["said"] if e[0] == phase and 1 <= e[1] < 10):
            del tenth
            if own is not None:
                off.append(_off(own, ends[phase] - moment))
            if all_of_it is not None and moment >= tenth_of_all:
                whole.append(_off(all_of_it, one["ended"] - moment))
        if off or whole:
            lines.append(f"  {phase}: phase {max(off, default=0):.0%}, whole run {max(whole, default=0):.0%}")
    return lines


def _off(said: float, true: float) -> float:
    return abs(max(said, SOON) / max(true, SOON) - 1)


def night(folder: Path, count: int, mode: str, mixed: bool) -> dict[str, Any]:
    """Generate, run twice, ask and verify; what was measured."""
    for _ in write_frames(folder / "shoot", count, mixed):
        pass
    write_facts(folder / "facts", count)
    (folder / "night.yaml").write_text(RECIPE)
    (folder / "models").mkdir(exist_ok=True)
    out = folder / "out"
    given = ("run", folder / "night.yaml", folder / "shoot", "--facts", folder / "facts", "--out", out, "--workers", 1,
             "--no-cache", "--models", folder / "models")  # fmt: skip
    found = {"first": command(folder, mode, *given)}
    found["second"] = command(folder, mode, *given)
    found["status"] = command(folder, "whole", "status", out)
    found["verify"] = command(folder, "whole", "verify", out)
    found["octets"] = {name: octets(out / name) for name in ("run.json", "report.html", ".work")}  # type: ignore[assignment]
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--frames", default="100,1000,10000,20000")
    parser.add_argument("--parent", action="store_true")
    parser.add_argument("--processor", action="store_true")
    parser.add_argument("--mixed", action="store_true")
    parser.add_argument("--folder", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        first: dict[str, dict[str, float]] = {}
        for count in map(int, given.frames.split(",")):
            folder = (given.folder or Path(scratch)) / f"{count}{'-mixed' if given.mixed else ''}"
            one = night(
                folder, count, "parent" if given.parent else "processor" if given.processor else "whole", given.mixed
            )
            print(f"\n{count:,} frames, {'work of the workers copied' if given.parent else 'all real'}")
            for run in ("first", "second"):
                what = one[run]
                print(
                    f" {run} run: parent's peak {what['peak']:.0f} MB, processor {what['processor']:.1f} s, "
                    f"clock {what['seconds']:.1f} s, exit {what['status']}{', '.join(['', *what['loaded']])}"
                )
                for phase, seconds in phases(what).items():
                    each = seconds / count
                    base = first.setdefault(run, {}).setdefault(phase, each)
                    against = f"{each / base:5.2f} of linear" if base > 1e-5 else ""
                    print(f"  {phase:12} {1000 * each:8.3f} ms a frame {against}  {held(what, phase)}")
            for name in ("status", "verify"):
                spent, peak = one[name]["processor"], one[name]["peak"]
                each = f"{1000 * spent / count:.2f} ms a frame"
                print(f" {name}: {spent:.1f} s, {each}, peak {peak:.0f} MB, exit {one[name]['status']}")
            for name, size in one["octets"].items():
                print(f" {name}: {size / count:,.0f} octets a frame, {size / 1e6:.1f} MB")
            print(" time left, off by at most after the first tenth:", *foretold(one["first"]), sep="\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
