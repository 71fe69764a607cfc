"""What the run in OUT is of. Kept in OUT/.work and not in run.json, which may be passed on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self


@dataclass(frozen=True)
class Source:
    """Whole paths of the shoot folder, the facts that were named, the model files' folder and the recipe; None for the
    unknown.

    only   the pattern of frame names that the run was given, None for all
    moved  whether `facts` are copies that a review made of those beside the frames: its decisions are in them alone
    cache  whole path of the cache that it used, None for none
    withholding  where they withhold anybody: name of a file of facts -> whole path of the one that was read, filled in
    """

    shoot: str | None = None
    facts: str | None = None
    models: str | None = None
    recipe: str | None = None
    only: str | None = None
    moved: bool = False
    withholding: Mapping[str, str] = field(default_factory=dict)
    cache: str | None = None

    @classmethod
    def of(
        cls,
        shoot: Path,
        facts: Path | None,
        models: Path | None = None,
        recipe: Path | None = None,
        only: str | None = None,
        *,
        moved: bool = False,
        withholding: Mapping[str, str] | None = None,
        cache: Path | None = None,
    ) -> Self:
        """Of paths as they were given."""
        whole = [str(path.resolve()) if path else None for path in (shoot, facts, models, recipe, cache)]
        return cls(whole[0], whole[1], whole[2], whole[3], only, moved, withholding or {}, whole[4])
