"""A shoot in which names that must not leave stand everywhere a person or a camera could have put them."""

from __future__ import annotations

import csv
import io
import shutil
from pathlib import Path

import pytest
import rawpy
from PIL import Image
from pipeline.fixtures.demo import write_demo

exiv2 = pytest.importorskip("exiv2", reason="exiv2 (extra: test) writes what cameras write")

# Made-up names, in the scripts that a roster has.
POLISH, CROATIAN, TURKISH = "Łucja Żółkiewska", "Đurđica Šćepanović-Žižek", "İpek Işıkoğlu"
ARABIC, CHINESE, IRISH = "ليلى الحارثي", "王小雨", "Siobhán D'Arcy-O'Donnell"
WITHHELD = (POLISH, CROATIAN, TURKISH, ARABIC, CHINESE, IRISH)
INGRID, MARIT, ZOFIA = "Ingrid Solbakken", "Marit Eikeland", "Zofia Kłosowska"
SHOWN = (INGRID, MARIT, ZOFIA)

BODY_SERIAL, LENS_SERIAL, OWNER = "EC-7749201358", "LS-5508123467", "Runa Kameraeier"
MAKER = b"EVC\0serial EC-7749201358 owner Runa Kameraeier " + bytes(range(64))
GPS = "59.913546"  # as XMP and people write it; in Exif:
GPS_RATIONALS = ((59, 1), (54, 1), (48765431, 1000000))

# As some keyboards and programs write them: a letter for an apostrophe, a stretching stroke.
_ODD_IRISH, _ODD_ARABIC = IRISH.replace("'", "ʼ"), ARABIC.replace("ل", "لـ")
_EVENT = f"""\
title: "Cup of {POLISH}"
teams: {{home: "{CROATIAN} Eleven", away: Mill Lane Foxes}}
venue: "{TURKISH} Hall"
city: Westerby
country: NOR
start: 2026-02-14T19:30:00+01:00
language: en
creator: Ada Nordlys
caption_writer: "{_ODD_ARABIC}"
credit: "{_ODD_IRISH} / Vale Pictures"
copyright: "© 2026 {CHINESE}"
source: "{POLISH.upper()}"
usage: "For Żółkiewska,Łucja and her family."
instructions: "Ask {TURKISH.upper()} first"
job_id: "WP-lucja_zolkiewska"
rights_url: https://example.org/rights/%C5%81ucja%20%C5%BB%C3%B3%C5%82kiewska
contact: {{email: lucja.zolkiewska@example.org, web: "https://example.org/%D9%84%D9%8A%D9%84%D9%89-%D8%A7%D9%84%D8%AD%D8%A7%D8%B1%D8%AB%D9%8A", address: "c/o {TURKISH}"}}
roster: roster.csv
frames: frames.csv
references:
  - {{frame: TH1_0001, patch: [0.34, 0.69, 0.65, 0.79], end: left}}
  - {{frame: "{CHINESE} TH1_0002", patch: [0.34, 0.69, 0.65, 0.79], end: "{CHINESE}"}}
clocks: {{{BODY_SERIAL}: 0.5}}
minors: MINORS
"""  # noqa: E501
_ROSTER = (
    ("home", "4", POLISH), ("home", "5", CROATIAN), ("home", "6", TURKISH), ("away", "8", ARABIC),
    ("away", "9", CHINESE), ("away", "10", IRISH), ("home", "7", INGRID), ("home", "11", MARIT), ("away", "12", ZOFIA),
)  # fmt: skip
# Where it comes from, its name in the shoot, players, words.
_FRAMES = (
    ("TH1_0001.dng", "TH1_0001.dng", "", ""),
    ("TH1_0002.dng", f"{CHINESE} TH1_0002.dng", "", ""),
    ("TH1_0003.dng", "TH1_0003.dng", "home 7; away 12", "meet at the nine-metre line"),
    ("TH1_0004.dng", "TH1_0004.dng", "home 7", "passes to Żółkiewskaen"),
    ("TH1_0005.dng", "TH1_0005_Żółkiewska.dng", "home 11", "wins the ball"),
    ("TH1_0006.dng", "TH1_0006.dng", "home 7", "meets a player"),
    ("TH1_0021.dng", "TH1_0021.dng", "home 4", "shoots"),
    ("TH1_0022.dng", "TH1_0022.dng", "home 7; away 9", "meet"),
    ("TH1_0023.dng", "TH1_0023.dng", "", "IŞIKOĞLU, ipek blocks"),
    ("TH1_0024.dng", f"{ARABIC}_24.dng", "away 8", ""),
    ("TH1_0007.dng", "TH1_0007.jpg", "home 7", ""),
    ("TH1_0008.dng", "TH1_0008.tif", "away 12", ""),
    ("TH1_0009.dng", "TH1_0009.jpg", "home 11", ""),
    ("TH1_0010.dng", f"{TURKISH} 10.dng", "home 7", ""),
)
# Frames that show somebody whose line says publish: no, as the table, its words, the file's name, its metadata or a
# sidecar says.
HELD = ("TH1_0021", "TH1_0022", "TH1_0023", f"{ARABIC}_24", f"{CHINESE} TH1_0002", f"{TURKISH} 10", "TH1_0007",
        "TH1_0006")  # fmt: skip
_SIDECAR = f"""<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:e="http://iptc.org/std/Iptc4xmpExt/2008-02-29/"><e:PersonInImage><rdf:Bag>
<rdf:li>{INGRID}</rdf:li><rdf:li>{CROATIAN}</rdf:li></rdf:Bag></e:PersonInImage></rdf:Description></rdf:RDF></x:xmpmeta>
"""

RECIPE = f"""\
recipe: 1
steps:
  - decode:
  - white_balance: {{method: reference_patch}}
deliveries:
  web:
    - resize: {{long_edge: 240}}
    - caption: {{template: words.txt, headline: "{CHINESE} night", alt_text: "{{{{ scene }}}} ({IRISH})",
                keywords: [handball, "{TURKISH}", Żółkiewska, "小雨"], from_camera: all}}
    - save: {{format: jpeg, name: "{{{{ players }}}}_{{{{ home }}}}_{{{{ frame }}}}"}}
    - deliver: {{zip: true, page: true, push: "PUSH/{{title}}/{{delivery}}"}}
  print:
    - resize: {{long_edge: 120}}
    - caption: {{template: "{{{{ words }}}}", headline: "{{{{ words }}}}", from_camera: all}}
    - save: {{format: tiff, name: "{{{{ event }}}}-{{{{ players }}}}-{{{{ count }}}}"}}
    - deliver: {{push: "PUSH/print"}}
"""
WORDS = f"{{{{ opening }}}} {{{{ setting }}}} Thanks to O'Donnell, Siobhán D'Arcy and {IRISH.upper()}.\n"


def write_facts(shoot: Path, *, minors: bool, withdrawn: tuple[str, ...] = ()) -> None:
    """shoot.yaml and the roster; `withdrawn`: names that may no longer be shown."""
    text = _EVENT.replace("MINORS", str(minors).lower())
    (shoot / "shoot.yaml").write_text(text, encoding="utf-8")
    rows = [("team", "number", "name", "publish")]
    rows += [(*line, "no" if line[2] in (*WITHHELD, *withdrawn) else "yes") for line in _ROSTER]
    (shoot / "roster.csv").write_text(_csv(rows), encoding="utf-8")


def write_shoot(folder: Path) -> Path:
    """The frames and their table; returns the shoot folder."""
    drawn, shoot = folder / "drawn", folder / "shoot"
    write_demo(drawn, width=240, height=160)
    shoot.mkdir()
    rows = [("frame", "keep", "rating", "players", "words")]
    for source, name, players, words in _FRAMES:
        _copy(drawn / source, shoot / name)
        with_secrets(shoot / name)
        if name != "TH1_0009.jpg":  # what the camera says is all that is known of this one
            rows.append((Path(name).stem, "yes", "", players, words))
    rows.append((f"{CHINESE} 16", "yes", "", "", ""))  # no such frame
    (shoot / "frames.csv").write_text(_csv(rows), encoding="utf-8")
    _copy(drawn / "TH1_0010.dng", shoot / f"{TURKISH} 10.jpg")  # the camera's own copy: left out, with a notice
    (shoot / f"{IRISH} 15.jpg").write_bytes(b"")  # fails
    (shoot / "TH1_0006.xmp").write_text(_SIDECAR, encoding="utf-8")
    (shoot / f"{ARABIC}_24.xmp").write_text("<broken", encoding="utf-8")
    return shoot


def part_of(shoot: Path, folder: Path) -> tuple[Path, int]:
    """(a copy of a part of a shoot, of which its facts are still to be written; how many frames of it are held)."""
    names = ["TH1_0001", f"{CHINESE} TH1_0002", "TH1_0003", "TH1_0005_Żółkiewska", "TH1_0021"]
    folder.mkdir()
    for name in names:
        shutil.copy(shoot / f"{name}.dng", folder)
    with (shoot / "frames.csv").open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    (folder / "frames.csv").write_text(
        _csv([tuple(head), *(tuple(r) for r in rows if r[0] in names)]), encoding="utf-8"
    )
    return folder, len(set(HELD).intersection(names))


def _csv(rows: list[tuple[str, ...]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()


def _copy(source: Path, target: Path) -> None:
    if target.suffix == ".dng":
        shutil.copy(source, target)
        return
    with rawpy.imread(str(source)) as raw:
        picture = Image.fromarray(raw.postprocess())
    picture.save(target, **({"quality": 90, "comment": "Żółkiewska".encode()} if target.suffix == ".jpg" else {}))
    taken = exiv2.ImageFactory.open(str(source))
    taken.readMetadata()
    into = exiv2.ImageFactory.open(str(target))
    into.readMetadata()
    exif = into.exifData()
    for key in ("DateTimeOriginal", "SubSecTimeOriginal", "ExposureTime", "ISOSpeedRatings", "FNumber"):
        exif[f"Exif.Photo.{key}"] = taken.exifData()[f"Exif.Photo.{key}"].toString()
    into.setExifData(exif)
    into.writeMetadata()


def with_secrets(path: Path) -> None:
    """Give a DNG, JPEG or TIFF place, serial numbers, owner, maker note, thumbnail, and names in XMP and IIM."""
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    exif = image.exifData()
    for key, value in {
        "Exif.Image.Make": f"Evencourt {IRISH}", "Exif.Image.Model": f"Evencourt Test Camera of {CHINESE}",
        "Exif.Photo.LensModel": f"35 mm of {ARABIC}", "Exif.Image.Artist": CROATIAN, "Exif.Image.Copyright": TURKISH,
        "Exif.GPSInfo.GPSVersionID": "2 3 0 0", "Exif.GPSInfo.GPSLatitudeRef": "N",
        "Exif.GPSInfo.GPSLatitude": " ".join(f"{a}/{b}" for a, b in GPS_RATIONALS),
        "Exif.Photo.BodySerialNumber": BODY_SERIAL, "Exif.Photo.LensSerialNumber": LENS_SERIAL,
        "Exif.Photo.CameraOwnerName": OWNER, "Exif.Image.CameraSerialNumber": BODY_SERIAL,
        "Exif.Image.ImageDescription": "小雨 throws",
    }.items():  # fmt: skip
        exif[key] = value
    exif["Exif.Photo.MakerNote"] = exiv2.DataValue(MAKER)
    # Frame 7 names whom it shows; the rest have surnames alone, as people type them into cameras and phones.
    named = "0007" in path.name
    comment = TURKISH if named else TURKISH.split()[1]
    exif["Exif.Photo.UserComment"] = f'charset="Unicode" {comment}'
    if path.suffix == ".jpg":
        small = io.BytesIO()
        Image.new("RGB", (16, 16), (200, 30, 30)).save(small, "JPEG", comment=IRISH.encode())
        exiv2.ExifThumb(exif).setJpegThumbnail(small.getvalue())
    image.setExifData(exif)
    xmp = image.xmpData()
    caption = f"{CHINESE} throws, {POLISH} watches" if named else "Żółkiewska throws"
    for key, text in {
        "dc.description": caption, "photoshop.Headline": "Night of الحارثي", "dc.title": "O'Donnell 1",
        "photoshop.CaptionWriter": TURKISH, "exif.GPSLatitude": f"{GPS}N", "aux.SerialNumber": BODY_SERIAL,
        "aux.LensSerialNumber": LENS_SERIAL, "aux.OwnerName": OWNER, "Iptc4xmpCore.AltTextAccessibility": "Šćepanović",
        "photoshop.City": "Żółkiewska", "Iptc4xmpExt.Event": CROATIAN if named else "Žižek",
        "dc.creator": POLISH, "photoshop.Credit": _ODD_IRISH,
    }.items():  # fmt: skip
        prefix, name = key.split(".")
        prefix = {"Iptc4xmpCore": "iptc", "Iptc4xmpExt": "iptcExt"}.get(prefix, prefix)
        xmp[f"Xmp.{prefix}.{name}"] = text
    for key, values in (
        ("Xmp.iptcExt.PersonInImage", [POLISH, ARABIC] if named else ["Żółkiewska"]),
        ("Xmp.dc.subject", ["throw", CROATIAN if named else "Žižek", "Żółkiewska"]),
    ):
        bag = exiv2.XmpArrayValue(exiv2.TypeId.xmpBag)
        for value in values:
            bag.read(value)
        xmp.add(exiv2.XmpKey(key), bag)
    image.setXmpData(xmp)
    iim = image.iptcData()
    iim["Iptc.Application2.Byline"] = OWNER
    iim["Iptc.Application2.Caption"] = caption
    image.setIptcData(iim)
    image.writeMetadata()
