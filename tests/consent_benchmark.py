"""CPU time that looking for withheld names costs: 2,000 frames with texts, 40 withheld names of 60.

    python -m tests.consent_benchmark

Every frame has Exif, XMP and IIM texts, every other a sidecar with 300 settings of a development. The people are
made up.
"""

from __future__ import annotations

import random
import tempfile
import time
from pathlib import Path

from pipeline.shoot.consent import held_by_own_texts
from pipeline.shoot.facts import Facts, Player
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


def main() -> None:
    """Print the seconds in a language that leaves names as they are, and in one that inflects them."""
    with tempfile.TemporaryDirectory() as folder:
        frames = write(Path(folder))
        for language in ("en", "pl"):
            start = time.process_time()
            held = held_by_own_texts(Facts(language=language, roster=roster()), frames)
            print(f"{language}: {time.process_time() - start:.1f} CPU seconds for {FRAMES} frames, {len(held)} held")


if __name__ == "__main__":
    main()
