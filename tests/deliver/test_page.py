"""The page, parsed by a parser of its own, and in a browser where one is there."""

from __future__ import annotations

import base64
import hashlib
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import unquote

import cv2
import pytest

from pipeline.deliver.deliver import deliver
from pipeline.deliver.model import Item, Person, SetFacts, Wanted, set_facts
from pipeline.deliver.page import render_page
from pipeline.formats.metadata.credits import Contact
from pipeline.shoot.facts import Facts, Player
from tests.deliver.test_push import picture
from tests.report.test_report import EVIL, Page

FACTS = SetFacts(
    title="Lantern Cup, semi-final", teams=("Harbour Gulls", "Mill Lane Foxes"), venue="Old Market Hall",
    city="Westerby", date=datetime(2026, 2, 14, 19, 30), credit="Ada Nordlys", copyright="© 2026 Ada Nordlys",
    usage="Club, families and the local paper.",
)  # fmt: skip
ITEMS = [
    Item("web/TH1_0001.jpg", "0" * 64, 1000, 2048, 1365, "Ingrid Solbakken scores.", "A player in white throws", "Cup",
         datetime(2026, 2, 14, 19, 42)),
    Item("web/TH1 0002#å.jpg", "1" * 64, 1000, 1365, 2048),
    Item("web/TH1_0003.tif", "2" * 64, 1000, 2048, 1365, "A save."),
]  # fmt: skip


def page(items: list[Item] = ITEMS, facts: SetFacts = FACTS, archive: str = "web.zip") -> Page:
    return Page(render_page(items, facts, archive, 123_456_789).decode("utf-8"))


def test_everything_is_there() -> None:
    found = page()
    assert found.all("html")[0] == {"lang": "en", "dir": "ltr"}
    text = " ".join(found.text.split())
    for words in (
        "Lantern Cup, semi-final", "Harbour Gulls – Mill Lane Foxes, Old Market Hall, Westerby, 14 February 2026",
        "3 pictures", "Photographs: Ada Nordlys", "© 2026 Ada Nordlys", "Club, families and the local paper.",
        "19:42 Cup Ingrid Solbakken scores.", "A save.", "All pictures in one file (123 MB)",
    ):  # fmt: skip
        assert words in text, words
    assert len(found.all("figure")) == len(found.all("figcaption")) == 3
    images = [i for i in found.all("img") if "src" in i]
    assert [i["alt"] for i in images] == ["A player in white throws", "Picture 2 of 3", "Picture 3 of 3"]
    assert [unquote(i["src"] or "") for i in images] == [
        "./small/TH1_0001.jpg", "./small/TH1 0002#å.jpg", "./small/TH1_0003.jpg"]  # fmt: skip
    assert [(i["width"], i["height"]) for i in images] == [("2048", "1365"), ("1365", "2048"), ("2048", "1365")]
    skip = next(a for a in found.all("a") if a.get("class") == "skip")
    assert skip["href"] == "#pictures" and any(m.get("id") == "pictures" for m in found.all("main"))
    assert len(found.all("h1")) == 1
    # A browser cannot show a TIFF, so that link stays a plain one.
    links = [a for a in found.all("a") if (a.get("href") or "").endswith((".jpg", ".tif"))]
    assert ["data-n" in a for a in links] == [True, True, False]


def test_what_heads_the_page_is_not_said_over_each_picture_again() -> None:
    match = "Harbour Gulls – Mill Lane Foxes"
    items = [replace(ITEMS[0], headline=match), replace(ITEMS[2], headline=FACTS.title)]
    text = " ".join(page(items).text.split())
    assert text.count(match) == 1 and "19:42 Ingrid Solbakken scores." in text
    assert text.count(FACTS.title) == page([]).text.count(FACTS.title)


def test_every_described_by_has_its_text() -> None:
    found = page()
    ids = [e.get("id") for _, e in found.elements if e.get("id")]
    assert len(ids) == len(set(ids))
    assert {a["aria-describedby"] for a in found.all("a") if "aria-describedby" in a} <= set(ids)


def test_it_loads_nothing_from_elsewhere() -> None:
    found = page()
    for tag, attributes in found.elements:
        assert not any(name.startswith("on") for name in attributes), "an inline handler"
        for name in ("src", "href", "srcset", "action", "data"):
            assert not re.match(r"(?i)[a-z][a-z0-9+.-]*:|//", attributes.get(name) or ""), (tag, attributes)
    raw = render_page(ITEMS, FACTS).decode()
    assert "http://" not in raw and "https://" not in raw and "@import" not in raw and "url(" not in raw
    # Content Security Policy Level 3: the hashes are those of the texts between the tags; nothing is let in unnamed.
    for tag in ("script", "style"):
        text = raw.partition(f"<{tag}>")[2].partition(f"</{tag}>")[0]
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in raw and len(found.all(tag)) == 1
    assert "default-src 'none'" in raw and "unsafe" not in raw
    assert not any("style" in attributes for _, attributes in found.elements)


def test_text_stays_text() -> None:
    evil = [Item("web/TH1_0001.jpg", "0" * 64, 1, 3, 2, EVIL, EVIL, EVIL)]
    fields = ("title", "venue", "city", "credit", "copyright", "usage")
    found = page(evil, replace(FACTS, language='"><script>', teams=(EVIL, EVIL), **dict.fromkeys(fields, EVIL)), EVIL)
    assert len(found.all("script")) == 1 and len(found.all("img")) == 2
    assert found.all("img")[0]["alt"] == EVIL


def test_no_name_that_is_withheld() -> None:
    facts = Facts(
        title="Farewell of Tuva Rønning", creator="tuva ronning", usage="Ask Tuva  Rønning", teams={"home": "Gulls"},
        roster=(Player("home", "4", "Tuva Rønning", False, 2), Player("home", "7", "Ingrid Solbakken", True, 3)),
    )  # fmt: skip
    items = [Item("web/a.jpg", "0" * 64, 1, 3, 2, "RØNNING, TUVA scores; Ingrid Solbakken looks on.", "Tuva Rønning")]
    raw = render_page(items, set_facts(facts)).decode()
    assert not re.search(r"(?i)r[øo]nning", raw) and "Ingrid Solbakken" in raw and "a player" in raw
    minors = render_page(items, set_facts(replace(facts, minors=True))).decode()
    assert "Solbakken" not in minors


ADA, ZOFIA = Person("Harbour Gulls", "7", "Ingrid Solbakken"), Person("Mill Lane Foxes", "12", "Zofia Kłosowska")
SEVERAL = [
    Item(f"web/T{n:02}.jpg", f"{n:064}", 1000, 3, 2, date=datetime(2026, 2, 14, 19, 30) + timedelta(minutes=3 * n),
         people=(ADA,) if n < 6 else (ZOFIA, ADA) if n < 9 else ())
    for n in range(14)
]  # fmt: skip


def test_players_and_times_to_choose_from() -> None:
    found = page(SEVERAL)
    assert [one["label"] for one in found.all("optgroup")] == ["Harbour Gulls", "Mill Lane Foxes"]
    assert "7 Ingrid Solbakken" in found.text and "12 Zofia Kłosowska" in found.text
    values = [one["value"] for one in found.all("option")]
    assert values == ["", "each", "0", "1", "", "0", "1"]  # players, then two times
    assert [one.get("data-who") for one in found.all("figure")] == ["0"] * 6 + ["1 0"] * 3 + [None] * 5
    assert [text for text in ("19:30–20:00", "20:00–20:30") if text in found.text] == ["19:30–20:00", "20:00–20:30"]
    assert len(found.all("section")) == 2 and "hidden" in found.all("form")[0]  # without scripts, nothing to choose


def test_nobody_who_is_withheld_can_be_chosen() -> None:
    raw = render_page(SEVERAL, replace(FACTS, withheld=("Zofia Kłosowska",))).decode()
    assert "osowska" not in raw and "Solbakken" in raw and 'data-who="0"' in raw and 'data-who="1' not in raw
    raw = render_page(SEVERAL, replace(FACTS, withheld=("Zofia Kłosowska", "Ingrid Solbakken"))).decode()
    assert "data-who" not in raw and 'id="who"' not in raw


@pytest.mark.parametrize("part, pictures, chosen", [(True, 9, False), (True, 14, True), (False, 9, True)])
def test_in_a_folder_for_one_player_nobody_else_is_chosen(part: bool, pictures: int, chosen: bool) -> None:
    """A family is to find its own child: of the first nine pictures all show the same one, as such a folder's do."""
    raw = render_page(SEVERAL[:pictures], replace(FACTS, part=part)).decode()
    assert ('id="who"' in raw) == ("data-who" in raw) == chosen


def test_a_few_pictures_have_no_headings() -> None:
    assert not page(SEVERAL[:5]).all("h2") and len(page(SEVERAL[:5]).all("section")) == 1


def test_contact_is_not_shown() -> None:
    raw = render_page(ITEMS, set_facts(Facts(title="Cup", contact=Contact(email="ada@example.org")))).decode()
    assert "example.org" not in raw


@pytest.mark.parametrize(
    ("language", "skip", "date"),
    [("nb", "Hopp til bildene", "14. februar 2026"), ("de-AT", "Zu den Bildern springen", "14. Februar 2026"),
     ("tlh", "Skip to the pictures", "2026-02-14"), ("ar", "Skip to the pictures", None)],
)  # fmt: skip
def test_languages(language: str, skip: str, date: str | None) -> None:
    found = page(facts=replace(FACTS, language=language))
    html = found.all("html")[0]
    assert html == {"lang": language, "dir": "rtl" if language == "ar" else "ltr"}
    assert skip in found.text and (date is None or date in found.text)
    own = next(a for a in found.all("a") if a.get("class") == "skip")
    # WCAG 2.2, 3.1.2 language of parts
    assert own.get("lang") == ("en" if skip.startswith("Skip") else None)


def contrast(a: str, b: str) -> float:
    """WCAG 2.2, definitions of relative luminance and contrast ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_colours_can_be_read() -> None:
    raw = render_page(ITEMS, FACTS).decode()
    schemes = re.findall(
        r"--paper: (#\w{6}); --ink: (#\w{6}); --quiet: (#\w{6}); --line: #\w{6}; --edge: (#\w{6}); --mark: (#\w{6})",
        raw,
    )
    assert len(schemes) == 2  # light and dark
    for paper, ink, quiet, edge, mark in schemes:
        assert all(contrast(paper, one) >= 4.5 for one in (ink, quiet, mark))  # WCAG 2.2, 1.4.3
        assert contrast(paper, edge) >= 3  # WCAG 2.2, 1.4.11: of fields


def test_three_hundred_pictures_are_a_light_page(tmp_path: Path) -> None:
    first = picture(tmp_path, "TH1_0000.jpg", caption="From left, two players of Harbour Gulls jump for the ball. " * 3)
    items = [replace(first, relative=f"web/TH1_{n:04}.jpg") for n in range(300)]
    raw = render_page(items, FACTS)
    assert len(raw) < 300_000
    assert raw.count(b'loading="lazy"') == 294  # all below the first screen wait


def test_small_pictures_follow_their_originals(tmp_path: Path) -> None:
    big = picture(tmp_path, "TH1_0001.jpg", size=900)
    params = Wanted(**{"page": True})
    done = deliver(tmp_path, "web", [big, picture(tmp_path, "TH1_0002.jpg")], params, FACTS)
    assert done.problems == () and not any(m.reused for m in done.made)
    small = tmp_path / "web" / "small" / "TH1_0001.jpg"
    assert cv2.imread(str(small)).shape == (533, 800, 3)
    assert b"Exif" not in small.read_bytes() and b"http:" not in small.read_bytes()
    before = small.read_bytes()
    again = deliver(tmp_path, "web", [big], params, FACTS)
    assert small.read_bytes() == before and {m.reused for m in again.made} == {True, False}  # the page is new
    assert {p.name for p in (tmp_path / "web" / "small").iterdir()} == {"TH1_0001.jpg"}
    deliver(tmp_path, "web", [picture(tmp_path, "TH1_0001.jpg", 5, size=900)], params, FACTS)
    assert small.read_bytes() != before
    deliver(tmp_path, "web", [big], Wanted(), FACTS)
    assert not small.parent.exists() and not (tmp_path / "web" / "index.html").exists()


def test_a_picture_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "web").mkdir()
    (tmp_path / "web" / "a.jpg").write_bytes(b"no picture")
    item = Item("web/a.jpg", hashlib.sha256(b"no picture").hexdigest(), 10, 3, 2)
    done = deliver(tmp_path, "web", [item], Wanted(**{"page": True}), FACTS)
    assert "a.jpg: cannot be read as a picture" in done.problems[0]


DRIVE = """<script>
const view = document.getElementById("view"), say = [];
const press = (key) => view.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
const where = () => document.getElementById("place").textContent + (view.open ? " open" : " shut");
document.querySelector("a[data-n]").click(); say.push(where());
press("ArrowLeft"); say.push(where()); press("ArrowRight"); press("ArrowRight"); say.push(where());
press("End"); say.push(where());
say.push(document.getElementById("large").src.split("/").pop(), document.getElementById("large").alt);
view.close(); setTimeout(() => {
  say.push(where(), document.activeElement.getAttribute("data-n"));
  document.title = "SAID " + say.join("; ");
}, 50);
</script>"""


def test_a_browser_turns_the_pictures_by_key(tmp_path: Path) -> None:
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        pytest.skip("no browser (Debian: chromium) is installed here")
    items = [picture(tmp_path, f"TH1_{n}.jpg", n) for n in range(3)]
    deliver(tmp_path, "web", items, Wanted(**{"page": True}), FACTS)
    path = tmp_path / "web" / "index.html"
    base = [browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
            "--disable-component-update", "--disable-sync", f"--user-data-dir={tmp_path / 'profile'}",
            "--enable-logging=stderr", "--virtual-time-budget=3000", "--dump-dom"]  # fmt: skip
    plain = subprocess.run([*base, path.as_uri()], capture_output=True, text=True, timeout=60)
    assert "Content Security Policy" not in plain.stderr and "CONSOLE" not in plain.stderr
    policy = re.sub(r"<meta http-equiv[^>]*>", "", path.read_text(encoding="utf-8"))
    (tmp_path / "web" / "driven.html").write_text(policy.replace("</body>", DRIVE + "</body>"), encoding="utf-8")
    driven = subprocess.run(
        [*base, (tmp_path / "web" / "driven.html").as_uri()], capture_output=True, text=True, timeout=60
    )
    assert (
        "SAID Picture 1 of 3 open; Picture 3 of 3 open; Picture 2 of 3 open; Picture 3 of 3 open; TH1_2.jpg; "
        "A player throws; Picture 3 of 3 shut; 3" in driven.stdout
    )
