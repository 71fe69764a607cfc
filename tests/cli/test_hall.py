"""The options of inspect that ask about a hall."""

from __future__ import annotations

from pathlib import Path

import PIL.Image
import pytest

from pipeline.cli.look.hall import refuse_picture, shutter_of
from pipeline.cli.look.halls import called
from pipeline.errors import InputError
from pipeline.shoot.hall.memory import RememberedCamera
from tests.engine.test_run import evencourt
from tests.golden import write_shoot


@pytest.mark.parametrize(
    ("text", "seconds"), [("1/1000", 0.001), ("1/1000 s", 0.001), ("0.5", 0.5), ("1/1.3", 1 / 1.3), (" 2 s ", 2.0)]
)
def test_a_shutter_as_on_the_dial(text: str, seconds: float) -> None:
    assert shutter_of(text) == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["", "fast", "1/0", "-1", "1e9", "1/1000000", "1/2/3"])
def test_what_is_no_shutter_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="such as 1/1000"):
        shutter_of(text)


def test_a_remembered_camera_has_its_make_once() -> None:
    """Many makes stand in the model too, as in Exif's own fields (Exif 2.32, 4.6.4, tags 271 and 272)."""
    for make, model, name in (("Evencourt", "Evencourt One", "Evencourt One"), ("Evencourt", "One", "Evencourt One")):
        assert called(RememberedCamera.model_construct(make=make, model=model)) == name


def test_a_picture_is_a_png_and_never_in_the_shoot(tmp_path: Path) -> None:
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    for path, word in (
        (tmp_path / "hall.jpg", "PNG"),
        (shoot / "hall.png", "never written"),
        (tmp_path / "nowhere" / "hall.png", "is not there"),
    ):
        with pytest.raises(InputError, match=word):
            refuse_picture(path, shoot)
    refuse_picture(tmp_path / "hall.PNG", shoot)


def test_inspect_says_and_draws_what_is_found(tmp_path: Path) -> None:
    write_shoot(tmp_path / "shoot")
    before = sorted(p.name for p in (tmp_path / "shoot").iterdir())
    words = ("inspect", tmp_path / "shoot", "--picture", tmp_path / "hall.png", "--workers", 1)
    status, text = evencourt(*words, "--shutter", "1/2000")
    assert status == 0, text
    for word in ("the hall", "how it was measured", "1/2000 s at f/2.8", "common practice, no source"):
        assert word in " ".join(text.split())
    with PIL.Image.open(tmp_path / "hall.png") as drawn:
        assert drawn.format == "PNG"
    assert sorted(p.name for p in (tmp_path / "shoot").iterdir()) == before
