"""What the quick commands load: nothing that takes seconds to import. No clock: a busy machine would fail by chance."""

from __future__ import annotations

import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import PIL.Image
import pytest

from pipeline import __version__
from tests.scale.__main__ import RECIPE
from tests.scale.evening import write_frames

HEAVY = ("numba", "scipy", "skimage", "cv2", "rawpy", "tifffile", "jinja2", "pooch", "babel", "starlette", "uvicorn")
CODE = """\
import sys
from pathlib import Path
from pipeline.cli.app import app
sys.argv = ["evencourt", *sys.argv[1:]]
try:
    app()
finally:
    loaded = {name.partition(".")[0] for name in sys.modules}
    print("loaded:", *sorted(loaded), file=sys.stderr)
"""


def loaded(*arguments: str) -> tuple[str, set[str]]:
    """What a command prints, and the top names of every module that its process loaded."""
    done = subprocess.run(
        [sys.executable, "-c", CODE, *arguments], capture_output=True, text=True, encoding="utf-8", timeout=120
    )
    assert done.returncode == 0, done.stderr
    return done.stdout, set(done.stderr.rpartition("loaded:")[2].split())


@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["models", "--help"]], ids=" ".join)
def test_no_numerical_library_is_loaded_to_print_help(arguments: list[str]) -> None:
    text, modules = loaded(*arguments)
    assert "Usage:" in text
    assert {"typer", "pipeline"} <= modules and not modules & {*HEAVY, "numpy"}


@pytest.mark.parametrize("arguments", [["steps"], ["steps", "crop"]], ids=" ".join)
def test_no_numerical_library_is_loaded_to_describe_the_steps(arguments: list[str]) -> None:
    text, modules = loaded(*arguments)
    assert "### crop" in text
    assert "pydantic" in modules and not modules & {*HEAVY, "PIL", "ruamel"}


def test_the_check_sees_what_is_loaded() -> None:
    """A command that needs frames loads them, but for what only its workers need: the list above is not empty for want
    of looking."""
    done = subprocess.run(
        [sys.executable, "-c", CODE.replace("    app()", "    import pipeline.cli.run"), "--help"],
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    modules = set(done.stderr.rpartition("loaded:")[2].split())
    assert {"numpy", "rawpy", "babel"} <= modules and "cv2" not in modules


@pytest.mark.long
def test_a_command_that_finds_all_measured_loads_no_compiler(tmp_path: Path) -> None:
    (tmp_path / "shoot").mkdir()
    for number in range(3):
        picture = PIL.Image.new("RGB", (90, 60), (90, 80 + 40 * number, 100))
        picture.save(tmp_path / "shoot" / f"TH9_000{number}.jpg")
    (tmp_path / "night.yaml").write_text("recipe: 1\ndeliveries:\n  web: [caption: {}, save: {}]\n", encoding="utf-8")
    arguments = ("check", str(tmp_path / "night.yaml"), str(tmp_path / "shoot"), "--workers", "1")
    cache = ("--cache", str(tmp_path / "cache"))
    first, modules = loaded(*arguments, *cache)
    assert "numba" not in modules  # a worker measures
    second, modules = loaded(*arguments, *cache)
    assert first == second and "3 of 3 frames" in second
    assert "numba" not in modules


@pytest.mark.long
def test_the_parent_of_a_night_of_raws_loads_neither_compiler_nor_opencv(tmp_path: Path) -> None:
    """They take 125 and some 25 MB, which a night of 20,000 frames needs for other things. With an hour to end at there
    is a trial too. Workers follow people and render: their pictures are there."""
    for _ in write_frames(tmp_path / "shoot", 16):
        pass
    (tmp_path / "night.yaml").write_text(RECIPE, encoding="utf-8")
    hour = (datetime.now() + timedelta(hours=20)).isoformat(timespec="minutes")
    given = (str(tmp_path / "night.yaml"), str(tmp_path / "shoot"), "--out", str(tmp_path / "out"))
    _, modules = loaded("run", *given, "--workers", "1", "--no-cache", "--offline", "--finish-by", hour)
    assert len(list((tmp_path / "out" / "web").glob("*.jpg"))) == 16
    assert "numpy" in modules and not modules & {"numba", "cv2"}


def test_the_version_is_printed_without_any_library() -> None:
    text, modules = loaded("--version")
    assert text == f"evencourt {__version__}\n"
    assert not modules & {*HEAVY, "numpy"}
