"""How soon the page of a large night opens, and how it scrolls: python -m tests.report.speed [--frames 2000].

The night is made up: bursts under pulsing lamps, two ends of unlike colour, one frame in three left out, some held. In
Debian's chromium, by the wall clock and by the time of the page's own thread, which other work changes less.
"""

from __future__ import annotations

import argparse
import io
import math
import shutil
import tempfile
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import PIL.Image

from pipeline.imaging.shown_light import ShownLight
from pipeline.people.ranking import Ranked
from pipeline.report.html import write_report
from pipeline.report.record import Counts, FileRecord, FrameRecord, RunRecord
from pipeline.store.store import Store
from tests.browser.conftest import ARGUMENTS, DESKTOP

_BURST = 9
_START = datetime(2026, 2, 14, 19, 30)
_KINDS = 24  # unlike pictures: each frame gets its own by a comment in the file


def made_night(out: Path, frames: int, *, unlike: bool = True) -> RunRecord:
    """The record of a night of so many frames, with its small pictures in `out`. unlike  no two are the same file"""
    chance = np.random.default_rng(1)
    (out / ".work" / "thumbs").mkdir(parents=True)
    store = Store(out)
    store._durable = False
    pictures = [_pictures(chance) for _ in range(_KINDS)]
    found: dict[str, FrameRecord] = {}
    bursts: list[list[str]] = []
    for at in range(frames):
        burst, place = divmod(at, _BURST)
        name = f"HB1_{at + 1:05d}"
        if place == 0:
            bursts.append([])
        bursts[-1].append(name)
        pulse = 0.35 * math.cos(2.4 * at) + 0.02 * chance.standard_normal()
        red = (0.25, 0.75)[burst // 3 % 2] + 0.1 * math.sin(2.4 * at)
        before, after = ShownLight(-4.4 + pulse, red, -0.7, 0.0), ShownLight(-2.4 + 0.05 * pulse, 0.55, -0.72, 0.001)
        consent, chosen = burst % 40 == 39, at % 3 != 2
        own = name if unlike else f"{at % _KINDS}"
        for kind, data in zip(("before", "large", "web"), pictures[at % _KINDS], strict=True):
            if unlike or at < _KINDS:
                store.put("thumbs", f"{own}.{kind}.jpg", data[:2] + _comment(f"{own} {kind}") + data[2:])
        file = FileRecord(
            f"web/{name}.jpg", "0" * 64, 412_000, 2048, 1365, 88, f"{own}.web.jpg", True,
            f"Ada Holm (7, Harbour Gulls) jumps to shoot in frame {at}.", "A player jumps to shoot", "", [],
            [0.05, 0.0, 0.95, 0.9], ["Ada Holm"], after, before,
        )  # fmt: skip
        found[name] = FrameRecord(
            f"{name}.dng", "held" if consent else "delivered" if chosen else "left out",
            "shows a player" if consent else "" if chosen else f"much like HB1_{at:05d}, which is better",
            (_START + timedelta(seconds=burst * 25 + place * 0.1)).isoformat(), 6400.0, 0.001, "Test Camera", burst,
            {"white_balance": {"gains": [1.3, 1.0, 1.6], "source": "reference", "sure": 0.97}, "exposure": {"ev": 1.9}},
            ["White balance: R +0.35, G +0.00, B +0.68 EV", "Exposure: +1.90 EV"],
            Ranked(70 - place, place + 1, _BURST, 3 if chosen else 2, "sharp, face seen"), None, None,
            ["white balance: not sure what is white; look at the colours"] if at % 50 == 0 else [],
            f"{own}.before.jpg", f"{own}.large.jpg", consent, before, {"web": file} if chosen and not consent else {},
        )  # fmt: skip
    states = [frame.status for frame in found.values()]
    counts = Counts(
        frames=frames, delivered=states.count("delivered"), held=states.count("held"), consent=states.count("held"),
        left_out=states.count("left out"), files=states.count("delivered"),
    )  # fmt: skip
    return RunRecord("0.1.0", "done", "Lantern Cup", "night.yaml", "recipe: 1\n", {}, "", counts, bursts, found)


def _pictures(chance: np.random.Generator) -> tuple[bytes, bytes, bytes]:
    base = PIL.Image.fromarray(chance.integers(0, 255, (6, 9, 3), dtype=np.uint8))
    return _jpeg(base, 320), _jpeg(base, 1280), _jpeg(base, 320)


def _jpeg(base: PIL.Image.Image, width: int) -> bytes:
    file = io.BytesIO()
    base.resize((width, width * 2 // 3), PIL.Image.Resampling.BICUBIC).save(file, "JPEG", quality=80)
    return file.getvalue()


def _comment(text: str) -> bytes:
    """A COM segment: ITU-T T.81, B.2.4.5."""
    return b"\xff\xfe" + (len(text) + 2).to_bytes(2, "big") + text.encode()


@dataclass
class Opened:
    """What a browser did. seconds of the wall clock and of the page's thread until the first pictures are drawn;
    frames a second while the whole page was scrolled through, and the longest pause in it, s"""

    wall: float
    processor: float
    elements: int
    pictures: int
    scrolled_wall: float
    scrolled_processor: float
    longest: float
    elements_after: int


_SCROLL = """() => new Promise((done) => {
  const tall = document.documentElement.scrollHeight, steps = 240;
  let at = 0, last = performance.now(), longest = 0;
  const begun = last;
  const step = (now) => {
    longest = Math.max(longest, now - last);
    last = now;
    scrollTo(0, (tall * at) / steps);
    at += 1;
    if (at <= steps) requestAnimationFrame(step);
    else done([(now - begun) / 1000, longest / 1000]);
  };
  requestAnimationFrame(step);
})"""


def opened(browser: Any, page_file: Path, size: tuple[int, int] = DESKTOP) -> Opened:
    """Open a report and scroll through it. browser  of playwright"""
    page = browser.new_page(viewport={"width": size[0], "height": size[1]})
    try:
        console = page.context.new_cdp_session(page)
        console.send("Performance.enable", {"timeDomain": "threadTicks"})

        def used() -> float:
            told = {one["name"]: one["value"] for one in console.send("Performance.getMetrics")["metrics"]}
            return float(told["TaskDuration"])

        page.goto(page_file.as_uri(), wait_until="commit")
        page.wait_for_selector("#strips .cell img", state="attached")
        page.evaluate("document.querySelector('#strips .cell img').decode()")
        wall = page.evaluate("performance.now()") / 1000
        processor = used()
        elements = page.evaluate("document.querySelectorAll('*').length")
        pictures = page.evaluate("document.images.length")
        scrolled, longest = page.evaluate(_SCROLL)
        after = page.evaluate("document.querySelectorAll('*').length")
        return Opened(wall, processor, elements, pictures, scrolled, used() - processor, longest, after)
    finally:
        page.close()


def main() -> None:
    """Print what opening and scrolling take."""
    from playwright.sync_api import sync_playwright

    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--frames", type=int, default=2000)
    asked.add_argument("--keep", type=Path, help="a folder for OUT, which stays; one that is there is opened again")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        out = given.keep or Path(folder) / "OUT"
        page = out / "report.html" if out.exists() else write_report(out, made_night(out, given.frames))
        beside = sum(path.stat().st_size for path in (out / "report").glob("*")) if (out / "report").is_dir() else 0
        print(f"{given.frames} frames: page {page.stat().st_size / 1e6:.1f} MB, beside it {beside / 1e6:.0f} MB")
        with sync_playwright() as driver:
            program = shutil.which("chromium") or shutil.which("chromium-browser")
            browser = driver.chromium.launch(executable_path=program, args=ARGUMENTS)
            for name, value in vars(opened(browser, page)).items():
                print(f"  {name:20} {value:.2f}" if isinstance(value, float) else f"  {name:20} {value}")
            browser.close()


if __name__ == "__main__":
    main()
