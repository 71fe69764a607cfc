"""OUT/frames.csv: every frame with its score and what was chosen, to copy beside the frames and change."""

from __future__ import annotations

from pipeline.engine.jobs import Shoot
from pipeline.engine.solve import Plan
from pipeline.engine.tables.frame_table import frame_table
from pipeline.recipe.recipe import Recipe


def proposal(shoot: Shoot, recipe: Recipe, plan: Plan) -> str:
    """The CSV text of engine.tables.frame_table, with keep filled in where the recipe selects.

    Copied beside the frames as it is, the next run makes the same choice; any of it can be changed by hand first.
    """
    selecting = [d for d in recipe.deliveries if any(b.step.leaves_out is not None for _, b in recipe.labelled(d))]
    free = [f.name for f in shoot.frames if not shoot.withheld(f.name)]
    chosen = {name for name in free if any(not plan.left_out(recipe, delivery, name) for delivery in selecting)}
    return frame_table(shoot.frames, shoot.bursts, shoot.facts, plan.ranks, chosen=chosen)
