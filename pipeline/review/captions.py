"""The caption as it will stand: what the recipe's caption step would write for players and words not yet saved."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path

from pipeline.engine.tables.caption_sheet import CaptionStep, caption_steps
from pipeline.errors import InputError
from pipeline.formats.metadata.carried import read_carried
from pipeline.formats.metadata.model import PictureTexts
from pipeline.recipe.recipe import Recipe
from pipeline.shoot.facts import Facts, FrameFacts, held_back
from pipeline.steps.caption import describe
from pipeline.types import Frame

_KEPT = 64  # frames whose own texts are kept


@dataclass(frozen=True)
class CaptionNow:
    """caption, headline, alt  of the first delivery that has a caption; delivery  its name
    held  why the frame would be in no delivery, then there are no texts; problems, notices  for a person"""

    delivery: str = ""
    caption: str = ""
    headline: str = ""
    alt: str = ""
    held: str = ""
    problems: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()


class Captions:
    """Of one recipe."""

    def __init__(self, recipe: Recipe | None) -> None:
        self._steps: list[CaptionStep] = []
        self._carried: OrderedDict[Path, PictureTexts] = OrderedDict()
        if recipe is not None:
            try:
                self._steps = caption_steps(recipe)
            except InputError:
                self._steps = []

    def of(self, frame: Frame, facts: Facts, row: FrameFacts, own: str, problems: tuple[str, ...]) -> CaptionNow:
        """own  why the frame's own texts hold it, ""; problems  of what was typed, which is then not in `row`"""
        if held := held_back(facts, row) or own:
            return CaptionNow(held=held, problems=(*problems, f"held back from every delivery: {held}"))
        if not self._steps:
            return CaptionNow(problems=problems)
        step = self._steps[0]
        try:
            texts, notices = describe(frame, facts, row, step.params, self._texts(frame.path))
        except InputError as error:
            return CaptionNow(step.delivery, problems=(*problems, *error.lines))
        shown = (step.delivery, texts.caption, texts.headline, texts.alt_text)
        return CaptionNow(*shown, problems=(*problems, *notices), notices=notices)

    def _texts(self, path: Path) -> PictureTexts:
        if path not in self._carried:
            self._carried[path] = read_carried(path)
            while len(self._carried) > _KEPT:
                self._carried.popitem(last=False)
        self._carried.move_to_end(path)
        return self._carried[path]
