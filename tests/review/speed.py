"""What a decision takes at 2,000 frames until it is answered, in processor time of the thread that answers it:
python -m tests.review.speed [--frames N]. What a withdrawal looks for afterwards, in a thread of its own, is apart.

A made-up night: small pictures, a full roster, a table with words and players in every row, and the record of a run.
"""

from __future__ import annotations

import argparse
import io
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import PIL.Image

from pipeline.cli.review import open_session
from pipeline.report.record import Counts, FileRecord, FrameRecord, ObservationRecord, RunRecord, write_record
from pipeline.review.session import Session
from pipeline.store.source import Source
from pipeline.store.store import Store
from tests.review.conftest import RECIPE

WANTED = 0.1  # s of processor time


def write_night(home: Path, frames: int) -> None:
    """A shoot, its facts, and OUT after a run."""
    names = [f"TH1_{n:04d}" for n in range(frames)]
    (home / "shoot").mkdir(parents=True)
    (home / "facts").mkdir()
    buffer = io.BytesIO()
    PIL.Image.new("RGB", (90, 60), (90, 120, 100)).save(buffer, "JPEG")
    for name in names:
        (home / "shoot" / f"{name}.jpg").write_bytes(buffer.getvalue())
    teams = "title: Lantern Cup\nteams: {home: Harbour Gulls, away: Mill Lane Foxes}\n"
    (home / "facts" / "shoot.yaml").write_text(teams, encoding="utf-8")
    roster = "".join(
        f"{team},{n},Ingrid{n} Solbakkən{n}{team},{'no' if n % 8 == 0 else ''}\n"
        for team in ("home", "away")
        for n in range(1, 19)
    )
    (home / "facts" / "roster.csv").write_text("team,number,name,publish\n" + roster, encoding="utf-8")
    rows = "".join(
        f"{name},,{at % 6},home {1 + at % 7}; away {9 + at % 7},jumps past {at},,{name}.jpg,{at // 8},,0.5,3,é\r\n"
        for at, name in enumerate(names)
    )
    header = "frame,keep,rating,players,words,crop,file,burst,time,score,suggested,why\r\n"
    (home / "facts" / "frames.csv").write_bytes((header + rows).encode("utf-8"))
    (home / "night.yaml").write_text(RECIPE, encoding="utf-8")
    records = {}
    for at, name in enumerate(names):
        file = FileRecord(f"web/{name}.jpg", "0" * 64, 1, 90, 60, 88, "", True, f"Caption {at}.", "alt", "head", [])
        seen = ObservationRecord([[0.1, 0.1, 0.2, 0.4, 0.9]] * 6)
        records[name] = FrameRecord(
            f"{name}.jpg", "delivered", observations=seen, burst=at // 8, deliveries={"web": file}
        )
    bursts = [names[at : at + 8] for at in range(0, frames, 8)]
    counts = Counts(delivered=frames, frames=frames, files=frames)
    (home / "out" / ".work").mkdir(parents=True)
    write_record(
        home / "out", RunRecord("0", "done", "Lantern Cup", "night.yaml", RECIPE, {}, "", counts, bursts, records)
    )
    Store(home / "out").keep_source(Source.of(home / "shoot", home / "facts", None, home / "night.yaml"))


def decisions(session: Session, frames: int) -> Mapping[str, Callable[[int], object]]:
    """What is timed -> one of its kind, the nth."""
    names = list(session.names())

    def decide(field: str, value: object) -> Callable[[int], object]:
        def one(n: int) -> object:
            name = names[(n * 37) % frames]
            seen = session.frame_json(name)["wrote"][field]  # type: ignore[index,call-overload]
            return session.decide(name, field, None, value, seen)  # type: ignore[arg-type]

        return one

    return {
        "keep": decide("keep", "no"),
        "rating": decide("rating", -1),
        "players": decide("players", [["home", "3"], ["away", "12"]]),
        "players, one who is withheld": decide("players", [["home", "8"]]),
        "words": decide("words", "falls, and scores"),
        "crop": decide("crop", [0.1, 0.1, 0.9, 0.9]),
        "consent": lambda n: session.consent("away", str(9 + n % 7), n % 2 == 1),
        "reference": lambda n: session.reference(names[n], {"patch": [0.1, 0.1, 0.2, 0.2], "end": "left"}),
        "undo": lambda n: session.undo(),
        "caption": lambda n: session.caption(names[n], [["home", "3"]], "jumps"),
        "the frames' own texts, later": lambda n: n or session._search(),
        "a look of another tab": lambda n: session.since(session.version),
    }


def measure(frames: int, times: int) -> dict[str, float]:
    """What is timed -> the least of so many, seconds of processor time."""
    found: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "night"
        write_night(home, frames)
        session, _ = open_session(home / "out", None, None, None, 1)
        for what, action in decisions(session, frames).items():
            taken = []
            for n in range(1 if "later" in what else times):
                start = time.thread_time()
                action(n)
                taken.append(time.thread_time() - start)
            found[what] = min(taken)
    return found


def main() -> None:
    """Print them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=2000)
    parser.add_argument("--times", type=int, default=15)
    given = parser.parse_args()
    for what, seconds in measure(given.frames, given.times).items():
        print(f"{what:30} {1000 * seconds:7.1f} ms{'' if seconds < WANTED else '  (more than wanted)'}")


if __name__ == "__main__":
    main()
