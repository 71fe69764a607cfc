"""What must not leave a shoot does not: names that are withheld, places, serial numbers, owners, maker notes.

A shoot with such things wherever a person or a camera could have put them (privacy_shoot.py) goes through the command
line five times while consent changes; after each run every byte of what was made is searched (privacy_scan.py),
and every file's metadata is read by libexiv2, Pillow and ExifRead. Tags: Exif 2.32 (CIPA DC-008-2019), 4.6.5 and
4.6.6; DNG 1.6 for CameraSerialNumber.
"""

from __future__ import annotations

import io
import json
import random
import shutil
import struct
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import exifread
import pytest
from PIL import ExifTags, Image

from pipeline.people.modelfiles import VARIABLE
from pipeline.shoot.names import holds_any, name_pattern, replace_name
from pipeline.shoot.read_facts import load_facts
from tests.engine import privacy_shoot as nasty
from tests.engine.privacy_scan import forms, found_in, leaks, pieces
from tests.engine.privacy_shoot import INGRID, MARIT, SHOWN, WITHHELD, ZOFIA, exiv2
from tests.engine.test_run import evencourt
from tests.shoot.called import index_of

# What the photographer keeps and does not hand on, beside the deliveries.
OWN = ("run.json", "report.html", "frames.csv")
PRIVATE = ".work"
EVERY = (*WITHHELD, *SHOWN)
# CameraOwnerName, BodySerialNumber, LensSerialNumber, CameraSerialNumber, MakerNote, the pointer to GPS; and XMP's.
FORBIDDEN_TAGS = {0xA430, 0xA431, 0xA435, 0xC62F, 0x927C, 0x8825}
FORBIDDEN_XMP = ("Xmp.exif.GPS", "Xmp.aux.", "Xmp.exifEX.")


@dataclass(frozen=True)
class State:
    """What stood after one run. held: names of frames that may be in no delivery."""

    folder: Path
    status: int
    output: str
    withheld: tuple[str, ...]
    shown: tuple[str, ...]
    held: tuple[str, ...]

    @property
    def out(self) -> Path:
        return self.folder / "out"

    @property
    def pushed(self) -> Path:
        return self.folder / "push"


# minors, further names whose consent is withdrawn, names that may be shown, frames held beside nasty.HELD
_STEPS = {
    "some may not be shown": (False, (), SHOWN, ()),
    "minors": (True, (), (), ()),
    "consent withdrawn": (False, (MARIT,), (INGRID, ZOFIA), ("TH1_0005_Żółkiewska",)),
    "one more": (False, (MARIT, ZOFIA), (INGRID,), ("TH1_0003", "TH1_0005_Żółkiewska", "TH1_0008")),
    # Its file has a name that may no longer be shown, and cannot be made again.
    "a frame is gone": (True, (MARIT, ZOFIA), (), ("TH1_0003", "TH1_0005_Żółkiewska", "TH1_0008")),
}
_GONE = "TH1_0004.dng"


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("nasty")
    (folder / "words.txt").write_text(nasty.WORDS, encoding="utf-8")
    (folder / "recipe.yaml").write_text(nasty.RECIPE.replace("PUSH", str(folder / "push")), encoding="utf-8")
    return nasty.write_shoot(folder)


@pytest.fixture(scope="module")
def states(shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, State]]:
    """The runs into one OUT, and copies of what stood after each."""
    folder = shoot.parent
    (folder / "push" / "untitled").mkdir(parents=True)  # the title holds a name, so the folder is not called by it
    found = {}
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv(VARIABLE, raising=False)
        for name, (minors, withdrawn, shown, held) in _STEPS.items():
            nasty.write_facts(shoot, minors=minors, withdrawn=withdrawn)
            if name == "a frame is gone":
                (shoot / _GONE).unlink()
            status, output = evencourt("run", folder / "recipe.yaml", shoot, "--out", folder / "out", "--workers", 1)
            copy = tmp_path_factory.mktemp("state")
            for part in ("out", "push"):
                shutil.copytree(folder / part, copy / part, symlinks=True)
            withheld = tuple(n for n in (*WITHHELD, *SHOWN) if n not in shown)
            found[name] = State(copy, status, output, withheld, shown, (*nasty.HELD, *held))
        yield found


@pytest.fixture(params=_STEPS)
def state(states: dict[str, State], request: pytest.FixtureRequest) -> State:
    return states[request.param]


def pictures(state: State) -> Iterator[tuple[str, bytes]]:
    """Every delivered, pushed, zipped and small picture."""
    for folder in (state.out, state.pushed):
        for path in sorted(folder.rglob("*")):
            relative = path.relative_to(folder)
            if not path.is_file() or relative.parts[0] == PRIVATE:
                continue
            for what, data in pieces(path):
                if data[:2] == b"\xff\xd8" or data[:4] in (b"II*\0", b"MM\0*"):
                    yield f"{relative}: {what}", data


# ---- the looking itself ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*WITHHELD, *SHOWN])
def test_every_form_of_a_name_is_found_where_it_is_planted(name: str) -> None:
    chance = random.Random(name)
    for what, data in forms(name):
        blob = chance.randbytes(chance.randrange(60, 64)) + data + chance.randbytes(61)
        assert name in found_in(blob, [name]), what


def test_nothing_is_found_where_nothing_is() -> None:
    assert not found_in(random.Random(1).randbytes(200_000), [*WITHHELD, *SHOWN])
    assert not found_in("Ingrid passes to Solb, Zofia to Wang; Łucja, O'Brien".encode(), [*WITHHELD, *SHOWN])


def test_a_name_planted_in_a_zip_a_page_or_a_file_name_is_found(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x.txt", "Łucja Żółkiewska " * 20)
        archive.writestr("王小雨.txt", "")
        archive.comment = "İpek Işıkoğlu".encode()
    (tmp_path / "Solbakken_Ingrid.jpg").write_bytes(b"")
    (tmp_path / "Zofia Kłosowska").mkdir()
    (tmp_path / "link").symlink_to("Marit Eikeland")
    found = " ".join(leaks(tmp_path, (*WITHHELD, *SHOWN)))
    assert all(n in found for n in ("Łucja Żółkiewska", "王小雨", "İpek Işıkoğlu", INGRID, ZOFIA, MARIT))
    (tmp_path / ".work").mkdir()
    (tmp_path / ".work" / "a.txt").write_text(nasty.ARABIC, encoding="utf-8")
    assert not leaks(tmp_path, (nasty.ARABIC,), skip=[PRIVATE]) and leaks(tmp_path, (nasty.ARABIC,))


def test_the_readers_see_in_the_frames_what_is_sought(shoot: Path) -> None:
    for name in ("TH1_0003.dng", "TH1_0007.jpg", "TH1_0008.tif"):
        data = (shoot / name).read_bytes()
        if not name.endswith(".dng"):  # Pillow reads no mosaic
            assert len(set(secrets_in(data))) >= 8, name
        assert found_in(data, [nasty.POLISH]), name
        assert {nasty.BODY_SERIAL, nasty.LENS_SERIAL, nasty.OWNER, nasty.GPS, "place <"} <= {*_bytes_of_secrets(data)}


# ---- names -----------------------------------------------------------------------------------------------------


def test_no_withheld_name_is_in_a_delivery_zip_page_or_push(state: State) -> None:
    assert not leaks(state.out, state.withheld, [PRIVATE, *OWN], EVERY)
    assert not leaks(state.pushed, state.withheld, (), EVERY)


def test_names_that_may_be_shown_are_there(state: State) -> None:
    """Else nothing would be proved by their absence; and a name that is free again comes back."""
    for folder in (state.out / "web", state.out / "print", state.pushed):
        found = " ".join(leaks(folder, state.shown, (), EVERY))
        shown = {INGRID, ZOFIA, MARIT} & set(state.shown)
        assert all(name in found for name in shown), folder


def test_no_withheld_name_is_in_the_record_or_the_report(state: State) -> None:
    assert not leaks(state.out, state.withheld, [PRIVATE, "web", "print", "frames.csv"], EVERY)


def test_status_tells_no_withheld_name(states: dict[str, State]) -> None:
    """It reads run.json; the run itself tells the person at the keyboard what to mend, and by its name."""
    for state in states.values():
        _, output = evencourt("status", state.out)
        assert "held back" in output and not found_in(output.encode(), state.withheld)


def test_a_delivery_is_not_called_by_a_withheld_name(shoot: Path, tmp_path: Path) -> None:
    nasty.write_facts(shoot, minors=False)
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text("recipe: 1\ndeliveries:\n  lucja-zolkiewska:\n    - save:\n", encoding="utf-8")
    status, output = evencourt("run", recipe, shoot, "--out", tmp_path / "out", "--workers", 1)
    assert status == 2 and "rename it" in output
    assert not (tmp_path / "out").exists()


def test_the_table_holds_no_more_than_was_typed(state: State, shoot: Path) -> None:
    """frames.csv is the photographer's, to copy back: a frame is held by the words in it, and found by its name."""
    data = (state.out / "frames.csv").read_bytes()
    typed = (shoot / "frames.csv").read_bytes() + "".join(p.name for p in shoot.iterdir()).encode()
    names = (*WITHHELD, *SHOWN)
    assert found_in(data, names) <= found_in(typed, names)


@pytest.mark.parametrize(
    "typed",
    ["García López, Ana María", "López, Ana María García", "María García López, Ana",
     "https://example.org/Ana%20Mar%C3%ADa_Garc%C3%ADa-L%C3%B3pez", "Ana Mar&iacute;a Garc&#237;a L&#xF3;pez"],
)  # fmt: skip
def test_a_name_of_several_words_is_known_whatever_stands_first_and_in_escapes(typed: str) -> None:
    """RFC 3986, 2.1, for %; HTML Living Standard, 13.5, for &."""
    pattern = name_pattern("Ana María García López")
    assert pattern is not None
    left = replace_name(typed, pattern, "X")
    assert "X" in left and not found_in(left.encode(), ["Ana María García López"])
    assert replace_name("50% of Ana & María", pattern, "X") == "50% of Ana & María"


@pytest.mark.parametrize(
    ("name", "typed"),
    [
        ("ليلى الحارثي", "ليـــلى الحـارثي"), ("ليلى الحارثي", "ليلي الحارثي"), ("زهرا کریمی", "زهرا كريمي"),
        ("فاطمة علي", "فاطمه علي"), ("Siobhán D'Arcy-O'Donnell", "Siobhán DʼArcy‑OʼDonnell"),
        ("Sean ONeill", "Sean O’Neill"), ("Марʼяна Білик", "Мар'яна Білик"), ("Annamaria Holm", "Anna-Maria Holm"),
    ],
)  # fmt: skip
def test_a_name_is_known_by_its_other_spellings(name: str, typed: str) -> None:
    """Stretched Arabic, letters that stand for one another, apostrophes of all kinds: common practice, no source."""
    pattern = name_pattern(name)
    assert pattern is not None
    assert replace_name(f"({typed})", pattern, "X") == "(X)" and holds_any(typed, (name,))


def test_the_quick_look_for_names_finds_what_their_patterns_find() -> None:
    chance, found = random.Random(3), 0
    typed = [["".join(chance.choices("aeoudj'- nA王雨ü", k=chance.randrange(1, n))) for n in [6, *[14] * 10]]
             for _ in range(500)]  # fmt: skip
    for name, text in ((name, text) for name, *texts in typed for text in texts):
        pattern = name_pattern(name)
        there = pattern is not None and replace_name(text, pattern, "#") != text
        found += there
        assert holds_any(text, (name,)) == there, (name, text)
    assert found > 100


# ---- frames that are held --------------------------------------------------------------------------------------


def test_a_frame_that_shows_a_withheld_player_is_held(state: State) -> None:
    record = json.loads((state.out / "run.json").read_text(encoding="utf-8"))
    held = [frame for frame in record["frames"].values() if frame["status"] == "held"]
    assert len(held) == len(state.held) == record["counts"]["held"]
    for frame in held:
        assert frame["deliveries"] == {} and frame["consent"]
        assert "publish: no (line " in frame["reason"]
    assert f"{len(held)} held back" in state.output
    report = (state.out / "report.html").read_text(encoding="utf-8")
    view = json.loads(report.split('id="view">')[1].split("</script>")[0])
    for frame in view["frames"]:  # the report shows no picture of them, and a large one of what is delivered
        if frame["status"] in ("held", "delivered"):
            assert [bool(one) for one in frame["before"].values()] == [frame["status"] == "delivered"] * 2
    assert f"{len(held)} held back" in report and report.count("whose line in the roster says publish: no") >= len(held)


def test_a_held_frame_is_in_no_delivery(state: State) -> None:
    made = json.loads((state.out / "run.json").read_text(encoding="utf-8"))["counts"]["delivered"]
    web = {p.name for p in (state.out / "web").glob("*.jpg")}
    assert len(web) == len(list((state.out / "print").glob("*.tif"))) == made
    assert {p.name for p in (state.out / "web" / "small").iterdir()} == web
    with zipfile.ZipFile(state.out / "web" / "web.zip") as archive:
        assert set(archive.namelist()) == {f"web/{name}" for name in (*web, "SHA256SUMS")}
        listed = archive.read("web/SHA256SUMS").decode().splitlines()
        assert {line.split("  ", 1)[1] for line in listed} == web
    page = (state.out / "web" / "index.html").read_text(encoding="utf-8")
    assert page.count("<figure") == made
    every = " ".join([*(what for what, _ in pictures(state)), page])
    for name in state.held:
        if "Żółkiewska" not in name and not found_in(name.encode(), WITHHELD):  # those stand as frame-0000 anyway
            assert name not in every


def test_a_line_that_would_hold_a_frame_and_finds_none_says_so(tmp_path: Path) -> None:
    nasty.write_facts(tmp_path, minors=False)
    table = "frame,players\nTH1_0OO1,home 4\nTH1_0OO2,home 7\n"
    (tmp_path / "frames.csv").write_text(table, encoding="utf-8")
    _, _, missing = load_facts(tmp_path, None, index_of(["TH1_0001", "TH1_0002"]))
    assert ["not held back" in why for _, why in missing] == [True, False]


def test_what_is_pushed_is_what_stands_and_nothing_private(state: State) -> None:
    def files(folder: Path) -> dict[str, bytes]:
        return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}

    assert {p.name for p in state.pushed.iterdir()} == {"untitled", "print"}
    assert files(state.pushed / "untitled" / "web") == files(state.out / "web")
    assert files(state.pushed / "print") == files(state.out / "print")
    assert not [p for p in state.pushed.rglob("*") if p.name.startswith(".") or p.name in OWN]
    assert not [p for folder in (state.out, state.pushed) for p in folder.rglob("*") if p.is_symlink()]


def test_what_stands_can_be_verified(states: dict[str, State], shoot: Path) -> None:
    nasty.write_facts(shoot, minors=True, withdrawn=(MARIT, ZOFIA))  # as they were last
    status, output = evencourt("verify", shoot.parent / "out", "--render", 2)
    assert status == 0, output


# ---- places, serial numbers, owners ----------------------------------------------------------------------------


def secrets_in(data: bytes) -> list[str]:
    """Tags that must not be in a delivered file, as three independent readers find them."""
    image = exiv2.ImageFactory.open(data)
    image.readMetadata()
    exif = image.exifData()
    found = [d.key() for d in exif if d.groupName().startswith("GPS") or d.tag() in FORBIDDEN_TAGS]
    found += [d.key() for d in exif if d.groupName().startswith(("Thumbnail", "SubThumb"))]
    found += [d.key() for d in image.xmpData() if d.key().startswith(FORBIDDEN_XMP)]
    found += ["comment"] if image.comment() else []
    with Image.open(io.BytesIO(data)) as picture:
        tags = picture.getexif()
        found += [f"Pillow {tag:#x}" for tag in (*tags, *tags.get_ifd(ExifTags.IFD.Exif)) if tag in FORBIDDEN_TAGS]
        found += ["Pillow GPS"] if tags.get_ifd(ExifTags.IFD.GPSInfo) else []
        found += ["Pillow second directory"] if tags.get_ifd(ExifTags.IFD.IFD1) else []
        found += ["Pillow comment"] if picture.info.get("comment") else []
    read = exifread.process_file(io.BytesIO(data), details=True)
    for key in read:
        if any(word in key for word in ("GPS", "Serial", "Owner", "MakerNote", "Thumbnail")):
            found.append(f"ExifRead {key}")
    return found


def _bytes_of_secrets(data: bytes) -> list[str]:
    """The same things as bytes, wherever they stand."""
    sought = {text: text.encode(codec) for text in (nasty.BODY_SERIAL, nasty.LENS_SERIAL, nasty.OWNER, nasty.GPS)
              for codec in ("ascii",)}  # fmt: skip
    wide = {f"{t} in {c}": t.encode(c) for t in sought for c in ("utf-16-le", "utf-16-be")}
    place = {f"place {o}": struct.pack(f"{o}2I", *nasty.GPS_RATIONALS[2]) for o in "<>"}
    return [what for what, raw in {**sought, **wide, **place, "maker note": nasty.MAKER[-64:]}.items() if raw in data]


def test_no_place_serial_number_owner_maker_note_or_thumbnail_leaves(state: State) -> None:
    count = 0
    for what, data in pictures(state):
        count += 1
        assert not secrets_in(data), what
    assert count > 4 * 1  # of one frame or more: web and print, small, zipped, and pushed
    for folder in (state.out, state.pushed):
        for path in folder.rglob("*"):
            if path.is_file() and PRIVATE not in path.relative_to(folder).parts:
                for what, data in pieces(path):
                    assert not _bytes_of_secrets(data), what


# ---- with the finder of people ---------------------------------------------------------------------------------


def test_with_models_nothing_more_leaves(shoot: Path, tmp_path: Path, shared, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(shared("models")))
    recipe = nasty.RECIPE.replace("PUSH", str(tmp_path / "push")).replace(
        "  web:\n", '  web:\n    - crop: {to: subject, aspect: "3:2"}\n'
    )
    (tmp_path / "recipe.yaml").write_text(recipe, encoding="utf-8")
    (tmp_path / "words.txt").write_text(nasty.WORDS, encoding="utf-8")
    (tmp_path / "push" / "untitled").mkdir(parents=True)
    part, held = nasty.part_of(shoot, tmp_path / "shoot")  # finding people takes long
    nasty.write_facts(part, minors=True)
    status, output = evencourt("run", tmp_path / "recipe.yaml", part, "--out", tmp_path / "out", "--workers", 1)
    assert status == 0 and f"{held} held back" in output and len(list((tmp_path / "out" / "print").iterdir())) == 3
    assert not leaks(tmp_path / "out", (*WITHHELD, *SHOWN), skip=[PRIVATE, *OWN])
    assert not leaks(tmp_path / "push", (*WITHHELD, *SHOWN))
