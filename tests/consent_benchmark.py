"""CPU time that looking for withheld names costs: 2,000 frames with texts, 40 withheld names of 60.

    python -m tests.consent_benchmark [--looks 2000 400]

--looks: instead, what it costs to compare so many pictures without times with so many that are held.

Every frame has Exif, XMP and IIM texts, every other a sidecar with 300 settings of a development. The people are
made up.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from pipeline.shoot.consent import held_by_own_texts
from pipeline.shoot.facts import Facts, Player
from pipeline.shoot.pictures.same import SAME, Look, Looks, look_of
from pipeline.types import Frame
from tests.shoot.text_places import XMP, dataset, jpeg, packet, resources, tiff

FRAMES, PLAYERS, HIDDEN = 2000, 60, 40
_GIVEN = [
    "Siri",
    "Ada",
    "Ida",
    "Mia",
    "Nora",
    "Emma",
    "Olivia",
    "Ella",
    "Maja",
    "Sofie",
    "Anna",
    "Eva",
    "Ingrid",
    "Marit",
    "Zofia",
    "Łucja",
]
_SURNAMES = [
    "Fjellheim",
    "Holm",
    "Berg",
    "Lind",
    "Brekke",
    "Hansen",
    "Olsen",
    "Kłosowska",
    "Żółkiewska",
    "Nilsen",
    "Dahl",
    "Lund",
    "Moen",
    "Haugen",
]


def roster() -> tuple[Player, ...]:
    """The first HIDDEN of them may not be shown."""
    every = sorted(f"{given} {surname}" for given in _GIVEN for surname in _SURNAMES)
    names = random.Random(1).sample(every, PLAYERS)
    return tuple(Player("home", str(at), name, at >= HIDDEN, at) for at, name in enumerate(names))


def write(folder: Path) -> list[Frame]:
    """The frames, none of which names anybody."""
    settings = "".join(f"<club:setting{at}>{at * 1.25:+.4f}</club:setting{at}>" for at in range(300))
    keywords = "".join(f"<rdf:li>{word}</rdf:li>" for word in ["handball", "cup", "goal", "save", "Westerby"])
    frames = []
    for at in range(FRAMES):
        text = (
            f"Quarter-final, Harbour Gulls and Mill Lane Foxes, number {at}: a player shoots while Åse Nordby watches"
        )
        exif = tiff([(270, 2, text.encode() + b"\0"), (0x9C9B, 1, text.encode("utf-16-le"))])
        body = f"<dc:description>{text}</dc:description>"
        xmp = packet(f"{body}<dc:subject><rdf:Bag>{keywords}</rdf:Bag></dc:subject>").encode()
        iim = resources(dataset(90, b"\x1b%G", 1) + dataset(120, text.encode()))
        path = folder / f"TH1_{at:04d}.jpg"
        path.write_bytes(jpeg((0xE1, b"Exif\0\0" + exif), (0xE1, XMP + xmp), *iim))
        if at % 2:
            path.with_suffix(".xmp").write_text(packet(body + settings), encoding="utf-8")
        frames.append(Frame(path.stem, path, path.name, "picture"))
    return frames


def looks(asked: int, held: int) -> None:
    """Print what comparing pictures costs a frame, reading them left out: noise of several sizes has many points."""
    chance = np.random.default_rng(1)

    def look(edge: int, points: int) -> Look:
        grey = np.zeros((edge * 2 // 3, edge), np.float32)
        for size in (4, 8, 16, 32):
            some = chance.normal(0, 20, (edge * 2 // 3 // size, edge // size)).astype(np.float32)
            grey += cv2.resize(some, (edge, edge * 2 // 3), interpolation=cv2.INTER_CUBIC)
        whole = np.clip(grey + 128, 0, 255).astype(np.uint8)
        return look_of(lambda: whole, points)

    start = time.process_time()
    kept = [look(SAME.held, SAME.among) for _ in range(held)]
    made = time.process_time()
    among = Looks(kept)
    others = [look(SAME.edge, SAME.points) for _ in range(64)]
    before = time.process_time()
    found = sum(bool(one) for one in among.same_as(others))
    took = time.process_time() - before
    print(f"{made - start:.0f} CPU seconds for the looks of {held}, {(before - made) / 64:.3f} for that of each other")
    print(f"{took / 64:.3f} CPU seconds to look for each, {asked * took / 64:.0f} for {asked}; {found} found")


def main() -> None:
    """Print the seconds in a language that leaves names as they are, and in one that inflects them."""
    if "--looks" in sys.argv:
        asked, held = map(int, sys.argv[sys.argv.index("--looks") + 1 :][:2])
        return looks(asked, held)
    with tempfile.TemporaryDirectory() as folder:
        frames = write(Path(folder))
        for language in ("en", "pl"):
            start = time.process_time()
            held = held_by_own_texts(Facts(language=language, roster=roster()), frames)
            print(f"{language}: {time.process_time() - start:.1f} CPU seconds for {FRAMES} frames, {len(held)} held")


if __name__ == "__main__":
    main()
