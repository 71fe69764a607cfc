"""OUT/frames.csv: every frame with its score and what was chosen, to copy beside the frames and change."""

from __future__ import annotations

from pipeline.engine.frame_table import frame_table
from pipeline.engine.jobs import Shoot
from pipeline.engine.solve import Plan
from pipeline.recipe.recipe import Recipe


def proposal(shoot: Shoot, recipe: Recipe, plan: Plan) -> str:
    """The table as in engine.frame_table. What frames.csv said already stands in it; where the recipe selects, keep is
    filled in: copied as it is, the choice stays as it was, and any of it can be changed by hand."""
    selecting = [d for d in recipe.deliveries if any(b.step.leaves_out is not None for _, b in recipe.labelled(d))]
    free = [f.name for f in shoot.frames if not shoot.withheld(f.name)]
    chosen = {name for name in free if any(not plan.left_out(recipe, delivery, name) for delivery in selecting)}
    return frame_table(shoot.frames, shoot.bursts, shoot.facts, plan.ranks, chosen=chosen)
