"""The shoot folder is never written: facts that are beside the frames are copied out of it, once a folder is named."""

from __future__ import annotations

import hashlib
import shlex
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.cli.review import open_session
from pipeline.errors import InputError
from pipeline.review import open_reviews
from pipeline.review.facts_files import command, free_folder
from pipeline.store.source import Source
from pipeline.store.store import Store
from tests.review.conftest import ALL, EVENT, FRAMES, ROSTER, Tab, open_tab, run

Open = Callable[..., Tab]


def digests(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*")
        if p.is_file()
    }


@pytest.fixture
def beside(night: Path) -> Path:
    """A night whose facts are beside the frames, as the run was given none."""
    for path in (night / "facts").iterdir():
        path.rename(night / "shoot" / path.name)
    (night / "facts").rmdir()
    Store(night / "out").keep_source(Source.of(night / "shoot", None, None, night / "night.yaml"))
    return night


def test_nothing_is_written_beside_the_frames_and_it_says_what_to_do(beside: Path, tab: Open) -> None:
    before = digests(beside / "shoot")
    one = tab()
    said = one.get("api/roster")["writable"]  # the very command, with a folder that is free
    assert said.endswith(f"\nevencourt review {beside / 'out'} --facts {beside / 'facts'}") and "Ctrl-C" in said
    assert any("nothing is ever written" in text for text in one.get("api/since/0")["notices"])
    for field, value, seen in (("rating", 1, 3), ("words", "x", "jumps to shoot")):
        said = one.post("api/frame", expect=422, frame="TH1_0001", field=field, value=value, seen=seen)
        assert "--facts " in said["message"]
    assert "--facts" in one.post("api/consent", expect=422, team="home", number="7", publish=False)["message"]
    assert "--facts" in one.post("api/reference", expect=422, frame="TH1_0001", chart="auto")["message"]
    assert digests(beside / "shoot") == before
    assert one.frame("TH1_0001")["wrote"]["words"] == "jumps to shoot" and one.post("api/undo")["undone"] == ""


def test_a_folder_gets_copies_which_count_from_then_on(beside: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = digests(beside / "shoot")
    facts = beside / "new" / "facts"
    one = open_tab(beside, facts)
    assert "copied into" in capsys.readouterr().err
    assert {path.name for path in facts.iterdir()} == {"shoot.yaml", "roster.csv", "frames.csv"}
    one.post("api/consent", team="home", number="7", publish=False)
    one.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)
    one.post("api/reference", frame="TH1_0003", patch=[0, 0, 0.5, 0.5])
    one.server.stop()
    assert digests(beside / "shoot") == before
    assert (facts / "roster.csv").read_text(encoding="utf-8") == ROSTER.replace("Solbakken,", "Solbakken,no")

    again = open_tab(beside)  # without naming it again
    assert again.frame("TH1_0003")["wrote"]["rating"] == 1 and again.frame("TH1_0001")["held"]
    again.server.stop()
    status, text = run(beside, facts=None)  # as the night was run: the player would be published again
    assert status == 2 and f"add --facts {facts}" in text
    assert (beside / "out" / "web" / "TH1_0001.jpg").exists()
    assert run(beside, facts="new/facts")[0] == 0
    assert not (beside / "out" / "web" / "TH1_0001.jpg").exists()
    assert run(beside, facts=None)[0] == 2  # still
    assert run(beside, facts="shoot")[0] == 0  # said in so many words


def test_the_command_that_it_says_works_also_where_the_run_was_given_the_shoot_itself(beside: Path, tab: Open) -> None:
    source = Source.of(beside / "shoot", beside / "shoot", None, beside / "night.yaml")
    Store(beside / "out").keep_source(source)
    said = shlex.split(tab().get("api/roster")["writable"].splitlines()[-1])
    assert said[:4] == ["evencourt", "review", str(beside / "out"), "--facts"]
    again = tab(Path(said[4]))
    again.post("api/frame", frame="TH1_0003", field="rating", value=1, seen=None)
    assert (beside / "facts" / "frames.csv").exists()


@pytest.mark.parametrize(("answer", "folder"), [(True, "facts"), (False, "the shoot folder")])
def test_a_person_at_the_keyboard_is_asked(
    beside: Path, monkeypatch: pytest.MonkeyPatch, answer: bool, folder: str
) -> None:
    """One key, and the review can decide: a folder beside OUT that is not there yet."""
    asked: list[str] = []
    before = digests(beside / "shoot")
    for stream in ("stdin", "stderr"):
        monkeypatch.setattr(f"sys.{stream}.isatty", lambda: True, raising=False)
    monkeypatch.setattr("typer.confirm", lambda text, **how: [asked.append(text), answer][1])
    session, where = open_session(beside / "out", None, None, None, 1)
    session.close()
    assert asked == [f"Copy them to {beside / 'facts'} and decide there?"]
    assert where.endswith(folder) and (beside / "facts" / "roster.csv").exists() == answer
    assert (session.files.why_not() == "") == answer and digests(beside / "shoot") == before


def test_the_free_folder_is_none_that_is_there(beside: Path) -> None:
    (beside / "facts").mkdir()
    assert free_folder(beside / "out", beside / "shoot") == beside / "out-facts"
    assert free_folder(beside / "shoot" / "out", beside / "shoot") == beside / "out-facts"
    assert shlex.split(command(beside / "it's out", beside / "shoot"))[2] == str(beside / "it's out")


def test_a_decision_is_flushed_with_its_name(night: Path, tab: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a rename the folder holds the new file only in memory: a power cut would bring back the old one."""
    flushed: list[tuple[Path, bool]] = []

    def noted(folder: Path) -> None:
        flushed.append((folder, "nowhere else" in (night / "facts" / "frames.csv").read_text(encoding="utf-8-sig")))

    monkeypatch.setattr("pipeline.review.facts_files.flush_folder", noted)
    one = tab()
    one.post("api/frame", frame="TH1_0001", field="words", value="nowhere else", seen="jumps to shoot")
    assert flushed == [(night / "facts", True)]


@pytest.mark.parametrize("system", ["this", "without flock"])
def test_two_reviews_know_of_each_other(
    night: Path, tab: Open, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, system: str
) -> None:
    if system != "this":  # as on Windows, where the locks of the library are all there is
        monkeypatch.setattr("pipeline.store.disk.fcntl", None)
    first = tab()
    assert not any("another review" in text for text in first.get("api/since/0")["notices"])
    second = tab()
    assert "another review of these pictures is open" in " ".join(capsys.readouterr().err.split())
    for one in (first, second):
        assert open_reviews.SAID in one.get("api/since/0")["notices"]
    second.server.stop()
    assert not any("another review" in text for text in first.get("api/since/0")["notices"])
    first.server.stop()
    assert not list((night / "out" / ".work" / "review").glob("open-*"))


def test_a_folder_is_not_begun_while_a_run_is_on(beside: Path) -> None:
    with Store(beside / "out").locked(), pytest.raises(InputError, match="when it has ended"):
        open_session(beside / "out", None, beside / "facts", None, 1)
    assert not (beside / "facts").exists()


def test_a_link_in_the_place_of_our_own_folder_is_refused(night: Path) -> None:
    (night / "out" / ".work" / "review").symlink_to(night / "shoot")
    with pytest.raises(InputError, match="is a link"):
        open_session(night / "out", None, None, None, 1)


def test_files_that_are_there_already_stay_and_others_come_beside_them(beside: Path) -> None:
    facts = beside / "facts"
    facts.mkdir()
    mine = ROSTER.replace("Ingrid Solbakken,", "Ingrid Solbakken,yes")
    (facts / "roster.csv").write_text(mine, encoding="utf-8")
    one = open_tab(beside, facts)
    one.server.stop()
    assert (facts / "roster.csv").read_text(encoding="utf-8") == mine
    assert (facts / "shoot.yaml").read_text(encoding="utf-8") == EVENT
    assert (facts / "frames.csv").read_bytes() == FRAMES.encode("utf-8-sig")


def test_a_shoot_without_any_facts_gets_a_table(beside: Path) -> None:
    for name in ("shoot.yaml", "roster.csv", "frames.csv"):
        (beside / "shoot" / name).unlink()
    one = open_tab(beside, beside / "facts")
    assert [path.name for path in (beside / "facts").iterdir()] == ["frames.csv"]
    one.post("api/frame", frame="TH1_0001", field="words", value="jumps", seen="")
    one.post("api/reference", frame="TH1_0001", chart="auto", end="left")
    one.server.stop()
    assert (beside / "facts" / "shoot.yaml").read_text(encoding="utf-8") == (
        "references:\n  - {frame: TH1_0001, chart: auto, end: left}\n"
    )
    assert len((beside / "facts" / "frames.csv").read_text(encoding="utf-8-sig").splitlines()) == len(ALL) + 1


def test_a_table_that_is_only_beside_the_frames_is_copied_by_the_first_change(night: Path, tab: Open) -> None:
    (night / "facts" / "frames.csv").rename(night / "shoot" / "frames.csv")
    before = digests(night / "shoot")
    tab().post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)
    assert digests(night / "shoot") == before
    assert (night / "facts" / "frames.csv").read_bytes() == FRAMES.replace("0001;;3", "0001;;1").encode("utf-8-sig")


def test_a_link_into_the_shoot_is_not_written_through(night: Path, tab: Open) -> None:
    (night / "facts" / "frames.csv").rename(night / "shoot" / "table.csv")
    (night / "facts" / "frames.csv").symlink_to(night / "shoot" / "table.csv")
    before = digests(night / "shoot")
    tab().post("api/frame", frame="TH1_0001", field="rating", value=1, seen=3)
    assert digests(night / "shoot") == before
    assert not (night / "facts" / "frames.csv").is_symlink()  # a copy took the place of the link


@pytest.mark.parametrize("place", ["shoot", "shoot/facts", "out", "out/.work/facts"])
def test_a_folder_that_is_no_place_for_facts_is_refused(beside: Path, place: str) -> None:
    before = digests(beside / "shoot")
    with pytest.raises(InputError, match="choose another --facts"):
        open_session(beside / "out", None, beside / place, None, 1)
    assert digests(beside / "shoot") == before


def test_what_is_not_there_any_more_is_said(night: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"holds no run\.json"):
        open_session(tmp_path, None, None, None, 1)
    (night / "night.yaml").unlink()
    session, _ = open_session(night / "out", None, None, None, 1)  # the recipe as the run kept it
    assert session.roster()["deliveries"]
    (night / "facts").rename(night / "moved")
    with pytest.raises(InputError, match="say where they are now with --facts"):
        open_session(night / "out", None, None, None, 1)
    assert open_session(night / "out", None, night / "moved", None, 1)
    (night / "shoot").rename(night / "elsewhere")
    with pytest.raises(InputError, match="--shoot where it is"):
        open_session(night / "out", None, night / "moved", None, 1)
    assert open_session(night / "out", night / "elsewhere", night / "moved", None, 1)
