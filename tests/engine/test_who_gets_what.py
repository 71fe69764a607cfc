"""Who gets what, through the command: a folder for each player, and what becomes of it when consent changes."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from pipeline.formats.jpeg_segments import scan_digest
from tests.engine.test_run import evencourt, some_frames

RECIPE = """\
recipe: 1
steps:
  - white_balance: {method: reference_patch}
deliveries:
  web:
    - resize: {long_edge: 200}
    - caption:
    - save: {at_most: 150 KB}
  paper:
    - for: {rating: 3, total: 2}
    - resize: {long_edge: 200}
    - caption: {template: "For the paper."}
    - save: {at_most: 150 KB}
  family:
    - for: {each: player}
    - resize: {long_edge: 200}
    - caption:
    - save: {at_most: 150 KB}
    - deliver: {zip: true, page: true, push: "ADDRESS"}
"""
ROSTER = "team,number,name,publish\nhome,7,Ada Holm,ADA\nhome,4,Siv Berg,yes\naway,12,Zofia Kłosowska,yes\n"


class Night:
    """A shoot of six frames, its facts, and runs of it."""

    def __init__(self, folder: Path, source: Path) -> None:
        self.folder, self.out, self.roster = folder, folder / "out", ROSTER
        (folder / "club").mkdir()
        (folder / "facts").mkdir()
        self.names = some_frames(source, folder / "shoot", 8)[2:]
        recipe = RECIPE.replace("ADDRESS", (folder / "club" / "{delivery}").as_posix())
        (folder / "recipe.yaml").write_text(recipe, encoding="utf-8")
        self.rows = dict.fromkeys(self.names, "")

    def run(self, *options: object, ada: str = "yes", minors: bool = False) -> str:
        """Everything printed. ada  what the roster says under publish"""
        facts = self.folder / "facts"
        (facts / "roster.csv").write_text(self.roster.replace("ADA", ada), encoding="utf-8")
        rows = "".join(f"{name},3,{players}\n" for name, players in self.rows.items())
        (facts / "frames.csv").write_text("frame,rating,players\n" + rows, encoding="utf-8")
        event = (self.folder / "shoot" / "shoot.yaml").read_text(encoding="utf-8")
        lines = [line for line in event.splitlines() if not line.startswith("minors")]
        (facts / "shoot.yaml").write_text("\n".join([*lines, f"minors: {str(minors).lower()}"]), encoding="utf-8")
        arguments = ("run", self.folder / "recipe.yaml", self.folder / "shoot", "--facts", facts, "--out", self.out)
        status, text = evencourt(*arguments, "--workers", 1, *options)
        assert status == 0, text
        return text

    def files(self, below: str = "out") -> set[str]:
        """What stands in OUT or at the address, but for the record and the report."""
        top = self.folder / below
        found = {path.relative_to(top).as_posix() for path in top.rglob("*")}
        return {one for one in found if not one.startswith(".work") and "/" in one}

    def record(self) -> dict:
        return json.loads((self.out / "run.json").read_text(encoding="utf-8"))


@pytest.fixture
def night(small_shoot, tmp_path: Path) -> Night:
    return Night(tmp_path, small_shoot[0])


ADA, ZOFIA = "Harbour_Gulls_7_Ada_Holm", "Mill_Lane_Foxes_12_Zofia_Kłosowska"


def test_a_folder_for_each_player_made_of_the_pictures_that_are_there(night: Night) -> None:
    """First nobody is named; then the names come, and no pixel is rendered again."""
    text = night.run()
    assert "fill in players" in text and not any(one.startswith("family") for one in night.files())
    first, second, third = night.names[:3]
    night.rows |= {first: "home 7", second: "away 12; home 7", third: "away 12"}
    text = night.run()
    assert "nothing to render" in text and "in 2 folders" in text, text
    assert {one for one in night.files() if one.endswith(".jpg") and "small" not in one and "family" in one} == {
        f"family/{ADA}/{first}.jpg", f"family/{ADA}/{second}.jpg",
        f"family/{ZOFIA}/{second}.jpg", f"family/{ZOFIA}/{third}.jpg",
    }  # fmt: skip
    web, own = night.out / "web" / f"{second}.jpg", night.out / "family" / ADA / f"{second}.jpg"
    assert hashlib.sha256(web.read_bytes()).digest() == hashlib.sha256(own.read_bytes()).digest()
    assert len([one for one in night.files() if one.startswith("paper/")]) == 2
    assert {f"family/{ADA}/index.html", f"family/{ADA}/{ADA}.zip"} <= night.files()
    assert f"family/{ADA}/index.html" in night.files("club") and f"family/{ADA}/{first}.jpg" in night.files("club")
    page = (night.out / "family" / ADA / "index.html").read_text(encoding="utf-8")
    assert "Zofia Kłosowska" in page and "Siv Berg" not in page
    assert "12 Zofia Kłosowska" not in page  # nobody else is to be chosen in it
    status, text = evencourt("verify", night.out, "--render", 2)
    assert status == 0, text
    frame = night.record()["frames"][second]
    copied = frame["deliveries"]
    assert frame["rated"] == 3  # as its row says, beside what is suggested
    assert len(copied) >= 3  # web and two families
    assert len({str((one["light"], one["light_before"])) for one in copied.values()}) == 1 and copied["web"]["light"]


def test_one_render_serves_every_folder(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.steps import save

    encoded: list[int] = []
    encode = save.encode_jpeg
    monkeypatch.setattr(save, "encode_jpeg", lambda *arguments: encoded.append(1) or encode(*arguments))
    night.rows |= dict.fromkeys(night.names, "home 7; home 4; away 12")
    night.run()
    assert len([one for one in night.files() if one.startswith("family/") and one.endswith("jpg")]) == 2 * 3 * 6
    # Once a frame for web and three families, with the two of charts; the two of paper have another text.
    assert len([one for one in night.files() if one.startswith("paper/")]) == 2
    assert len(encoded) == 6 + 2 + 2


def test_a_withdrawn_player_leaves_no_picture_and_no_folder_of_that_name_anywhere(night: Night) -> None:
    first, second, third = night.names[:3]
    night.rows |= {first: "home 7", second: "away 12; home 7", third: "away 12"}
    night.run()
    (kept,) = [one for one in night.files("club") if one == f"family/{ADA}/{first}.jpg"]
    night.run(ada="no")
    for below in ("out", "club"):
        assert not any("Holm" in one for one in night.files(below)), below
        assert not any(name in one for one in night.files(below) for name in (first, second)), below
        assert any(ZOFIA in one and third in one for one in night.files(below)), below
    told = (night.out / "run.json").read_text(encoding="utf-8") + (night.out / "report.html").read_text("utf-8")
    assert "Holm" not in told
    assert kept not in night.files("club")
    status, text = evencourt("verify", night.out)
    assert status == 0, text


def test_minors_have_no_folder_each_and_what_was_there_goes(night: Night) -> None:
    night.rows |= {night.names[0]: "home 7", night.names[1]: "away 12"}
    night.run()
    text = night.run(minors=True)
    assert "minors: true, and a folder for each child" in text
    for below in ("out", "club"):
        assert not [one for one in night.files(below) if one.startswith("family/")], below
    assert len([one for one in night.files() if one.startswith("web/")]) == 6 + 2  # minors alone holds no frame


def test_each_has_its_own_words_around_the_same_pixels(night: Night) -> None:
    night.rows |= dict.fromkeys(night.names, "home 7")
    night.run()
    paper = [night.out / one for one in night.files() if one.startswith("paper/")]
    assert len(paper) == 2
    for path in paper:
        for other in (night.out / "web" / path.name, night.out / "family" / ADA / path.name):
            assert b"For the paper." in path.read_bytes() and b"For the paper." not in other.read_bytes()
            assert scan_digest(path.read_bytes()) == scan_digest(other.read_bytes())


def test_a_picture_whose_frame_is_gone_does_not_stay_under_a_withheld_name(night: Night) -> None:
    """With nobody left who may be named the delivery is not parted, and its folder is not that of the file."""
    night.rows |= {night.names[0]: "home 7"}
    night.run()
    (night.folder / "shoot" / f"{night.names[0]}.dng").unlink()
    del night.rows[night.names[0]]
    night.run(ada="no")
    assert not any("Holm" in one for one in night.files())


def test_a_file_of_somebody_elses_in_a_withdrawn_folder_is_named_and_kept(night: Night) -> None:
    night.rows |= {night.names[0]: "home 7", night.names[1]: "away 12"}
    night.run()
    own = night.out / "family" / ADA / "letter to the family.txt"
    own.write_text("Dear Holms", encoding="utf-8")
    text = night.run(ada="no")
    assert own.exists() and "the name of this folder holds a name that is withheld" in text
    assert [path.name for path in own.parent.iterdir()] == [own.name]
    assert "Holm" not in (night.out / "run.json").read_text(encoding="utf-8")


def test_the_folder_of_a_namesake_of_somebody_withheld_has_no_name(night: Night) -> None:
    """Two players of one name, of whom one must not be named: a folder with it would name both."""
    night.rows |= {night.names[0]: "home 7", night.names[1]: "away 12"}
    night.run()
    night.roster = ROSTER.replace("Siv Berg,yes", "Zofia Klosowska,no")
    night.run()
    assert not any("osowska" in one for one in night.files())
    assert any(one.startswith("family/Mill_Lane_Foxes_12/") for one in night.files())


def test_check_says_who_gets_what(night: Night) -> None:
    night.rows |= {night.names[0]: "home 7", night.names[1]: "away 12"}
    text = night.run("--dry-run")
    assert "family: 2 in 2 folders" in text and "paper: 2" in text
    written = (night.folder / "recipe.yaml").read_text(encoding="utf-8")
    (night.folder / "recipe.yaml").write_text(written.replace("each: player", "player: home 99"), encoding="utf-8")
    status, text = evencourt(
        "check", night.folder / "recipe.yaml", night.folder / "shoot", "--facts", night.folder / "facts"
    )
    assert status == 2 and "delivery family" in text and "home 99 is not in the roster" in text
