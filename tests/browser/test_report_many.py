"""The report of 2,000 frames in a real browser: it opens at once, and draws only what is near."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.report.html import write_report
from tests.browser.conftest import DESKTOP, PHONE, Tab
from tests.browser.test_report import pulsing, turned
from tests.patience import soonest
from tests.report.speed import Opened, made_night, opened

pytestmark = pytest.mark.long

MANY = 2000
SOON = 2.0  # s


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("many") / "OUT"
    return write_report(out, made_night(out, MANY, unlike=False))


def of_many(tab: Tab, report: Path) -> Any:
    """The report, opened. Its delivered files are not there."""
    tab.forgiven = "Failed to load resource"
    tab.page.goto(report.as_uri())
    return tab.page


def test_two_thousand_frames_open_in_two_seconds(browser: Any, report: Path) -> None:
    """By the time of the page's own thread: the machine of the tests does other work too. `python -m
    tests.report.speed` says it by the clock."""
    tries: list[Opened] = []

    def opening() -> float:
        tries.append(opened(browser, report, DESKTOP))
        return tries[-1].processor

    assert soonest(opening, SOON) < SOON
    found = tries[-1]
    assert found.pictures < 100  # of some 3,300
    assert found.elements < 4000


def test_the_match_is_gone_through_by_keys(browser: Any, tab: Callable[..., Tab], report: Path) -> None:
    page = of_many(tab(DESKTOP), report)
    slider = page.get_by_role("slider", name="Frame along the match")
    slider.focus()
    page.keyboard.press("End")
    assert slider.get_attribute("aria-valuenow") == str(MANY) == slider.get_attribute("aria-valuemax")
    assert f"HB1_{MANY:05d}" in page.locator(".reading").inner_text()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    assert page.locator("#frame-name").inner_text() == "HB1_00002"
    # The delivered file is not there: the small picture stands in for it.
    page.wait_for_selector("#stage img[data-kind=after][src*='/report/']")


def test_what_pulsed_before_and_does_not_after_is_said_in_numbers(
    browser: Any, tab: Callable[..., Tab], report: Path
) -> None:
    """The made-up bursts pulse by 0.35 EV to either side, 2.4 radians a frame, and a twentieth of it after: of six
    delivered frames of nine some 0.6 to 0.7 EV from end to end, and 0.03 to 0.035. 223 bursts, of which five are held
    and the last has two frames."""
    page = of_many(tab(PHONE), report)
    row = page.locator(".spread tbody tr").first
    assert "Within a burst" in row.inner_text() and "217 bursts" in row.inner_text()
    before, after = (float(cell.inner_text()) for cell in row.locator("td").all()[:2])
    assert 0.55 < before < 0.80 and 0.02 < after < 0.05


def test_pictures_come_as_they_are_scrolled_to(browser: Any, tab: Callable[..., Tab], report: Path) -> None:
    page = of_many(tab(DESKTOP), report)
    page.wait_for_selector("#strips .cell img")
    assert page.evaluate("document.querySelectorAll('#strips .cell').length") < 200
    page.evaluate("document.querySelector('#strips').lastElementChild.scrollIntoView()")
    page.wait_for_selector("#strips .strip:last-child .cell img")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")  # on paper all of them are
    assert page.evaluate("document.querySelectorAll('#strips .cell').length") == MANY


def test_befores_of_one_burst_after_another_never_follow_fast(
    browser: Any, tab: Callable[..., Tab], report: Path
) -> None:
    # WCAG 2.2, 2.3.1: whole frames are as the lamps lit them, and two bursts begin in two moments of the mains.
    page = of_many(tab(DESKTOP), report)
    pulsing(page)
    assert turned(page, "ArrowDown")
