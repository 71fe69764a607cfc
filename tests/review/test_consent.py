"""Who must not be shown is out of the page at once, and out of the deliveries with the next run."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import PIL.Image
import pytest

from pipeline.review.consent_now import Search
from pipeline.shoot.consent import BESIDE
from pipeline.shoot.facts import Facts, Player
from tests.review.conftest import FRAMES, ROSTER, Tab, run
from tests.shoot.text_places import packet

Open = Callable[..., Tab]
NAME = "Ingrid Solbakken"


def test_a_withdrawal_takes_effect_at_once_and_the_next_run_takes_the_files_away(night: Path, tab: Open) -> None:
    one = tab()
    before = one.get("api/view")
    shown = {frame["name"]: frame for frame in before["frames"]}
    assert NAME in shown["TH1_0001"]["deliveries"]["web"]["caption"] and not shown["TH1_0001"]["held"]
    address = shown["TH1_0001"]["deliveries"]["web"]["after"]["large"]
    assert one.ask(address).status == 200
    told = one.post("api/consent", team="home", number="7", publish=False, ask=True)
    assert told == {"frames": ["TH1_0001", "TH1_0002"], "files": 4}
    assert (night / "facts" / "roster.csv").read_text(encoding="utf-8") == ROSTER  # it was only asked

    found = one.post("api/consent", team="home", number="7", publish=False)
    text = (night / "facts" / "roster.csv").read_text(encoding="utf-8")
    assert text == ROSTER.replace("Ingrid Solbakken,", "Ingrid Solbakken,no")
    assert {frame["name"] for frame in found["frames"]} == {"TH1_0001", "TH1_0002"}
    for frame in found["frames"]:
        assert frame["status"] == "held" and frame["consent"] and frame["stale"] and frame["deliveries"] == {}
        assert "publish: no" in frame["held"]
    everything = one.ask("").body.decode() + json.dumps(one.get("api/view"), ensure_ascii=False)
    assert NAME not in everything and "Solbakken" not in everything  # in frames that are held; the roster is apart
    assert one.ask(address).status == 404
    assert [p["publish"] for p in found["roster"]["players"] if p["number"] == "7"] == [False]
    assert one.post("api/caption", frame="TH1_0001", players=[["home", "7"]], words="jumps")["caption"] == ""

    assert (night / "out" / "web" / "TH1_0001.jpg").is_file()
    assert run(night)[0] == 0
    assert not list((night / "out").glob("*/TH1_0001*")) and not list((night / "out").glob("*/TH1_0002*"))
    assert NAME not in (night / "out" / "run.json").read_text(encoding="utf-8")
    after = one.get(f"api/since/{found['version']}")
    assert not any(frame["stale"] for frame in after["frames"]) and after["render"]["stale"] == 0

    back = one.post("api/consent", team="home", number="7", publish=True)
    assert {frame["name"] for frame in back["frames"]} == {"TH1_0001", "TH1_0002"}
    assert all(not frame["held"] and frame["stale"] for frame in back["frames"])


def test_undo_publishes_nobody(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)
    one.post("api/consent", team="home", number="7", publish=False)
    said = one.post("api/undo", expect=422)
    assert said["message"].startswith("home 7 was withdrawn, and undo publishes nobody")
    assert "Ingrid Solbakken,no" in (night / "facts" / "roster.csv").read_text(encoding="utf-8")
    assert one.post("api/undo")["undone"] == "TH1_0003, rating"  # it is passed over
    one.post("api/consent", team="home", number="4", publish=True)  # a slip: this one is taken back
    assert one.post("api/undo")["undone"] == "home 4, consent" and one.frame("TH1_0005")["held"]


def test_undo_lets_no_frame_of_a_withheld_player_go(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)
    seen = one.frame("TH1_0003")["wrote"]["players"]
    one.post("api/frame", frame="TH1_0003", field="players", value=[["home", "4"]], seen=seen)
    assert one.frame("TH1_0003")["held"]
    said = one.post("api/undo", expect=422)
    assert said["message"].startswith("TH1_0003 names a player who must not be published")
    assert one.frame("TH1_0003")["held"] and one.frame("TH1_0003")["wrote"]["players"] == [["home", "4"]]
    assert one.post("api/undo")["undone"] == "TH1_0003, rating"  # it is passed over
    # Somebody who may be published is taken off again.
    seen = one.frame("TH1_0004")["wrote"]["players"]
    one.post("api/frame", frame="TH1_0004", field="players", value=[["home", "7"]], seen=seen)
    assert one.post("api/undo")["undone"] == "TH1_0004, who is in it"


def test_undo_lets_no_frame_go_that_words_hold(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/frame", frame="TH1_0004", field="words", value="Tuva Rønning dives", seen="")
    assert one.frame("TH1_0004")["held"]
    said = one.post("api/undo", expect=422)
    assert said["message"].startswith("TH1_0004 names a player who must not be published")
    assert one.frame("TH1_0004")["held"] and one.post("api/undo")["undone"] == ""
    # A form of a name holds a frame while nobody is named in it: whom undo would name again would let it go.
    one.post("api/frame", frame="TH1_0003", field="words", value="Tuvaen dives", seen="")
    assert not one.frame("TH1_0003")["held"]
    one.post("api/frame", frame="TH1_0003", field="players", value=[], seen=[["away", "12"]])
    assert one.frame("TH1_0003")["held"]
    for _ in range(2):  # the players, and then the words
        one.post("api/undo", expect=422)
        assert one.frame("TH1_0003")["held"]
    one.post("api/frame", frame="TH1_0001", field="words", value="dives", seen="jumps to shoot")
    assert one.post("api/undo")["undone"] == "TH1_0001, words"


def test_a_frame_that_is_dropped_and_held_waits_for_nothing_once_it_is_out(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/frame", frame="TH1_0005", field="keep", value="no", seen="")
    assert one.frame("TH1_0005")["stale"]  # it was held, and is now for another reason too
    one.session.pending.rendered(len(one.session.log.changes))
    assert not one.frame("TH1_0005")["stale"] and one.get("api/render")["stale"] == 0


def test_words_with_a_withheld_name_are_not_shown_and_not_lost(night: Path, tab: Open) -> None:
    path = night / "facts" / "frames.csv"
    path.write_bytes(path.read_bytes().replace(b"TH1_0003;;;away 12;;", "TH1_0003;;;;Tuva Rønning dives;".encode()))
    one = tab()
    frame = one.frame("TH1_0003")
    assert frame["held"] and frame["wrote"]["words"] == "(name withheld) dives"
    said = one.post("api/frame", expect=422, frame="TH1_0003", field="words", value="(name withheld) falls",
                    seen=frame["wrote"]["words"])  # fmt: skip
    assert "write other words" in said["message"] and "Tuva Rønning dives" in path.read_text(encoding="utf-8-sig")
    theirs = one.post("api/frame", expect=409, frame="TH1_0003", field="words", value="falls", seen="what was there")
    assert "Tuva" not in json.dumps(theirs, ensure_ascii=False)
    found = one.post("api/frame", frame="TH1_0003", field="words", value="falls", seen=frame["wrote"]["words"])
    assert found["frames"][0]["held"] == "" and found["frames"][0]["wrote"]["words"] == "falls"
    back = one.post("api/undo")
    assert "Tuva Rønning dives" in path.read_text(encoding="utf-8-sig")
    assert "Tuva" not in json.dumps(back, ensure_ascii=False)


def test_frames_whose_own_texts_name_the_player_follow(night: Path, tab: Open) -> None:
    one = tab()
    path = night / "shoot" / "TH1_0006.jpg"
    with PIL.Image.open(path) as picture:
        exif = picture.getexif()
        exif[0x010E] = "Zofia Kłosowska saves"  # ImageDescription
        picture.save(path, exif=exif)
    version = one.post("api/consent", team="away", number="12", publish=False)["version"]
    found = changed_after(one, version)
    assert [frame["name"] for frame in found] == ["TH1_0006"] and "metadata" in found[0]["held"]


def test_copies_of_a_frame_that_is_named_follow(night: Path, tab: Open) -> None:
    shutil.copy(night / "shoot" / "TH1_0001.jpg", night / "shoot" / "TH1_0006.jpg")
    one = tab()
    named = {"frame": "TH1_0001", "field": "players"}
    version = one.post("api/frame", **named, value=[["home", "4"]], seen=[["home", "7"]])["version"]
    found = changed_after(one, version)
    assert [frame["name"] for frame in found] == ["TH1_0006"] and "same as that of TH1_0001" in found[0]["held"]
    assert found[0]["deliveries"] == {}
    version = one.post("api/frame", **named, value=[["home", "7"]], seen=[["home", "4"]])["version"]
    found = changed_after(one, version)
    assert [frame["name"] for frame in found] == ["TH1_0006"] and found[0]["held"] == ""
    version = one.get("api/since/0")["version"]
    path = night / "facts" / "frames.csv"  # by another program
    path.write_bytes(path.read_bytes().replace(b"TH1_0001;;3;home 7", b"TH1_0001;;3;home 4"))
    # The copy is of its burst: it is to be looked at at once, and held as soon as it is found.
    assert [frame["name"] for frame in changed_after(one, version)] == ["TH1_0001", "TH1_0006"]
    assert [frame["name"] for frame in changed_after(one, version + 1)] == ["TH1_0006"]


def test_what_a_copy_is_held_by_names_nobody(night: Path, tab: Open) -> None:
    """A frame whose file is called after a player who must not be shown has another name in what is shown."""
    shutil.copy(night / "shoot" / "TH1_0001.jpg", night / "shoot" / "Tuva R\u00f8nning 1.jpg")
    assert run(night)[0] == 0
    one = tab()
    view = json.dumps(one.get("api/view"), ensure_ascii=False)
    assert "same as that of frame-000" in one.frame("TH1_0001")["held"]
    assert "R\u00f8nning" not in view and "R\u00f8nning" not in one.ask("").body.decode()


def test_who_may_be_beside_somebody_who_is_withheld_is_told_at_once(night: Path, tab: Open) -> None:
    saved_again(night, "TH1_0006", "2026:02:14 19:30:00")  # in the burst of TH1_0001; nobody wrote who is in it
    one = tab()
    before = one.get("api/since/0")
    assert before["notices"] == [] and one.frame("TH1_0006")["doubts"] == []
    one.post("api/consent", team="home", number="7", publish=False)
    changed = changed_after(one, before["version"])
    assert [frame["doubts"] for frame in changed if frame["name"] == "TH1_0006"] == [[BESIDE]]
    assert one.frame("TH1_0003")["doubts"] == []
    assert f"TH1_0006: {BESIDE}" in one.get("api/since/0")["notices"] and BESIDE in one.ask("").body.decode()
    # Its words name her: it is held itself, and then nobody need look. Whoever is named in it need not be looked for.
    row = {"frame": "TH1_0006", "field": "words"}
    one.post("api/frame", **row, value="Ingrid Solbakken", seen="")
    assert one.frame("TH1_0006")["doubts"] == [] and one.get("api/since/0")["notices"] == []
    one.post("api/frame", **row, value="", seen="Ingrid Solbakken")
    assert one.frame("TH1_0006")["doubts"] == [BESIDE]
    one.post("api/frame", frame="TH1_0006", field="players", value=[["away", "12"]], seen=[])
    assert one.frame("TH1_0006")["doubts"] == [] and BESIDE not in one.ask("").body.decode()


def test_a_frame_that_is_named_is_told_of_beside_the_others_of_its_burst(night: Path, tab: Open) -> None:
    saved_again(night, "TH1_0006", "2026:02:14 19:30:00")
    one = tab()
    named = {"frame": "TH1_0001", "field": "players"}
    version = one.post("api/frame", **named, value=[["home", "4"]], seen=[["home", "7"]])["version"]
    told = {frame["name"]: frame["doubts"] for frame in one.get(f"api/since/{version - 1}")["frames"]}
    assert told.get("TH1_0006") == [BESIDE]
    version = one.post("api/frame", **named, value=[["home", "7"]], seen=[["home", "4"]])["version"]
    told = {frame["name"]: frame["doubts"] for frame in one.get(f"api/since/{version - 1}")["frames"]}
    assert told.get("TH1_0006") == [] and one.get("api/since/0")["notices"] == []


def test_what_copies_cannot_be_told_of_is_said_in_the_review(night: Path, tab: Open) -> None:
    """A held picture that shows nothing by which a copy could be found, and a picture without its time."""
    saved_again(night, "TH1_0006", "")
    PIL.Image.new("RGB", (180, 120), (90, 90, 90)).save(night / "shoot" / "TH1_0001.jpg")
    one = tab()
    assert one.get("api/since/0")["notices"] == []
    one.post("api/consent", team="home", number="7", publish=False)
    said: list[str] = []
    for _ in range(200):
        if said := one.get("api/since/0")["notices"]:
            break
        time.sleep(0.05)
    assert len(said) == 1 and said[0].startswith("TH1_0001 is held back, but its picture cannot be read, or shows too")
    assert "TH1_0006" in said[0]
    again = tab()  # what a review finds at its beginning is said too
    assert said[0] in again.get("api/since/0")["notices"]


def test_a_search_counts_only_for_the_names_that_it_was_for() -> None:
    roster = (Player("home", "7", NAME, False, 2),)
    search = Search({}, (), (), roster, "Vera Holt")
    assert search.is_for(Facts(roster=roster, creator="Vera Holt"))
    assert not search.is_for(Facts(roster=(), creator="Vera Holt"))
    assert not search.is_for(Facts(roster=roster, creator=NAME))  # whose name her camera's notes may have


def test_a_frame_held_until_somebody_says_who_is_in_it_goes_when_it_is_said(night: Path, tab: Open) -> None:
    """And not any more once that is taken back. Its sidecar may name the one who is withheld, mistyped."""
    text = packet("<dc:description>Tuva Ronnung jumps</dc:description>")
    (night / "shoot" / "TH1_0006.xmp").write_text(text, encoding="utf-8")
    saved_again(night, "TH1_0006", "2026:02:14 19:50:00")
    one = tab()
    assert "with a typing mistake or two" in one.frame("TH1_0006")["held"]
    for players, seen in (([["away", "12"]], []), ([], [["away", "12"]])):
        version = one.post("api/frame", frame="TH1_0006", field="players", value=players, seen=seen)["version"]
        changed_after(one, version)
        assert bool(one.frame("TH1_0006")["held"]) == (not players)


def saved_again(night: Path, name: str, time: str) -> None:
    """A frame with another time in its file, "" for none."""
    path = night / "shoot" / f"{name}.jpg"
    exif = PIL.Image.Exif()
    if time:
        exif.get_ifd(0x8769)[0x9003] = time
    with PIL.Image.open(path) as picture:
        picture.save(path, exif=exif)


def changed_after(one: Tab, version: int) -> list[dict]:
    """The frames that changed after a version, once some have."""
    for _ in range(200):
        if found := one.get(f"api/since/{version}")["frames"]:
            return found
        time.sleep(0.05)
    return []


def test_a_player_named_into_a_frame_who_must_not_be_shown_holds_it(night: Path, tab: Open) -> None:
    one = tab()
    found = one.post("api/frame", frame="TH1_0001", field="players", value=[["home", "4"]], seen=[["home", "7"]])
    assert found["frames"][0]["status"] == "held" and found["frames"][0]["deliveries"] == {}
    assert run(night)[0] == 0 and not list((night / "out").glob("*/TH1_0001*"))
    assert path_text(night) == FRAMES.replace("TH1_0001;;3;home 7", "TH1_0001;;3;home 4")


def path_text(night: Path) -> str:
    return (night / "facts" / "frames.csv").read_bytes().decode("utf-8-sig")


def test_what_another_roster_forbids_cannot_be_allowed_here(night: Path, tab: Open) -> None:
    (night / "shoot" / "roster.csv").write_text(ROSTER, encoding="utf-8")
    one = tab()
    said = one.post("api/consent", expect=422, team="home", number="4", publish=True)
    assert "which counts too" in said["message"]
    assert one.frame("TH1_0005")["held"]


def test_what_is_held_already_is_not_counted_for_another_player(night: Path, tab: Open) -> None:
    one = tab()
    seen = one.frame("TH1_0003")["wrote"]["players"]
    one.post("api/frame", frame="TH1_0003", field="players", value=[["home", "4"]], seen=seen)
    assert one.frame("TH1_0003")["held"] and (night / "out" / "web" / "TH1_0003.jpg").is_file()
    told = one.post("api/consent", team="home", number="7", publish=False, ask=True)
    assert told == {"frames": ["TH1_0001", "TH1_0002"], "files": 4}


def test_who_is_not_in_the_roster_is_not_found(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/consent", expect=404, team="home", number="99", publish=False)
    one.post("api/consent", expect=404, team="home", number="99", publish=False, ask=True)
    one.post("api/consent", expect=400, team="home", number=7, publish="no")
    assert (night / "facts" / "roster.csv").read_text(encoding="utf-8") == ROSTER


def test_a_roster_without_the_column_gets_it(night: Path, tab: Open) -> None:
    path = night / "facts" / "roster.csv"
    path.write_text(
        "team,number,name\nhome,7,Ingrid Solbakken\naway,12,Zofia Kłosowska\nhome,4,Tuva R\n", encoding="utf-8"
    )
    tab().post("api/consent", team="home", number="7", publish=False)
    assert path.read_text(encoding="utf-8") == (
        "team,number,name,publish\nhome,7,Ingrid Solbakken,no\naway,12,Zofia Kłosowska\nhome,4,Tuva R\n"
    )


def test_a_withdrawal_that_a_spreadsheet_saved_over_stops_the_render(night: Path, tab: Open) -> None:
    one = tab()
    one.post("api/consent", team="home", number="7", publish=False)
    one.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)
    (night / "facts" / "roster.csv").write_text(ROSTER, encoding="utf-8")  # it was open there
    (night / "facts" / "frames.csv").write_bytes(FRAMES.encode("utf-8-sig"))
    said = one.get("api/since/0")["notices"]
    assert any("saved over what was decided here" in text and "home 7, consent and 1 more" in text for text in said)
    for each in (one, tab()):  # also after a new start
        assert each.post("api/render", expect=422)["message"].startswith("home 7 was withdrawn here")
    one.post("api/consent", team="home", number="7", publish=True)  # so it was meant
    assert one.session._saved_over()[0].about == "TH1_0003" and len(one.session._saved_over()) == 1
    one.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)
    assert not any("saved over" in text for text in one.get("api/since/0")["notices"])
    one.post("api/consent", team="home", number="7", publish=False)
    assert one.session._saved_over() == []


def test_a_withheld_player_whom_a_spreadsheet_saved_over_stops_the_render(night: Path, tab: Open) -> None:
    """A frame that was held because of who is in it would go out."""
    one = tab()
    one.post("api/frame", frame="TH1_0003", field="players", value=[["home", "4"]], seen=[["away", "12"]])
    (night / "facts" / "frames.csv").write_bytes(FRAMES.encode("utf-8-sig"))  # it was open there
    for each in (one, tab()):  # also after a new start
        said = each.post("api/render", expect=422)["message"]
        assert said.startswith("TH1_0003 named a player who must not be published")
    one.post("api/frame", frame="TH1_0003", field="players", value=[["home", "4"]], seen=[["away", "12"]])
    assert one.session._saved_over() == []
    one.post("api/frame", frame="TH1_0003", field="players", value=[["away", "12"]], seen=[["home", "4"]])
    assert one.session._saved_over() == []  # so it was meant
    one.post("api/frame", frame="TH1_0006", field="words", value="Tuva Rønning saves", seen="")
    (night / "facts" / "frames.csv").write_bytes(FRAMES.encode("utf-8-sig"))
    assert tab().post("api/render", expect=422)["message"].startswith("TH1_0006 named a player")


def test_a_row_with_a_wrong_cell_shows_who_is_named_in_it_and_no_undo_frees_it(night: Path, tab: Open) -> None:
    """Written as if nobody stood there, the withheld player of the row would be lost with its first correction."""
    path = night / "facts" / "frames.csv"
    text = FRAMES.replace("TH1_0003;;;away 12;;", "TH1_0003;;9;home 4;dives;").replace("TH1_0004;no;", "TH1_0004;nope;")
    path.write_bytes(text.encode("utf-8-sig"))
    one = tab()
    frame = one.frame("TH1_0003")
    assert frame["held"] == "line 4 of frames.csv is wrong; correct it"
    assert (frame["wrote"]["players"], frame["wrote"]["words"]) == ([["home", "4"]], "dives")
    one.post("api/frame", frame="TH1_0003", field="rating", value=4, seen=None)
    assert one.frame("TH1_0003")["held"].startswith("shows a player")
    one.post("api/frame", frame="TH1_0004", field="keep", value="no", seen="")
    said = one.post("api/undo", expect=422)
    assert said["message"].startswith("TH1_0004, keep: the line had a wrong cell before")
    assert one.frame("TH1_0004")["wrote"]["keep"] == "no"


@pytest.mark.parametrize("file", ["frames.csv", "roster.csv"])
def test_nothing_is_rendered_while_a_table_is_gone_that_withheld_somebody(night: Path, tab: Open, file: str) -> None:
    """A folder that is synchronised, or a slip of the mouse: a new table without its rows would deliver the child."""
    one = tab()
    path = night / "facts" / file
    data = path.read_bytes()
    path.unlink()
    assert any("was here and is gone" in text for text in one.get("api/since/0")["notices"])
    assert "was here and is gone" in one.post("api/render", expect=422)["message"]
    if file == "frames.csv":
        said = one.post("api/frame", expect=422, frame="TH1_0003", field="rating", value=1, seen=None)
        assert "put it back first" in said["message"] and not path.exists()
    path.write_bytes(data)
    assert one.get("api/since/0")["notices"] == [] and one.frame("TH1_0005")["held"]
    one.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)


def test_the_page_counts_what_wrong_lines_hold_as_the_run_does(night: Path, tab: Open) -> None:
    """A line of the roster holds the frames of its player, one of frames.csv its own: both until it is corrected."""
    roster, frames = night / "facts" / "roster.csv", night / "facts" / "frames.csv"
    answers = ROSTER.replace("Solbakken,", "Solbakken,perhaps").replace("Kłosowska,", "Kłosowska,yes")
    roster.write_text(answers, encoding="utf-8")
    frames.write_text(FRAMES.replace("TH1_0003;;;", "TH1_0003;;11;"), encoding="utf-8")
    page = tab().ask("").body.decode()
    said = "held back (1 for consent, 3 for a wrong line in a table, 1 for keep: no)"
    assert said in page
    assert said in run(night)[1]
