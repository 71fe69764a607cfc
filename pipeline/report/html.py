"""The page of a run: OUT/report.html, and the same page as the review serves it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from importlib.resources import files
from pathlib import Path

from markupsafe import Markup

from pipeline.report.needs import of_run
from pipeline.report.pictures import pictures_of
from pipeline.report.record import RunRecord
from pipeline.report.view import Mode, Pictures, frame_views, run_view, view_json
from pipeline.store.files import whole_file
from pipeline.store.store import Store
from pipeline.textfile.html import hash_source, page_environment
from pipeline.textfile.messages import counted

REPORT_FILE = "report.html"  # in OUT
_PARTS = {"page.js": ("words.js", "facts.js", "chart.js", "page.js")}  # one script, of files that each have one topic
PHASES = {  # of a run, in order -> as a photographer reads them
    "trial": "a few frames first", "measure": "looking at the frames", "burst light": "comparing the light of bursts",
    "solve": "deciding", "plan": "planning", "render": "rendering", "settle": "files of earlier runs",
    "record": "run.json", "deliver": "zips, sheets, pages and sending", "report": "this report",
}  # fmt: skip


def write_report(out: Path, record: RunRecord, *, hurried: bool = False) -> Path:
    """Write OUT/report.html for a run record, and OUT/report where it has many pictures; return the page's path.

    record  without withheld names; hurried  add no picture to OUT/report. Raises OSError.
    """
    store = Store(out)
    path = out / REPORT_FILE
    facts = "the folder of the facts that --facts names" if store.source().facts else "the shoot folder"
    pictures = pictures_of(store, record, hurried=hurried)
    with whole_file(path) as file:
        for some in page(record, pictures, facts):
            file.write(some.encode("utf-8"))
    return path


def page(
    record: RunRecord, pictures: Pictures, facts: str, mode: Mode = "report", view: Iterable[str] | None = None
) -> Iterator[str]:
    """The page, piece by piece: no more than a frame of it is held.

    record  without withheld names; facts  where a person's tables are, in words
    view    JSON for the page as view.view_json makes it, piece by piece; None for that of the record

    The report loads nothing but the pictures beside it: its content security policy allows one script and one style,
    by their SHA-256. The review's server gives the policy itself, and page.js, page.css, web/review.js and
    web/review.css at addresses beside that of the page.
    """
    parts, known = of_run(record, facts)
    script, style = asset("page.js"), asset("page.css")
    environment = page_environment("report")
    environment.filters |= {"counted": counted, "duration": _duration}
    yield from environment.get_template("page.html").generate(
        record=record,
        mode=mode,
        needs=[part for part in parts if part.needed],
        happened=[part for part in parts if not part.needed],
        knowing=known,
        phases=PHASES,
        view=map(Markup, view_json(run_view(record, mode), frame_views(record, pictures)) if view is None else view),
        script=Markup(script),  # ours, from the package
        style=Markup(style),
        policy=_policy(script, style) if mode == "report" else "",
    )


def asset(name: str) -> str:
    """The text of page.css, or of page.js with what it needs before it."""
    return "".join(
        files("pipeline.report").joinpath(one).read_text(encoding="utf-8") for one in _PARTS.get(name, [name])
    )


def _policy(script: str, style: str) -> str:
    return (
        f"default-src 'none'; img-src 'self' file: data:; script-src '{hash_source(script)}'; "
        f"style-src '{hash_source(style)}'; base-uri 'none'; form-action 'none'"
    )


def _duration(seconds: float) -> str:
    """Seconds as "9.5 s", "2 min 5 s" or "1 h 4 min"."""
    whole = round(seconds)
    if whole < 60:
        return f"{seconds:.1f} s"
    minutes = whole // 60
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min {whole % 60} s"
