"""The arithmetic of boxes and of the field that finds players, as the browser carries it out."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import Tab, until

pytestmark = pytest.mark.long

WEB = Path(__file__).resolve().parents[2] / "pipeline" / "review" / "web"
HOME = "http://127.0.0.1:9"  # nothing listens there: all is answered by the test


@pytest.fixture(scope="module")
def page(browser: Any) -> Iterator[Any]:
    """A page with the modules of the desk."""
    page = browser.new_page()

    def answer(route: Any) -> None:
        path = WEB / Path(route.request.url).name
        if path.suffix == ".js":
            route.fulfill(body=path.read_text(encoding="utf-8"), content_type="text/javascript")
        else:
            route.fulfill(body="<!doctype html><title>Modules</title>", content_type="text/html")

    page.route("**/*", answer)
    page.goto(HOME + "/")
    yield page
    page.close()


def call(page: Any, module: str, name: str, *values: object) -> Any:
    """What a function of a module gives."""
    return page.evaluate(
        "async ([module, name, values]) => (await import(`/${module}`))[name](...values)", [module, name, list(values)]
    )


def calls(page: Any, module: str, name: str, cases: list[tuple[Any, ...]]) -> list[Any]:
    """The same for many cases at once."""
    return page.evaluate(
        "async ([module, name, all]) => { const found = await import(`/${module}`); "
        "return all.map((values) => found[name](...values)); }",
        [module, name, [list(case) for case in cases]],
    )


BOXES = [[0.1, 0.2, 0.5, 0.6], [0.0, 0.0, 1.0, 1.0], [0.7, 0.0, 1.0, 0.3], [0.9, 0.9, 0.93, 0.96]]


def test_a_moved_box_keeps_its_size_and_stays_in_the_frame(page: Any) -> None:
    cases = [(box, *by) for box in BOXES for by in ((0.05, -0.05), (2.0, 2.0), (-2.0, 0.01))]
    for (box, *_), (x0, y0, x1, y1) in zip(cases, calls(page, "box.js", "moved", cases), strict=True):
        assert x1 - x0 == pytest.approx(box[2] - box[0]) and y1 - y0 == pytest.approx(box[3] - box[1])
        assert min(x0, y0) >= -1e-12 and max(x1, y1) <= 1 + 1e-12


def test_a_box_moves_as_far_as_it_was_pushed(page: Any) -> None:
    assert call(page, "box.js", "moved", [0.1, 0.2, 0.5, 0.6], 0.05, 0.1) == pytest.approx([0.15, 0.3, 0.55, 0.7])


def test_a_sized_box_has_the_ratio_and_stays_in_the_frame(page: Any) -> None:
    # A frame of 3:2 with a crop of 3:2 has the ratio 1 in fractions, one of 4:5 the ratio 0.8 / 1.5.
    ratios, factors = (1.0, 0.8 / 1.5, 16 / 9 / 1.5), (0.05, 0.8, 1.3, 40.0)
    cases = [(box, factor, ratio) for box in BOXES for factor in factors for ratio in ratios]
    for (_, _, ratio), (x0, y0, x1, y1) in zip(cases, calls(page, "box.js", "scaled", cases), strict=True):
        assert (x1 - x0) / (y1 - y0) == pytest.approx(ratio, rel=1e-6)
        assert min(x0, y0) >= -1e-9 and max(x1, y1) <= 1 + 1e-9 and x1 - x0 > 0.005


EDGES = ["nw", "n", "ne", "e", "se", "s", "sw", "w"]


def test_the_far_side_stays_while_an_edge_is_pulled(page: Any) -> None:
    ends = ((0.02, 0.03), (0.97, 0.95), (0.4, 0.5), (0.0, 1.0))
    cases = [
        ([0.3, 0.3, 0.6, 0.3 + 0.3 / (ratio or 1.0)], edge, *to, ratio)
        for edge in EDGES
        for to in ends
        for ratio in (None, 1.0, 0.6)
    ]
    for (box, edge, _, _, ratio), pulled in zip(cases, calls(page, "box.js", "pulled", cases), strict=True):
        x0, y0, x1, y1 = pulled
        assert min(x0, y0) >= -1e-9 and max(x1, y1) <= 1 + 1e-9 and x1 > x0 and y1 > y0
        still = {"w": (x1, box[2]), "e": (x0, box[0]), "n": (y1, box[3]), "s": (y0, box[1])}
        assert all(now == pytest.approx(before) for side, (now, before) in still.items() if side in edge)
        assert ratio is None or (x1 - x0) / (y1 - y0) == pytest.approx(ratio, rel=1e-6)


def test_without_a_ratio_a_corner_goes_where_the_pointer_is(page: Any) -> None:
    assert call(page, "box.js", "pulled", [0.3, 0.3, 0.6, 0.6], "se", 0.8, 0.7, None) == pytest.approx(
        [0.3, 0.3, 0.8, 0.7]
    )


@pytest.mark.parametrize(("to", "side"), [((0.8, 0.7), 0.7), ((0.6, 0.9), 0.6)])
def test_with_a_ratio_the_shorter_way_decides(page: Any, to: tuple[float, float], side: float) -> None:
    pulled = call(page, "box.js", "pulled", [0.0, 0.0, 1.0, 1.0], "se", *to, 1.0)
    assert pulled == pytest.approx([0.0, 0.0, side, side])


ROSTER = [
    {"team": "home", "number": "7", "name": "Åse Holm"},
    {"team": "home", "number": "12", "name": "Zofia Kłosowska"},
    {"team": "away", "number": "7", "name": "Nora Lind-Berg"},
    {"team": "away", "number": "70", "name": "Anna Bergström"},
    {"team": "away", "number": "1", "name": "Aase Vik"},
]


@pytest.mark.parametrize(
    ("typed", "fit"),
    [
        ("7", ["home 7", "away 7", "away 70"]),
        ("h7", ["home 7"]),
        ("a 7", ["away 7", "away 70"]),
        ("away 12", []),
        ("#1", ["away 1", "home 12"]),
        ("ase", ["home 7", "away 1"]),
        ("BERG", ["away 7", "away 70"]),
        ("klo", ["home 12"]),
        ("７", ["home 7", "away 7", "away 70"]),  # of another width, as some keyboards write it
        ("", []),
        ("nobody", []),
    ],
)
def test_a_few_characters_find_a_player(page: Any, typed: str, fit: list[str]) -> None:
    found = call(page, "naming.js", "matching", ROSTER, typed)
    assert [f"{one['team']} {one['number']}" for one in found] == fit


@pytest.mark.parametrize(
    ("pixel", "said"),
    [([128, 128, 128], ""), ([255, 250, 240], "burnt out"), ([9, 10, 8], "dark")],
)
def test_a_patch_that_cannot_be_trusted_is_said(page: Any, pixel: list[int], said: str) -> None:
    found = call(page, "light.js", "against", [*pixel, 255] * 100)
    assert said in found and bool(found) is bool(said)


def test_a_patch_of_two_tones_is_not_even(page: Any) -> None:
    assert "not even" in call(page, "light.js", "against", [60, 60, 60, 255] * 50 + [180, 180, 180, 255] * 50)


# ---- the queue of what waits to be written, against answers of the test


def desk(tab: Callable[..., Tab], answers: list[tuple[int, object] | None]) -> tuple[Any, list[dict[str, Any]]]:
    """A page with a queue whose posts get `answers` one after the other, None = no answer; and what was posted."""
    posted: list[dict[str, Any]] = []
    opened = tab()
    opened.forgiven = "Failed to load resource"  # no answer, 409 and 507 are meant
    page = opened.page

    def answer(route: Any) -> None:
        path = WEB / Path(route.request.url).name
        if route.request.method == "POST":
            posted.append(json.loads(route.request.post_data))
            status = answers.pop(0) if answers else (200, {})
            if status is None:
                route.abort()
            else:
                route.fulfill(status=status[0], json=status[1])
        elif path.suffix == ".js":
            route.fulfill(body=path.read_text(encoding="utf-8"), content_type="text/javascript")
        else:
            route.fulfill(body="<!doctype html><title>Queue</title>", content_type="text/html")

    page.route("**/*", answer)
    page.goto(HOME + "/")
    start(page)
    return page, posted


def start(page: Any) -> None:
    page.evaluate(
        """async () => {
          const { Queue } = await import("/server.js");
          window.heard = [];
          const say = (word) => (...values) => window.heard.push([word, ...values]);
          window.queue = new Queue({ done: say("done"), conflict: say("conflict"), refused: say("refused"),
            lost: say("lost"), changed: () => undefined });
        }"""
    )


def put(page: Any, value: object, seen: object, frame: str = "A", name: str = "words") -> None:
    page.evaluate(
        "(item) => queue.put(item)", {"frame": frame, "field": name, "delivery": None, "value": value, "seen": seen}
    )


def settled(page: Any) -> list[list[Any]]:
    until(page, "!queue.flying")
    return page.evaluate("heard")


def test_changes_are_sent_in_order_and_one_at_a_time(tab: Callable[..., Tab]) -> None:
    page, posted = desk(tab, [])
    for at in range(5):
        put(page, f"words {at}", "", frame=f"F{at}")
    until(page, "!queue.all().length")
    assert [one["frame"] for one in posted] == ["F0", "F1", "F2", "F3", "F4"]


def test_nothing_is_lost_while_nobody_answers(tab: Callable[..., Tab]) -> None:
    page, posted = desk(tab, [None, None, (200, {})])
    put(page, "first", "")
    until(page, "queue.lost")
    put(page, "second", "first")
    put(page, 3, None, frame="B", name="rating")
    assert page.evaluate("sessionStorage.getItem('court-unsaved')").count("frame") == 2
    until(page, "!queue.lost && !queue.all().length")
    # The frame's words changed twice while they waited: they are sent once, from what the tab first saw.
    assert [(one["frame"], one["value"], one["seen"]) for one in posted[-2:]] == [("A", "second", ""), ("B", 3, None)]


def test_what_waits_survives_a_reload(tab: Callable[..., Tab]) -> None:
    page, posted = desk(tab, [None])
    put(page, "typed on the train", "")
    until(page, "queue.lost")
    page.on("dialog", lambda dialog: dialog.accept())  # it asks whether the window may close
    page.reload()
    start(page)
    page.evaluate("queue.pump()")
    until(page, "!queue.all().length")
    assert posted[-1]["value"] == "typed on the train"


def test_an_answer_that_was_lost_is_no_conflict(tab: Callable[..., Tab]) -> None:
    page, _ = desk(tab, [None, (409, {"theirs": "mine", "message": ""})])
    put(page, "mine", "")
    until(page, "!queue.all().length")
    assert [one[0] for one in page.evaluate("heard")] == ["lost", "lost", "done"]


def test_another_windows_words_are_not_written_over(tab: Callable[..., Tab]) -> None:
    page, posted = desk(tab, [(409, {"theirs": "theirs", "message": ""}), (200, {})])
    put(page, "mine", "")
    heard = settled(page)
    assert heard[-1][0] == "conflict" and heard[-1][2] == "theirs"
    assert len(posted) == 1  # it is sent no second time before the person has chosen
    page.evaluate("queue.settle(queue.asleep[0], true, 'theirs')")
    until(page, "!queue.all().length")
    assert (posted[-1]["value"], posted[-1]["seen"]) == ("mine", "theirs")


def test_what_is_refused_is_kept_and_said(tab: Callable[..., Tab]) -> None:
    page, posted = desk(tab, [(507, {"message": "The disk is full."}), (200, {})])
    put(page, "mine", "")
    heard = settled(page)
    assert heard[-1][0] == "refused" and heard[-1][2] == "The disk is full."
    assert page.evaluate("queue.all().length") == 1
    page.evaluate("queue.settle(queue.asleep[0], true)")
    until(page, "!queue.all().length")
    assert len(posted) == 2
