"""evencourt prepare: forms that are read back without a problem, and what they take from frames and earlier facts."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from ruamel.yaml import YAML

from pipeline.cli import prepare as command
from pipeline.engine.jobs import read_shoot
from pipeline.engine.tables.event_form import FORM, PARTS, FormContent, event_form
from pipeline.engine.tables.prepare import form_content
from pipeline.engine.tables.reference_proposals import RULES, Proposal, best_of_each_light
from pipeline.formats.metadata.credits import Contact
from pipeline.imaging.colour import srgb_encode
from pipeline.imaging.geometry import Box
from pipeline.light.chart.values import LINEAR
from pipeline.shoot.eventfile import NOTHING_WRITTEN
from pipeline.shoot.read_facts import FACTS_FILES
from pipeline.types import Exif, Frame
from tests.engine.test_run import evencourt
from tests.light.test_chart import _card, _photograph, _quad

START = datetime(2026, 2, 14, 19, 42, 15)
MODEL = "Evencourt Test Camera"
SHIRTS = "team,number,name,publish\nhome,7,Ingrid Solbakken,yes\nhome,4,Tuva Rønning,no\nHarbour Gulls,00,Bo Quill,\n"


def photograph(path: Path, time: datetime | None = START, offset: str = "+01:00", **more: str) -> None:
    """A small grey JPEG as a camera writes it; more: serial, model, artist, copyright."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Evencourt", more.get("model", MODEL)
    for tag, name in ((0x013B, "artist"), (0x8298, "copyright")):
        if name in more:
            exif[tag] = more[name]
    ifd = exif.get_ifd(0x8769)
    if time is not None:
        ifd[0x9003], ifd[0x9291] = f"{time:%Y:%m:%d %H:%M:%S}", "500000"
        if offset:
            ifd[0x9011] = offset
    if "serial" in more:
        ifd[0xA431] = more["serial"]
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (96, 64), (120, 120, 120)).save(path, exif=exif)


def night(folder: Path, **more: str) -> Path:
    """A shoot of four frames, a minute apart."""
    for number in range(4):
        photograph(folder / f"TH1_000{number + 1}.jpg", START + timedelta(minutes=number), serial="EC-000123", **more)
    return folder


def prepare(shoot: Path, facts: Path, *more: object) -> str:
    """What the command prints; it must succeed and leave the shoot folder as it is."""
    before = {p: p.read_bytes() for p in shoot.rglob("*") if p.is_file()}
    status, text = evencourt("prepare", shoot, "--facts", facts, "--workers", 1, "--separator", "comma", *more)
    assert status == 0, text
    assert {p: p.read_bytes() for p in shoot.rglob("*") if p.is_file()} == before
    return text


def yaml_of(facts: Path) -> dict[str, object]:
    """By an independent reader, without what is empty."""
    read = YAML(typ="safe", pure=True).load((facts / "shoot.yaml").read_text(encoding="utf-8"))
    return {key: value for key, value in read.items() if value is not None}


# ---- the forms ---------------------------------------------------------------------------------------------


def test_the_form_has_every_key_that_is_read() -> None:
    keys = [key for _, some in FORM for key, _ in some]
    assert sorted(keys) == sorted(type(NOTHING_WRITTEN).model_fields)
    parts = {"contact": Contact.__dataclass_fields__, "teams": type(NOTHING_WRITTEN.teams).model_fields}
    assert {key: set(names) for key, names in PARTS.items()} == {key: set(names) for key, names in parts.items()}
    lines = event_form("x", FormContent()).splitlines()
    assert all(sum(line.split(":")[0] == key for line in lines) == 1 for key in keys)
    assert max(map(len, lines)) <= 120


def test_three_files_that_are_read_back_without_a_problem(tmp_path: Path) -> None:
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "evening" / "facts"
    text = prepare(shoot, facts)
    assert sorted(p.name for p in facts.iterdir()) == sorted(FACTS_FILES)
    assert all(f"{facts / name}: written" in text for name in FACTS_FILES)
    read = read_shoot(shoot, facts)
    assert read.facts.roster == () and read.missing == () and sorted(read.facts.rows) == [f.name for f in read.frames]
    assert yaml_of(facts) == {
        "teams": {"home": None, "away": None},
        "contact": dict.fromkeys(PARTS["contact"]),
        "start": datetime(2026, 2, 14, 18, 42, 15),
        "minors": False,
        "clocks": {"0123": 0},
    } | {"start": yaml_of(facts)["start"]}
    assert read.facts.start is not None and read.facts.start.isoformat() == "2026-02-14T19:42:15+01:00"
    assert "EC-000123: 4 frames, 2026-02-14 19:42:15 to 19:45:15" in (facts / "shoot.yaml").read_text("utf-8")
    # As the command that it names then says.
    status, text = evencourt("captions", shoot, "--facts", facts, "--check")
    assert status == 0 and "4 rows read" in text


def test_filled_in_where_it_says_it_is_used(tmp_path: Path) -> None:
    """What a person types after the colons and in place of the examples is what a run reads."""
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    prepare(shoot, facts)
    form = (facts / "shoot.yaml").read_text(encoding="utf-8")
    for key, value in (
        ("title", "Lantern Cup"),
        ("  home", "Harbour Gulls"),
        ("country", "NO"),
        ("  email", "a@b.example"),
    ):
        form = "\n".join(
            f"{key}: {value}" + line[len(key) + 1 :] if line.startswith(f"{key}:") else line
            for line in form.split("\n")
        )
    (facts / "shoot.yaml").write_text(form, encoding="utf-8")
    table = (facts / "roster.csv").read_text(encoding="utf-8-sig")
    (facts / "roster.csv").write_text(table.replace("# home,7,First and last name", "home,7,Ida Marlow"), "utf-8")
    read = read_shoot(shoot, facts).facts
    assert (read.title, read.teams, read.country, read.contact.email) == (
        "Lantern Cup", {"home": "Harbour Gulls"}, "NO", "a@b.example",
    )  # fmt: skip
    assert [player.name for player in read.roster] == ["Ida Marlow"]


def test_what_is_there_is_never_overwritten(tmp_path: Path) -> None:
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    facts.mkdir()
    (facts / "roster.csv").write_text(SHIRTS.replace("Harbour Gulls", "home"), encoding="utf-8")
    mine = (facts / "roster.csv").read_bytes()
    assert f"{facts / 'roster.csv'}: kept" in prepare(shoot, facts)
    assert (facts / "roster.csv").read_bytes() == mine
    (facts / "shoot.yaml").write_text("title: Mine\n", encoding="utf-8")
    (facts / "frames.csv").write_text("frame,words\nTH1_0002,mine\n", encoding="utf-8")
    before = {p: p.read_bytes() for p in facts.iterdir()}
    text = prepare(shoot, facts)
    assert text.count(": kept") == 3 and f"evencourt captions {shoot} --facts {facts}\n" in text
    assert {p: p.read_bytes() for p in facts.iterdir()} == before
    (facts / "shoot.yaml").unlink()
    prepare(shoot, facts)
    before[facts / "shoot.yaml"] = (facts / "shoot.yaml").read_bytes()
    assert {p: p.read_bytes() for p in facts.iterdir()} == before
    # A link that leads nowhere, such as to a disk that is not plugged in, stays.
    (facts / "shoot.yaml").unlink()
    (facts / "shoot.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    evencourt("prepare", shoot, "--facts", facts)
    assert (facts / "shoot.yaml").is_symlink() and not (tmp_path / "elsewhere.yaml").exists()


def test_a_file_that_a_person_begins_meanwhile_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    texts = {"shoot.yaml": "title: Mine\n", "roster.csv": "team,number,name\nhome,7,Ida Ask\n", "frames.csv": "frame\n"}
    measure_shoot = command.measure_shoot

    def meanwhile(*given: object) -> object:
        for name, text in texts.items():
            (facts / name).write_text(text, encoding="utf-8")
        return measure_shoot(*given)

    monkeypatch.setattr(command, "measure_shoot", meanwhile)
    assert prepare(shoot, facts).count("kept, since it was written in the meantime") == 3
    assert {p.name: p.read_text(encoding="utf-8") for p in facts.iterdir()} == texts


def test_tables_that_the_facts_call_otherwise_are_kept(tmp_path: Path) -> None:
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    facts.mkdir()
    (facts / "shoot.yaml").write_text("roster: gulls.csv\nframes: night.csv\n", encoding="utf-8")
    (facts / "gulls.csv").write_text("team,number,name\nhome,7,Ida Ask\n", encoding="utf-8")
    (facts / "night.csv").write_text("frame,words\nTH1_0002,mine\n", encoding="utf-8")
    before = {p: p.read_bytes() for p in facts.iterdir()}
    text = prepare(shoot, facts)
    assert all(f"{facts / name}: kept" in text for name in ("shoot.yaml", "gulls.csv", "night.csv"))
    assert {p: p.read_bytes() for p in facts.iterdir()} == before


def test_where_it_cannot_be_written(tmp_path: Path) -> None:
    shoot, file = night(tmp_path / "shoot"), tmp_path / "file"
    file.write_text("x", encoding="utf-8")
    (tmp_path / "link").symlink_to(shoot)
    for facts, words in (
        (shoot, "is in the shoot folder, which is never written to"),
        (shoot / "facts", "is in the shoot folder"),
        (tmp_path / "link" / "facts", "is in the shoot folder"),
        (file, "is a file"),
        (tmp_path / "new" / "shoot.yaml", "is a file; give a folder"),
        (file / "facts", "cannot be made"),
    ):
        status, text = evencourt("prepare", shoot, "--facts", facts)
        assert status == 2 and words in text, text
    assert evencourt("prepare", tmp_path / "gone", "--facts", tmp_path / "facts")[0] == 2
    assert not (tmp_path / "facts").exists() and len(list(shoot.iterdir())) == 4


# ---- what the frames tell ----------------------------------------------------------------------------------


def test_two_cameras(tmp_path: Path) -> None:
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    photograph(shoot / "B" / "TH2_0001.jpg", START + timedelta(hours=1), serial="EC-000777")
    photograph(shoot / "C" / "P1.jpg", START + timedelta(hours=2), model="Small camera")
    photograph(shoot / "C" / "P2.jpg", None, model="Clockless")
    prepare(shoot, facts)
    assert yaml_of(facts)["clocks"] == {"0123": 0, "0777": 0, "Small camera": 0}
    form = (facts / "shoot.yaml").read_text(encoding="utf-8")
    assert "  # Clockless: 1 frame without a time\n" in form
    (facts / "shoot.yaml").write_text(form.replace('"0777": 0', '"0777": 90'), encoding="utf-8")
    moved = {frame.name: frame.exif.time for frame in read_shoot(shoot, facts).frames}
    for name, plain in {frame.name: frame.exif.time for frame in read_shoot(shoot).frames}.items():
        assert moved[name] == (plain + timedelta(seconds=90) if plain and "TH2" in name else plain)


def test_a_camera_that_no_key_is_clear_for_is_a_remark(tmp_path: Path) -> None:
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    photograph(shoot / "A.jpg", START, model="")
    prepare(shoot, facts)
    assert yaml_of(facts)["clocks"] == {"0123": 0}
    assert "a camera without a model: 1 frame, 2026-02-14 19:42:15; to correct it, put the frames of" in (
        (facts / "shoot.yaml").read_text("utf-8")
    )


@pytest.mark.parametrize(
    ("times", "offset", "remark"),
    [
        ((None, None), "+01:00", "no frame holds a time"),
        ((START, START), "", "a guess: 2026-02-14T19:42:15"),
        ((START, START + timedelta(days=6)), "+01:00", "frames are of 2026-02-14 to 2026-02-20"),
        # One frame of a camera that was never set, one of a week later: the evening is that with most frames.
        (
            (datetime(2000, 1, 1), START, START + timedelta(hours=1), START + timedelta(days=7)),
            "+01:00",
            "a guess: 2026-02-14T19:42:15+01:00, the first frame of the day with most frames",
        ),
        ((datetime(1, 1, 1), datetime(1, 1, 1)), "", "a guess: 0001-01-01T00:00:00"),
    ],
)
def test_a_start_that_is_not_sure_is_a_remark(times: tuple[datetime | None, ...], offset: str, remark: str) -> None:
    minutes = {"": None, "+01:00": 60}[offset]
    frames = [
        Frame(f"F{n}", Path(), f"F{n}.jpg", "picture", Exif(time=time, utc_offset=minutes))
        for n, time in enumerate(times)
    ]
    content = form_content(frames, [], [])
    assert "start" not in content.values and remark in content.remarks["start"]
    assert "start: " in event_form("x", content) and "\nstart: 2" not in event_form("x", content)


def test_a_shoot_without_any_time(tmp_path: Path) -> None:
    shoot, facts = tmp_path / "shoot", tmp_path / "facts"
    for number in (1, 2):
        photograph(shoot / f"A{number}.jpg", None)
    prepare(shoot, facts)
    assert "start" not in yaml_of(facts) and "clocks" not in yaml_of(facts)
    assert read_shoot(shoot, facts).facts.start is None


def test_texts_of_the_cameras_are_remarks_that_nothing_can_break_out_of(tmp_path: Path) -> None:
    """YAML 1.2.2: a comment ends with the line (6.6), and a text in double quotes with its quote (7.3.1)."""
    shoot, facts = tmp_path / "shoot", tmp_path / "facts"
    nasty = 'Ada\nminors: false\nroster: /etc/passwd # \\" \x85 \u2028 {'
    night(shoot, artist=nasty, copyright="© 2026 Ada\r\ntitle: x")
    photograph(shoot / "B.jpg", START, serial='1"\nminors: yes\n#', model="X: {\n- y")
    photograph(shoot / "'}\n: #.jpg", START, serial="EC-000123")
    prepare(shoot, facts)
    read, form = yaml_of(facts), (facts / "shoot.yaml").read_text(encoding="utf-8")
    assert set(read) == {"teams", "start", "minors", "contact", "clocks"}
    assert read["minors"] is False and len(read["clocks"]) == 2  # type: ignore[arg-type]
    assert "the cameras say" in form and "Ada" in form and "4 frames" in form
    assert len(form.splitlines()) == len(form.split("\n")) - 1  # and no sign that another program takes for a new line
    assert len(read_shoot(shoot, facts).frames) == 6


def as_jpeg(path: Path, linear: np.ndarray, minute: int) -> None:
    """A drawing of test_chart as a camera set to sRGB would deliver it."""
    photograph(path, START + timedelta(minutes=minute), serial="EC-000123")
    with Image.open(path) as before:
        exif = before.getexif()
        exif.get_ifd(0x8769)
    codes = np.round(255 * srgb_encode(np.clip(linear, 0, 1).astype(np.float32))).astype(np.uint8)
    Image.fromarray(codes).save(path, exif=exif, quality=95)


@pytest.mark.long
def test_charts_and_cards_are_proposed_and_ready_to_be_confirmed(tmp_path: Path) -> None:
    shoot, facts = tmp_path / "shoot", tmp_path / "facts"
    patches = np.maximum(LINEAR, 0)
    chart, card = _quad((380, 260), 220, 8), _quad((380, 260), 150, 0)
    as_jpeg(shoot / "CHART_1.jpg", _photograph(patches, chart, 400), 0)
    as_jpeg(shoot / "CARD_1.jpg", _card(patches * [1.1, 1, 0.8], {"neutral 5": card}), 10)
    as_jpeg(shoot / "PLAY_1.jpg", _card(patches, {"red": card}), 20)
    as_jpeg(shoot / "PLAY_2.jpg", _card(patches, {}), 30)
    # Each is found as a card, in a light of its own, and not proposed: far away, at the side, or in a burst, so play.
    as_jpeg(shoot / "FAR_1.jpg", _card(patches * [0.9, 1, 0.9], {"neutral 5": _quad((380, 260), 80, 0)}), 40)
    as_jpeg(shoot / "SIDE_1.jpg", _card(patches * [0.9, 1, 0.7], {"neutral 5": _quad((180, 260), 150, 0)}), 45)
    board = _card(patches * [1.2, 1, 0.65], {"neutral 5": card})
    for number in range(RULES.most_frames + 1):
        as_jpeg(shoot / f"PLAY_3{number}.jpg", board, 50)
    text = prepare(shoot, facts)
    assert "CHART_1, CARD_1 may show a card or chart" in text
    status, inspected = evencourt("inspect", shoot, "--workers", 1)
    assert status == 0 and "CHART_1, CARD_1 may show a card or chart; those that do" in inspected
    assert "references" not in yaml_of(facts)  # a false white would spoil the night: a person decides
    form = (facts / "shoot.yaml").read_text(encoding="utf-8")
    confirmed = form.replace("  # - {frame", "  - {frame")
    (facts / "shoot.yaml").write_text(confirmed, encoding="utf-8")
    first, second = read_shoot(shoot, facts).facts.references
    assert "may show a card" not in evencourt("inspect", shoot, "--facts", facts, "--workers", 1)[1]
    assert (first.frame, first.chart, second.frame, second.chart) == ("CHART_1", "auto", "CARD_1", None)
    low, high = card.min(axis=0) / (768, 512), card.max(axis=0) / (768, 512)
    assert isinstance(second.patch, Box)
    assert low[0] < second.patch.x0 < second.patch.x1 < high[0] and low[1] < second.patch.y0 < second.patch.y1 < high[1]
    # The grey that is named beside a chart is its grey: the drawing's own colour there, of equal red, green and blue.
    x0, y0, x1, y1 = map(float, form.partition("grey alone: patch: [")[2].partition("]")[0].split(","))
    drawn = np.asarray(Image.open(shoot / "CHART_1.jpg"), dtype=np.float64)
    inside = drawn[round(y0 * 512) : round(y1 * 512) + 1, round(x0 * 768) : round(x1 * 768) + 1].mean(axis=(0, 1))
    assert np.ptp(inside) < 6 and 60 < inside.mean() < 200


def test_the_best_frame_of_each_light() -> None:
    def found(frame: str, kind: str, white: float, area: float, why: str = "", camera: str = "W") -> Proposal:
        return Proposal(frame, kind, Box(0.4, 0.4, 0.6, 0.6), why, (white, -white), area, camera=camera)

    some = [
        found("A", "card", 0.0, 0.9),
        found("B", "chart", 0.3, 0.1),
        found("C", "chart", 0.01, 0.2),
        found("D", "chart", 0.0, 0.3),
        found("E", "chart", 0.0, 0.3, "clipped"),
        found("X", "card", 0.0, 0.1, camera="another"),  # whose white is its own
    ]
    best = best_of_each_light(some)
    assert [(one.frame, one.alike) for one in best] == [("B", ()), ("D", ("C", "A")), ("X", ()), ("E", ())]
    many = [found(f"F{n}", "chart", n / 2, n) for n in range(20)]
    assert [one.frame for one in best_of_each_light(many)] == [f"F{n}" for n in range(16, 20)]


def test_a_frame_that_cannot_be_read_costs_no_form(tmp_path: Path) -> None:
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    (shoot / "CUT.jpg").write_bytes((shoot / "TH1_0001.jpg").read_bytes()[:300])
    status, text = evencourt("prepare", shoot, "--facts", facts, "--workers", 1)
    assert status == 1 and "failed: CUT.jpg" in text and ", 1 of them cannot be read" in text
    (row,) = (line for line in (facts / "frames.csv").read_text(encoding="utf-8-sig").splitlines() if "CUT" in line)
    assert row.endswith("(in no delivery: cannot be read)")
    assert sorted(p.name for p in facts.iterdir()) == sorted(FACTS_FILES)


def test_the_same_frames_give_the_same_forms(tmp_path: Path) -> None:
    shoot = night(tmp_path / "shoot", artist="Ada Nordlys")

    def digests(folder: Path) -> Mapping[str, str]:
        prepare(shoot, folder)
        return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}

    assert digests(tmp_path / "one") == digests(tmp_path / "two")
