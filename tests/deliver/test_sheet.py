"""The contact sheet, read back by a PDF library of its own (pypdf)."""

from __future__ import annotations

import hashlib
import io
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.deliver import sheet
from pipeline.deliver.deliver import deliver
from pipeline.deliver.model import Item, SetFacts, Wanted
from tests.deliver.test_page import FACTS

pypdf = pytest.importorskip("pypdf", reason="the package pypdf of the test extra is not installed here")
pytest.importorskip("typst", reason="the package typst (extra sheet) is not installed here")

EVIL = '#panic("x") $ */ `raw` <label> @ref = Heading \\ " [#image("/etc/passwd")] {{ x }}'
NAMES = "Zofia Kłosowska, Elif Yıldız, Ελένη Παπαδοπούλου, Дмитрий Ђорђевић, Åse Øyehaug"


def pictures(folder: Path, count: int, noise: int = 0, size: tuple[int, int] = (300, 450)) -> list[Item]:
    """Delivered pictures. noise  standard deviation, of 255, which decides how large their small ones are."""
    (folder / "web").mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(1)
    items = []
    for n in range(count):
        pixels = np.full((*size, 3), 40 + n * 150 // max(count, 1), np.float64) + random.normal(0, noise, (*size, 3))
        data = cv2.imencode(".jpg", np.clip(pixels, 0, 255).astype(np.uint8))[1].tobytes()
        (folder / "web" / f"TH1_{n:04}.jpg").write_bytes(data)
        items.append(
            Item(f"web/TH1_{n:04}.jpg", hashlib.sha256(data).hexdigest(), len(data), size[1], size[0],
                 f"{NAMES} in picture {n}.", f"What picture {n} shows", "", datetime(2026, 2, 14, 19, n % 60))
        )  # fmt: skip
    return items


def render(folder: Path, items: list[Item], facts: SetFacts = FACTS, paper: str = "a4") -> bytes:
    return sheet.render_sheet(items, facts, paper, lambda item: (folder / item.relative).read_bytes())


def text_of(data: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages).split())


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.28, 841.89)), ("letter", (612, 792))])
def test_every_picture_with_its_name_and_caption_on_numbered_pages(
    tmp_path: Path, paper: str, size: tuple[float, float]
) -> None:
    data = render(tmp_path, pictures(tmp_path, 14), paper=paper)
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    # ISO 216: 210 by 297 mm; US letter: 8.5 by 11 inches; a point is 1/72 inch (ISO 32000-1, 8.3.2.3).
    assert (float(pages[0].mediabox.width), float(pages[0].mediabox.height)) == pytest.approx(size, abs=0.05)
    text = text_of(data)
    for n in range(14):
        assert f"TH1_{n:04}" in text and f"in picture {n}." in text
    for words in (*NAMES.split(", "), "Lantern Cup, semi-final", "14 February 2026", "Photographs: Ada Nordlys"):
        assert words in text, words
    assert all(f"Page {n + 1} of {len(pages)}" in page.extract_text() for n, page in enumerate(pages))
    assert sum(len(page.images) for page in pages) == 14


def test_the_same_pictures_give_the_same_bytes_and_no_time_or_person_is_in_the_metadata(tmp_path: Path) -> None:
    items = pictures(tmp_path, 3)
    data = render(tmp_path, items)
    assert render(tmp_path, items) == data
    reader = pypdf.PdfReader(io.BytesIO(data))
    assert set(reader.metadata or {}) <= {"/Title", "/Creator", "/Producer"}
    assert (reader.metadata or {})["/Title"] == FACTS.title
    assert not any(
        one in data for one in (b"Exif", b"CreationDate", b"ModDate", b"CreateDate", b"ModifyDate", b"Nordlys")
    )


def test_it_is_tagged_and_each_picture_has_its_alternative_text(tmp_path: Path) -> None:
    """ISO 14289-1 (PDF/UA-1), 7.1 and 7.3: tagged, a language, a title that is shown, figures with /Alt."""
    root = pypdf.PdfReader(io.BytesIO(render(tmp_path, pictures(tmp_path, 3)))).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"].value and root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"].value

    def figures(node: object) -> list[str]:
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, list):
            return [text for one in node for text in figures(one)]
        if not isinstance(node, dict):
            return []
        own = [str(node["/Alt"])] if node.get("/S") == "/Figure" else []
        return [*own, *figures(node.get("/K"))]

    assert figures(root["/StructTreeRoot"]) == ["What picture 0 shows", "What picture 1 shows", "What picture 2 shows"]


def test_three_hundred_noisy_pictures_stay_under_20_megabytes(tmp_path: Path) -> None:
    """Noise as of ISO 12,800 that nobody took out: 20 of 255. All are one picture, which a sheet holds once, so that
    the test is quick: what one takes is counted 300 times."""
    few = pictures(tmp_path, 4, noise=20, size=(1365, 2048))
    assert len(render(tmp_path, few)) / len(few) * 300 < 20e6


@pytest.mark.parametrize("field", ["title", "venue", "credit"])
def test_text_stays_text(tmp_path: Path, field: str) -> None:
    (item,) = pictures(tmp_path, 1)
    data = render(tmp_path, [replace(item, caption=EVIL, alt_text=EVIL)], replace(FACTS, **{field: EVIL}))
    assert text_of(data).count('#panic("x")') == 2


def test_no_name_that_is_withheld_and_it_goes_with_consent(tmp_path: Path) -> None:
    items = pictures(tmp_path, 2)
    data = render(tmp_path, items, replace(FACTS, withheld=("Zofia Kłosowska",)))
    assert "osowska" not in text_of(data) and "A player" in text_of(data)

    path, wanted = tmp_path / "web" / sheet.NAME, Wanted(sheet="a4")
    assert deliver(tmp_path, "web", items, wanted, FACTS).problems == ()
    first = path.read_bytes()
    assert [m.reused for m in deliver(tmp_path, "web", items, wanted, FACTS).made] == [True]
    deliver(tmp_path, "web", items, wanted, replace(FACTS, withheld=("Zofia Kłosowska",)))
    assert path.read_bytes() != first and "osowska" not in text_of(path.read_bytes())
    deliver(tmp_path, "web", items[:1], wanted, FACTS)
    assert "TH1_0001" not in text_of(path.read_bytes())
    deliver(tmp_path, "web", items, Wanted(), FACTS)
    assert not path.exists()


def test_where_it_cannot_be_made_the_old_one_does_not_stay(tmp_path: Path) -> None:
    items, wanted = pictures(tmp_path, 2), Wanted(sheet="a4")
    deliver(tmp_path, "web", items, wanted, FACTS)
    (tmp_path / items[1].relative).write_bytes(b"changed by somebody")
    done = deliver(tmp_path, "web", items, wanted, replace(FACTS, title="Another"))
    assert "TH1_0001.jpg: changed since it was delivered" in done.problems[0]
    assert not (tmp_path / "web" / sheet.NAME).exists()


def test_a_stop_in_the_middle_leaves_no_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    items, wanted = pictures(tmp_path, 2), Wanted(sheet="a4")
    deliver(tmp_path, "web", items, wanted, FACTS)

    def stopped(*arguments: object) -> bytes:
        raise KeyboardInterrupt

    monkeypatch.setattr(sheet, "render_sheet", stopped)
    with pytest.raises(KeyboardInterrupt):
        deliver(tmp_path, "web", items[:1], wanted, FACTS)
    assert not (tmp_path / "web" / sheet.NAME).exists()


def test_letters_of_no_font_spoil_nothing(tmp_path: Path) -> None:
    (item,) = pictures(tmp_path, 1)
    assert "TH1_0000" in text_of(render(tmp_path, [replace(item, caption="\ue000 \U000e0041 \x07 names")]))


@pytest.mark.parametrize(("size", "across"), [((450, 360), 4), ((300, 450), 3)])
def test_upright_pictures_stand_four_in_a_row_and_wide_ones_three(
    tmp_path: Path, size: tuple[int, int], across: int
) -> None:
    (page,) = pypdf.PdfReader(io.BytesIO(render(tmp_path, pictures(tmp_path, 5, size=size)))).pages
    rows: dict[int, int] = {}

    def seen(text: str, where: list[float], line: list[float], *font: object) -> None:
        if "TH1_" in text:  # the name of a picture, at its height on the page
            rows[round(where[5] + line[5])] = rows.get(round(where[5] + line[5]), 0) + text.count("TH1_")

    page.extract_text(visitor_text=seen)
    assert [rows[height] for height in sorted(rows)] in ([5 - across, across], [across, 5 - across])


def test_without_the_package_the_run_is_refused_before_its_night(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert "evencourt[sheet]" in sheet.lacking()
