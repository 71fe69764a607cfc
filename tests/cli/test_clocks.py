"""The cameras and their clocks on the command line: what inspect, check and run print, and what is written.

Expected times are worked out by hand from Exif 2.32 (CIPA DC-008-2019): tags 36867 (time), 37521 (its decimals), 36881
(its zone) and 42033 (serial number of the body).
"""

from __future__ import annotations

import json
import re
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from pipeline.engine.jobs import read_shoot
from pipeline.types import Exif
from tests.engine.test_run import evencourt

A, B = "0077001234", "0088005678"
BEGIN = datetime(2026, 2, 14, 19, 30)
RECIPE = """\
recipe: 1
steps:
  - decode:
deliveries:
  web:
    - resize: {long_edge: 60}
    - caption:
    - save: {name: "{{ time }}_{{ frame }}"}
"""


def picture(path: Path, serial: str, moment: datetime, model: str = "W1", zone: str = "") -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "Westerby", model
    tags = {0x9003: f"{moment:%Y:%m:%d %H:%M:%S}", 0x9291: f"{moment:%f}"[:2], 0x829A: 0.001, 0x8827: 3200}
    tags |= ({0xA431: serial} if serial else {}) | ({0x9011: zone} if zone else {})
    exif.get_ifd(ExifTags.IFD.Exif).update(tags)
    noise = np.random.default_rng(int(path.stem[-4:])).integers(60, 190, (64, 96, 3), np.uint8)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(noise).save(path, exif=exif, quality=90)


@pytest.fixture
def shoot(tmp_path: Path) -> Path:
    """Body A took three frames from 19:30:00 on; B is 3 h 0 min 10 s ahead and took three in the same seconds."""
    folder = tmp_path / "shoot"
    for n in range(3):
        picture(folder / "one" / f"A_{n:04d}.jpg", A, BEGIN + timedelta(seconds=2 * n))
        picture(folder / "two" / f"B_{n:04d}.jpg", B, BEGIN + timedelta(hours=3, seconds=11 + 2 * n))
    (tmp_path / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    return folder


def clocks(shoot: Path, text: str) -> None:
    (shoot / "shoot.yaml").write_text(f"title: Cup\nclocks: {text}\n", encoding="utf-8")


def test_inspect_shows_each_body_and_that_they_do_not_fit(shoot: Path) -> None:
    status, output = evencourt("inspect", shoot, "--workers", 2, "--no-cache")
    assert status == 0, output
    assert evencourt("inspect", shoot, "--no-cache") == (status, output)  # the same without workers
    lines = [line.split() for line in output.splitlines() if line.split()[1:2] == ["W1"]]
    assert lines == [
        ["1", "W1", "1234", "3", "2026-02-14", "19:30:00", "19:30:04"],
        ["2", "W1", "5678", "3", "2026-02-14", "22:30:11", "22:30:15"],
    ]
    assert "the clocks of two cameras do not fit together" in output
    assert "write under clocks: 5678: " in output
    assert A not in output and B not in output  # only the end of a serial number


def test_check_and_run_say_it_and_write_no_serial_number(shoot: Path, tmp_path: Path) -> None:
    status, checked = evencourt("check", tmp_path / "recipe.yaml", shoot)
    assert (status, "do not fit together" in checked) == (0, True), checked
    assert "write under clocks: 5678: " in checked
    out = tmp_path / "out"
    status, ran = evencourt("run", tmp_path / "recipe.yaml", shoot, "--out", out, "--workers", "1")
    assert status == 0, ran
    assert ran.count("write under clocks: 5678: ") == 1  # before the night, and not again at its end
    assert ran.count("do not fit together") == 1
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert "the clocks of W1 and W1 do not fit together, 3 h apart at the nearest: evencourt" in " ".join(
        record["notices"]
    )
    for path in out.rglob("*"):
        data = path.read_bytes() if path.is_file() else b""
        for serial in (A, B):
            assert serial.encode() not in data, path
            if path.name in ("run.json", "report.html"):
                assert not re.search(rb"(?<![0-9a-f])%s(?![0-9a-f])" % serial[-4:].encode(), data), path


ORDER = [("A_0000", 0), ("B_0000", 1), ("A_0001", 2), ("B_0001", 3), ("A_0002", 4), ("B_0002", 5)]  # s after BEGIN


@pytest.mark.parametrize(
    "entry",
    ["{5678: -10810}", f"{{'{B}': -10810.0}}", "{two: -10810}", '{5678: {frame: B_0001, shows: "19:30:03"}}',
     "{1234: 0, two: {frame: B_0000, shows: 2026-02-14 19:30:01}}"],
)  # fmt: skip
def test_what_may_be_written(shoot: Path, entry: str) -> None:
    clocks(shoot, entry)
    read = read_shoot(shoot)
    assert [(frame.name, frame.exif.time) for frame in read.frames] == [
        (name, BEGIN + timedelta(seconds=seconds)) for name, seconds in ORDER
    ]
    assert not any("do not fit" in text for text in read.notices)


def test_corrected_times_go_into_names_captions_and_order(shoot: Path, tmp_path: Path) -> None:
    clocks(shoot, '{5678: {frame: B_0001, shows: "19:30:03"}}')
    out = tmp_path / "out"
    status, ran = evencourt("run", tmp_path / "recipe.yaml", shoot, "--out", out, "--workers", "1")
    assert (status, "do not fit" in ran) == (0, False), ran
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert list(record["frames"]) == [name for name, _ in ORDER]
    assert record["frames"]["B_0001"]["time"].startswith("2026-02-14T19:30:03")
    assert (out / "web" / "193003_B_0001.jpg").is_file()
    with Image.open(out / "web" / "193003_B_0001.jpg") as delivered:
        assert delivered.getexif().get_ifd(ExifTags.IFD.Exif)[0x9003] == "2026:02:14 19:30:03"
    _, inspected = evencourt("inspect", shoot)
    assert "-10810 s" in inspected
    assert "22:30" not in inspected


def test_the_same_moment_in_both(shoot: Path) -> None:
    clocks(shoot, "{5678: {frame: B_0000, same_as: A_0002}}")
    lines = [line.split() for line in evencourt("inspect", shoot)[1].splitlines() if " W1 " in line]
    assert ["2", "W1", "5678", "3", "2026-02-14", "19:30:04", "19:30:08", "-10807", "s"] in lines


def test_a_key_of_nothing_stops_every_command(shoot: Path, tmp_path: Path) -> None:
    clocks(shoot, "{9999: 1, W1: 2}")
    for arguments in (
        ("inspect", shoot),
        ("check", tmp_path / "recipe.yaml", shoot),
        ("captions", shoot, "--out", tmp_path / "frames.csv"),
        ("run", tmp_path / "recipe.yaml", shoot, "--out", tmp_path / "out"),
    ):
        status, output = evencourt(*arguments)
        assert status == 2, (arguments, output)
        assert (
            "shoot.yaml:2:10: clocks 9999: no camera or folder of this shoot is called that; write 1234 (W1) or "
            "5678 (W1), or a folder: one or two" in output
        )
        assert "shoot.yaml:2:19: clocks W1: is 2 cameras; write one of 1234 (W1) or 5678 (W1)" in output
    assert not (tmp_path / "out").exists()


def test_a_camera_on_summer_time(shoot: Path) -> None:
    for n in range(3):
        picture(shoot / "one" / f"A_{n:04d}.jpg", A, BEGIN + timedelta(seconds=2 * n), zone="+01:00")
        picture(shoot / "two" / f"B_{n:04d}.jpg", B, BEGIN + timedelta(hours=1, seconds=2 * n), zone="+02:00")
    output = evencourt("inspect", shoot)[1]
    assert "write under clocks: 5678: -3600" in output
    clocks(shoot, "{5678: -3600}")
    assert "clocks of two" not in evencourt("inspect", shoot)[1]


def test_one_camera_has_one_line(shoot: Path) -> None:
    for path in (shoot / "two").iterdir():
        path.unlink()
    _, output = evencourt("inspect", shoot)
    assert [line.split()[:3] for line in output.splitlines() if "1234" in line] == [["W1", "1234", "3"]]
    assert "clock" not in output.replace("in clocks", "")
    assert "2026-02-14" not in output.split(" burst ")[1] and " 19:30:00 " in output.split(" burst ")[1]


def test_bursts_of_several_days_and_cameras_have_their_date_and_camera(shoot: Path) -> None:
    picture(shoot / "two" / "B_0003.jpg", B, BEGIN + timedelta(days=1))
    _, output = evencourt("inspect", shoot)
    rows = [line for line in output.split(" burst ")[1].splitlines() if re.match(r" \d .*[AB]_000", line)]
    assert rows[0].startswith(" 1 ") and " 1       2026-02-14 19:30:00" in rows[0]
    assert rows[6].startswith(" 7 ") and " 2       2026-02-15 19:30:00" in rows[6]


def test_a_camera_that_no_key_can_name_is_told_by_its_frames(shoot: Path, tmp_path: Path) -> None:
    """What is proposed for it works: a folder of its own, under its name."""
    picture(shoot / "two" / "C_0009.jpg", "", BEGIN + timedelta(days=3), model="")
    _, checked = evencourt("check", tmp_path / "recipe.yaml", shoot)
    assert "put the frames of a camera without a model (C_0009) into a folder of their own" in checked
    assert "two: right" not in checked and "()" not in checked
    assert re.search(r"\n 7 +C_0009 \(1\) +3 +2026-02-17", evencourt("inspect", shoot)[1])
    clocks(shoot, "{two: right}")
    status, refused = evencourt("check", tmp_path / "recipe.yaml", shoot)
    assert status == 2 and "2 cameras; write 5678 (W1); put the frames of a camera without a model (C_0009)" in refused
    (shoot / "three").mkdir()
    (shoot / "two" / "C_0009.jpg").rename(shoot / "three" / "C_0009.jpg")
    clocks(shoot, "{three: right, 5678: right}")
    status, checked = evencourt("check", tmp_path / "recipe.yaml", shoot)
    assert (status, "do not fit" in checked) == (0, False), checked


@pytest.mark.parametrize(
    ("make", "model", "camera"),
    [("Canon", "Canon EOS RP", "Canon EOS RP"), ("NIKON CORPORATION", "NIKON D90", "NIKON D90"),
     ("Eastman Kodak Company", "KODAK DC120", "KODAK DC120"),
     ("Westerby", "W1", "Westerby W1"), ("Westerby", "", "Westerby"), ("", "W1", "W1"), ("", "", ""),
     ("West", "Westerby 1", "West Westerby 1")],
)  # fmt: skip
def test_a_make_is_said_once(make: str, model: str, camera: str) -> None:
    assert Exif(make=make, model=model).camera == camera
