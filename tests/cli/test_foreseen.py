"""`check` and `run --dry-run` announce what `run` then does: the same counts, reasons and exit status."""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pipeline.engine.pacing import trial
from pipeline.steps import exposure
from tests.engine.test_run import evencourt
from tests.golden import write_shoot

PLAIN = """\
recipe: 1
steps: [decode: {}, white_balance: {method: gray_world}]
deliveries:
  web: [resize: {long_edge: 120}, caption: {template: "CAPTION"}, save: {}]
  print: [resize: {long_edge: 90}, save: {name: "{{ count }}-{{ venue }}"}]
"""
SELECT = """\
recipe: 1
deliveries:
  best: [select: {best: 1}, resize: {long_edge: 120}, save: {}]
  all: [select: {rating: 4}, resize: {long_edge: 90}, save: {}]
"""
ROSTER = "team,number,name,publish\nhome,7,Siri Fjellheim,no\nhome,8,Ada Holm,yes\n"
COUNTS = re.compile(
    r"(\d+) of (\d+) frames (?:would be )?delivered, (\d+) (?:would )?(?:fail|failed), (\d+) held back"
    r"(?: \((?:(\d+) for consent)?(?:, )?(?:(\d+) for a wrong line in a table)?(?:, \d+ for keep: no)?\))?"
    r"(?:, (\d+) not chosen)?(?:, (\d+) not done)?(?:, (\d+) rows? of frames.csv not used)?"
)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drawn") / "shoot"
    write_shoot(folder, size=(96, 144))
    return folder


NO_PICTURE = "no picture was made: see to that, and run the same command again"


class Night:
    """A shoot, a recipe, and what the three commands say of them."""

    def __init__(self, drawn: Path, folder: Path) -> None:
        self.folder, self.shoot, self.recipe = folder, folder / "shoot", folder / "night.yaml"
        shutil.copytree(drawn, self.shoot)
        self.write("frames.csv", "frame,keep\nTH5_0002,\n")
        self.write("roster.csv", ROSTER)
        self.use(PLAIN.replace("CAPTION", "{{ words }}"))

    def use(self, recipe: str) -> None:
        self.recipe.write_text(recipe, encoding="utf-8")

    def write(self, name: str, text: str) -> None:
        (self.shoot / name).write_text(text, encoding="utf-8")

    def agree(self, *more: str) -> tuple[int, str]:
        """Exit status and what check says, once dry-run and run have said the same."""
        workers = ("--workers", "1")
        out = ("--out", self.folder / "out")
        foreseen = [evencourt("check", self.recipe, self.shoot, *workers)] if not more else []
        foreseen.append(evencourt("run", self.recipe, self.shoot, *out, "--dry-run", *workers, *more))
        assert not (self.folder / "out").exists()
        done = evencourt("run", self.recipe, self.shoot, *out, *workers, *more)
        assert [status for status, _ in foreseen] == [done[0]] * len(foreseen), (foreseen, done)
        if done[0] == 2:
            said = [text.removesuffix(f"\n{NO_PICTURE}").rsplit("\n", 1)[-1] for _, text in (*foreseen, done)]
            assert len(set(said)) == 1, said
            return foreseen[0]
        for _, text in foreseen:
            assert counts(text) == counts(done[1])
            assert notes(text) == notes(done[1])
            assert reasons(text) == reasons(done[1])
            for delivery in json.loads((self.folder / "out" / "run.json").read_bytes())["recipe_flat"].split("\n"):
                if name := re.fullmatch(r"  (\w+):", delivery):
                    folder = self.folder / "out" / name[1]
                    files = len(list(folder.iterdir())) if folder.is_dir() else 0
                    assert (f"  {name[1]}: {files}\n" in text) == bool(files)
        return foreseen[0]

    def agree_again(self, *more: str) -> tuple[int, str]:
        """As `agree`, into a new folder."""
        shutil.rmtree(self.folder / "out")
        return self.agree(*more)


def counts(text: str) -> tuple[int, ...]:
    (found,) = COUNTS.finditer(text)
    return tuple(int(number or 0) for number in found.groups())


def notes(text: str) -> list[str]:
    """Each once: what a person can still correct, a run also says before it begins."""
    lines = [line for line in text.splitlines() if line.startswith("note: ")]
    return list(dict.fromkeys(lines))


def reasons(text: str) -> list[str]:
    return [
        line.removeprefix("would ").replace("fail:", "failed:")
        for line in text.splitlines()
        if "fail" in line[:11] or line.startswith("not used: ")
    ]


@pytest.fixture
def night(drawn: Path, tmp_path: Path) -> Night:
    return Night(drawn, tmp_path)


def test_a_clean_night(night: Night) -> None:
    status, text = night.agree()
    assert status == 0 and counts(text) == (6, 6, 0, 0, 0, 0, 0, 0, 0)
    assert "  web: 6\n" in text and "  print: 6\n" in text


def test_out_in_the_shoot_is_refused_by_both(night: Night) -> None:
    out = ("--out", night.shoot / "delivered", "--workers", "1")
    before = sorted(night.shoot.iterdir())
    for more in ((), ("--dry-run",)):
        status, text = evencourt("run", night.recipe, night.shoot, *out, *more)
        assert status == 2 and "OUT lies inside the shoot folder, which is never written" in text
    assert sorted(night.shoot.iterdir()) == before
    another = night.folder / "last week"
    another.mkdir()
    (another / "TH4_0001.nef").write_bytes(b"x")
    for more in ((), ("--dry-run",)):
        status, text = evencourt("run", night.recipe, night.shoot, "--out", another, "--workers", "1", *more)
        assert status == 2 and "holds photographs that no run has made, such as TH4_0001.nef" in text
    assert [path.name for path in another.iterdir()] == ["TH4_0001.nef"]


def test_damaged_frames_and_rows_without_one(night: Night) -> None:
    path = night.shoot / "TH5_0003.dng"
    path.write_bytes(path.read_bytes()[:20_000])
    (night.shoot / "TH5_0004.dng").write_bytes(b"")
    night.write("frames.csv", "frame,keep\nTH5_0001,\nTH5_0099,\n")
    status, text = night.agree()
    assert status == 1 and counts(text) == (4, 6, 2, 0, 0, 0, 0, 0, 1)
    assert "would fail: TH5_0003.dng: " in text and "not used: TH5_0099: " in text
    assert text.count("the file is empty") == 1  # as the reason, and in no note beside it


def test_a_row_without_a_frame_alone_makes_the_exit_status_1(night: Night) -> None:
    night.write("frames.csv", "frame,keep\nTH5_0099,yes\n")
    status, text = night.agree()
    assert status == 1 and counts(text) == (6, 6, 0, 0, 0, 0, 0, 0, 1)
    assert evencourt("status", night.folder / "out")[0] == 1
    report = (night.folder / "out" / "report.html").read_text(encoding="utf-8")
    assert "6 of 6 frames" in report and "1 row of frames.csv not used" in report
    assert 'id="failed"' not in report and "<b>TH5_0099</b>" in report


def test_how_long_a_run_takes_is_what_rendering_takes_now(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not what measuring took on another day, on a busy machine: six frames of 20 s each are two minutes."""
    true = trial._rendered
    monkeypatch.setattr(trial, "_rendered", lambda *given: dict.fromkeys(true(*given), 20.0))

    def said(*more: str) -> str:
        out = ("--out", night.folder / "out", "--workers", "1", "--dry-run")
        return evencourt("run", night.recipe, night.shoot, *out, *more)[1]

    assert "about 2.0 minutes with 1 worker" in said()
    soon = (datetime.now() + timedelta(seconds=60)).isoformat()
    text = said("--finish-by", soon)
    assert "cannot be met: a run that begins now would end at about" in text and " late" in text
    assert "2999-01-01 07:00 can be met: a run that begins now" in said("--finish-by", "2999-01-01T07:00")
    assert "be met" not in said()


def test_many_rows_without_a_frame_are_one_line(night: Night) -> None:
    """A roll of names from last week must not look like a night that failed."""
    night.write("frames.csv", "frame,keep\nTH5_0001,\n" + "".join(f"TH9_{n:04d},\n" for n in range(16)))
    status, text = night.agree()
    assert status == 1 and counts(text) == (6, 6, 0, 0, 0, 0, 0, 0, 16)
    assert reasons(text) == ["not used: rows of frames.csv without a frame in the shoot folder: TH9_0000 and 15 more"]


@pytest.mark.skipif(os.name == "nt", reason="names are Unicode on this system")
def test_a_photograph_whose_name_or_place_cannot_be_used_fails(night: Night) -> None:
    (night.folder / "elsewhere.dng").write_bytes(b"x")
    for name in (b"TH5_\xff.dng", b"TH5_\xfe.dng"):
        try:
            Path(os.fsdecode(os.fsencode(night.shoot) + b"/" + name)).write_bytes(b"x")
        except OSError:
            pytest.skip("this file system takes only UTF-8 names")
    (night.shoot / "TH5_0007.dng").symlink_to(night.folder / "elsewhere.dng")
    (night.shoot / "notes.txt").symlink_to(night.folder / "elsewhere.dng")  # no picture
    status, text = night.agree()
    assert status == 1 and counts(text) == (6, 9, 3, 0, 0, 0, 0, 0, 0)
    assert "would fail: TH5_?.dng: its name is not valid UTF-8" in text
    assert "would fail: TH5_? (2).dng: its name is not valid UTF-8" in text
    assert "would fail: TH5_0007.dng: a link that leads out of the shoot folder" in text
    assert "note: TH5_?" not in text
    report = (night.folder / "out" / "report.html").read_text(encoding="utf-8")
    assert "6 of 9 frames" in report and ">TH5_0007.dng</a>" in report
    # A name of the roster is withheld, and "?" may be a letter of it.
    assert "TH5_?" not in report and ">unreadable-0003.dng</a>" in report
    status, text = night.agree_again("--only", "TH5_0001")
    assert status == 0 and ", 8 not done" in text


BESIDE = "in a burst with frames that are held back for a player"


@pytest.mark.parametrize(
    ("frames", "said"),
    [
        (
            "TH5_0001,,home 7,\n",
            "note: TH5_0002, TH5_0003: {}, and nobody wrote under players who is in it; look at it before",
        ),
        ("TH5_0001,,,Siri Fjellheim\nTH5_0002,,,\nTH5_0003,,home 8,\n", "note: TH5_0002: {}, and nobody wrote"),
        (
            "TH5_0001,,,Fjellheim scores\nTH5_0002,,,a shot by Siri\nTH5_0003,,,a save\n",
            "note: TH5_0003: {}, and nobody wrote under players",
        ),
        ("TH5_0001,,home 7,\nTH5_0002,no,,\n", "note: TH5_0003: {}"),  # who is not delivered needs no look
        ("TH5_0001,,home 7,\nTH5_0002,,home 8,\nTH5_0003,,home 8,\n", ""),
        ("TH5_0001,no,home 7,\n", "note: TH5_0002, TH5_0003: {}"),  # dropped, and it says who was there
        ("TH5_0001,no,,\n", ""),
    ],
)
def test_frames_beside_one_that_is_held_for_a_player_are_named(night: Night, frames: str, said: str) -> None:
    night.write("frames.csv", f"frame,keep,players,words\n{frames}")
    status, text = night.agree()
    assert status == 0 and (said.format(BESIDE) if said else "note: ") in text and (BESIDE in text) == bool(said)
    assert "Fjellheim" not in text.partition("deliveries:")[2]
    told = json.loads((night.folder / "out" / "run.json").read_bytes())["notices"]
    assert any(BESIDE in text for text in told) == bool(said)


def test_a_sidecar_that_names_somebody_or_cannot_be_read(night: Night) -> None:
    (night.shoot / "TH5_0001.xmp").write_bytes(b"\0")
    (night.shoot / "TH5_0004.xmp").write_text(
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
        'xmlns:d="http://purl.org/dc/elements/1.1/" d:title="Siri Fjellheim"/></rdf:RDF>',
        encoding="utf-8",
    )
    _, text = night.agree()
    assert counts(text)[4] == 2 and "note: TH5_0005, TH5_0006: " + BESIDE in text


def test_frames_without_a_row_are_counted(night: Night) -> None:
    night.write("frames.csv", "frame,words\nTH5_0001,fast break\n")
    _, text = night.agree()
    assert "note: 5 frames have no row in frames.csv: TH5_0002 and 4 more; their captions say only" in text


def test_held_frames_are_counted_with_their_reasons_and_no_name(night: Night) -> None:
    night.write("frames.csv", "frame,keep,players,words\nTH5_0001,no,,\nTH5_0002,,home 7,\nTH5_0003,,,Siri Fjellheim\n")
    shutil.copy(night.shoot / "TH5_0005.dng", night.shoot / "Siri_Fjellheim.dng")
    with (night.shoot / "Siri_Fjellheim.dng").open("ab") as file:
        file.write(b"\0")  # other bytes, so that it is another frame, of the same picture: TH5_0005 is held with it
    status, text = night.agree()
    assert status == 0 and counts(text) == (2, 7, 0, 5, 4, 0, 0, 0, 0)
    assert "5 held back (4 for consent, 1 for keep: no)" in text
    assert "note: TH5_0002 held back: shows a player whose line in the roster says publish: no (line 2)" in text
    assert "note: TH5_0001 held back: frames.csv says keep: no" in text
    assert re.search(r"note: frame-000\d held back: its file or folder name names a player", text)
    assert "note: TH5_0005 held back: its picture is, to the last bit, that of frame-000" in text
    assert "Fjellheim" not in text.partition("deliveries:")[2]


def test_steps_say_nothing_of_a_frame_that_is_held(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is in no delivery: "check that the named players are in it" sent somebody to look for it."""
    night.use(PLAIN.replace("gray_world}]", "gray_world}, exposure: {}]").replace("CAPTION", "{{ words }}"))
    monkeypatch.setattr(exposure, "RULES", replace(exposure.RULES, said=-1.0))
    night.write("frames.csv", "frame,players\nTH5_0002,home 7\n")
    night.agree()
    frames = json.loads((night.folder / "out" / "run.json").read_bytes())["frames"]
    silent = [name for name, one in frames.items() if not any("exposure: " in text for text in one["notices"])]
    assert silent == ["TH5_0002"]


def test_a_row_that_may_mean_two_frames(night: Night) -> None:
    (night.shoot / "b").mkdir()
    shutil.copy(night.shoot / "TH5_0005.dng", night.shoot / "b" / "TH5_0002.dng")
    with (night.shoot / "b" / "TH5_0002.dng").open("ab") as file:
        file.write(b"\0")
    night.write("frames.csv", "frame,players\nTH5_0002,home 7\n")
    _, text = night.agree()
    assert counts(text)[5] >= 1


def test_select_leaves_frames_out(night: Night) -> None:
    night.use(SELECT)
    night.write("frames.csv", "frame,keep,rating\nTH5_0001,,5\nTH5_0002,always,\nTH5_0006,no,5\n")
    status, text = night.agree()
    delivered, frames, failed, held, _, _, left_out, *_ = counts(text)
    assert status == 0 and (frames, failed, held) == (6, 0, 1) and delivered and left_out
    assert delivered + left_out == 5


def test_a_caption_that_cannot_be_made_fails_its_frames(night: Night) -> None:
    night.use(PLAIN.replace("CAPTION", "{{ 1 / (words | length - 6) }}"))
    night.write("frames.csv", "frame,words\nTH5_0002,shoots\nTH5_0003,shoots\n")
    status, text = night.agree()
    assert status == 1 and counts(text)[0] == 4 and counts(text)[2] == 2


@pytest.mark.parametrize(
    ("recipe", "said"),
    [
        (PLAIN.replace("  web:", "  Siri-Fjellheim:"), "holds a name of the roster that is withheld"),
        (PLAIN.replace("{{ count }}-{{ venue }}", "{{ 1 / (count | int - 3) }}{{ frame }}"), "file name of frame"),
        (PLAIN.replace("save: {}", "save: {qualty: 3}"), "qualty"),
    ],
)
def test_what_stops_a_run_as_a_whole(night: Night, recipe: str, said: str) -> None:
    night.use(recipe)
    status, text = night.agree()
    assert status == 2 and said in text


def test_problems_of_the_facts(night: Night) -> None:
    night.write("frames.csv", "frame,players\nTH5_0002,home 99\n")
    status, text = night.agree()
    assert status == 1 and "frames.csv:2:" in text and counts(text) == (5, 6, 0, 1, 0, 1, 0, 0, 1)
    shutil.rmtree(night.folder / "out")
    night.write("frames.csv", "frame,keep\n" + "".join(f"TH5_000{n},perhaps\n" for n in range(1, 5)))
    status, text = night.agree()
    assert status == 2 and "frames.csv:5:" in text


def test_only_some_frames(night: Night) -> None:
    (night.shoot / "TH5_0004.dng").write_bytes(b"")
    status, text = night.agree("--only", "TH5_000[12]")
    assert status == 0 and counts(text) == (2, 6, 0, 0, 0, 0, 0, 4, 0)
    shutil.rmtree(night.folder / "out")
    status, text = night.agree("--only", "X*")
    assert status == 2 and "--only X*" in text


def test_a_recipe_alone_measures_nothing(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.cli.check.foresee", None)
    status, text = evencourt("check", night.recipe)
    assert status == 0 and "white_balance" in text
