"""Pictures beside the page: whole, called by what is in them, none of a frame that is held, none left over."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.engine.kept.compare import compare
from pipeline.engine.kept.manifest import write_manifest
from pipeline.errors import InputError
from pipeline.recipe.recipe import load_recipe
from pipeline.report import pictures
from pipeline.report.html import write_report
from pipeline.report.pictures import pictures_of, report_files
from pipeline.report.record import Counts, FileRecord, FrameRecord, RunRecord, write_record
from pipeline.steps import REGISTRY
from pipeline.store.store import Store

NAMES = [f"HB1_{number:04d}" for number in range(1, 7)]


def record(names: list[str] = NAMES, consent: tuple[str, ...] = ()) -> RunRecord:
    frames: dict[str, FrameRecord] = {}
    for name in names:
        file = FileRecord(f"web/{name}.jpg", "0" * 64, 1, 3, 2, 88, f"{name}.web.jpg", True, "", "", "", [])
        deliveries = {} if name in consent else {"web": file}
        frames[name] = FrameRecord(
            f"{name}.dng", "held" if name in consent else "delivered", "shows a player" if name in consent else "",
            before=f"{name}.before.jpg", large=f"{name}.large.jpg", consent=name in consent, deliveries=deliveries,
        )  # fmt: skip
    return RunRecord(
        "0.1.0", "done", "Lantern Cup", "night.yaml", "", {}, "", Counts(frames=len(frames)), [names], frames
    )


def data(thumb: str) -> bytes:
    return b"\xff\xd8\xff\xe0 " + thumb.encode()


@pytest.fixture
def out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(pictures, "MOST_INSIDE", len(NAMES) - 1)
    out = tmp_path / "OUT"
    (out / ".work" / "thumbs").mkdir(parents=True)
    for name in NAMES:
        for kind in ("before", "large", "web"):
            Store(out).put("thumbs", f"{name}.{kind}.jpg", data(f"{name}.{kind}.jpg"))
    return out


def view(out: Path, of: RunRecord) -> list[dict[str, Any]]:
    text = write_report(out, of).read_text(encoding="utf-8")
    found: list[dict[str, Any]] = json.loads(text.split('id="view">')[1].split("</script>")[0])["frames"]
    return found


def test_many_pictures_are_files_that_are_called_by_their_digest(out: Path) -> None:
    frames = view(out, record())
    assert len(report_files(out)) == 3 * len(NAMES)
    for name in report_files(out):  # FIPS 180-4, by Python's own hashlib
        assert hashlib.sha256((out / "report" / name).read_bytes()).hexdigest().startswith(name[:-4])
    for name, frame in zip(NAMES, frames, strict=True):
        assert (out / frame["before"]["large"]).read_bytes() == data(f"{name}.large.jpg")
        assert (out / frame["deliveries"]["web"]["after"]["small"]).read_bytes() == data(f"{name}.web.jpg")
        assert frame["deliveries"]["web"]["after"]["large"] == f"./web/{name}.jpg"
    assert not [path for path in (out / "report").iterdir() if path.name not in report_files(out)]


def test_a_frame_that_is_held_for_consent_leaves_no_picture(out: Path) -> None:
    view(out, record())
    frames = view(out, record(consent=("HB1_0004",)))
    assert frames[3]["before"] == {"small": "", "large": ""}
    left = {(out / "report" / name).read_bytes() for name in report_files(out)}
    assert len(left) == 3 * (len(NAMES) - 1) and not any(b"HB1_0004" in one for one in left)
    assert "HB1_0004.web" not in (out / "report.html").read_text(encoding="utf-8")


def test_pictures_are_withdrawn_before_anything_else_can_fail(out: Path) -> None:
    view(out, record())
    pictures_of(Store(out), record(consent=tuple(NAMES[:2])))
    assert len(report_files(out)) == 3 * (len(NAMES) - 2)


def test_few_pictures_are_in_the_page_and_those_beside_it_go(out: Path) -> None:
    view(out, record())
    (out / "report" / "notes.txt").write_text("mine")
    frames = view(out, record(NAMES[:-1]))
    assert [path.name for path in (out / "report").iterdir()] == ["notes.txt"]
    assert frames[0]["before"]["large"].startswith("data:image/jpeg;base64,")
    (out / "report" / "notes.txt").unlink()
    view(out, record(NAMES[:-1]))
    assert not (out / "report").exists()


def test_what_is_not_ours_stays(out: Path) -> None:
    view(out, record())
    planted = out / "report" / ("0" * 32 + ".jpg")
    planted.write_bytes(b"somebody else's")
    view(out, record())
    assert planted.read_bytes() == b"somebody else's"


def test_a_stop_writes_no_more_pictures_and_still_withdraws(out: Path) -> None:
    view(out, record(consent=("HB1_0001",)))
    gone = out / "report" / report_files(out)[0]
    gone.unlink()
    write_report(out, record(consent=("HB1_0002",)), hurried=True)
    assert len(report_files(out)) in (3 * (len(NAMES) - 2) - 1, 3 * (len(NAMES) - 2))
    assert not any(b"HB1_0002" in (out / "report" / name).read_bytes() for name in report_files(out))


def test_nothing_is_written_through_a_link(out: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (out / "report").symlink_to(elsewhere)
    assert view(out, record())[0]["before"] == {"small": "", "large": ""}
    assert not list(elsewhere.iterdir())


def test_verify_knows_the_pictures_and_finds_what_happened_to_them(out: Path) -> None:
    write_record(out, record())
    write_report(out, record())
    write_manifest(Store(out), {})

    def said() -> list[str]:
        return [text for text in compare(Store(out), record()).problems if text.startswith("report/")]

    assert said() == []
    first, second, *_ = report_files(out)
    (out / "report" / first).write_bytes(b"changed")
    (out / "report" / second).unlink()
    added = out / "report" / "more.jpg"
    added.write_bytes(b"more")
    proven = out / "report" / (hashlib.sha256(b"x").hexdigest()[:32] + ".jpg")
    proven.write_bytes(b"x")
    texts = said()
    assert len(texts) == 4
    assert any(text.startswith(f"report/{first}: differs") for text in texts)
    assert any(text.startswith(f"report/{second}: is missing") for text in texts)
    for path in (added, proven):  # planted, since the run finished without them
        assert f"report/{path.name}: no record says that this program made it" in texts


def test_no_delivery_takes_the_folder(tmp_path: Path) -> None:
    recipe = tmp_path / "night.yaml"
    recipe.write_text("recipe: 1\nsteps: [decode: ]\ndeliveries:\n  Report:\n    - save: {format: jpeg}\n")
    with pytest.raises(InputError, match=r"pictures of report\.html"):
        load_recipe(recipe, REGISTRY)
