"""The contact sheet of a delivery: a PDF for people who look on paper."""

from __future__ import annotations

import importlib.util
import json
import statistics
import tempfile
from collections.abc import Callable, Sequence
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from pipeline.deliver.model import Item, SetFacts
from pipeline.deliver.page import heading
from pipeline.deliver.page_words import direction, words
from pipeline.deliver.small_pictures import small_picture
from pipeline.errors import FrameError
from pipeline.store.keys import digest_json
from pipeline.textfile.messages import install

if TYPE_CHECKING:
    from typst import Fonts

NAME = "contact-sheet.pdf"
VERSION = 1  # raised when the same pictures and texts give other bytes
PAPERS = {"a4": ("a4", 210), "letter": ("us-letter", 216)}  # Typst's name, and the width in mm (ISO 216; ANSI Y14.1)
# Pixels of a small picture: some 220 to the inch in three columns of A4. 300 of them stay under 20 MB.
PIXELS = 500 * 333
_MARGIN, _GUTTER = 15, 6  # mm, as in sheet.typ
_LONGEST = 700  # letters of a caption: more would not fit on a page with its picture
_TALLEST, _WIDEST = 0.7, 2.0  # width to height of the place for a picture


def lacking() -> str:
    """What has to be installed for a contact sheet, as a sentence; "" where nothing lacks."""
    if importlib.util.find_spec("typst") is not None:
        return ""
    return f"a contact sheet needs one more package (typst is missing): {install('sheet')}"


def sheet_key(items: Sequence[Item], facts: SetFacts, paper: str) -> str:
    """Digest of all that a sheet is made of."""
    return digest_json([VERSION, version("typst"), _content(items, facts, paper), [i.sha256 for i in items]])


def render_sheet(
    items: Sequence[Item],
    facts: SetFacts,
    paper: str,
    read: Callable[[Item], bytes],
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> bytes:
    """The PDF for pictures in the order given: the same bytes for the same pictures, texts and fonts of the machine.

    paper  "a4" or "letter"; read  the bytes of a picture, which may raise what it likes

    Tagged for screen readers (PDF/UA-1, ISO 14289-1), with the pictures' alternative texts. Its metadata hold the title
    and nothing of a time, person or camera. Names that are withheld are taken out of every text once more. Raises
    FrameError, OSError.
    """
    import typst

    content = _content(items, facts, paper)
    template = files("pipeline.deliver").joinpath("sheet.typ").read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory(prefix="evencourt-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        for at, item in enumerate(items):
            picture = small_picture(read(item), item.name, PIXELS)
            (folder / content["pictures"][at]["file"]).write_bytes(picture)
            progress(at + 1, len(items))
        (folder / "sheet.json").write_text(json.dumps(content, ensure_ascii=False), encoding="utf-8")
        (folder / "sheet.typ").write_text(template, encoding="utf-8")
        compiler = typst.Compiler(folder / "sheet.typ", root=folder, font_paths=_fonts())
        try:
            made = compiler.compile(format="pdf", pdf_standards=["ua-1"])
        except typst.TypstError:  # a letter that no font of this machine has: tagged all the same
            try:
                made = compiler.compile(format="pdf")
            except typst.TypstError as error:
                raise FrameError(f"the contact sheet cannot be set ({error.message})") from error
    assert isinstance(made, bytes)
    return made


@cache
def _fonts() -> Fonts:
    """Libertinus, which comes with the library, and the fonts of this machine for the letters that it lacks."""
    import typst

    return typst.Fonts()


def _content(items: Sequence[Item], facts: SetFacts, paper: str) -> dict[str, Any]:
    """All that sheet.typ sets."""
    tongue, _ = words(facts.language)
    title, line = heading(facts)
    total = len(items)
    ratios = [item.width / item.height for item in items]
    shape = min(max(statistics.median(ratios), _TALLEST), _WIDEST)
    columns = 3 if shape >= 1 else 4
    width = (PAPERS[paper][1] - 2 * _MARGIN - (columns - 1) * _GUTTER) / columns
    height = width / shape
    count = tongue["one"] if total == 1 else tongue["many"].format(n=total)
    missing = tongue["missing"].format(n=facts.missing) if facts.missing else ""
    credit = facts.own(facts.credit)
    primary = facts.language.lower().split("-")[0]
    return {
        "title": title or count,
        "lines": [text for text in (line, count if title else "", missing) if text],
        "credit": tongue["by"].format(name=credit) if credit else "",
        "page": tongue["page"],
        "language": primary if 2 <= len(primary) <= 3 and primary.isascii() and primary.isalpha() else "en",
        "rtl": direction(facts.language) == "rtl",
        "paper": PAPERS[paper][0],
        "columns": columns,
        "gutter": _GUTTER,
        "height": round(height, 2),
        "pictures": [
            {
                "file": f"{at}.jpg",
                "name": PurePosixPath(item.name).stem,
                "time": f"{item.date:%H:%M}" if item.date else "",
                "caption": _cut(facts.clean(item.caption)),
                "alt": facts.clean(item.alt_text) or tongue["picture"].format(n=at + 1, total=total),
                "width": round(min(width, height * ratio), 2),
                "height": round(min(width, height * ratio) / ratio, 2),
            }
            for at, (item, ratio) in enumerate(zip(items, ratios, strict=True))
        ],
    }


def _cut(text: str) -> str:
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1].rstrip() + "…"
