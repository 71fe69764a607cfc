"""OUT used again: no picture goes without a word, and no shoot is mixed with another."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from pipeline.fixtures.demo import write_demo
from pipeline.fixtures.hall import HALL_T
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import InputError

RECIPE = (
    "recipe: 1\nsteps:\n  - decode:\ndeliveries:\n  web:\n    - resize: {long_edge: 96}\n    - caption:\n    - save:\n"
)
BURST = HALL_T.bursts[0]


def run(*arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(app.app, [str(a) for a in arguments])
    return result.exit_code, result.output


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with six frames, a recipe, and OUT of their run."""
    folder = tmp_path_factory.mktemp("night")
    write_demo(folder / "shoot", hall=replace(HALL_T, bursts=(BURST,)), width=240, height=160)
    for path in sorted((folder / "shoot").glob("*.dng"))[6:]:
        path.unlink()
    (folder / "shoot" / "frames.csv").unlink()
    text = (folder / "shoot" / "shoot.yaml").read_text(encoding="utf-8")
    (folder / "shoot" / "shoot.yaml").write_text(text.replace("frames: frames.csv\n", ""), encoding="utf-8")
    recipe = folder / "recipe.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    status, output = run("run", recipe, folder / "shoot", "--out", folder / "out", "--workers", 1)
    assert status == 0, output
    return folder


@pytest.fixture
def delivered(night: Path, tmp_path: Path) -> tuple[Path, Path, Path]:
    """The test's own copy: recipe, shoot and OUT, which still names the shoot of the run."""
    shutil.copytree(night, tmp_path, dirs_exist_ok=True)
    return tmp_path / "recipe.yaml", tmp_path / "shoot", tmp_path / "out"


def test_half_a_card_removes_no_picture(delivered: tuple[Path, Path, Path]) -> None:
    recipe, shoot, out = delivered
    (shoot / "TH1_0005.dng").unlink()
    (shoot / "TH1_0006.dng").unlink()
    status, output = run("run", recipe, shoot, "--out", out, "--workers", 1)
    assert status == 0
    assert "TH1_0005.jpg and 1 more" in output.replace("\n", " ") and "no longer in the shoot folder" in output.replace(
        "\n", " "
    )
    assert len(list((out / "web").iterdir())) == 6


def test_files_that_have_changed_since_they_were_delivered_are_counted(delivered: tuple[Path, Path, Path]) -> None:
    recipe, shoot, out = delivered

    def said(*more: object) -> str:
        status, output = run("run", recipe, shoot, "--out", out, "--workers", 1, *more)
        assert status == 0 and f"delivered  {out / 'web'}  6 files" in output
        return output

    before = {path.name: path.read_bytes() for path in (out / "web").iterdir()}
    (shoot / "frames.csv").write_text("frame,words\nTH1_0005,Applause\n", encoding="utf-8")
    output = said()
    assert "1 caption rewritten" in output and "delivered before" not in output
    recipe.write_text(RECIPE.replace("save:", "save: {quality: 70}"), encoding="utf-8")
    assert "1 file that was delivered before has changed; send it again" in said("--only", "TH1_0006")
    assert "5 files that were delivered before have changed; send them again" in said()
    assert all((out / "web" / name).read_bytes() != data for name, data in before.items())
    assert "delivered before" not in said()
    (out / "web" / "TH1_0005.jpg").unlink()  # made again, the same as before
    assert "delivered before" not in said()


def test_another_shoot_is_refused(delivered: tuple[Path, Path, Path], tmp_path: Path) -> None:
    recipe, _, out = delivered
    other = tmp_path / "other"
    write_demo(other, hall=replace(HALL_T, bursts=(BURST,)), seed=5, width=270, height=180)
    result = CliRunner().invoke(app.app, [str(a) for a in ("run", recipe, other, "--out", out, "--workers", 1)])
    assert isinstance(result.exception, InputError)
    assert "another shoot" in str(result.exception) and "--out" in str(result.exception)
    assert len(list((out / "web").iterdir())) == 6


def test_a_shoot_that_moved_goes_on(delivered: tuple[Path, Path, Path], tmp_path: Path) -> None:
    recipe, shoot, out = delivered
    shutil.copytree(shoot, tmp_path / "moved")
    status, output = run("run", recipe, tmp_path / "moved", "--out", out, "--workers", 1)
    assert status == 0
    assert "nothing to render" in output


def test_verify_knows_another_shoot(delivered: tuple[Path, Path, Path], tmp_path: Path) -> None:
    """Frames of the same names that were taken at other times."""
    _, _, out = delivered
    assert run("verify", out, "--render", 2)[0] == 0
    later = replace(BURST, start=BURST.start + 60)
    write_demo(tmp_path / "other", hall=replace(HALL_T, bursts=(later,)), width=240, height=160)
    status, output = run("verify", out, "--render", 2, "--shoot", tmp_path / "other")
    assert status == 1
    assert "is it the right shoot folder" in output.replace("\n", " ")


def test_two_files_of_one_name_are_told_apart(delivered: tuple[Path, Path, Path]) -> None:
    _, shoot, _ = delivered
    shutil.copy(shoot / "TH1_0005.dng", shoot / "TH1_0004.DNG")
    text = (shoot / "shoot.yaml").read_text(encoding="utf-8")
    (shoot / "shoot.yaml").write_text(text + "frames: frames.csv\n", encoding="utf-8")
    (shoot / "frames.csv").write_text("frame,keep\nTH1_0004,yes\n", encoding="utf-8")
    _, output = run("check", shoot.parent / "recipe.yaml", shoot)
    assert "TH1_0004 may be ./TH1_0004.dng or ./TH1_0004.DNG; write the whole name" in output.replace("\n", " ")
