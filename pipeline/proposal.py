"""OUT/frames.csv: every frame with its score and what was chosen, to copy beside the frames and change."""

from __future__ import annotations

import csv
import io

from pipeline.planned import Shoot
from pipeline.recipe.recipe import Recipe
from pipeline.shoot.facts import FRAME_COLUMNS
from pipeline.solve import Plan

# Columns that only tell; the reader of frames.csv passes over them.
TOLD = ("burst", "time", "score", "suggested", "why")


def proposal(shoot: Shoot, recipe: Recipe, plan: Plan) -> str:
    """CSV text (RFC 4180). What frames.csv said already stands in it; where the recipe selects, keep is filled in:
    copied as it is, the choice stays as it was, and any of it can be changed by hand."""
    shared = any(bound.step.name == "select" for bound in recipe.steps)
    selecting = [d.name for d in recipe.deliveries if shared or any(b.step.name == "select" for b in d.steps)]
    times = {f.name: f.exif.time for f in shoot.frames}
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow((*FRAME_COLUMNS, *TOLD))
    for number, burst in enumerate(shoot.bursts, 1):
        for name in burst.frames:
            row, rank = shoot.facts.row(name), plan.ranks.get(name)
            chosen = any(plan.chosen(delivery, name) for delivery in selecting)
            time = times.get(name)
            table.writerow((
                name,
                "no" if not row.keep else "always" if chosen or row.always else "",
                "" if row.rating is None else row.rating,
                "; ".join(f"{team} {player}" for team, player in row.players),
                row.words,
                "" if row.crop is None else " ".join(f"{v:g}" for v in row.crop),
                number,
                "" if time is None else time.isoformat(sep=" ", timespec="milliseconds"),
                "" if rank is None else rank.score,
                "" if rank is None else rank.rating,
                "" if rank is None else rank.why,
            ))  # fmt: skip
    return text.getvalue()
