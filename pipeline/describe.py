"""Texts and tables about steps, recipes and surveys, for the commands and the README."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.run import Shoot
from pipeline.steps.base import Step
from pipeline.store import Store
from pipeline.survey import Survey, read_measured, read_proxy


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
        options = [str(a) for a in getattr(info.annotation, "__args__", ())]
        return "one of " + ", ".join(f"`{o}`" for o in options)
    kind = "yes or no" if "bool" in text else "number" if "float" in text or "int" in text else "text"
    if "tuple" in text or "list" in text:
        kind = "list"
    if "ge" in bounds and "le" in bounds:
        kind += f" {bounds['ge']:g} to {bounds['le']:g}"
    return kind


def survey_rows(store: Store, shoot: Shoot, surveys: Sequence[Survey]) -> tuple[list[list[str]], list[str]]:
    """One row a burst, and what a photographer should know."""
    by_name = {s.frame.name: s for s in surveys}
    rows, notes = [], list(shoot.notices)
    for index, burst in enumerate(shoot.bursts):
        group = [by_name[n] for n in burst.frames]
        exif = group[0].frame.exif
        light, brightness = "", ""
        readable = [s for s in group if not s.error]
        if readable:
            gray = np.array([read_measured(store, s.key, "white_balance")["gray"][:2] for s in readable])
            rg, bg = np.exp(gray).mean(axis=0)
            light = f"{rg:.2f} {bg:.2f}"
            means = [float(read_proxy(store, s.key).pixels[..., 1].mean()) for s in readable]
            stops = np.log2(np.maximum(means, 1e-4))
            brightness = f"{stops.mean():+.1f} EV" + (f" ±{np.ptp(stops) / 2:.1f}" if len(means) > 1 else "")
        shutter = f"1/{1 / exif.exposure_time:.0f}" if exif.exposure_time else ""
        name = burst.frames[0] if len(burst.frames) == 1 else f"{burst.frames[0]} .. {burst.frames[-1]}"
        time = exif.time.strftime("%H:%M:%S") if exif.time else ""
        rows.append(
            [str(index + 1), f"{name} ({len(burst.frames)})", time, f"{exif.iso or 0:.0f}", shutter, light, brightness]
        )
    notes += [f"{s.frame.relative}: {s.error}" for s in surveys if s.error]
    notes += [f"{name}: {why}" for name, why in shoot.missing]
    if any((f.exif.iso or 0) > 12800 for f in shoot.frames):
        notes.append("frames above ISO 12,800: expect soft detail")
    slow = sum(1 for f in shoot.frames if f.exif.exposure_time and f.exif.exposure_time > 1 / 400)
    if slow:
        notes.append(f"{slow} frames slower than 1/400 s: moving players will blur (common practice, no source)")
    timeless = sum(1 for f in shoot.frames if not f.exif.has_subseconds)
    if timeless:
        notes.append(f"{timeless} frames without sub-second times: bursts are found to the second only")
    return rows, notes
