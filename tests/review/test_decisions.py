"""What a person decides is written into the facts at once, as a person would have; nobody's changes are lost."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.review.changes import ChangeLog
from pipeline.shoot.frame_names import FrameIndex
from pipeline.shoot.read_facts import load_facts
from pipeline.types import Frame
from tests.review.conftest import ALL, EVENT, FRAMES, NAMES, ODD, ROSTER, Tab, run

Open = Callable[..., Tab]


def table(night: Path) -> dict[str, dict[str, str]]:
    text = (night / "facts" / "frames.csv").read_bytes().decode("utf-8-sig")
    return {row["frame"]: row for row in csv.DictReader(io.StringIO(text, newline=""), delimiter=";")}


DECISIONS = [
    ("keep", "no", "", "no"),
    ("keep", "always", "", "always"),
    ("rating", 5, 3, "5"),
    ("rating", -1, 3, "-1"),
    ("players", [["away", "12"], ["home", "7"]], [["home", "7"]], "away 12; home 7"),
    ("players", [], [["home", "7"]], ""),
    ("words", "dives, low", "jumps to shoot", "dives, low"),
    ("crop", [0.1, 0.2, 0.5000049, 1], None, "0.1 0.2 0.5 1"),
]


@pytest.mark.parametrize(("field", "value", "seen", "cell"), DECISIONS, ids=str)
def test_a_decision_is_one_cell(night: Path, tab: Open, field: str, value: object, seen: object, cell: str) -> None:
    one = tab()
    found = one.post("api/frame", frame="TH1_0001", field=field, value=value, seen=seen)
    assert [frame["name"] for frame in found["frames"]] == ["TH1_0001"] and found["frames"][0]["stale"]
    first = FRAMES.split("\r\n")[1].split(";")
    first[FRAMES.split("\r\n")[0].split(";").index(field)] = f'"{cell}"' if ";" in cell else cell
    lines = FRAMES.split("\r\n")
    assert (night / "facts" / "frames.csv").read_bytes() == "\r\n".join([lines[0], ";".join(first), *lines[2:]]).encode(
        "utf-8-sig"
    )
    again = tab()  # the laptop was closed
    assert again.frame("TH1_0001")["wrote"] == found["frames"][0]["wrote"] and again.frame("TH1_0001")["stale"]
    undone = again.post("api/undo")
    assert undone["undone"] and (night / "facts" / "frames.csv").read_bytes() == FRAMES.encode("utf-8-sig")
    assert not undone["frames"][0]["stale"] and undone["undo"] == ""
    assert again.post("api/undo")["undone"] == ""


def test_a_frame_without_a_row_gets_one_and_a_delivery_a_column(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/frame", frame="TH1_0006", field="crop", delivery="web", value=[0, 0, 0.5, 0.5], seen=None)
    rows = table(night)
    assert rows["TH1_0006"]["file"] == "TH1_0006.jpg" and rows["TH1_0006"]["crop web"] == "0 0 0.5 0.5"
    assert one.frame("TH1_0006")["wrote"]["crops"] == {"web": [0, 0, 0.5, 0.5]}
    assert list(rows) == NAMES
    one.post("api/frame", expect=422, frame="TH1_0006", field="crop", delivery="paper", value=None, seen=None)


def test_the_first_decision_begins_a_table_of_all_frames(night: Path, tab: Open) -> None:
    (night / "facts" / "frames.csv").unlink()
    tab().post("api/frame", frame="TH1_0002", field="rating", value=4, seen=None)
    text = (night / "facts" / "frames.csv").read_bytes().decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["frame"].removesuffix(".jpg") for row in rows] == ALL
    assert [row["rating"] for row in rows] == ["", "4", "", "", "", "", ""]


@pytest.mark.parametrize(
    ("field", "value", "status"),
    [
        ("keep", "maybe", 422), ("keep", True, 422), ("rating", 6, 422), ("rating", True, 422), ("rating", "3", 422),
        ("players", [["home", "99"]], 422), ("players", [["guest", "7"]], 422), ("players", "home 7", 422),
        ("players", [["home", "7"], ["home", "7"]], 422), ("words", "x" * 2001, 422), ("words", 7, 422),
        ("crop", [0, 0, 1], 422), ("crop", [0.5, 0, 0.4, 1], 422), ("crop", [0, 0, 1, 1.1], 422),
        ("crop", ["a", 0, 1, 1], 422), ("frame", "x", 400), ("file", "x", 400),
    ],
)  # fmt: skip
def test_what_is_no_value_changes_nothing(night: Path, tab: Open, field: str, value: object, status: int) -> None:
    one = tab()
    seen = one.frame("TH1_0006")["wrote"].get(field)
    said = one.post("api/frame", expect=status, frame="TH1_0006", field=field, value=value, seen=seen)
    assert said["message"]
    assert (night / "facts" / "frames.csv").read_bytes() == FRAMES.encode("utf-8-sig")
    assert one.post("api/undo")["undone"] == ""


def test_two_tabs_change_two_cells_and_both_stay(night: Path, tab: Open) -> None:
    one = tab()
    began = one.get("api/view")["version"]
    one.post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)
    one.post("api/frame", frame="TH1_0001", field="words", value="falls", seen="jumps to shoot")
    assert table(night)["TH1_0001"] | {"rating": "1", "words": "falls"} == table(night)["TH1_0001"]
    told = one.get(f"api/since/{began}")
    assert [frame["name"] for frame in told["frames"]] == ["TH1_0001"] and told["version"] > began
    assert one.get(f"api/since/{told['version']}")["frames"] == []


def test_two_tabs_with_one_cell_are_told(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)
    said = one.post("api/frame", expect=409, frame="TH1_0001", field="rating", value=5, seen=3)
    assert said["theirs"] == 1 and said["frames"][0]["wrote"]["rating"] == 1 and said["version"]
    assert table(night)["TH1_0001"]["rating"] == "1"
    one.post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)  # both want the same
    one.post("api/frame", frame="TH1_0001", field="rating", value=5, seen=1)
    assert table(night)["TH1_0001"]["rating"] == "5"


def test_what_a_spreadsheet_saves_meanwhile_is_kept_cell_by_cell(night: Path, tab: Open) -> None:
    one = tab()
    began = one.get("api/view")["version"]
    path = night / "facts" / "frames.csv"
    path.write_bytes(
        path.read_bytes().replace(b"jumps to shoot", b"typed elsewhere").replace(b"TH1_0003;;", b"TH1_0003;no;")
    )
    one.post("api/frame", frame="TH1_0001", field="rating", value=2, seen=3)
    rows = table(night)
    assert (rows["TH1_0001"]["words"], rows["TH1_0001"]["rating"], rows["TH1_0003"]["keep"]) == (
        "typed elsewhere",
        "2",
        "no",
    )
    told = {frame["name"]: frame for frame in one.get(f"api/since/{began}")["frames"]}
    assert set(told) == {"TH1_0001", "TH1_0003"} and all(frame["stale"] for frame in told.values())
    said = one.post("api/frame", expect=409, frame="TH1_0001", field="words", value="mine", seen="jumps to shoot")
    assert said["theirs"] == "typed elsewhere"


def test_undo_leaves_what_was_changed_by_hand_since(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)
    one.post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)
    path = night / "facts" / "frames.csv"
    path.write_bytes(path.read_bytes().replace(b"TH1_0001;;1;", b"TH1_0001;;4;"))
    assert "was changed in the file since" in one.post("api/undo", expect=422)["message"]
    assert one.post("api/undo")["frames"][0]["name"] == "TH1_0003"
    assert (table(night)["TH1_0001"]["rating"], table(night)["TH1_0003"]["rating"]) == ("4", "")


def test_a_row_with_a_wrong_cell_can_be_put_right(night: Path, tab: Open) -> None:
    path = night / "facts" / "frames.csv"
    path.write_bytes(path.read_bytes().replace(b"TH1_0001;;3;", b"TH1_0001;;33;"))
    one = tab()
    assert "line 2" in one.frame("TH1_0001")["held"]
    assert any("33 is not a rating" in text for text in one.get("api/since/0")["notices"])
    found = one.post("api/frame", frame="TH1_0001", field="rating", value=3, seen=None)
    assert found["frames"][0]["held"] == "" and path.read_bytes() == FRAMES.encode("utf-8-sig")


def test_a_facts_file_that_is_damaged_is_said_and_left(night: Path, tab: Open) -> None:
    one = tab()
    path = night / "facts" / "frames.csv"
    path.write_bytes(b'frame;words\r\n"TH1_0001;x\r\n')
    said = one.post("api/frame", expect=422, frame="TH1_0001", field="rating", value=1, seen=None)
    assert "quotes do not pair up" in said["message"]
    assert path.read_bytes() == b'frame;words\r\n"TH1_0001;x\r\n'


HOSTILE = [
    "<script>alert(1)</script>", '=HYPERLINK("http://x")', "-1+1", '";no;5;', "a\r\nTH1_0002;no", "\x00\x1b[2J",
    "{{ 7*7 }}", "\u202eabc",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_words_are_words(night: Path, tab: Open, text: str) -> None:
    one = tab()
    found = one.post("api/frame", frame="TH1_0001", field="words", value=text, seen="jumps to shoot")
    kept = " ".join("".join(c for c in text if c.isprintable() or c.isspace() or c == "\u202e").split())
    assert found["frames"][0]["wrote"]["words"] == kept
    rows = table(night)
    assert (
        list(rows) == NAMES[:5]
        and rows["TH1_0002"]["keep"] == ""
        and rows["TH1_0001"]["words"].removeprefix("'") == kept
    )
    assert not rows["TH1_0001"]["words"].startswith(("=", "+", "@")) and (
        kept[0] != "-" or rows["TH1_0001"]["words"][0] == "'"
    )
    assert b"<script>alert" not in one.ask("").body
    caption = one.post("api/caption", frame="TH1_0001", players=[["home", "7"]], words=text)["caption"]
    assert "49" not in caption


def test_the_caption_is_the_one_that_the_run_will_write(night: Path, tab: Open) -> None:
    one = tab()
    shown = one.post(
        "api/caption", frame="TH1_0003", players=[["home", "7"], ["away", "12"]], words="fight for the ball"
    )
    assert "Ingrid Solbakken" in shown["caption"] and shown["problems"] == [] and shown["delivery"] == "web"
    one.post(
        "api/frame", frame="TH1_0003", field="players", value=[["home", "7"], ["away", "12"]], seen=[["away", "12"]]
    )
    one.post("api/frame", frame="TH1_0003", field="words", value="fight for the ball", seen="")
    assert run(night)[0] == 0
    record = json.loads((night / "out" / "run.json").read_text(encoding="utf-8"))
    assert record["frames"]["TH1_0003"]["deliveries"]["web"]["caption"] == shown["caption"]
    wrong = one.post("api/caption", frame="TH1_0003", players=[["home", "55"]], words="")
    assert "home 55 is not in the roster" in wrong["problems"][0]


def test_a_reference_goes_into_shoot_yaml_beside_the_comments(night: Path, tab: Open) -> None:
    one = tab()
    found = one.post("api/reference", frame="TH1_0002", patch=[0.1, 0.1, 0.2, 0.3], end="left <b>")
    path = night / "facts" / "shoot.yaml"
    line = '  - {frame: TH1_0002, patch: [0.1, 0.1, 0.2, 0.3], end: "left <b>"}\n'
    assert path.read_text(encoding="utf-8") == EVENT.replace("# none yet\n", "# none yet\n" + line)
    assert found["roster"]["references"] == [
        {"frame": "TH1_0002", "patch": [0.1, 0.1, 0.2, 0.3], "chart": None, "end": "left <b>"}
    ]
    assert found["frames"][0]["stale"]
    one.post("api/reference", frame="TH1_0002", chart="auto", end="right")
    assert "{frame: TH1_0002, chart: auto, end: right}" in path.read_text(encoding="utf-8")
    for body in ({"patch": [0, 0, 0, 0]}, {"chart": "x"}, {"patch": "x"}, {"chart": [[0, 0]]}):
        one.post("api/reference", expect=422, frame="TH1_0001", **body)
    one.post("api/undo")
    assert line in path.read_text(encoding="utf-8")
    one.post("api/reference", frame="TH1_0002")
    assert path.read_text(encoding="utf-8") == EVENT
    one.post("api/undo")
    one.post("api/undo")
    assert path.read_text(encoding="utf-8") == EVENT


def test_a_link_is_followed_and_stays_and_so_do_permissions(night: Path, tab: Open) -> None:
    path, there = night / "facts" / "frames.csv", night / "elsewhere.csv"
    path.rename(there)
    path.symlink_to(there)
    there.chmod(0o640)
    tab().post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)
    assert path.is_symlink() and b";1;home 7" in there.read_bytes() and there.stat().st_mode & 0o777 == 0o640
    assert list((night / "facts").glob(".evencourt*")) == list(night.glob(".evencourt*")) == []


def test_an_open_spreadsheet_is_said(night: Path, tab: Open) -> None:
    one = tab()
    assert one.get("api/since/0")["notices"] == []
    (night / "facts" / ".~lock.frames.csv#").write_text("somebody")
    assert "frames.csv seems to be open in a spreadsheet" in one.get("api/since/0")["notices"][0]


def test_roster_stays_untouched_by_decisions_of_frames(night: Path, tab: Open) -> None:
    tab().post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)
    assert (night / "facts" / "roster.csv").read_text(encoding="utf-8") == ROSTER


def test_a_frame_with_an_odd_name_is_a_frame(night: Path, tab: Open) -> None:
    one = tab()
    frame = one.frame(ODD)
    for address in (*frame["before"].values(), *(file["after"]["large"] for file in frame["deliveries"].values())):
        assert one.ask(address).status == 200
    assert b"<b onload" not in one.ask("").body
    one.post("api/frame", frame=ODD, field="words", value="=1+1;2", seen="")
    one.post("api/reference", frame=ODD, chart="auto")
    assert "2 frames" not in str(one.get("api/since/0")["notices"])
    again = tab()
    assert again.frame(ODD)["wrote"]["words"] == "=1+1;2"
    assert [one["frame"] for one in again.get("api/roster")["references"]] == [ODD]
    assert again.post("api/caption", frame=ODD, players=[["home", "7"]], words="<i>x")["caption"]


def test_what_no_frame_is_called_is_not_found(tab: Open) -> None:
    one = tab()
    for name in ("../TH1_0001", "TH1_0001/../../x", "TH9", "", "/etc/passwd"):
        assert one.post("api/frame", expect=404, frame=name, field="rating", value=1, seen=None)["message"]


def test_what_is_known_after_a_cell_is_what_reading_all_again_says(
    night: Path, tab: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The table is not read again for each cell: a run reads it."""
    one = tab()
    chance = random.Random(3)
    values = {
        "keep": ["", "no", "always"], "rating": [None, -1, 0, 5], "words": ["", "dives; low", "=1", "Tuva Rønning"],
        "players": [[], [["home", "7"]], [["home", "4"], ["away", "12"]]], "crop": [None, [0, 0, 0.5, 1]],
    }  # fmt: skip
    for _ in range(60):
        name, field = chance.choice(NAMES), chance.choice(list(values))
        delivery = chance.choice([None, "web", "phone"]) if field == "crop" else None
        facts = one.session.facts
        seen = facts.value(field, name, delivery)  # type: ignore[arg-type]
        shown = one.session.frame_json(name)["wrote"]["words"] if field == "words" else seen  # type: ignore
        one.session.decide(name, field, delivery, chance.choice(values[field]), shown)  # type: ignore[arg-type]
        again, problems, _ = load_facts(night / "shoot", night / "facts", one.session.shoot.index)
        assert problems == [] and dict(again.rows) == dict(facts.facts.rows)
        assert (again.unnamed, again.unclear) == (facts.facts.unnamed, facts.facts.unclear)
    monkeypatch.setattr(type(one.session), "_frees", lambda self, last: False)  # all of them, to the beginning
    while one.post("api/undo")["undone"]:
        pass
    began = {row["frame"]: row for row in csv.DictReader(io.StringIO(FRAMES, newline=""), delimiter=";")}
    for name, row in table(night).items():
        before = began.get(name, {})
        assert {column: text for column, text in row.items() if text and column not in ("file", "frame")} == {
            column: text for column, text in before.items() if text and column not in ("file", "frame")
        }


def test_a_file_that_is_saved_in_the_very_moment_is_read_again(
    night: Path, tab: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = tab()
    path, real = night / "facts" / "frames.csv", one.session.files.write
    saved: list[int] = []

    def write(kind: str, before: bytes | None, after: bytes) -> Path:
        if not saved:
            saved.append(1)
            path.write_bytes(path.read_bytes().replace(b"TH1_0003;;", b"TH1_0003;no;"))
        return real(kind, before, after)  # type: ignore[arg-type]

    monkeypatch.setattr(one.session.files, "write", write)
    one.post("api/frame", frame="TH1_0001", field="rating", value=5, seen=3)
    assert (table(night)["TH1_0001"]["rating"], table(night)["TH1_0003"]["keep"]) == ("5", "no")
    assert len(one.session.log.changes) == 1


def test_what_a_killed_program_had_not_written_is_passed_over(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)
    one.session.log.add("rating", "TH1_0001", None, 3, 5)  # killed before the table was written
    again = tab()
    assert not again.frame("TH1_0001")["stale"]
    assert again.post("api/undo")["undone"] == "TH1_0003, rating"
    assert (night / "facts" / "frames.csv").read_bytes() == FRAMES.encode("utf-8-sig")


def test_a_disk_that_refuses_loses_nothing(night: Path, tab: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    one = tab()

    def refuse(*given: object, **more: object) -> None:
        raise OSError(28, "No space left on device", "x")

    monkeypatch.setattr("pipeline.review.facts_files.whole_file", refuse)
    said = one.post("api/frame", expect=422, frame="TH1_0001", field="rating", value=5, seen=3)
    assert "No space left" in said["message"]
    monkeypatch.undo()
    assert (night / "facts" / "frames.csv").read_bytes() == FRAMES.encode("utf-8-sig")
    assert one.post("api/undo")["undone"] == "" and one.frame("TH1_0001")["wrote"]["rating"] == 3
    one.post("api/frame", frame="TH1_0001", field="rating", value=5, seen=3)


def test_two_reviews_of_one_night_share_their_changes(night: Path, tab: Open) -> None:
    one, other = tab(), tab()  # two servers
    one.post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)
    other.post("api/frame", frame="TH1_0002", field="rating", value=2, seen=None)
    one.post("api/frame", frame="TH1_0003", field="rating", value=3, seen=None)
    assert [c.about for c in ChangeLog(one.session.store).changes] == ["TH1_0001", "TH1_0002", "TH1_0003"]
    assert [row["rating"] for row in table(night).values()][:3] == ["1", "2", "3"]
    for about in ("TH1_0003", "TH1_0002", "TH1_0001"):
        assert other.post("api/undo")["undone"] == f"{about}, rating"
    assert (night / "facts" / "frames.csv").read_bytes() == FRAMES.encode("utf-8-sig")
    assert one.get("api/since/0")["undo"] == ""


def test_a_new_row_has_a_name_that_a_spreadsheet_leaves(night: Path, tab: Open) -> None:
    """0012 would come back as 12, and MAR0012 as a month."""
    one = tab()
    facts = one.session.facts
    for name, called in (
        ("0012", "0012.NEF"),
        ("MAR0012", "MAR0012.NEF"),
        ("TH1_0012", "TH1_0012"),
        ("12.5", "12.5.NEF"),
    ):
        frame = Frame(name, Path(f"{name}.NEF"), f"{name}.NEF", "raw")
        facts.shoot = dataclasses.replace(one.session.shoot, index=FrameIndex([frame]))
        assert facts._called(frame) == called
    facts.shoot = one.session.shoot
