"""evencourt captions: the table that is written to be filled in, and what reading it back gives."""

from __future__ import annotations

import csv
import io
import locale
from dataclasses import replace
from pathlib import Path

import pytest
from pipeline.fixtures import demo
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.cli.recipes import read_recipe
from pipeline.engine.jobs import read_shoot
from pipeline.engine.tables import caption_sheet
from pipeline.engine.tables.frame_table import frame_table
from pipeline.errors import EvencourtError, InputError
from pipeline.shoot.facts import FRAME_COLUMNS, INFO_COLUMNS, FrameFacts
from pipeline.shoot.frame_names import FrameIndex
from pipeline.shoot.read_facts import load_facts
from pipeline.steps.caption import CaptionParams
from pipeline.textfile.tables import plain_cell
from pipeline.types import Burst, Frame
from tests.shoot.called import index_of

NAMES = ("TH1_0001", "TH1_0002", "TH1_0003")
EVENT = demo.EVENT.partition("language:")[0]
ROSTER = """\
team,number,name,publish
home,7,Ingrid Solbakken,yes
home,4,Tuva Rønning,no
away,12,Zofia Kłosowska,yes
"""


def shoot_of(folder: Path, frames: str = "", names: tuple[str, ...] = NAMES) -> Path:
    """A shoot of small pictures, which any reader knows."""
    from PIL import Image

    folder.mkdir()
    for name in names:
        path = folder / f"{name}.jpg"
        path.parent.mkdir(exist_ok=True)
        Image.new("RGB", (96, 64), (120, 120, 120)).save(path)
    (folder / "shoot.yaml").write_text(EVENT, encoding="utf-8")
    (folder / "roster.csv").write_text(ROSTER, encoding="utf-8")
    if frames:
        (folder / "frames.csv").write_text(frames, encoding="utf-8")
    return folder


def rows_of(path: Path, separator: str = ",") -> list[dict[str, str]]:
    """Read by the standard library's reader, not by ours."""
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline=""), delimiter=separator))


def evencourt(*arguments: object) -> tuple[int, str, str]:
    """(exit status, stdout, stderr), errors as `main` prints them."""
    result = CliRunner().invoke(app.app, ["captions", *map(str, arguments)])
    if isinstance(result.exception, EvencourtError):
        return 2, result.stdout, result.stderr + str(result.exception)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


# ---- what is written ---------------------------------------------------------------------------------------


def test_a_row_a_frame_to_fill_in(tmp_path: Path) -> None:
    shoot, out = shoot_of(tmp_path / "shoot"), tmp_path / "frames.csv"
    before = {p: p.read_bytes() for p in shoot.rglob("*")}
    status, printed, _ = evencourt(shoot, "--out", out, "--separator", "comma", "--workers", 1)
    assert status == 0 and f"--check {out}" in printed
    assert {p: p.read_bytes() for p in shoot.rglob("*")} == before
    # The mark by which spreadsheets know UTF-8 (The Unicode Standard, 2.13, byte order mark).
    assert out.read_bytes().startswith(b"\xef\xbb\xbf")
    rows = rows_of(out)
    assert [row["frame"] for row in rows] == list(NAMES)
    assert tuple(rows[0]) == (*FRAME_COLUMNS, "file", "burst", "time", "score", "suggested", "why", "caption")
    for row in rows:
        assert row["suggested"] in "12345" and row["burst"] and not any(row[c] for c in FRAME_COLUMNS[1:])
        assert row["caption"].startswith("Harbour Gulls – Mill Lane Foxes, ")


def test_with_a_facts_folder_the_table_goes_where_the_next_run_reads_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shoot, desk, here = shoot_of(tmp_path / "shoot"), tmp_path / "match facts", tmp_path / "here"
    here.mkdir()
    desk.mkdir()
    monkeypatch.chdir(here)
    (shoot / "roster.csv").rename(desk / "roster.csv")
    status, printed, _ = evencourt(shoot, "--facts", desk, "--workers", 1, "--separator", "comma")
    assert status == 0 and list(here.iterdir()) == []
    assert f"evencourt captions {shoot} --facts '{desk}' --check\n" in printed  # a path with a space is typed in quotes
    table = desk / "frames.csv"
    table.write_text(table.read_text("utf-8-sig").replace("TH1_0002,,,,", "TH1_0002,,,away 12,takes the ball"), "utf-8")
    assert read_shoot(shoot, desk).facts.rows["TH1_0002"].words == "takes the ball"
    status, printed, _ = evencourt(shoot, "--facts", desk, "--check")
    assert status == 0 and "Zofia Kłosowska" in printed and printed.splitlines()[-1].startswith(str(table))
    evencourt(shoot, "--facts", desk, "--workers", 1)  # filled up in place
    assert read_shoot(shoot, desk).facts.rows["TH1_0002"].words == "takes the ball"
    # told otherwise
    status, printed, _ = evencourt(shoot, "--facts", desk, "--out", here / "mine.csv", "--workers", 1)
    assert status == 0 and f"--facts '{desk}' --check {here / 'mine.csv'}\n" in printed
    # the table that the facts name is the one that is filled up
    (desk / "shoot.yaml").write_text("frames: night.csv\n", encoding="utf-8")
    table.rename(desk / "night.csv")
    evencourt(shoot, "--facts", desk / "shoot.yaml", "--workers", 1)
    assert (desk / "night.csv").is_file() and not table.exists()
    # facts that lie in the shoot folder: nothing is written there
    assert evencourt(shoot, "--facts", shoot / "shoot.yaml", "--workers", 1)[0] == 0
    assert (here / "frames.csv").is_file() and not (shoot / "frames.csv").exists()


def test_every_column_that_is_written_can_be_read_back(tmp_path: Path) -> None:
    shoot, out = shoot_of(tmp_path / "shoot"), tmp_path / "frames.csv"
    evencourt(shoot, "--out", out, "--workers", 1)
    assert set(next(csv.reader([out.read_text("utf-8-sig").replace(";", ",").splitlines()[0]]))) <= {
        *FRAME_COLUMNS,
        *INFO_COLUMNS,
    }
    _, problems, missing = load_facts(shoot, None, index_of(NAMES), out)
    assert problems == [] and missing == []


def test_nothing_typed_is_lost(tmp_path: Path) -> None:
    typed = (
        "frame,keep,rating,players,words,crop\n"
        'TH1_0001,always,4,home 7; away 12,"cheer, loudly",0.1 0.2 0.9 0.8\n'
        "TH1_0002,no,-1,,,\n"
        "OTHER_0007,,5,home 7,of the second card,\n"
    )
    shoot, out = shoot_of(tmp_path / "shoot", typed), tmp_path / "mine.csv"
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "semicolon")
    rows = rows_of(out, ";")
    assert [rows[0][c] for c in FRAME_COLUMNS] == [
        "TH1_0001", "always", "4", "home 7; away 12", "cheer, loudly", "0.1 0.2 0.9 0.8",
    ]  # fmt: skip
    assert [rows[1][c] for c in FRAME_COLUMNS[1:3]] == ["no", "-1"]
    assert [rows[3][c] for c in FRAME_COLUMNS] == ["OTHER_0007", "", "5", "home 7", "of the second card", ""]
    # read back by the program, it says the same as before
    first, _, _ = load_facts(shoot, None, index_of(NAMES))
    second, problems, _ = load_facts(shoot, None, index_of(NAMES), out)
    assert problems == []
    assert all(replace(second.row(name), line=0) == replace(first.row(name), line=0) for name in NAMES)


def test_written_again_it_keeps_what_was_filled_in_there(tmp_path: Path) -> None:
    shoot, out = shoot_of(tmp_path / "shoot", "frame,rating,words\nTH1_0003,2,of the shoot\n"), tmp_path / "frames.csv"
    filled = "frame;players;words\r\nTH1_0001;Zofia Kłosowska;takes the ball\r\nTH1_0003;home 7;\r\nX_1;;seen\r\n"
    out.write_text(filled, encoding="utf-8-sig")
    status, _, errors = evencourt(shoot, "--out", out, "--workers", 1, "--separator", "comma")
    assert status == 0 and "stays" in errors
    rows = rows_of(out)
    assert rows[0]["players"] == "away 12" and rows[0]["words"] == "takes the ball"
    assert [rows[2][c] for c in ("rating", "players", "words")] == ["2", "home 7", "of the shoot"]
    assert rows[3]["frame"] == "X_1" and rows[3]["words"] == "seen"
    again = out.read_bytes()
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "comma")
    assert out.read_bytes() == again
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "comma", "--force")
    assert not rows_of(out)[0]["players"] and len(rows_of(out)) == 3


@pytest.mark.parametrize(
    ("codec", "was"), [("utf-8", ""), ("utf-8-sig", ""), ("utf-16", "UTF-16"), ("cp1252", "Windows")]
)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_filled_up_it_keeps_its_separator_and_says_so_where_its_encoding_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, codec: str, was: str, separator: str
) -> None:
    """RFC 4180 for commas; semicolons and tabs as spreadsheets save them."""
    monkeypatch.setattr(locale, "localeconv", lambda: {"decimal_point": "," if separator == "," else "."})
    shoot, out = shoot_of(tmp_path / "shoot"), tmp_path / "frames.csv"
    out.write_bytes(f"frame{separator}words\r\nTH1_0002{separator}klatscht für Köln\r\n".encode(codec))
    status, _, errors = evencourt(shoot, "--out", out, "--workers", 1)
    assert status == 0 and rows_of(out, separator)[1]["words"] == "klatscht für Köln"
    (said,) = [line for line in errors.splitlines() if "stays" in line]
    assert (f"it was {was}" in said and "written as UTF-8 with a mark" in said) if was else "written as" not in said
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "tab")  # asked for
    assert rows_of(out, "\t")[1]["words"] == "klatscht für Köln"


def test_a_table_of_one_column_has_no_separator_to_keep(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(locale, "localeconv", lambda: {"decimal_point": ","})
    shoot, out = shoot_of(tmp_path / "shoot"), tmp_path / "frames.csv"
    out.write_text("frame\nTH1_0002\n", encoding="utf-8")
    evencourt(shoot, "--out", out, "--workers", 1)
    assert rows_of(out, ";")[2]["frame"] == "TH1_0003"


def test_a_table_that_is_not_understood_is_left_alone(tmp_path: Path) -> None:
    shoot, out = shoot_of(tmp_path / "shoot"), tmp_path / "frames.csv"
    out.write_text("frame,players\nTH1_0001,home 77\n", encoding="utf-8")
    status, _, printed = evencourt(shoot, "--out", out, "--workers", 1)
    assert status == 2 and f"{out}:2:10: players: home 77 is not in the roster" in printed and "--force" in printed
    assert out.read_text(encoding="utf-8") == "frame,players\nTH1_0001,home 77\n"


@pytest.mark.parametrize("place", ["frames.csv", "sub/frames.csv"])
def test_the_shoot_is_never_written(tmp_path: Path, place: str) -> None:
    shoot = shoot_of(tmp_path / "shoot")
    (shoot / "sub").mkdir()
    status, _, printed = evencourt(shoot, "--out", shoot / place)
    assert status == 2 and "--out FILE" in printed and not (shoot / place).exists()


def test_a_withheld_name_is_in_no_caption(tmp_path: Path) -> None:
    typed = "frame,players,words\nTH1_0001,home 4,shoots\nTH1_0002,home 7,and Tuva Rønning cheer\n"
    shoot, out = shoot_of(tmp_path / "shoot", typed), tmp_path / "frames.csv"
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "comma")
    captions = [row["caption"] for row in rows_of(out)]
    assert not any("Tuva" in text or "Rønning" in text for text in captions)
    assert captions[0].startswith("(in no delivery: ") and captions[1].startswith("(in no delivery: ")


def test_a_frame_that_says_itself_whom_it_shows_is_held_back(tmp_path: Path) -> None:
    shoot, out = shoot_of(tmp_path / "shoot", names=("Tuva Rønning 1", "TH1_0002")), tmp_path / "frames.csv"
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "comma")
    captions = {row["frame"]: row["caption"] for row in rows_of(out)}
    assert captions["Tuva Rønning 1"].startswith("(in no delivery: ") and "Tuva" not in captions["Tuva Rønning 1"]
    status, printed, _ = evencourt(shoot, "--check", out)
    assert status == 0 and "1 of them in no delivery" in printed and "held back" in printed


def test_minors_are_named_nowhere(tmp_path: Path) -> None:
    shoot, out = shoot_of(tmp_path / "shoot", "frame,players\nTH1_0001,home 7\n"), tmp_path / "frames.csv"
    (shoot / "shoot.yaml").write_text(EVENT + "minors: true\n", encoding="utf-8")
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "comma")
    assert "Ingrid" not in out.read_text(encoding="utf-8-sig")
    assert "Ingrid" not in evencourt(shoot, "--check", out)[1]


def test_nobody_is_named_while_minors_is_not_understood(tmp_path: Path) -> None:
    shoot = shoot_of(tmp_path / "shoot", "frame,players,words\nTH1_0001,home 7,\nTH1_0002,,Ingrid Solbakken jumps\n")
    assert "Ingrid" in evencourt(shoot, "--check")[1]
    (shoot / "shoot.yaml").write_text(EVENT + "minors: vielleicht\n", encoding="utf-8")
    status, printed, errors = evencourt(shoot, "--check")
    assert status == 2 and "minors: vielleicht does not fit" in errors
    assert "TH1_0002" in printed and not any(name in printed for name in ("Ingrid", "Solbakken"))


# ---- what a spreadsheet does to it -------------------------------------------------------------------------


# Signs with which a cell begins that spreadsheets compute: OWASP, "CSV Injection".
@pytest.mark.parametrize("text", ["=1+1", "+47 shoots", "-2 down", "@home", "＝1", "=HYPERLINK(A1)", "-"])
def test_no_cell_is_computed_and_each_is_read_back(tmp_path: Path, text: str) -> None:
    shoot, out = shoot_of(tmp_path / "shoot", f'frame,words\nTH1_0001,"{text}"\n'), tmp_path / "frames.csv"
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "comma")
    row = rows_of(out)[0]
    assert row["words"] == "'" + text
    assert not any(cell.startswith(tuple("=+-@＝")) for cell in row.values())
    facts, problems, _ = load_facts(shoot, None, index_of(NAMES), out)
    assert problems == [] and facts.row("TH1_0001").words == text


def test_numbers_stay_numbers() -> None:
    assert [plain_cell(text) for text in ("-1", "4", "", "-0.5", "'quoted'")] == ["-1", "4", "", "-0.5", "'quoted'"]


@pytest.mark.parametrize("names", [("0001", "0002", "0010"), ("1E5", "2E5", "3E5"), ("MAR01", "MAR02", "MAR03")])
def test_names_that_a_spreadsheet_takes_for_numbers_carry_their_suffix(tmp_path: Path, names: tuple[str, ...]) -> None:
    shoot, out = shoot_of(tmp_path / "shoot", names=names), tmp_path / "frames.csv"
    evencourt(shoot, "--out", out, "--workers", 1, "--separator", "comma")
    assert [row["frame"] for row in rows_of(out)] == [f"{name}.jpg" for name in names]
    facts, problems, missing = load_facts(shoot, None, index_of(names), out)
    assert problems == [] and missing == [] and set(facts.rows) == set(names)


@pytest.mark.parametrize(("point", "separator"), [(",", ";"), (".", ",")])
def test_separators_follow_the_language_of_the_computer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, point: str, separator: str
) -> None:
    monkeypatch.setattr(locale, "localeconv", lambda: {"decimal_point": point})
    shoot, out = shoot_of(tmp_path / "shoot"), tmp_path / "frames.csv"
    evencourt(shoot, "--out", out, "--workers", 1)
    assert rows_of(out, separator)[2]["frame"] == "TH1_0003"


def test_a_night_of_ten_thousand_frames_can_be_read_back(tmp_path: Path) -> None:
    frames = [Frame(f"TH1_{n:05d}", tmp_path / "x", f"TH1_{n:05d}.dng", "raw") for n in range(10_000)]
    facts, _, _ = load_facts(tmp_path, None, index_of([]))
    caption = {f.name: "Ingrid Solbakken (7, Harbour Gulls) shoots from nine metres. " * 3 for f in frames}
    bursts = [Burst(tuple(f.name for f in frames))]
    text = frame_table(frames, bursts, facts, {}, info={"caption": caption})
    (tmp_path / "frames.csv").write_text(text, encoding="utf-8-sig", newline="")
    read, problems, _ = load_facts(tmp_path, None, FrameIndex(frames))
    assert problems == [] and len(read.rows) == 10_000


# ---- what is read back -------------------------------------------------------------------------------------


def test_check_shows_each_caption_as_it_would_be_embedded(tmp_path: Path) -> None:
    shoot, file = shoot_of(tmp_path / "shoot"), tmp_path / "filled.csv"
    file.write_text(
        "frame,players,words,burst,caption\n"
        "TH1_0001,home 7,shoots,1,old\nTH1_0002,home 7,shoots,1,old\nTH1_0003,home 4; away 12,meet,2,old\n",
        encoding="utf-8",
    )
    status, printed, _ = evencourt(shoot, "--check", file)
    assert status == 0 and "old" not in printed
    read, said = printed.splitlines()[-2:]
    assert said.endswith(": 3 rows read, 1 of them in no delivery, 1 with a note, no problems")
    assert read == "Only texts were read here: evencourt check also finds pictures that cannot be read"
    assert "TH1_0001, TH1_0002 (lines 2 to 3)" in printed and "TH1_0003 (line 4)" in printed
    assert "Ingrid Solbakken (7, Harbour Gulls) shoots." in printed
    assert "Tuva" not in printed and "held back shows a player" in printed and "1 of them in no delivery" in printed
    # the same texts as the planner of a run writes
    (shoot / "frames.csv").write_bytes(file.read_bytes())
    checked = caption_sheet.check(shoot, None, None, CaptionParams())
    read = read_shoot(shoot)
    for one in checked.previews:
        for name in one.frames:
            frame = next(f for f in read.frames if f.name == name)
            texts, _ = caption_sheet.describe(frame, read.facts, read.facts.row(name), CaptionParams())
            assert (one.texts.caption, one.texts.persons) == (texts.caption, texts.persons)


def test_without_a_roster_that_can_be_read_no_caption_is_shown(tmp_path: Path) -> None:
    """They would be without names, and each would have the note that its player is not in the roster."""
    shoot = shoot_of(tmp_path / "shoot")
    (shoot / "frames.csv").write_text("frame,players,words\nTH1_0001,home 7,shoots\n", encoding="utf-8")
    (shoot / "roster.csv").write_bytes(bytes(range(128, 256)) * 9)
    status, printed, said = evencourt(shoot, "--check")
    assert status == 2 and "not in the roster" not in printed and "shoots" not in printed
    assert "roster.csv: captions are shown when the players can be read from it" in said


def test_every_problem_is_named_with_its_row(tmp_path: Path) -> None:
    shoot, file = shoot_of(tmp_path / "shoot"), tmp_path / "filled.csv"
    file.write_text(
        "frame,keep,rating,players,words,crop\n"
        "TH1_0001,,9,home 7,,\nTH1_0002,perhaps,,home 99,,1 1 0 0\nTH1_0009,,,,,\nTH1_0003,,,away 12,runs,\n",
        encoding="utf-8",
    )
    status, printed, errors = evencourt(shoot, "--check", file)
    assert status == 1 and "5 problems" in printed and "TH1_0003 (line 5)" in printed and "Zofia Kłosowska" in printed
    lines = errors.strip().splitlines()
    assert [line.removeprefix(f"{file}:").split(":")[0] for line in lines] == ["2", "3", "3", "3", "4"]
    assert "no frame TH1_0009 in the shoot folder; correct the name, or delete the line" in errors
    # a run holds back the frame of a wrong row, and so does what is shown before it
    held = "held back line {} of filled.csv is wrong; correct it"
    assert (
        held.format(2) in printed and held.format(3) in printed and "3 rows read, 2 of them in no delivery" in printed
    )


def test_of_a_roster_that_cannot_be_read_nobody_says_that_it_is_empty(tmp_path: Path) -> None:
    shoot = shoot_of(tmp_path / "shoot", "frame,players\nTH1_0001,home 7\n", NAMES[:1])
    (shoot / "roster.csv").write_bytes(ROSTER.encode("utf-7"))
    status, _, errors = evencourt(shoot, "--check")
    assert status == 2 and "roster.csv: is UTF-7" in errors and "has no players" not in errors
    (shoot / "roster.csv").write_text("team,number,name,publish\n", encoding="utf-8")
    assert "has no players" in evencourt(shoot, "--check")[2]


def test_frames_that_the_table_leaves_out_are_named(tmp_path: Path) -> None:
    shoot, file = shoot_of(tmp_path / "shoot"), tmp_path / "filled.csv"
    file.write_text("frame,words\nTH1_0002,warms up\n", encoding="utf-8")
    status, _, errors = evencourt(shoot, "--check", file)
    assert status == 0 and "2 frames have no row in filled.csv: TH1_0001 and 1 more" in errors
    file.write_text("frame,players,words\nTH1_0002,home 77,\nTH1_0009,,warms up\n", encoding="utf-8")
    status, _, errors = evencourt(shoot, "--check", file)
    assert "no frame TH1_0009" in errors and "2 frames have no row in filled.csv: TH1_0001 and 1 more" in errors


def test_a_template_that_fails_is_a_problem_of_its_row(tmp_path: Path) -> None:
    shoot = shoot_of(tmp_path / "shoot", "frame,words\nTH1_0001,runs\nTH1_0002,\n")
    recipe = tmp_path / "mine.yaml"
    recipe.write_text(
        "recipe: 1\nsteps: [{decode: }, {white_balance: {method: camera}}]\ndeliveries:\n  web:\n"
        '    - caption: {template: "{{ words | required }}"}\n    - save: {format: jpeg}\n',
        encoding="utf-8",
    )
    status, printed, errors = evencourt(shoot, "--check", "--recipe", recipe)
    assert status == 1 and "TH1_0001 (line 2)" in printed and f"{shoot / 'frames.csv'}:3:1: " in errors


def test_what_cannot_be_checked_is_said(tmp_path: Path) -> None:
    shoot = shoot_of(tmp_path / "shoot")
    status, _, errors = evencourt(shoot, "--check")
    assert status == 2 and "has no frames.csv to check" in errors and errors.rstrip().endswith("--out frames.csv")
    desk = tmp_path / "desk"
    desk.mkdir()
    (desk / "shoot.yaml").write_text(EVENT, encoding="utf-8")
    status, _, errors = evencourt(shoot, "--facts", desk, "--check")
    advice = errors.partition("write one with: evencourt captions ")[2].split()
    assert status == 2 and advice[1:] == ["--facts", str(desk)]
    assert evencourt(*advice)[0] == 0 and evencourt(shoot, "--facts", desk, "--check")[0] == 0
    status, _, errors = evencourt(shoot, "--check", tmp_path / "absent.csv")
    assert status == 2 and "absent.csv: cannot be read" in errors
    status, _, errors = evencourt(shoot, tmp_path / "frames.csv")
    assert status == 2 and "--check" in errors and "--out" in errors


def test_a_recipe_without_captions_is_refused(tmp_path: Path) -> None:
    recipe = tmp_path / "plain.yaml"
    recipe.write_text("recipe: 1\nsteps: [{decode: }]\ndeliveries:\n  web: [{save: {format: jpeg}}]\n", "utf-8")
    with pytest.raises(InputError, match="no delivery of the recipe has a caption step"):
        caption_sheet.caption_steps(read_recipe(recipe))


def test_empty_cells_take_what_the_shoot_says() -> None:
    first, second = FrameFacts(words="a", line=2), FrameFacts(keep=False, rating=3, words="b", line=9)
    assert caption_sheet._joined(first, second) == FrameFacts(keep=False, rating=3, words="a", line=2)


def test_a_table_that_is_named_before_it_is_written(tmp_path: Path) -> None:
    shoot, out = shoot_of(tmp_path / "shoot"), tmp_path / "frames.csv"
    (shoot / "shoot.yaml").write_text(EVENT + "frames: frames.csv\n", encoding="utf-8")
    status, _, errors = evencourt(shoot, "--out", out, "--workers", 1)
    assert status == 2 and "no file frames.csv" in errors and "put a # before frames:" in errors
