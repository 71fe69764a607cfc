"""A real browser, Debian's chromium, driven by playwright; what a page must never do is asked of every page opened.

The package brings a driver and no browser: none is fetched. axe-core (MPL-2.0) comes with axe-playwright-python.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from tests.browser.night import Night, write_night

# No sandbox, since tests may run as root; nothing that would ask another machine.
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
PHONE, DESKTOP = (390, 844), (1440, 900)
_PATIENCE = 40  # s for what a machine with nothing else to do shows at once
# What WCAG 2.2 asks at level AA, as far as a program can see it, with axe-core's good practice. Rules: axe-core.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# In every page before its own scripts: what broke the policy, and dialogs and marks that hostile texts would make.
WATCH = """
window.broken = [];
document.addEventListener("securitypolicyviolation", (event) => {
  window.broken.push(`${event.violatedDirective}: ${event.blockedURI} ${event.sample}`);
});
window.ran = () => window.broken.push("a text of the shoot ran as a script");
for (const name of ["alert", "confirm", "prompt"]) window[name] = window.ran;
"""


@dataclass
class Tab:
    """A page in the browser, and what it said against itself."""

    page: Any
    errors: list[str] = field(default_factory=list)
    forgiven: str = ""  # the beginning of errors of the console that a test means to cause

    def violations(self) -> list[str]:
        """What axe-core finds wrong, each with the elements. The page is as high as it needs, so that nothing is
        merely under what sticks to the edges."""
        size = self.page.viewport_size
        tall = self.page.evaluate("Math.max(...[...document.querySelectorAll('*')].map((one) => one.scrollHeight))")
        self.page.set_viewport_size({"width": size["width"], "height": min(int(tall) + 400, 12000)})
        self.page.evaluate(_axe())
        found = self.page.evaluate("(tags) => axe.run(document, {runOnly: tags, preload: false})", RULES)
        self.page.set_viewport_size(size)
        return [
            f"{one['id']}: {one['help']}: {[node['target'] for node in one['nodes']][:4]}"
            for one in found["violations"]
        ]

    def wrong(self) -> list[str]:
        """Errors of scripts and the console, and what the content security policy forbade."""
        errors = [text for text in self.errors if not self.forgiven or not text.startswith(self.forgiven)]
        return [*errors, *(self.page.evaluate("window.broken || []") if not self.page.is_closed() else [])]


def until(page: Any, expression: str, timeout: float = _PATIENCE) -> None:
    """Waits until an expression of JavaScript holds; playwright's own way needs what the content security policy
    forbids. timeout  s"""
    ends = time.monotonic() + timeout
    while not page.evaluate(expression):
        assert time.monotonic() < ends, f"never so: {expression}"
        page.wait_for_timeout(40)


def comes(page: Any, met: Callable[[], bool], timeout: float = _PATIENCE) -> None:
    """Waits until something outside the page holds, as what arrived at a server. timeout  s"""
    ends = time.monotonic() + timeout
    while not met():
        assert time.monotonic() < ends, "it never came"
        page.wait_for_timeout(40)


def _axe() -> str:
    import axe_playwright_python

    return (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def chromium() -> str:
    """The browser's program, or a skip that says what is absent, before anything is made to be looked at."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("no browser (Debian: chromium) is installed here")
    for needed in ("playwright", "axe_playwright_python"):
        if find_spec(needed) is None:
            pytest.skip(f"the package {needed} of the test extra is not installed here")
    return program


@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator[Any]:
    """One browser a file of tests: it ends with them, and with it the event loop of its driver."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def tab(browser: Any) -> Iterator[Callable[..., Tab]]:
    """Opens tabs: tab(size, dark=, touch=, still=). At the end none may have said anything against itself."""
    contexts, tabs = [], []

    def opened(
        size: tuple[int, int] = DESKTOP, *, dark: bool = False, touch: bool = False, still: bool = False,
        beside: Tab | None = None,
    ) -> Tab:  # fmt: skip
        """beside  a tab whose browser window the new one shares"""
        if beside is None:
            contexts.append(
                browser.new_context(
                    viewport={"width": size[0], "height": size[1]}, color_scheme="dark" if dark else "light",
                    has_touch=touch, is_mobile=touch, reduced_motion="reduce" if still else "no-preference",
                )
            )  # fmt: skip
            contexts[-1].add_init_script(WATCH)
            contexts[-1].set_default_timeout(_PATIENCE * 1000)
        new = Tab((contexts[-1] if beside is None else beside.page.context).new_page())
        new.page.on("pageerror", lambda error: new.errors.append(f"script: {error}"))
        new.page.on(
            "console",
            lambda said: new.errors.append(f"{said.text} {said.location.get('url')}") if said.type == "error" else None,
        )
        tabs.append(new)
        return new

    yield opened
    wrong = [text for one in tabs for text in one.wrong()]
    for context in contexts:
        context.close()
    assert not wrong


@pytest.fixture(scope="session")
def night(chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Night:
    """A night that has been run. Tests that write take a copy."""
    return write_night(tmp_path_factory.mktemp("night"))


@pytest.fixture(scope="session")
def hostile_night(chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Night:
    """The same, with texts that try to run."""
    return write_night(tmp_path_factory.mktemp("hostile"), hostile=True)
