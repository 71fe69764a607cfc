"""The README's evening: each command as printed there, on cards of a small shoot."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from pipeline.shoot.gather import gather
from tests.engine.tables.test_prepare import night, photograph
from tests.engine.test_run import evencourt

ROOT = Path(__file__).resolve().parents[2]


def commands() -> list[list[str]]:
    """The commands of the section, word by word."""
    section = (ROOT / "README.md").read_text(encoding="utf-8").partition("## A match night")[2].partition("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    lines = [line.strip() for block in blocks for line in block.splitlines()]
    return [shlex.split(line, comments=True)[1:] for line in lines if line.startswith("evencourt ")]


def test_the_evening_takes_at_most_eight_commands_and_each_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A card is a disk of its own; a folder that stands for it here is not.
    monkeypatch.setattr(gather, "_share_disk", lambda card, target: False)
    night(tmp_path / "CARD1" / "DCIM" / "100EVENC")
    photograph(tmp_path / "CARD2" / "DCIM" / "100EVENC" / "TH2_0001.jpg", serial="EC-000777")
    (tmp_path / "BACKUP").mkdir()
    evening = commands()
    assert [words[0] for words in evening] == ["gather", "prepare", "inspect", "captions", "check", "run"]
    assert len(evening) <= 8
    for words in evening:
        places = {"SHOOT", "FACTS", "OUT", "HALL.png"}
        given = [
            str(tmp_path / word) if word in places else str(ROOT / word) if word.startswith("recipes/") else
            word.replace("/media", str(tmp_path)) for word in words
        ]  # fmt: skip
        status, text = evencourt(*given)
        assert status == 0, (words, text)
        if words[0] == "prepare":  # what a person then does
            table = tmp_path / "FACTS" / "roster.csv"
            filled = table.read_text(encoding="utf-8-sig").replace("# home", "home")
            table.write_text(filled.replace("First and last name", "Ida Ask"), encoding="utf-8")
            table = tmp_path / "FACTS" / "frames.csv"
            filled = re.sub(r"(?m)^(TH1_0003[^,;]*)([,;])\2\2", r"\1\2\2\2home 7", table.read_text("utf-8-sig"))
            table.write_text(filled, encoding="utf-8")
        if words[0] == "captions":
            assert "persons   Ida Ask" in text
    assert (tmp_path / "HALL.png").is_file()  # and not in the checkout
    assert len(list((tmp_path / "OUT" / "web").iterdir())) == 5
