"""`evencourt review` from end to end: what a person does in the browser, what the files say, what is delivered."""

from __future__ import annotations

import csv
import hashlib
import os
import queue
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import PIL.Image
import pytest

from pipeline.report.record import read_record
from tests.browser.conftest import DESKTOP, PHONE, Tab, until
from tests.browser.night import ROSTER, Night
from tests.scale.evening import name_of

Tabs = Callable[..., Tab]
_PATIENCE = 120  # s for a start or a render on a busy machine


@contextmanager
def served(night: Night) -> Iterator[str]:
    """The address of the review of a night."""
    started = subprocess.Popen(
        [sys.executable, "-c", "from pipeline.cli.entry import main; main()", "review", str(night.out),
         "--facts", str(night.facts), "--no-browser", "--workers", "1"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    lines: queue.Queue[str] = queue.Queue()
    said: list[str] = []

    def read() -> None:
        assert started.stdout is not None
        for line in started.stdout:
            said.append(line)
            lines.put(line)
        lines.put("")

    threading.Thread(target=read, daemon=True).start()
    try:
        while True:
            line = lines.get(timeout=_PATIENCE)
            assert line, "".join(said)
            if found := re.search(r"http://127\.0\.0\.1:\d+/\S+", line):
                break
        yield found[0]
    finally:
        started.send_signal(signal.SIGINT)
        started.wait(20)
        assert started.stdout is not None
        started.stdout.close()


@pytest.fixture(scope="module")
def work(night: Night, tmp_path_factory: pytest.TempPathFactory) -> Night:
    """A night of this file's own."""
    return night.copy(tmp_path_factory.mktemp("review"))


@pytest.fixture(scope="module")
def address(work: Night) -> Iterator[str]:
    """Where it is reviewed."""
    with served(work) as found:
        yield found


def opened(one: Tab, address: str, frame: str = "") -> Any:
    """The page, with the desk ready and a frame large."""
    one.page.goto(address)
    one.page.wait_for_selector("html[data-desk=ready]", state="attached")
    if frame:
        one.page.evaluate("(name) => court.show(name)", frame)
        one.page.wait_for_selector("dialog#frame[open]")
    return one.page


def saved(page: Any) -> None:
    """Waits until nothing is on its way."""
    until(page, "[null, '[]'].includes(sessionStorage.getItem('court-unsaved'))")


def rows(night: Night) -> dict[str, dict[str, str]]:
    """frames.csv as any reader of CSV has it."""
    with (night.facts / "frames.csv").open(encoding="utf-8-sig", newline="") as file:
        return {row["frame"]: row for row in csv.DictReader(file, restval="")}


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def render(page: Any) -> None:
    """Render what changed, to its end."""
    page.get_by_role("button", name="Render what changed").click()
    rendered(page)


def rendered(page: Any) -> None:
    """Waits for the end of a render."""
    until(
        page,
        "document.querySelector('.desk-state').textContent.startsWith('Everything you decided is rendered')",
        timeout=_PATIENCE,
    )


def test_a_morning(browser: Any, tab: Tabs, work: Night, address: str) -> None:
    """Drop a frame, move a crop, name a player, point at a patch, run again: the delivered files change."""
    dropped, cropped, named, neutral = (name_of(at) for at in range(4))
    shown_later = name_of(5)  # with the player who is withdrawn in a test below
    page = opened(tab(), address, dropped)
    before = {name: digest(work.delivered(name)) for name in (dropped, cropped, named)}
    table, shoot = rows(work), (work.facts / "shoot.yaml").read_text(encoding="utf-8")

    page.keyboard.press("d")
    page.keyboard.press("ArrowRight")  # the crop, by keys, for one delivery
    assert page.locator("#frame-name").inner_text() == cropped
    page.locator("#tools [aria-label='Crop for'] >> text=web").click()
    page.locator("#frame-name").focus()
    page.keyboard.press("c")
    page.wait_for_selector(".desk-easel img")
    for key in ("-", "-", "-", "ArrowRight", "ArrowRight"):
        page.keyboard.press(key)
    page.keyboard.press("Enter")

    page.evaluate("(name) => court.show(name)", named)
    page.keyboard.press("p")
    page.keyboard.type("h7")
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")  # on to the words
    page.keyboard.type("jumps to shoot")
    caption = page.locator("#desk-caption")
    until(page, "document.querySelector('#desk-caption').textContent.includes('jumps to shoot')")
    assert "Ingrid Solbakken" in caption.inner_text()
    page.keyboard.press("Enter")

    page.evaluate("(name) => court.show(name)", shown_later)
    page.keyboard.press("Escape")  # out of the field, not out of the frame
    page.keyboard.press("p")
    page.keyboard.type("klo")  # Kłosowska
    page.keyboard.press("Enter")

    page.evaluate("(name) => court.show(name)", neutral)
    page.locator("text=Point at something neutral").click()
    page.wait_for_selector(".desk-easel img")
    easel = page.locator(".desk-easel").bounding_box()
    at = [easel["x"] + easel["width"] * x for x in (0.52, 0.60)]
    down = [easel["y"] + easel["height"] * y for y in (0.53, 0.64)]
    page.mouse.move(at[0], down[0])
    page.mouse.down()
    page.mouse.move((at[0] + at[1]) / 2, (down[0] + down[1]) / 2)
    page.mouse.move(at[1], down[1])
    page.mouse.up()
    page.locator("text=Left end").click()
    page.locator("text=Use this patch").click()
    page.wait_for_selector(f"#tools .desk-references >> text={neutral}")
    saved(page)

    now = rows(work)
    assert now[dropped] == {**table[dropped], "keep": "no", "crop web": ""}
    assert now[named] == {**table[named], "players": "home 7", "words": "jumps to shoot", "crop web": ""}
    x0, y0, x1, y1 = (float(part) for part in now[cropped]["crop web"].split())
    # Five hundredths smaller three times, about the middle, then two hundredths to the right; 3:2 of a 3:2 frame.
    assert (x1 - x0, y1 - y0) == pytest.approx((1.01**-3, 1.01**-3), abs=2e-3)
    assert now[cropped]["crop"] == "" and [row["why"] for row in now.values()] == [r["why"] for r in table.values()]
    text = (work.facts / "shoot.yaml").read_text(encoding="utf-8")
    assert all(line in text for line in shoot.splitlines())  # also its comments
    found = re.search(r"patch: \[(.*?)\]", text)
    assert found and [float(part) for part in found[1].split(",")] == pytest.approx([0.52, 0.53, 0.60, 0.64], abs=0.01)

    render(page)
    assert not work.delivered(dropped).exists() and not work.delivered(dropped, "phone").exists()
    assert digest(work.delivered(cropped)) != before[cropped] and digest(work.delivered(named)) != before[named]
    record = read_record(work.out)
    assert record is not None
    assert record.frames[dropped].status == "left out" or record.frames[dropped].status == "held"
    assert "Ingrid Solbakken" in record.frames[named].deliveries["web"].caption
    with PIL.Image.open(work.delivered(cropped)) as picture:  # the file holds the caption, not only the record
        assert picture.size[0] / picture.size[1] == pytest.approx(1.5, abs=0.01)
    assert b"jumps to shoot" in work.delivered(named).read_bytes()
    # The new pictures stand in place: the address of the delivered one has changed with it.
    page.evaluate("(name) => court.show(name)", cropped)
    shown = page.locator("#stage img[data-kind=after]").get_attribute("src")
    assert digest(work.delivered(cropped))[:12] in shown


def test_two_windows_lose_nothing_of_each_other(browser: Any, tab: Tabs, work: Night, address: str) -> None:
    first = tab()
    one, other = opened(first, address, name_of(4)), opened(tab(beside=first), address, name_of(4))
    one.keyboard.press("3")
    saved(one)
    other.keyboard.press("t")
    other.keyboard.type("blocks")
    other.keyboard.press("Enter")
    saved(other)
    assert (rows(work)[name_of(4)]["rating"], rows(work)[name_of(4)]["words"]) == ("3", "blocks")
    # The other's words arrive by themselves.
    until(one, "document.querySelector('#desk-words').value === 'blocks'")
    # Both write the same field: neither is written over before somebody has chosen.
    first.forgiven = "Failed to load resource"  # 409 is the answer
    one.evaluate("document.querySelector('#desk-words').focus()")
    one.keyboard.type(" the shot")
    other.evaluate("document.querySelector('#desk-words').focus()")
    other.keyboard.type(" the ball")
    other.keyboard.press("Enter")
    saved(other)
    one.keyboard.press("Enter")
    asked = one.locator(".desk-choice")
    asked.wait_for()
    assert "blocks the ball" in asked.inner_text() and "blocks the shot" in asked.inner_text()
    assert rows(work)[name_of(4)]["words"] == "blocks the ball"
    one.locator("text=Take mine").click()
    saved(one)
    until(one, "!document.querySelector('.desk-choice')")
    assert rows(work)[name_of(4)]["words"] == "blocks the shot"


def test_undo_takes_back_the_last_change(browser: Any, tab: Tabs, work: Night, address: str) -> None:
    page = opened(tab(), address, name_of(5))
    before = (work.facts / "frames.csv").read_bytes()
    page.keyboard.press("5")
    saved(page)
    assert rows(work)[name_of(5)]["rating"] == "5"
    marks = page.locator(f"#strips [data-frame='{name_of(5)}'] .mark")
    assert "rated 5" in marks.text_content() and "of 5" not in marks.text_content()  # one's own, not what is suggested
    page.keyboard.press("u")
    until(page, "document.querySelector('.desk-bar [role=status]').textContent.startsWith('Undone')")
    assert (work.facts / "frames.csv").read_bytes() == before
    assert page.locator("#tools [aria-pressed=true] >> text=5").count() == 0


def test_consent_is_withdrawn_with_a_warning_and_from_the_pictures(
    browser: Any, tab: Tabs, work: Night, address: str
) -> None:
    page = opened(tab(), address, name_of(5))
    assert work.delivered(name_of(5)).exists()
    assert rows(work)[name_of(5)]["players"] == "away 7"  # as the first test named her
    roster = (work.facts / "roster.csv").read_text(encoding="utf-8")
    page.locator("summary", has_text="Consent of players").click()
    page.locator("button[data-consent='away 7']").click()
    page.locator(".desk-reach", has_text="1 delivered frame (2 files) will be withdrawn").wait_for()
    page.keyboard.press("Escape")  # nothing is done by opening the question
    assert (work.facts / "roster.csv").read_text(encoding="utf-8") == roster
    page.locator("button[data-consent='away 7']").click()
    page.locator("dialog[open].desk-ask >> text=Withdraw >> nth=-1").click()
    page.locator("#tools .desk-warning", has_text="held back from every delivery").wait_for()
    lines = (work.facts / "roster.csv").read_text(encoding="utf-8").splitlines()
    assert lines == [line.replace("Kłosowska,yes", "Kłosowska,no") for line in ROSTER.splitlines()]
    page.get_by_role("alert").filter(has_text="2 files still lie in the deliveries").wait_for()
    assert page.get_by_role("button", name="Render now, to take them out").is_enabled()
    page.locator("#tools .desk-caption", has_text="the frame is in no delivery").wait_for()
    render(page)  # by the bar's own button: the advice ends all the same
    assert not work.delivered(name_of(5)).exists() and not work.delivered(name_of(5), "phone").exists()
    assert page.get_by_role("alert").filter(has_text="still lie in the deliveries").count() == 0


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("size", [PHONE, DESKTOP])
def test_everybody_can_use_the_desk(browser: Any, tab: Tabs, address: str, size: tuple[int, int], dark: bool) -> None:
    one = tab(size, dark=dark, touch=size == PHONE)
    page = opened(one, address, name_of(1))
    assert page.evaluate("document.querySelector('dialog#frame').scrollWidth") <= size[0]
    page.locator("summary", has_text="Consent of players").click()
    page.locator("text=Change the crop").click()
    page.wait_for_selector(".desk-easel img")
    if not dark:
        assert one.violations() == []
    page.locator("text=Point at something neutral").click()
    page.locator("text=Use this patch").wait_for()
    assert one.violations() == []
    page.locator("button[data-consent='home 7']").click()
    page.locator("dialog[open].desk-ask").wait_for()
    if dark:
        assert one.violations() == []


def test_the_picture_stays_in_sight_while_the_tools_scroll(browser: Any, tab: Tabs, address: str) -> None:
    page = opened(tab(), address, name_of(1))
    page.mouse.move(DESKTOP[0] - 200, 500)
    page.mouse.wheel(0, 5000)
    until(page, "document.querySelector('#frame').scrollTop > 300")
    box = page.locator("#stage .pane").bounding_box()
    assert box["y"] >= 0 and box["y"] + box["height"] <= DESKTOP[1]


@pytest.mark.parametrize("key", ["c", "n"])
def test_escape_ends_what_is_drawn_wherever_focus_is(
    browser: Any, tab: Tabs, work: Night, address: str, key: str
) -> None:
    page = opened(tab(), address, name_of(1))
    before = rows(work)[name_of(1)]
    page.keyboard.press(key)
    page.wait_for_selector(".desk-easel img")
    page.locator("#frame-name").focus()
    page.keyboard.press("Escape")
    until(page, "!document.documentElement.hasAttribute('data-desk-surface')")
    assert page.locator("dialog#frame").get_attribute("open") is not None
    saved(page)
    assert rows(work)[name_of(1)] == before
    page.keyboard.press("Escape")  # and now out of the frame
    until(page, "!document.querySelector('dialog#frame').open")


def test_a_crop_is_drawn_by_touch(browser: Any, tab: Tabs, work: Night, address: str) -> None:
    page = opened(tab(PHONE, touch=True), address, name_of(4))
    page.locator("#tools [aria-label='Crop for'] >> text=web").tap()
    page.locator("text=Change the crop").tap()
    page.wait_for_selector(".desk-easel img")
    until(page, "document.querySelector('.desk-easel img').naturalWidth > 0")
    # What the browser makes of a finger; playwright itself has no drag by touch.
    page.evaluate(
        """() => {
          const edge = document.querySelector(".desk-edge-se"), easel = document.querySelector(".desk-easel");
          const area = easel.getBoundingClientRect();
          easel.setPointerCapture = () => undefined;
          const send = (kind, target, x, y) => target.dispatchEvent(new PointerEvent(kind, { bubbles: true, button: 0,
            isPrimary: true, pointerType: "touch", pointerId: 7, clientX: area.left + area.width * x,
            clientY: area.top + area.height * y }));
          send("pointerdown", edge, 1, 1);
          send("pointermove", easel, 0.8, 0.7);
          send("pointerup", easel, 0.8, 0.7);
        }"""
    )
    page.locator(".desk-moves >> text=Done").tap()
    saved(page)
    box = [float(part) for part in rows(work)[name_of(4)]["crop web"].split()]
    assert box == pytest.approx([0, 0, 0.7, 0.7], abs=0.02)  # 3:2 is kept: the shorter way decides


def test_focus_is_seen_and_never_under_the_bar(browser: Any, tab: Tabs, address: str) -> None:
    # WCAG 2.2, 2.4.7 and 2.4.11, at the height of a small laptop.
    page = opened(tab((1280, 640)), address, name_of(1))
    page.locator("#tools button").first.focus()
    hidden, unseen = [], []
    for _ in range(45):
        page.keyboard.press("Tab")
        name, style, under = page.evaluate(
            """() => {
              const one = document.activeElement, area = one.getBoundingClientRect();
              const bar = document.querySelector(".desk-bar");
              if (one === document.body) return ["", "", false]; // between the last and the first
              const under = !bar.contains(one) && area.top >= bar.getBoundingClientRect().top;
              return [one.id || one.textContent, getComputedStyle(one).outlineStyle, under];
            }"""
        )
        if style == "none":
            unseen.append(name)
        if under:
            hidden.append(name)
    assert (unseen, hidden) == ([], [])


def test_hostile_texts_neither_run_nor_break_the_desk(
    browser: Any, tab: Tabs, hostile_night: Night, tmp_path: Path
) -> None:
    with served(hostile_night.copy(tmp_path)) as address:
        page = opened(tab(), address, name_of(0))
        assert "<script>ran(1)" in page.locator("#desk-words").input_value()
        assert "<script>ran(1)" in page.locator(".desk-people").inner_text()
        until(page, "document.querySelector('#desk-caption').textContent.includes('ran(1)')")
        page.keyboard.press("p")
        page.keyboard.type("7")
        assert page.locator("#desk-options li").count() == 2
        page.keyboard.press("Escape")
        for _ in range(6):
            page.keyboard.press("PageDown")
            page.wait_for_timeout(30)
        page.keyboard.press("t")
        page.keyboard.type('"><img src=x onerror=ran(1)>')
        page.keyboard.press("Enter")
        saved(page)
        page.wait_for_timeout(400)
        assert page.evaluate("document.querySelectorAll('img[src=x], [onerror]').length") == 0


def test_the_bar_does_not_call_a_night_with_problems_done(
    browser: Any, tab: Tabs, night: Night, tmp_path: Path
) -> None:
    other = night.copy(tmp_path)
    with served(other) as address:
        page = opened(tab(), address)
        state = "document.querySelector('.desk-state').textContent"
        until(page, f"{state} === 'Everything you decided is rendered'")
        with (other.facts / "roster.csv").open("a", encoding="utf-8") as file:
            file.write("home,13,Ada Holm,perhaps\n")
        until(page, f"{state} === 'Everything you decided is rendered; see the notes here'")
