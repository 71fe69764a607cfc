"""The page parsed by a parser of its own: whole, escaped, loading nothing."""

from __future__ import annotations

import base64
import copy
import math
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from pipeline.report import html, kept_frames
from pipeline.report.html import write_report
from pipeline.report.record import SCHEMA, RunRecord
from pipeline.store.store import Store

# HTML Living Standard, 13.1.2: void elements have no end tag.
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
THUMB = b"\xff\xd8\xff\xe0 a small picture"
EVIL = "<script>alert(1)</script>\"'><img src=http://x.example/a onerror=alert(1)>"

FRAME: dict[str, Any] = {
    "relative": "TH1_0001.dng", "status": "delivered", "reason": "", "burst": 0,
    "time": "2026-02-14T19:31:02.125000", "iso": 6400.0, "exposure_time": 0.001, "camera": "Example One",
    "solutions": {"exposure": {"ev": -0.5}},
    "decisions": ["White balance: R +1.00, G +0.00, B +0.50 EV (reference TH1_0001)",
                  "Exposure: \N{MINUS SIGN}0.50 EV"],
    "rank": {"score": 71.4, "place": 1, "of": 2, "rating": 4, "why": "best of its burst, sharp, face seen"},
    "notices": ["the ball is not sure"], "before": "TH1_0001.before.jpg",
    "deliveries": {"web": {"file": "web/TH1 0001#.jpg", "sha256": "0" * 64, "bytes": 812_345, "width": 2048,
                           "height": 1365, "quality": 84, "current": True, "headline": "",
                           "caption": "Ada Holm scores for Harbour Gulls.",
                           "alt_text": "A player in white throws at the goal", "thumb": "TH1_0001.web.jpg",
                           "notices": ["quality 84 instead of 88"]}},
}  # fmt: skip
RECORD: dict[str, Any] = {
    "evencourt": "0.1.0", "state": "done", "title": "Town cup, semi-final", "recipe": "overnight-web.yaml",
    "recipe_flat": "recipe: 1\n",
    "counts": {"frames": 3, "delivered": 1, "failed": 2, "unmatched_rows": 1, "held": 1,
               "consent": 0, "files": 1, "rendered": 1, "reused": 0},
    "schema": SCHEMA, "models": "",
    "seconds": {"measure": 2.5, "solve": 0.25, "render": 8045.0}, "environment": {"numpy": "2.4.6"},
    "notices": ["two cameras disagree about the time"], "bursts": [["TH1_0001", "TH1_0002"], ["TH1_0003"]],
    "frames": {
        "TH1_0001": FRAME,
        "TH1_0002": FRAME | {"relative": "TH1_0002.dng", "status": "failed", "reason": "the file is cut short",
                             "time": None, "iso": None, "exposure_time": None, "camera": "",
                             "solutions": {}, "decisions": [],
                             "before": None, "deliveries": {}, "notices": []},
        "TH1_0003": FRAME | {"relative": "TH1_0003.dng", "status": "held", "burst": 1, "deliveries": {},
                             "reason": "frames.csv says keep: no", "before": None},
        "TH1_0099": {"relative": "", "status": "failed", "reason": "no such file", "deliveries": {}, "notices": []},
    },
}  # fmt: skip


class Page(HTMLParser):
    """Elements with their attributes, text, and whether the tags nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open[-1:] != ["style"]:
            self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    (tmp_path / ".work" / "thumbs").mkdir(parents=True)
    for name in ("TH1_0001.before.jpg", "TH1_0001.web.jpg"):
        Store(tmp_path).put("thumbs", name, THUMB)
    return tmp_path


def test_what_is_the_same_of_many_frames_is_one_line(out: Path) -> None:
    record = RECORD | {"notices": [f"{name}: no Exif in this file" for name in ("TH1_0001", "TH1_0002", "TH1_0003")]}
    text = page(out, record).text
    assert text.count("no Exif in this file") == 1 and "TH1_0001 and 2 more: no Exif in this file" in text


def page(out: Path, record: dict[str, Any]) -> Page:
    path = write_report(out, RunRecord.from_json(record))
    assert path == out / "report.html"
    return Page(path.read_text(encoding="utf-8"))


def test_what_is_on_the_page(out: Path) -> None:
    found = page(out, RECORD)
    text = " ".join(found.text.split())
    for words in (
        "1 of 3 frames delivered in 1 file; 1 failed, 1 held back; 1 row of frames.csv fits no frame",
        "TH1_0002.dng: the file is cut short", "TH1_0099: no such file", "frames.csv says keep: no",
        "two cameras disagree", "Burst of 2: TH1_0001 to TH1_0002", "Single: TH1_0003",
        "2026-02-14 19:31:02.125", "ISO 6400, 1/1000 s", "Example One", "time unknown", "ISO unknown, shutter unknown",
        "White balance: R +1.00, G +0.00, B +0.50 EV (reference TH1_0001)", "Exposure: \N{MINUS SIGN}0.50 EV",
        "web/TH1 0001#.jpg, 2048 \N{MULTIPLICATION SIGN} 1365, 812 kB",
        "Ada Holm scores for Harbour Gulls.", "quality 84 instead of 88",
        "the ball is not sure", "2 h 14 min", "numpy", "recipe: 1",
    ):  # fmt: skip
        assert words in text, words
    assert text.index("What failed") < text.index("Worth knowing") < text.index("Burst of 2")


def test_the_selection_is_copied_to_where_the_facts_are_read(out: Path, tmp_path: Path) -> None:
    """With --facts, a frames.csv in the shoot folder would not be read (README, 5)."""
    left = RECORD["frames"]["TH1_0003"] | {"status": "left out", "reason": "much like a better one"}
    record = RECORD | {"frames": RECORD["frames"] | {"TH1_0003": left}}
    for facts, folder in (
        (None, "the shoot folder"),
        (tmp_path / "facts", "the folder of the facts that --facts names"),
    ):
        Store(out).keep_source(tmp_path / "shoot", facts)
        text = " ".join(page(out, record).text.split())
        assert f"copy frames.csv from beside this page into {folder}, write always under keep" in text


def test_pictures_are_inside_and_in_order(out: Path) -> None:
    images = page(out, RECORD).all("img")
    expected = "data:image/jpeg;base64," + base64.b64encode(THUMB).decode()
    assert [i["src"] for i in images] == [expected, expected]
    assert [i["alt"] for i in images] == ["TH1_0001 before", "A player in white throws at the goal"]


def test_the_link_leads_to_the_file(out: Path) -> None:
    # RFC 3986: a space and "#" in a path are percent-encoded
    assert [a["href"] for a in page(out, RECORD).all("a")] == ["./web/TH1%200001%23.jpg"]


def test_headings_tables_and_language(out: Path) -> None:
    """WCAG 2.2: 1.1.1 text alternatives, 1.3.1 structure, 3.1.1 language, 4.1.2 names."""
    found = page(out, RECORD)
    levels = [int(tag[1]) for tag, _ in found.elements if tag in {"h1", "h2", "h3", "h4"}]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert found.all("html") == [{"lang": "en"}]
    assert len(found.all("table")) == len(found.all("caption")) > 0
    assert all(th["scope"] for th in found.all("th"))
    ids = [a["id"] for _, a in found.elements if "id" in a]
    assert len(ids) == len(set(ids)) == 3
    assert [s["aria-labelledby"] for s in found.all("section") if "aria-labelledby" in s] == ids


def poisoned(value: Any, key: str = "") -> Any:
    """The record with hostile words in every text that a user's file may decide."""
    if isinstance(value, dict):
        return {k: poisoned(v, k) for k, v in value.items()}
    if isinstance(value, list):
        return [poisoned(v, key) for v in value]
    words = {"title", "recipe", "recipe_flat", "reason", "camera", "caption", "alt_text", "notices", "decisions",
             "file", "relative"}  # fmt: skip
    return EVIL if key in words and value is not None else value


def test_text_of_the_user_stays_text(out: Path) -> None:
    record = poisoned(copy.deepcopy(RECORD))
    record["frames"][EVIL] = record["frames"].pop("TH1_0001")
    record["bursts"] = [[EVIL, "TH1_0002"], ["TH1_0003"]]
    found = page(out, record)
    assert "alert(1)" in found.text
    assert found.all("script") == []
    assert not any(name.startswith("on") for _, attributes in found.elements for name in attributes)
    assert len(found.all("img")) == 2


@pytest.mark.parametrize("record", [RECORD, poisoned(RECORD)])
def test_nothing_is_loaded(out: Path, record: dict[str, Any]) -> None:
    found = page(out, record)
    assert {tag for tag, _ in found.elements}.isdisjoint({"script", "link", "iframe", "object", "embed", "base"})
    for tag, attributes in found.elements:
        assert attributes.keys().isdisjoint({"srcset", "background", "action", "poster", "style"})
        if "src" in attributes:
            assert str(attributes["src"]).startswith("data:image/jpeg;base64,"), tag
        if "href" in attributes:
            assert str(attributes["href"]).startswith("./"), tag
    style = (
        write_report(out, RunRecord.from_json(RECORD))
        .read_text(encoding="utf-8")
        .split("<style>")[1]
        .split("</style>")[0]
    )
    assert "url(" not in style
    assert "@import" not in style
    [policy] = [m["content"] for m in found.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def test_a_thumbnail_from_elsewhere_is_not_taken(out: Path) -> None:
    (out / "secret.jpg").write_bytes(b"secret")
    record = copy.deepcopy(RECORD)
    record["frames"]["TH1_0001"]["before"] = "../../secret.jpg"
    record["frames"]["TH1_0001"]["deliveries"]["web"]["thumb"] = "gone.jpg"
    assert page(out, record).all("img") == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"state": "stopped", "stopped": "the disk is full"}, "The run ended early: the disk is full."),
        ({"state": "stopped", "stopped": ""}, "The run ended early."),
    ],
)
def test_an_unfinished_run_says_so(out: Path, change: dict[str, str], words: str) -> None:
    frames = RECORD["frames"] | {"TH1_0003": RECORD["frames"]["TH1_0003"] | {"status": "undone", "reason": ""}}
    text = " ".join(page(out, RECORD | change | {"frames": frames}).text.split())
    assert words in text
    assert "1 not done" in text


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    digits = "".join(c * 2 for c in colour) if len(colour) == 3 else colour
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    ("ink", "paper", "least"),
    [
        ("e8e8e8", "2b2b2b", 7), ("cfcfcf", "2b2b2b", 7), ("f0d9a8", "2b2b2b", 7), ("e8e8e8", "222", 7),
        ("767676", "2b2b2b", 3), ("e8a08c", "2b2b2b", 3),
    ],
)  # fmt: skip
def test_contrast(ink: str, paper: str, least: float) -> None:
    """WCAG 2.2: 1.4.6, text at least 7 to 1; 1.4.11, lines at least 3 to 1."""
    style = (Path(html.__file__).parent / "page.html").read_text(encoding="utf-8")
    assert f"#{ink}" in style
    assert f"#{paper}" in style
    assert (luminance(ink) + 0.05) / (luminance(paper) + 0.05) >= least


def test_figures() -> None:
    assert [html._shutter(s) for s in (0.001, 1 / 1250, 1 / 60, 0.28, 0.32, 0.5, 2, 5, 300, None)] == [
        "1/1000 s", "1/1250 s", "1/60 s", "1/4 s", "0.32 s", "0.5 s", "2 s", "5 s", "300 s",
        "shutter unknown"]  # fmt: skip
    assert [html._size(n) for n in (999, 150_000, 999_499, 999_500, 1_500_000)] == [
        "1 kB", "150 kB", "999 kB", "1.00 MB", "1.50 MB"]  # fmt: skip
    assert [html._duration(s) for s in (0.04, 59.4, 59.96, 3599.7)] == ["0.0 s", "59.4 s", "1 min 0 s", "1 h 0 min"]
    assert math.isclose(luminance("fff"), 1.0)


def test_a_page_with_more_pictures_than_a_browser_holds_shows_the_best_of_each_burst(
    out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = copy.deepcopy(RECORD)
    for name, place in (("TH1_0001", 2), ("TH1_0002", 1)):
        frame = copy.deepcopy(FRAME) | {"relative": f"{name}.dng", "before": f"{name}.before.jpg"}
        frame["rank"]["place"] = place
        frame["deliveries"]["web"]["thumb"] = f"{name}.web.jpg"
        record["frames"][name] = frame
        for thumb in (frame["before"], frame["deliveries"]["web"]["thumb"]):
            Store(out).put("thumbs", thumb, THUMB + name.encode())
    thumbs = [out / ".work" / "thumbs" / f"TH1_0001.{which}.jpg" for which in ("before", "web")]
    one = sum(path.stat().st_size * 4 // 3 for path in thumbs)
    monkeypatch.setattr(html, "_MOST_PICTURES", one)
    found = page(out, record)
    shown = {base64.b64decode((image["src"] or "").partition(",")[2])[-8:] for image in found.all("img")}
    assert shown == {b"TH1_0002"} and len(found.all("img")) == 2
    assert "1 frame of 3 frames is shown without pictures" in " ".join(found.text.split())
    assert len(found.all("a")) == 2  # both delivered files


def test_the_frames_of_a_night_lie_where_temporary_files_may(monkeypatch: pytest.MonkeyPatch) -> None:
    """Never in the current folder, which Python tries last and which may be the shoot."""
    asked: list[None] = []
    monkeypatch.setattr(kept_frames, "temporary_folder", lambda: asked.append(None) or Path("/tmp"))
    kept_frames.KeptFrames()
    assert asked == [None]
