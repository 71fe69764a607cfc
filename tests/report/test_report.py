"""The page and its view, parsed: whole, escaped, loading nothing. tests/browser opens it."""

from __future__ import annotations

import base64
import copy
import hashlib
import json
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from pipeline.report import html, kept_frames
from pipeline.report.html import write_report
from pipeline.report.record import SCHEMA, RunRecord
from pipeline.report.view import frame_views
from pipeline.review.views import Addresses
from pipeline.store.source import Source
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
    "rated": 2, "notices": ["the ball is not sure"], "before": "TH1_0001.before.jpg",
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
        self.inside: list[tuple[str, dict[str, str | None], str]] = []
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
        if self.open[-1:] in (["style"], ["script"]):
            self.inside.append((self.open[-1], dict(self.elements[-1][1]), data))
        else:
            self.text += data

    def view(self) -> dict[str, Any]:
        """What page.js draws from."""
        [text] = ["".join(t for _, a, t in self.inside if a.get("id") == "view")]
        found: dict[str, Any] = json.loads(text)
        return found

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture
def out(tmp_path: Path) -> Path:
    (tmp_path / ".work" / "thumbs").mkdir(parents=True)
    for name in ("TH1_0001.before.jpg", "TH1_0001.web.jpg"):
        Store(tmp_path).put("thumbs", name, THUMB)
    return tmp_path


def page(out: Path, record: dict[str, Any]) -> Page:
    path = write_report(out, RunRecord.from_json(record))
    assert path == out / "report.html"
    return Page(path.read_text(encoding="utf-8"))


def test_of_a_frame_that_failed_its_reason_says_all(out: Path) -> None:
    frames = copy.deepcopy(RECORD["frames"])
    frames["TH1_0002"]["notices"] = ["no Exif in this file"]
    text = " ".join(page(out, RECORD | {"frames": frames}).text.split())
    assert "the file is cut short TH1_0002" in text and "no Exif in this file" not in text


def test_what_is_the_same_of_many_frames_is_one_line(out: Path) -> None:
    record = RECORD | {"notices": [f"{name}: no Exif in this file" for name in ("TH1_0001", "TH1_0002", "TH1_0003")]}
    text = " ".join(page(out, record).text.split())
    assert text.count("no Exif in this file") == 1
    assert "no Exif in this file 3 frames TH1_0001 TH1_0002 TH1_0003" in text


def test_the_top_line_says_what_happened_and_leads_to_what_needs_a_person(out: Path) -> None:
    found = page(out, RECORD)
    text = " ".join(found.text.split())
    assert "1 of 3 frames delivered in 1 file; 1 failed, 1 row of frames.csv not used, 1 held back and " in text
    assert "1 frame and 1 other thing to look at." in text  # of those that are delivered, and of the whole night
    ids = {a["id"] for _, a in found.elements if "id" in a}
    links = [str(a["href"]) for a in found.all("a") if str(a["href"]).startswith("#") and "=" not in str(a["href"])]
    assert [one for one in links if one != "#pictures"] == ["#failed", "#unmatched", "#held", "#doubts"]
    assert {one[1:] for one in links} <= ids


def test_what_is_on_the_page(out: Path) -> None:
    found = page(out, RECORD)
    text = " ".join(found.text.split())
    for words in ("the file is cut short TH1_0002", "no such file TH1_0099", "frames.csv says keep: no TH1_0003",
                  "two cameras disagree", "2 h 14 min", "deciding", "numpy", "recipe: 1",
                  "not for publication"):  # fmt: skip
        assert words in text, words
    assert text.index("What needs you") < text.index("the file is cut short") < text.index("Worth knowing")


def test_the_view_has_what_is_drawn(out: Path) -> None:
    view = page(out, RECORD).view()
    assert view["title"] == "Town cup, semi-final"
    assert [frame["name"] for frame in view["frames"]] == ["TH1_0001", "TH1_0002", "TH1_0003"]  # no row without a frame
    frame = view["frames"][0]
    data = "data:image/jpeg;base64," + base64.b64encode(THUMB).decode()
    assert frame["before"]["small"] == data
    file = frame["deliveries"]["web"]
    # RFC 3986: a space and "#" in a path are percent-encoded
    assert (file["file"], file["after"]) == ("./web/TH1%200001%23.jpg", {"small": data, "large": file["file"]})
    assert frame["rank"]["why"] == "best of its burst, sharp, face seen" and frame["rated"] == 2


def test_the_selection_is_copied_to_where_the_facts_are_read(out: Path, tmp_path: Path) -> None:
    """With --facts, a frames.csv in the shoot folder would not be read (README, 5)."""
    left = RECORD["frames"]["TH1_0003"] | {"status": "left out", "reason": "much like a better one"}
    record = RECORD | {"frames": RECORD["frames"] | {"TH1_0003": left}}
    for facts, folder in (
        (None, "the shoot folder"),
        (tmp_path / "facts", "the folder of the facts that --facts names"),
    ):
        Store(out).keep_source(Source.of(tmp_path / "shoot", facts))
        text = " ".join(page(out, record).text.split())
        assert f"copy frames.csv from beside this page into {folder}, write always under keep" in text


def test_of_a_frame_held_for_consent_there_is_no_picture(out: Path) -> None:
    record = copy.deepcopy(RECORD)
    frame = record["frames"]["TH1_0003"] = record["frames"]["TH1_0003"] | {"before": "TH1_0001.before.jpg"}
    assert page(out, record).view()["frames"][2]["before"]["small"]  # keep: no may have other reasons
    frame |= {"consent": True, "large": "TH1_0001.before.jpg"}
    assert page(out, record).view()["frames"][2]["before"] == {"small": "", "large": ""}


def test_headings_tables_and_language(out: Path) -> None:
    """WCAG 2.2: 1.3.1 structure, 3.1.1 language, 4.1.2 names."""
    found = page(out, RECORD)
    levels = [int(tag[1]) for tag, _ in found.elements if tag in {"h1", "h2", "h3", "h4"}]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert found.all("html") == [{"lang": "en"}]
    assert len(found.all("table")) == len(found.all("caption")) > 0
    assert all(th["scope"] for th in found.all("th"))
    ids = [a["id"] for _, a in found.elements if "id" in a]
    assert len(ids) == len(set(ids))
    assert {a["aria-labelledby"] for _, a in found.elements if "aria-labelledby" in a} <= set(ids)


def poisoned(value: Any, key: str = "") -> Any:
    """The record with hostile words in every text that a user's file may decide."""
    if isinstance(value, dict):
        return {k: poisoned(v, k) for k, v in value.items()}
    if isinstance(value, list):
        return [poisoned(v, key) for v in value]
    words = {"title", "recipe", "recipe_flat", "reason", "camera", "caption", "alt_text", "headline", "notices", "why",
             "decisions", "file", "relative", "stopped"}  # fmt: skip
    return EVIL if key in words and value is not None else value


def test_text_of_the_user_stays_text(out: Path) -> None:
    record = poisoned(copy.deepcopy(RECORD))
    record["frames"] = {EVIL if name == "TH1_0001" else name: one for name, one in record["frames"].items()}
    record["frames"]["TH1_0099"]["relative"] = ""
    record["bursts"] = [[EVIL, "TH1_0002"], ["TH1_0003"]]
    found, clean = page(out, record), page(out, RECORD)
    assert "alert(1)" in found.text
    assert [a.get("id") for a in found.all("script")] == [a.get("id") for a in clean.all("script")] == ["view", None]
    assert not any(name.startswith("on") for _, attributes in found.elements for name in attributes)
    assert found.all("img") == []
    assert EVIL in {frame["name"] for frame in found.view()["frames"]}  # as it is, for textContent


@pytest.mark.parametrize("record", [RECORD, poisoned(RECORD)])
def test_nothing_is_loaded_and_nothing_else_runs(out: Path, record: dict[str, Any]) -> None:
    """Content Security Policy Level 3: a script or style runs by the SHA-256 of its text, and no other does."""
    found = page(out, record)
    assert {tag for tag, _ in found.elements}.isdisjoint({"link", "iframe", "object", "embed", "base", "form"})
    for _, attributes in found.elements:
        assert attributes.keys().isdisjoint({"srcset", "background", "action", "poster", "style", "src"})
        if "href" in attributes:
            assert str(attributes["href"]).startswith("#")
    [policy] = [str(m["content"]) for m in found.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    told = dict(part.split(" ", 1) for part in policy.split("; "))
    assert told["default-src"] == "'none'"
    for tag, directive in (("script", "script-src"), ("style", "style-src")):
        text = "".join(t for name, a, t in found.inside if name == tag and "id" not in a)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert told[directive] == f"'sha256-{digest}'"
    assert not {"connect-src", "frame-src", "font-src"} & told.keys()
    style = next(t for name, _, t in found.inside if name == "style")
    assert "url(" not in style and "@import" not in style and "animation" not in style and "transition" not in style


def test_a_thumbnail_from_elsewhere_is_not_taken(out: Path) -> None:
    (out / "secret.jpg").write_bytes(b"secret")
    record = copy.deepcopy(RECORD)
    record["frames"]["TH1_0001"]["before"] = "../../secret.jpg"
    record["frames"]["TH1_0001"]["deliveries"]["web"]["thumb"] = "gone.jpg"
    frame = page(out, record).view()["frames"][0]
    assert frame["before"]["small"] == frame["deliveries"]["web"]["after"]["small"] == ""


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"state": "stopped", "stopped": "the disk is full"}, "The run ended early: the disk is full"),
        ({"state": "stopped", "stopped": ""}, "The run ended early"),
    ],
)
def test_an_unfinished_run_says_so(out: Path, change: dict[str, str], words: str) -> None:
    frames = RECORD["frames"] | {"TH1_0003": RECORD["frames"]["TH1_0003"] | {"status": "undone", "reason": ""}}
    counts = RECORD["counts"] | {"undone": 1, "held": 0}
    text = " ".join(page(out, RECORD | change | {"frames": frames, "counts": counts}).text.split())
    assert words in text
    assert "1 frame not done" in text and "it ended early" in text


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    digits = "".join(c * 2 for c in colour) if len(colour) == 3 else colour
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def themes() -> list[dict[str, str]]:
    """The colours of each theme, light and dark, as page.css names them."""
    return [
        dict(re.findall(r"--(\w+): #(\w+);", block))
        for block in re.findall(r":root \{(.*?)\}", html.asset("page.css"), re.S)
    ]


@pytest.mark.parametrize(("ink", "paper", "least"), [
    ("ink", "paper", 7), ("ink", "sheet", 7), ("ink", "stage", 7), ("soft", "paper", 7), ("soft", "sheet", 7),
    ("link", "paper", 7), ("alarm", "paper", 4.5), ("alarm", "sheet", 4.5), ("line", "paper", 3), ("line", "sheet", 3),
])  # fmt: skip
def test_contrast(ink: str, paper: str, least: float) -> None:
    """WCAG 2.2: 1.4.6, text at least 7 to 1, 1.4.3 of warnings 4.5; 1.4.11, lines at least 3 to 1."""
    assert luminance("fff") == pytest.approx(1.0)
    light, dark = themes()[:2]
    for theme in (light, dark):
        low, high = sorted(luminance(theme[name]) for name in (ink, paper))
        assert (high + 0.05) / (low + 0.05) >= least


def test_what_is_around_pictures_is_neutral_grey() -> None:
    """ISO 3664: the surround of a picture that is judged is neutral."""
    for theme in themes()[:2]:
        for name in ("paper", "sheet", "stage"):
            red, green, blue = (theme[name][i : i + 2] for i in (0, 2, 4))
            assert red == green == blue


def test_figures() -> None:
    assert [html._duration(s) for s in (0.04, 59.4, 59.96, 3599.7)] == ["0.0 s", "59.4 s", "1 min 0 s", "1 h 0 min"]


def test_the_frames_of_a_night_lie_where_temporary_files_may(monkeypatch: pytest.MonkeyPatch) -> None:
    """Never in the current folder, which Python tries last and which may be the shoot."""
    asked: list[None] = []
    monkeypatch.setattr(kept_frames, "temporary_folder", lambda: asked.append(None) or Path("/tmp"))
    kept_frames.KeptFrames()
    assert asked == [None]


def test_a_frame_of_which_the_run_says_that_it_may_do_harm_has_that_beside_its_picture() -> None:
    said = ["TH1_0001: look at it before you publish", "TH1_0001: cold"]
    record = RunRecord.from_json(copy.deepcopy(RECORD | {"notices": said}))
    first, second, *_ = frame_views(record, Addresses())
    assert first.doubts[-1] == "look at it before you publish" and "cold" not in first.doubts and not second.doubts


@pytest.mark.parametrize(("source", "sure", "doubted"), [("subject", 0.2, 1), ("subject", 0.9, 0), ("trimmed", 0.2, 0)])
def test_a_crop_that_claims_no_subject_is_not_doubted_for_its_subject(source: str, sure: float, doubted: int) -> None:
    """To the shape asked for, everybody near stays in, so nobody has to look whether it is the right one."""
    crop = {"source": source, "box": [0.0, 0.0, 1.0, 0.9], "aspect": 1.5, "confidence": sure}
    record = copy.deepcopy(RECORD)
    record["frames"]["TH1_0001"]["solutions"]["web/crop"] = crop
    first, *_ = frame_views(RunRecord.from_json(record), Addresses())
    assert sum("sure that it is around the subject" in text for text in first.doubts) == doubted
    assert first.numbers.crop_sure == ({"web": sure} if source == "subject" else {})
