"""Texts and tables about steps, recipes and shoots, for the commands and the README."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

from pipeline.cli.light_words import LightWords, light_words
from pipeline.engine.measure import MeasuredFrame, read_measured
from pipeline.engine.run import Shoot
from pipeline.engine.solve import shoot_light
from pipeline.imaging.raw.noise_pool import noise_notes, noise_rows
from pipeline.steps import decode, white_balance
from pipeline.steps.base import SolveContext, Step, camera_of
from pipeline.store.store import Store


def recipe_folder() -> Path:
    """Where the ready recipes are: at the top of a checkout, inside the package when installed."""
    spec = find_spec("pipeline.recipes")
    if spec is None or spec.origin is None:
        return Path(__file__).parent.parent / "recipes"
    return Path(spec.origin).parent


def steps_text(steps: Sequence[Step]) -> str:
    """Markdown that the README's recipe reference and `evencourt steps` share."""
    parts = []
    for step in steps:
        where = {"shared": "under steps", "delivery": "in a delivery", "both": "under steps or in a delivery"}[
            step.place
        ]
        lines = [f"### {step.name}", "", f"{step.summary} Stands {where}.", ""]
        for name, info in step.Params.model_fields.items():
            lines.append(f"- `{name}` ({_range(info)}; default `{_default(info.default)}`): {info.description}")
        parts.append("\n".join(lines).rstrip())
    return "\n\n".join(parts)


def _default(value: Any) -> str:
    if value is None:
        return "none"
    return str(value).lower() if isinstance(value, bool) else str(value)


def _range(info: Any) -> str:
    bounds = {key: getattr(m, key) for m in info.metadata for key in ("ge", "le") if hasattr(m, key)}
    text = str(info.annotation)
    if "Literal" in text:
        parts = [a for a in getattr(info.annotation, "__args__", ()) if hasattr(a, "__args__")] or [info.annotation]
        options = ", ".join(f"`{o}`" for part in parts for o in part.__args__)
        return f"one of {options}" + (", or a number" if "float" in text else "")
    kind = "yes or no" if "bool" in text else "number" if "float" in text or "int" in text else "text"
    if "tuple" in text or "list" in text:
        kind = "list"
    if "ge" in bounds and "le" in bounds:
        kind += f" {bounds['ge']:g} to {bounds['le']:g}"
    return kind


@dataclass(frozen=True)
class InspectText:
    """One row a burst, one a light zone, one a camera and ISO, and what a photographer should know."""

    bursts: list[list[str]]
    zones: list[list[str]]
    noise: list[list[str]]
    notes: list[str]


def inspect_text(store: Store, shoot: Shoot, measured_frames: Sequence[MeasuredFrame], workers: int) -> InspectText:
    """What is in the folder, in words; looks at the light of every burst first."""
    by_name = {s.frame.name: s for s in measured_frames}
    words, notices = _light(store, shoot, measured_frames, workers)
    rows, notes = [], list(shoot.notices)
    for index, burst in enumerate(shoot.bursts):
        group = [by_name[n] for n in burst.frames]
        exif = group[0].frame.exif
        readable = [n for n in burst.frames if words is not None and n in words.of]
        zone, dark = "", ""
        if words is not None and readable:
            zone = str(words.of[readable[0]][0])
            count = sum(words.of[n][1] for n in readable)
            dark = f"{count} of {len(readable)}" if len(readable) > 1 else ""
        shutter = f"1/{1 / exif.exposure_time:.0f}" if exif.exposure_time else ""
        name = burst.frames[0] if len(burst.frames) == 1 else f"{burst.frames[0]} .. {burst.frames[-1]}"
        time = exif.time.strftime("%H:%M:%S") if exif.time else ""
        rows.append(
            [str(index + 1), f"{name} ({len(burst.frames)})", time, f"{exif.iso or 0:.0f}", shutter, zone, dark]
        )
    notes += [f"{s.frame.relative}: {s.error}" for s in measured_frames if s.error]
    notes += [f"{name}: {why}" for name, why in shoot.missing]
    notes += notices
    if words is not None:
        notes.append(words.mains)
    if any((f.exif.iso or 0) > 12800 for f in shoot.frames):
        notes.append("frames above ISO 12,800: expect soft detail")
    slow = sum(1 for f in shoot.frames if f.exif.exposure_time and f.exif.exposure_time > 1 / 400)
    if slow:
        notes.append(f"{slow} frames slower than 1/400 s: moving players will blur (common practice, no source)")
    timeless = sum(1 for f in shoot.frames if not f.exif.has_subseconds)
    if timeless:
        notes.append(f"{timeless} frames without sub-second times: bursts are found to the second only")
    noise, of_noise = _noise(store, measured_frames)
    return InspectText(rows, words.zones if words is not None else [], noise, notes + of_noise)


def _noise(store: Store, measured_frames: Sequence[MeasuredFrame]) -> tuple[list[list[str]], list[str]]:
    """Noise by camera and ISO against the straight line that it should follow."""
    good = [s for s in measured_frames if not s.error]
    measured = {s.frame.name: read_measured(store, s.key, decode.STEP.name) for s in good}
    rows, notes = [], []
    for sensor in decode.sensors([s.frame for s in good], measured):
        camera = camera_of(sensor.frames[0])
        rows += noise_rows(camera, sensor.noise)
        notes += noise_notes(camera, sensor.noise)
    return rows, notes


def _light(
    store: Store, shoot: Shoot, measured_frames: Sequence[MeasuredFrame], workers: int
) -> tuple[LightWords | None, tuple[str, ...]]:
    """The light as white_balance would see it: by the references where there are any, else by gray_world."""
    frames = [s.frame for s in measured_frames if not s.error]
    if not frames:
        return None, ()
    measured = {
        s.frame.name: read_measured(store, s.key, white_balance.STEP.name) for s in measured_frames if not s.error
    }
    light = shoot_light(store, measured_frames, shoot.bursts, shoot.facts, workers)
    context = SolveContext(frames, shoot.bursts, shoot.facts, measured, lambda: light, dict, dict, {})
    method: Literal["reference_patch", "gray_world"] = "reference_patch" if shoot.facts.references else "gray_world"
    solved = white_balance.solve(
        context, white_balance.WhiteBalanceParams(method=method, multipliers=None, within_frame=True)
    )
    daylight = {name: m["daylight"] for name, m in measured.items()}
    return light_words(light, frames, solved.by_frame, daylight), solved.notices
