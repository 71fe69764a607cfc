"""What the page of a run shows, as values of JSON: page.js draws from them, in the report and in the review alike.

A name of a person in a frame that is held for consent is in no view: the record it is made of has none.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Literal, Protocol

from pydantic import JsonValue, TypeAdapter

from pipeline.people.ranking import Ranked
from pipeline.report.needs import doubts_about, doubts_of, sure_of_subject
from pipeline.report.record import Counts, FileRecord, FrameRecord, RunRecord
from pipeline.steps import crop, decode, exposure, white_balance
from pipeline.textfile.html import link

Mode = Literal["report", "review"]
GREY = 0.18  # of white: the reflectance of a grey card (common practice, no source), where noise is said


@dataclass(frozen=True)
class PictureView:
    """Addresses of one picture, relative or data:, "" where there is none.

    small  some 320 pixels of the longer side; large  as large as there is, the delivered file itself for an after
    """

    small: str = ""
    large: str = ""


class Pictures(Protocol):
    """Where the page finds the pictures of a frame."""

    def before(self, name: str, frame: FrameRecord) -> PictureView:
        """The frame as the camera balanced it, whole; none where it is held for consent."""

    def after(self, name: str, delivery: str, file: FileRecord) -> PictureView:
        """A delivered file."""


@dataclass(frozen=True)
class FileView:
    """One delivered file.

    file    its address from the page; path  posix, below OUT; width, height  pixels; bytes  octets
    quality of the JPEG, 0 for lossless; crop  what it shows of the upright frame: x0, y0, x1, y1 as fractions
    turned  degrees clockwise by which the frame was turned first, to stand straight
    light   see FrameView.light, and light_before  that of the same part of the frame before
    persons  named in it; after  its pictures
    """

    file: str
    path: str
    width: int
    height: int
    bytes: int
    quality: int
    current: bool
    caption: str
    alt: str
    headline: str
    notices: list[str]
    crop: list[float]
    turned: float
    light: list[float] | None
    light_before: list[float] | None
    persons: list[str]
    after: PictureView


@dataclass(frozen=True)
class Numbers:
    """What was decided for a frame, None where that is not known.

    white     EV added to red, green, blue; white_source  as white_balance says it; white_sure  0 to 1
    exposure  EV added, the mean over the frame; crop_sure  0 to 1, by delivery, that the subject is the one
    noise     of the sensor at what becomes a grey of 18 %: standard deviation of green as a share of the signal
    """

    white: list[float] | None = None
    white_source: str = ""
    white_sure: float | None = None
    exposure: float | None = None
    noise: float | None = None
    crop_sure: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class FrameView:
    """One frame.

    time       local, ISO 8601; exposure_time  s; burst  index into RunView.bursts
    consent    whether it is held because of who is in it, or may be
    rated      what a person gave it, -1 (rejected) to 5
    reason     why it is not delivered; doubts  what a person should look at; notices  all that was noticed
    light      of the picture before: [brightness, red, blue, burnt], see imaging.shown_light; None: not measured
    people, faces, balls  [x0, y0, x1, y1, certainty], fractions of the upright frame
    """

    name: str
    status: str
    consent: bool
    reason: str
    time: str | None
    iso: float | None
    exposure_time: float | None
    camera: str
    burst: int | None
    rank: Ranked | None
    rated: int | None
    decisions: list[str]
    notices: list[str]
    doubts: list[str]
    numbers: Numbers
    light: list[float] | None
    people: list[list[float]]
    faces: list[list[float]]
    balls: list[list[float]]
    before: PictureView
    deliveries: dict[str, FileView]


@dataclass(frozen=True)
class RunView:
    """A whole run, without its frames, which follow in the page one by one.

    bursts  frame names; deliveries  names, in the order of the recipe
    """

    mode: Mode
    title: str
    state: str
    stopped: str
    counts: Counts
    bursts: list[list[str]]
    deliveries: list[str]


def run_view(record: RunRecord, mode: Mode = "report") -> RunView:
    """The run without its frames."""
    deliveries = list(record.sent)
    for frame in record.frames.values() if not deliveries else ():
        deliveries += [name for name in frame.deliveries if name not in deliveries]
    return RunView(
        mode, record.title, record.state, record.stopped, record.counts,
        [list(burst) for burst in record.bursts], deliveries,
    )  # fmt: skip


def frame_view(name: str, frame: FrameRecord, pictures: Pictures, doubts: Sequence[str]) -> FrameView:
    """One frame of a record, in which no withheld name is. doubts  that the run has about it."""
    seen = frame.observations
    return FrameView(
        name=name,
        status=frame.status,
        consent=frame.consent,
        reason=frame.reason,
        time=frame.time,
        iso=frame.iso,
        exposure_time=frame.exposure_time,
        camera=frame.camera,
        burst=frame.burst,
        rank=frame.rank,
        rated=frame.rated,
        decisions=frame.decisions,
        notices=frame.notices,
        doubts=[*doubts_of(frame), *doubts],
        numbers=_numbers(frame),
        light=_before_light(frame),
        people=seen.people if seen else [],
        faces=seen.faces if seen else [],
        balls=seen.balls if seen else [],
        before=pictures.before(name, frame),
        deliveries={
            delivery: _file_view(name, delivery, file, frame, pictures) for delivery, file in frame.deliveries.items()
        },
    )


def frame_views(record: RunRecord, pictures: Pictures) -> Iterator[FrameView]:
    """The frames of the shoot, in order of time."""
    doubts = doubts_about(record.notices)
    for name, frame in record.frames.items():
        if frame.relative:
            yield frame_view(name, frame, pictures, doubts.get(name, ()))


def _file_view(name: str, delivery: str, file: FileRecord, frame: FrameRecord, pictures: Pictures) -> FileView:
    whole = delivery.partition("/")[0]  # the folders of the groups of a delivery have one crop
    solution = frame.solutions.get(f"{whole}/{crop.STEP.name}", {})
    return FileView(
        file=link(file.file),
        path=file.file,
        width=file.width,
        height=file.height,
        bytes=file.bytes,
        quality=file.quality,
        current=file.current,
        caption=file.caption,
        alt=file.alt_text,
        headline=file.headline,
        notices=file.notices,
        crop=file.crop,
        turned=_number(solution.get("turned")) or 0.0,
        light=list(file.light) if file.light else None,
        light_before=list(file.light_before) if file.light_before else None,
        persons=file.persons,
        after=pictures.after(name, delivery, file),
    )


def _before_light(frame: FrameRecord) -> list[float] | None:
    first = next((file.light_before for file in frame.deliveries.values()), frame.light)
    return list(first) if first else None


def _number(value: JsonValue) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _numbers(frame: FrameRecord) -> Numbers:
    white: Mapping[str, JsonValue] = frame.solutions.get(white_balance.STEP.name, {})
    added = _number(frame.solutions.get(exposure.STEP.name, {}).get("ev"))
    gains = [g for g in _list(white.get("gains")) if g > 0]
    sure = {
        label.split("/")[0]: found
        for label, solution in frame.solutions.items()
        if label.endswith(f"/{crop.STEP.name}") and (found := sure_of_subject(solution)) is not None
    }
    return Numbers(
        white=[round(math.log2(g), 3) for g in gains] if len(gains) == 3 else None,
        white_source=str(white.get("source", "")),
        white_sure=_number(white.get("sure")),
        exposure=added,
        noise=_noise(frame.solutions.get(decode.STEP.name, {}), added),
        crop_sure=sure,
    )


def _list(value: JsonValue) -> list[float]:
    return [n for one in value if (n := _number(one)) is not None] if isinstance(value, list) else []


def _noise(solution: Mapping[str, JsonValue], added: float | None) -> float | None:
    """Of the sensor's green, at the light that exposure brings to GREY: sqrt(a x + b) / x."""
    a, b = _list(solution.get("noise_a")), _list(solution.get("noise_b"))
    if len(a) != 3 or len(b) != 3 or added is None:
        return None
    at: float = GREY * 2.0**-added
    return round(math.sqrt(max(a[1] * at + b[1], 0.0)) / at, 4)


@cache
def _frames() -> TypeAdapter[FrameView]:
    return TypeAdapter(FrameView)


@cache
def _runs() -> TypeAdapter[RunView]:
    return TypeAdapter(RunView)


def frame_json(view: FrameView) -> str:
    """A frame's view as JSON that may stand in a script element of HTML."""
    found: str = safe(_frames().dump_json(view).decode())
    return found


def view_json(run: RunView, frames: Iterable[FrameView]) -> Iterator[str]:
    """All of the view as JSON that may stand in a script element, piece by piece: {...run, "frames": [...]}."""
    yield safe(_runs().dump_json(run).decode())[:-1] + ',"frames":['
    between = ""
    for frame in frames:
        yield between + frame_json(frame)
        between = ",\n"
    yield "]}"


def safe(text: str) -> str:
    """JSON in which nothing ends a script element, or begins a comment in it (HTML Living Standard, 4.12.1.3)."""
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text
