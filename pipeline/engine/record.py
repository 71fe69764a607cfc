"""run.json: what a run did, and why every frame is or is not there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.engine.jobs import Delivered, Planned, Shoot
from pipeline.engine.measure import MeasuredFrame
from pipeline.engine.render import Job
from pipeline.engine.solve import Plan
from pipeline.recipe.recipe import Recipe, flatten_yaml
from pipeline.store.keys import environment

STATUSES = ("delivered", "failed", "held", "left out", "undone")


@dataclass
class RunLog:
    """What a run did, as the record tells it.

    failed  frame -> reason; stopped  why the run ended early, ""; files  relative path -> record of what stands
    """

    failed: dict[str, str] = field(default_factory=dict)
    stopped: str = ""
    seconds: dict[str, float] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    rendered: int = 0


def build(
    log: RunLog,
    shoot: Shoot,
    recipe: Recipe,
    measured_frames: Sequence[MeasuredFrame],
    plan: Plan,
    planned: Planned,
    files: Mapping[str, Mapping[str, Any]],
    counted: Mapping[str, int],
) -> dict[str, Any]:
    """The record. `recipe`: as it may be shown, see masking.py; `counted`: further counts."""
    burst = {name: i for i, b in enumerate(shoot.bursts) for name in b.frames}
    frames: dict[str, Any] = {}
    for one in measured_frames:
        name = one.frame.name
        entry = _frame(one, plan, planned.get(name), files)
        entry |= {"burst": burst[name]} | _status(log, shoot, recipe, plan, planned.get(name), entry, name)
        frames[name] = entry
    for name, why in shoot.missing:
        status = "failed" if name in log.failed else "undone"
        frames[name] = {"relative": "", "status": status, "reason": why, "deliveries": {}, "notices": []}
    statuses = [f["status"] for f in frames.values()]
    return {
        "evencourt": __version__,
        "state": "stopped" if log.stopped else "done",
        "stopped": log.stopped,
        "title": shoot.facts.title or shoot.folder.name,
        "recipe": Path(recipe.file).name,
        "recipe_flat": flatten_yaml(recipe),
        "counts": {
            **{s: statuses.count(s) for s in STATUSES},
            "consent": sum(shoot.facts.row(n).keep for n, f in frames.items() if f["status"] == "held"),
            "frames": len(frames),
            "files": sum(len(f["deliveries"]) for f in frames.values()),
            "rendered": log.rendered,
            **counted,
        },
        "seconds": {k: round(v, 2) for k, v in log.seconds.items()},
        "environment": environment(),
        "models": shoot.models.digest,
        "notices": [*shoot.notices, *plan.notices, *log.notices],
        "bursts": [list(b.frames) for b in shoot.bursts],
        "frames": frames,
    }


def _frame(
    one: MeasuredFrame, plan: Plan, planned: tuple[Job, list[Delivered]] | None, files: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    exif, name = one.frame.exif, one.frame.name
    rank = plan.ranks.get(name)
    entry: dict[str, Any] = {
        "relative": one.frame.relative,
        "time": exif.time.isoformat() if exif.time else None,
        "iso": exif.iso,
        "exposure_time": exif.exposure_time,
        "camera": f"{exif.make} {exif.model}".strip(),
        "solutions": {k: v[name] for k, v in plan.solutions.items() if name in v},
        "rank": None if rank is None else asdict(rank),
        "notices": [*one.notices, *plan.notices_by_frame.get(name, ())],
        "before": None,
        "deliveries": {},
    }
    for each in planned[1] if planned else []:
        done = files.get(each.output.relative)
        if done is None:
            continue
        entry["before"] = f"{planned[0].thumbs}.before.jpg" if planned else None
        keep = ("sha256", "bytes", "width", "height", "quality", "thumb")
        entry["deliveries"][each.output.delivery.name] = {k: done[k] for k in keep} | {
            "file": each.output.relative,
            "current": done.get("current", True),
            "caption": each.caption,
            "alt_text": each.alt_text,
            "headline": each.headline,
            "notices": [*each.notices, *done["notices"]],
        }
    return entry


def _status(
    log: RunLog,
    shoot: Shoot,
    recipe: Recipe,
    plan: Plan,
    planned: tuple[Job, list[Delivered]] | None,
    entry: Mapping[str, Any],
    name: str,
) -> dict[str, str]:
    """What became of a frame, and the reason where it is not delivered."""
    if name in log.failed:
        return {"status": "failed", "reason": log.failed[name]}
    if why := shoot.withheld(name):
        return {"status": "held", "reason": why}
    left = [d.name for d in recipe.deliveries if not plan.chosen(d.name, name)]
    if len(left) == len(recipe.deliveries):
        labels = ("select", *(f"{d}/select" for d in left))
        reasons = [plan.of(label, name)["why"] for label in labels if not plan.of(label, name).get("chosen", True)]
        return {"status": "left out", "reason": "; ".join(dict.fromkeys(reasons))}
    whole = planned is not None and len(entry["deliveries"]) == len(planned[1])
    return {"status": "delivered" if whole else "undone", "reason": ""}
