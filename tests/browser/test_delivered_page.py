"""The page that a club's readers open, in a browser: finding, by keys and by touch, and what WCAG 2.2 asks."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import cv2
import numpy as np
import pytest

from pipeline.deliver.deliver import deliver
from pipeline.deliver.model import Item, Person, SetFacts, Wanted
from tests.browser.conftest import DESKTOP, PHONE, Tab

pytestmark = pytest.mark.long

EVIL = "<img src=x onerror=ran()><script>ran()</script>\"'>{{ 7*7 }}&lt;"
FACTS = SetFacts(
    title="Lantern Cup", teams=("Harbour Gulls", "Mill Lane Foxes"), venue="Old Market Hall", credit="Ada Nordlys"
)
GULL, FOX = Person("Harbour Gulls", "7", "Ingrid Solbakken"), Person("Mill Lane Foxes", "12", "Zofia Kłosowska")


def set_of(folder: Path, count: int = 14, facts: SetFacts = FACTS, evil: str = "") -> Path:
    """A page of `count` pictures: 0 to 5 name the gull, 6 to 8 both, the rest nobody. Returns its file."""
    (folder / "web").mkdir(parents=True)
    items = []
    for n in range(count):
        data = cv2.imencode(".jpg", np.full((40, 60, 3), 40 + 10 * n, np.uint8))[1].tobytes()
        (folder / "web" / f"T{n:02}.jpg").write_bytes(data)
        people = (GULL,) if n < 6 else (FOX, GULL) if n < 9 else ()
        if evil:
            people = tuple(replace(one, name=evil, team=evil) for one in people)
        moment = datetime(2026, 2, 14, 19, 30) + timedelta(minutes=3 * n)
        caption = evil or ", ".join(one.name for one in people) + (" at the line." if people else "A save.")
        item = Item(f"web/T{n:02}.jpg", hashlib.sha256(data).hexdigest(), len(data), 60, 40, caption, evil or "Play",
                    evil, moment, people)  # fmt: skip
        items.append(item)
    done = deliver(folder, "web", items, Wanted(zip=True, page=True), facts)
    assert done.problems == ()
    return folder / "web" / "index.html"


def visible(tab: Tab) -> list[str]:
    return tab.page.evaluate(
        "[...document.querySelectorAll('figure')].filter((f) => f.checkVisibility()).map((f) => "
        "decodeURIComponent(f.querySelector('a').href.split('/').pop()).slice(0, 3))"
    )


def headings(tab: Tab) -> list[str]:
    return tab.page.evaluate(
        "[...document.querySelectorAll('h2')].filter((h) => h.checkVisibility()).map((h) => h.textContent)"
    )


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    return set_of(tmp_path_factory.mktemp("page")).as_uri()


def test_by_player_time_and_words(tab: Callable[..., Tab], page: str) -> None:
    opened = tab(DESKTOP)
    opened.page.goto(page)
    everything = [f"T{n:02}" for n in range(14)]
    assert visible(opened) == everything and headings(opened) == ["19:30–20:00", "20:00–20:30"]

    opened.page.get_by_label("Player").select_option("12 Zofia Kłosowska")
    assert visible(opened) == ["T06", "T07", "T08"]
    assert opened.page.get_by_role("status").text_content() == "3 of 14 pictures"
    opened.page.get_by_label("Player").select_option("Under each player")
    assert headings(opened) == [
        "7 Ingrid Solbakken, Harbour Gulls", "12 Zofia Kłosowska, Mill Lane Foxes", "Nobody named"]  # fmt: skip
    assert visible(opened) == [*everything[:9], "T06", "T07", "T08", *everything[9:]]
    ids = opened.page.evaluate("[...document.querySelectorAll('[id]')].map((e) => e.id)")
    assert len(ids) == len(set(ids))

    opened.page.get_by_label("Player").select_option("All pictures")
    opened.page.get_by_label("Time").select_option("20:00–20:30")
    assert visible(opened) == everything[10:] and headings(opened) == ["20:00–20:30"]
    opened.page.get_by_label("Time").select_option("All pictures")

    opened.page.get_by_role("searchbox").fill("KLOSOWSKA line")  # without the stroke that a keyboard may not have
    assert visible(opened) == ["T06", "T07", "T08"]
    opened.page.get_by_role("searchbox").fill("t04")
    assert visible(opened) == ["T04"]
    opened.page.get_by_role("searchbox").fill("nobody of this name")
    assert visible(opened) == [] and opened.page.get_by_role("status").text_content() == "No picture fits"


def test_the_large_view_turns_only_what_is_shown_and_gives_the_file(tab: Callable[..., Tab], page: str) -> None:
    opened = tab(DESKTOP)
    opened.page.goto(page)
    opened.page.get_by_label("Player").select_option("12 Zofia Kłosowska")
    opened.page.get_by_label("Player").focus()
    for _ in range(3):  # from the player over the time into the pictures
        opened.page.keyboard.press("Tab")
        if opened.page.evaluate("document.activeElement.matches('figure a')"):
            break
    opened.page.keyboard.press("Enter")
    place = opened.page.locator("#place")
    assert place.text_content() == "Picture 1 of 3"
    for key, said in (("ArrowRight", "2"), ("End", "3"), ("ArrowRight", "1"), ("ArrowLeft", "3"), ("Home", "1")):
        opened.page.keyboard.press(key)
        assert place.text_content() == f"Picture {said} of 3"
    take = opened.page.get_by_role("link", name="Download", exact=True)
    assert take.get_attribute("href").endswith("T06.jpg") and take.get_attribute("download") == ""
    opened.page.keyboard.press("ArrowRight")
    opened.page.keyboard.press("Escape")
    # Where the reader was: the browser itself first gives the focus back to where the large view was opened.
    opened.page.wait_for_function("document.activeElement?.href?.endsWith('T07.jpg')")


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing(tab: Callable[..., Tab], page: str, size: tuple[int, int], dark: bool) -> None:
    opened = tab(size, dark=dark, touch=size == PHONE)
    opened.page.goto(page)
    assert opened.violations() == []
    opened.page.get_by_label("Player").select_option("Under each player")
    assert opened.violations() == []
    opened.page.locator("figure a").first.click()
    assert opened.violations() == []
    wide = opened.page.evaluate("document.documentElement.scrollWidth")
    assert wide <= size[0]


def test_hostile_texts_stay_texts(tab: Callable[..., Tab], tmp_path: Path) -> None:
    """The tab says at the end what ran, and what the policy had to forbid."""
    facts = replace(FACTS, title=EVIL, teams=(EVIL, EVIL), credit=EVIL, venue=EVIL, usage=EVIL)
    opened = tab()
    opened.page.goto(set_of(tmp_path, facts=facts, evil=EVIL).as_uri())
    opened.page.get_by_label("Player").select_option("each")
    assert any(EVIL in title for title in headings(opened))
    opened.page.get_by_role("searchbox").fill("onerror")
    opened.page.locator("figure a").first.click()
    assert EVIL in opened.page.locator("#words").text_content()
    assert opened.page.locator("img[src=x]").count() == 0 and opened.page.title() == EVIL


def test_from_a_server_as_from_a_disk(tab: Callable[..., Tab], tmp_path: Path) -> None:
    folder = set_of(tmp_path).parent

    class Quiet(SimpleHTTPRequestHandler):
        def __init__(self, *arguments: Any) -> None:
            super().__init__(*arguments, directory=str(folder))

        def log_message(self, format: str, *arguments: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Quiet)
    Thread(target=server.serve_forever, daemon=True).start()
    try:
        opened = tab()
        opened.forgiven = "Failed to load resource"  # an icon, which browsers ask servers for unasked
        asked: list[str] = []
        opened.page.on("request", lambda request: asked.append(request.url))
        home = f"http://127.0.0.1:{server.server_port}/"
        opened.page.goto(home)
        opened.page.get_by_label("Player").select_option("each")
        opened.page.locator("figure a").first.click()
        assert opened.page.locator("#large").evaluate("(img) => img.decode().then(() => img.naturalWidth)") == 60
        assert asked and all(one.startswith(home) for one in asked)
        with opened.page.expect_download() as taken:
            opened.page.get_by_role("link", name="Download", exact=True).click()
        assert taken.value.suggested_filename == "T00.jpg"
    finally:
        server.shutdown()
        server.server_close()


def test_what_was_found_is_printed_and_the_fields_are_not(tab: Callable[..., Tab], page: str) -> None:
    opened = tab()
    opened.page.goto(page)
    opened.page.get_by_label("Player").select_option("12 Zofia Kłosowska")
    opened.page.emulate_media(media="print")
    assert visible(opened) == ["T06", "T07", "T08"]
    assert not opened.page.locator("#find").is_visible()
