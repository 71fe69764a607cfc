"""Made-up nights at random: cards come again changed, people move files about, systems refuse. Nothing may get lost."""

from __future__ import annotations

import errno
import random
import shutil
import sys
from collections import Counter
from pathlib import Path

import pytest

from pipeline.errors import InputError
from tests.shoot.gather.cards import content, gather, put, snapshot, sums, unfinished
from tests.shoot.gather.refused import Refusal

NAMES = ("HALL0001", "HALL0002", "hall0002", "HALL0003", "HALL0003-2", "Tor é", "Tor e\u0301", "what?", "con", "a.b")
SUFFIXES = (".CR3", ".JPG", ".jpg", ".xmp", ".CR3.xmp", ".MP4", ".CTG", "", ".hid")
FOLDERS = ("DCIM/100HALL", "DCIM/101HALL", "dcim/100hall", "MISC", ".")


class Night:
    def __init__(self, top: Path, seed: int) -> None:
        self.random = random.Random(seed)
        self.cards = [top / "left" / "CARD", top / "right" / "CARD", top / "OTHER"]
        self.shoot, self.second = top / "shoot", top / "second"

    def change_card(self, card: Path) -> None:
        for _ in range(self.random.randrange(1, 6)):
            name = f"{self.random.choice(NAMES)}{self.random.choice(SUFFIXES)}"
            data = content(str(self.random.randrange(8)), self.random.choice((0, 1, 500, 500, 70_000)))
            put(card / self.random.choice(FOLDERS) / name, data)

    def change_shoot(self) -> None:
        """As a person would: files and folders are moved and renamed, none is removed."""
        files = [path for path in self.shoot.rglob("*") if path.is_file() and not path.name.startswith(".evencourt")]
        for path in self.random.sample(files, min(2, len(files))):
            to = self.shoot / self.random.choice(("best", "CARD/DCIM/100HALL", "CARD-2", "x/y")) / path.name
            if path.name != "gathered.sha256" and not to.exists() and not to.is_relative_to(path):
                to.parent.mkdir(parents=True, exist_ok=True)
                path.rename(to)

    def gather(self, cards: list[Path], also: Path | None) -> list:
        if self.random.random() < 0.5:
            return gather(cards, self.shoot, also)
        number = self.random.choice((errno.EIO, errno.ENOSPC, errno.ENOENT))
        with Refusal(self.random.randrange(1, 900), number, self.random.random() < 0.3).armed():
            try:
                return gather(cards, self.shoot, also)
            except InputError:
                return []


@pytest.mark.skipif(sys.platform != "linux", reason="file systems elsewhere do not take such names")
@pytest.mark.parametrize("seed", range(8))
def test_nothing_gets_lost_in_a_night(tmp_path: Path, seed: int) -> None:
    night = Night(tmp_path, seed)
    for _ in range(5):
        for card in night.random.sample(night.cards, 2):
            if card.exists() and night.random.random() < 0.3:
                shutil.rmtree(card)  # formatted, and used again
            night.change_card(card)
        night.change_shoot()
        there = Counter(sums(night.shoot).values()) if night.shoot.exists() else Counter()
        cards = [card for card in night.cards if card.exists()]
        night.random.shuffle(cards)
        also = night.random.choice((None, night.second))
        before = {path: state[:4] for card in cards for path, state in snapshot(card).items()}
        results = night.gather(cards, also)
        assert {path: state[:4] for card in cards for path, state in snapshot(card).items()} == before
        assert there <= Counter(sums(night.shoot).values() if night.shoot.exists() else ())
        for result in results:
            for folder in (night.shoot, also) if also and result.whole else (night.shoot,) if result.whole else ():
                # As many files as on the card, not only as many contents.
                assert Counter(sums(result.card).values()) <= Counter(sums(folder).values())
        results = gather(cards, night.shoot, also)
        assert all(result.whole for result in results) and not unfinished(night.shoot)
        assert sum(result.copied for result in gather(cards, night.shoot, also)) == 0
