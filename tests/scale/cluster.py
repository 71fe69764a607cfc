"""A league's night on one cluster: `python -m tests.scale.cluster [--frames 48] [--runs 2]`.

A scheduler and three worker processes of `distributed` on this machine, several runs at once through the real command.
Meanwhile one worker is killed and another one stands still (SIGSTOP) for a while. What is delivered must be, byte for
byte, what a local run delivers.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.scale.__main__ import RECIPE, ROOT
from tests.scale.evening import write_facts, write_frames

STILL = 20.0  # s for which the slow worker stands still
LOST = "15 s"  # after which the scheduler gives the frames of a worker that does not answer to others


def hashes(out: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted((out / "web").iterdir())}


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--frames", type=int, default=48)
    parser.add_argument("--runs", type=int, default=2)
    given = parser.parse_args()
    environment = {**os.environ, "EVENCOURT_OFFLINE": "1", "PYTHONPATH": str(ROOT)}
    environment["DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL"] = LOST
    started: list[subprocess.Popen[bytes]] = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)

        def start(*words: object) -> subprocess.Popen[bytes]:
            log = (folder / f"log{len(started)}.txt").open("wb")
            one = subprocess.Popen([*map(str, words)], cwd=ROOT, env=environment, stdout=log, stderr=log)
            started.append(one)
            return one

        def evencourt(run: int, name: str, *more: object) -> subprocess.Popen[bytes]:
            place = folder / str(run)
            return start(
                sys.executable, "-m", "pipeline.cli.app", "run", folder / "night.yaml", place / "shoot", "--facts",
                place / "facts", "--out", place / name, "--no-cache", "--models", folder / "models", *more,
            )  # fmt: skip

        (folder / "night.yaml").write_text(RECIPE)
        (folder / "models").mkdir()
        for run in range(given.runs):  # each photographer has other frames
            first, last = run * given.frames, (run + 1) * given.frames
            for _ in write_frames(folder / str(run) / "shoot", last, first=first):
                pass
            write_facts(folder / str(run) / "facts", last)
            lines = (folder / str(run) / "facts" / "frames.csv").read_text().splitlines(keepends=True)
            (folder / str(run) / "facts" / "frames.csv").write_text("".join([lines[0], *lines[1 + first :]]))
            yaml = folder / str(run) / "facts" / "shoot.yaml"
            yaml.write_text(yaml.read_text().partition("references:")[0])
        address = f"tcp://127.0.0.1:{free_port()}"
        port = address.rpartition(":")[2]
        dask = [sys.executable, "-m", "dask"]
        try:
            start(*dask, "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard")
            time.sleep(5)
            workers = [
                start(
                    *dask, "worker", address, "--nthreads", 1, "--memory-limit", "3GB", "--no-nanny", "--no-dashboard"
                )
                for _ in range(3)
            ]
            time.sleep(15)
            since = time.monotonic()
            runs = [evencourt(run, "cluster", "--cluster", address) for run in range(given.runs)]
            places = [folder / str(run) / "cluster" / ".work" / "measured" for run in range(given.runs)]
            while not any(p.is_dir() and sum(1 for _ in p.iterdir()) > 4 for p in places):
                time.sleep(0.2)
                if all(one.poll() is not None for one in runs):
                    break
            workers[0].kill()
            workers[1].send_signal(signal.SIGSTOP)
            print(f"after {time.monotonic() - since:.0f} s: worker 1 killed, worker 2 stands still", flush=True)
            time.sleep(STILL)
            workers[1].send_signal(signal.SIGCONT)
            status = [one.wait(timeout=1500) for one in runs]
            took = time.monotonic() - since
            print(f"{given.runs} runs of {given.frames} frames: exit {status}, {took:.0f} s", flush=True)
            local = [evencourt(run, "local", "--workers", 1).wait(timeout=1500) for run in range(given.runs)]
            same = [hashes(folder / str(r) / "cluster") == hashes(folder / str(r) / "local") for r in range(given.runs)]
            print(f"local: exit {local}; the same bytes: {same}, {len(hashes(folder / '0' / 'local'))} files a run")
            for one in sorted(folder.glob("log*.txt")):
                words = one.read_text(errors="replace")
                if "Traceback" in words or "delivered" in words:
                    print(one.name, words[-600:])
            return 0 if all(same) and not any((*status, *local)) else 1
        finally:
            for one in started:
                if one.poll() is None:
                    one.send_signal(signal.SIGCONT)
                    one.kill()
                    one.wait()


if __name__ == "__main__":
    sys.exit(main())
