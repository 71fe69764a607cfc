"""report.html in a real browser: what axe-core finds, what hostile texts do, what keys do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from pipeline.imaging.shown_light import ShownLight
from tests.browser.conftest import DESKTOP, PHONE, Tab, comes
from tests.browser.night import Night
from tests.report.test_pictures import NAMES, record, view

pytestmark = pytest.mark.long

Tabs = Callable[..., Tab]


def opened(tab: Tab, night: Night) -> Any:
    """The report of a night, drawn."""
    tab.page.goto((night.out / "report.html").as_uri())
    tab.page.locator("#strips").scroll_into_view_if_needed()  # pictures are drawn where they come near
    tab.page.wait_for_selector("#strips .cell img")
    return tab.page


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_everybody_can_use_the_report(browser: Any, tab: Tabs, night: Night, size: tuple[int, int], dark: bool) -> None:
    one = tab(size, dark=dark, touch=size == PHONE)
    page = opened(one, night)
    for part in page.query_selector_all("details"):
        part.evaluate("(part) => { part.open = true; }")
    assert one.violations() == []
    page.locator("#strips .cell").first.click()
    page.wait_for_selector("dialog#frame[open]")
    assert one.violations() == []
    # WCAG 2.2, 1.4.10: nothing is scrolled sideways, at the width of a phone least of all.
    assert page.evaluate("document.querySelector('dialog#frame').scrollWidth") <= size[0]
    page.keyboard.press("Escape")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


def test_the_report_is_used_by_keys_alone(browser: Any, tab: Tabs, night: Night) -> None:
    page = opened(tab(), night)
    page.locator("#strips .cell").first.focus()
    page.keyboard.press("Enter")
    first = page.locator("#frame-name").inner_text()
    page.keyboard.press("ArrowRight")
    assert page.locator("#frame-name").inner_text() != first
    page.keyboard.press("Escape")
    page.wait_for_selector("dialog#frame:not([open])", state="attached")
    # Focus comes back to a picture, and is seen there.
    assert page.evaluate("document.activeElement.closest('.cell') !== null")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"


def test_hostile_texts_neither_run_nor_break_the_report(browser: Any, tab: Tabs, hostile_night: Night) -> None:
    one = tab()
    page = opened(one, hostile_night)
    assert "<script>ran(1)" in page.title() and "{{ 7 * 7 }}" in page.title()
    page.locator("#strips .cell").first.click()
    assert "<script>ran(1)" in page.locator("#facts").inner_text()
    for _ in range(6):
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(30)
    assert page.evaluate("document.querySelectorAll('img[src=x], [onerror], body script:not([id])').length") <= 1
    assert one.violations() == []  # and `tab` asks whether anything ran


def test_nothing_moves_by_itself(browser: Any, tab: Tabs, night: Night) -> None:
    page = opened(tab(), night)
    page.locator("#strips .cell").first.click()
    page.wait_for_timeout(300)
    assert page.evaluate("document.getAnimations().length") == 0
    shots = []
    for _ in range(3):
        page.wait_for_timeout(250)
        shots.append(page.screenshot())
    assert shots[0] == shots[1] == shots[2]


def pulsing(page: Any) -> None:
    """The first frame large as it was before, and the time of every turn to another is kept in `turns`."""
    page.locator("#strips .cell").first.click()
    page.keyboard.press("b")
    page.evaluate(
        """() => {
          window.turns = [];
          document.addEventListener("frame-shown", () => window.turns.push(performance.now()));
        }"""
    )


def turned(page: Any, key: str) -> bool:
    """Whether frames follow one another slowly enough while a key is pressed again and again."""
    turns: list[float] = []

    def several() -> bool:
        page.keyboard.press(key)
        turns[:] = page.evaluate("turns")
        return len(turns) > 2

    comes(page, several)  # it does go on
    return all(later - earlier > 1000 / 3 for earlier, later in pairwise(turns))


def test_befores_of_a_burst_never_follow_each_other_fast(browser: Any, tab: Tabs, night: Night) -> None:
    # WCAG 2.2, 2.3.1: no more than three flashes a second. The frames before of a burst pulse with the lamps.
    page = opened(tab(), night)
    pulsing(page)
    assert turned(page, "ArrowRight")


def test_a_turn_that_waited_never_follows_close_behind_a_later_one(browser: Any, tab: Tabs, night: Night) -> None:
    """On a busy machine its time passes before the browser comes to it, and a key comes first."""
    page = opened(tab(), night)
    pulsing(page)
    page.evaluate(
        """() => {
          const right = {key: "ArrowRight", bubbles: true};
          const press = () => document.activeElement.dispatchEvent(new KeyboardEvent("keydown", right));
          press();
          press(); // waits
          for (const until = performance.now() + 500; performance.now() < until; );
          press();
        }"""
    )
    page.wait_for_timeout(800)  # nothing is to come
    turns = page.evaluate("turns")
    assert turns and all(later - earlier > 1000 / 3 for earlier, later in pairwise(turns))


@pytest.mark.parametrize(
    ("last", "told"),
    [
        ("2026-02-14T19:42:22", "19:42:15 to 19:42:22, 1 without a time,"),
        ("2026-02-15T08:10:00", "2026-02-14 19:42:15 to 2026-02-15 08:10:00, 1 without a time,"),
    ],
)
def test_a_strip_spans_the_times_that_are_known(browser: Any, tab: Tabs, tmp_path: Path, last: str, told: str) -> None:
    """With the days where they differ: "19:42:15 to 08:10:00" seems to go back."""
    (tmp_path / "OUT" / ".work" / "thumbs").mkdir(parents=True)
    times = ["2026-02-14T19:42:15", last, ""]
    one = record(NAMES[:3])
    frames = {name: replace(frame, time=time) for (name, frame), time in zip(one.frames.items(), times, strict=True)}
    view(tmp_path / "OUT", replace(one, frames=frames))
    page = tab().page
    page.goto((tmp_path / "OUT" / "report.html").as_uri())
    page.wait_for_selector("#strips .when")
    assert page.locator("#strips .when").inner_text() == told


@pytest.mark.parametrize(
    ("last", "told"),
    [
        ("2026-02-14T23:59:00", ["19:42", "23:59"]),
        ("2026-02-15T01:00:00", ["19:42", "01:00"]),  # one night
        ("1994-02-14T19:42:00", ["2026-02-14 19:42", "1994-02-14 19:42"]),  # a clock that was never set
    ],
)
def test_the_line_of_time_has_dates_where_there_are_several(
    browser: Any, tab: Tabs, tmp_path: Path, last: str, told: list[str]
) -> None:
    (tmp_path / "OUT" / ".work" / "thumbs").mkdir(parents=True)
    times = ["2026-02-14T19:42:15", "", last, last]
    one = record(NAMES[:4])
    frames = {name: replace(frame, time=time) for (name, frame), time in zip(one.frames.items(), times, strict=True)}
    view(tmp_path / "OUT", replace(one, frames=frames))
    page = tab().page
    page.add_init_script(
        "window.drawn = []; const own = CanvasRenderingContext2D.prototype.fillText;"
        "CanvasRenderingContext2D.prototype.fillText = function (text, ...more)"
        "{ drawn.push(text); own.call(this, text, ...more); };"
    )
    page.goto((tmp_path / "OUT" / "report.html").as_uri())
    page.wait_for_selector("#strips .when")
    page.wait_for_function("drawn.some((text) => /^\\S*( |)\\d\\d:\\d\\d$/.test(text))")
    assert page.evaluate("[...new Set(drawn.filter((text) => text.includes(':')))]") == told


def test_names_and_doubts_are_told_where_they_are_looked_for(browser: Any, tab: Tabs, tmp_path: Path) -> None:
    """Under the pictures stand names without folders, with them where two would be called the same."""
    (tmp_path / "OUT" / ".work" / "thumbs").mkdir(parents=True)
    one = record(["a/HB1_0001", "b/HB1_0001", "b/HB1_0002", "HB1_0003"], consent=("HB1_0003",))
    for name in one.frames:
        path = tmp_path / "OUT" / "web" / f"{name}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.new("RGB", (3, 2)).save(path)
    light = ShownLight(0.0, 0.0, 0.0, 0.0)
    first = one.frames["a/HB1_0001"]
    seen = {"web": replace(first.deliveries["web"], light=light, light_before=light)}
    doubtful = replace(first, deliveries=seen, notices=["not sure what is white: look at it"])
    view(tmp_path / "OUT", replace(one, frames=one.frames | {"a/HB1_0001": doubtful}))
    page = tab().page
    page.goto((tmp_path / "OUT" / "report.html").as_uri())
    page.wait_for_selector("#strips .name")
    names = page.locator("#strips .name > span:first-child").all_inner_texts()
    assert names == ["a/HB1_0001", "b/HB1_0001", "HB1_0002", "HB1_0003"]
    said = "1 of 4 frames are measured before and after; 1 not delivered, 2 delivered but not measured."
    assert said in page.locator("#chart").inner_text()
    # What the mark under a picture stands for comes first, and once; what no file says is one word.
    assert "look at it" in page.locator("#strips .mark").first.inner_text()
    page.locator("#strips .cell").first.click()
    facts = page.locator("#facts").inner_text()
    assert facts.startswith("Look at it") and facts.count("not sure what is white") == 1
    assert "Camera unknown the file does not say" in " ".join(facts.split()) and "Noise" not in facts
