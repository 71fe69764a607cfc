"""A name that may not be read any more leaves OUT's own files before the night's work, as it leaves an address."""

from __future__ import annotations

import errno
import shutil
from pathlib import Path

import pytest

from pipeline.engine import run as engine
from pipeline.engine.kept import taking_back
from pipeline.formats.jpeg_segments import scan_digest
from tests.engine import test_taking_back
from tests.engine.test_taking_back import ROSTER, run

made, night = test_taking_back.made, test_taking_back.night  # pictures that were delivered and sent


def test_names_go_from_out_before_a_frame_is_measured(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever uploads the folder by hand gets none of them; the pictures stay as they are, their pixels too."""
    (night / "shoot" / "roster.csv").write_text(ROSTER)
    (night / "shoot" / "shoot.yaml").write_text("minors: true\n")
    pictures = {path: scan_digest(path.read_bytes()) for path in (night / "out").glob("*/TH1_*.jpg")}
    named = [path for path in pictures if b"Marlow" in path.read_bytes() or b"Lea Ost" in path.read_bytes()]
    assert len(named) == 2 * 2

    def stopped(*arguments: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(engine, "decide", stopped)
        for _ in range(2):
            status, told = run(night)
            assert status == 130, told
            assert not any(b"Marlow" in path.read_bytes() or b"Lea Ost" in path.read_bytes() for path in pictures)
            assert {path: scan_digest(path.read_bytes()) for path in pictures} == pictures
            patch.setattr(taking_back, "own_texts", lambda path: pytest.fail(f"{path} was looked at again"))
    status, told = run(night)
    assert status == 0 and "nothing to render" in told and "removed" not in told, told


@pytest.mark.parametrize("format", ["tiff", "jpeg"])
def test_a_file_that_cannot_have_other_texts_goes_and_is_made_again(
    night: Path, monkeypatch: pytest.MonkeyPatch, format: str
) -> None:
    """A TIFF is not written again around its pixels; on a full disk no file can be written."""
    shutil.rmtree(night / "out")
    shutil.rmtree(night / "sent")
    (night / "sent").mkdir()
    recipe = (night / "recipe.yaml").read_text().replace("save:", f"save: {{format: {format}}}")
    (night / "recipe.yaml").write_text(recipe)
    (night / "shoot" / "roster.csv").write_text(ROSTER)
    status, told = run(night)
    assert status == 0, told
    (night / "shoot" / "shoot.yaml").write_text("minors: true\n")
    before = set((night / "out" / "club").glob("TH1_*"))
    assert len(before) == 3

    def stopped(*arguments: object) -> None:
        raise KeyboardInterrupt

    def full(*arguments: object) -> None:
        raise OSError(errno.ENOSPC, "no space left")

    with monkeypatch.context() as patch:
        patch.setattr(engine, "decide", stopped)
        if format == "jpeg":
            patch.setattr("pipeline.engine.outputs.write_atomic", full)
        _, told = run(night)
    left = set((night / "out" / "club").glob("TH1_*"))
    assert {path.stem for path in left} == {"TH1_0003"}, told  # it names nobody
    assert "removed, because of a withheld name; made again" in " ".join(told.split()), told
    status, told = run(night)
    assert status == 0 and set((night / "out" / "club").glob("TH1_*")) == before, told
    assert not any(b"Marlow" in path.read_bytes() for path in before)
