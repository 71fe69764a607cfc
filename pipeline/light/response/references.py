"""Reference patches of finished pictures whose camera's contrast was taken out after they had been measured."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Protocol, TypeVar

import numpy as np

from pipeline.imaging.camera_curve import straighten
from pipeline.light.references import MeasuredReferences
from pipeline.shoot.facts import Reference

_GREYS = 0.3  # of white: between the middle greys of a chart, 0.36 and 0.19 (light.chart.values), whose median it gives


class _Measured(Protocol):
    @property
    def references(self) -> MeasuredReferences: ...


M = TypeVar("M", bound=_Measured)


class Straightened(Mapping[str, M]):
    """Measurements by frame name, dataclasses with `references`: these as if measured without the camera's contrast."""

    def __init__(self, measured: Mapping[str, M], curves: Mapping[str, float], references: Sequence[Reference]) -> None:
        """curves  frame name -> strength of that contrast, where there is one"""
        self._measured, self._curves, self._references = measured, curves, references

    def __getitem__(self, name: str) -> M:
        found, curve = self._measured[name], self._curves.get(name, 0.0)
        own = [r for r in self._references if r.frame == name]
        if not (curve and own):
            return found
        return replace(found, references=straightened(found.references, own, curve))  # type: ignore[type-var]

    def __contains__(self, name: object) -> bool:
        return name in self._measured

    def __iter__(self) -> Iterator[str]:
        return iter(self._measured)

    def __len__(self) -> int:
        return len(self._measured)


def straightened(measured: MeasuredReferences, references: Sequence[Reference], curve: float) -> MeasuredReferences:
    """What the references of one frame show, in their order, without a contrast of this strength. A chart's white is
    that of its greys, and bent as they are."""
    whites = measured.whites.copy()
    for index, reference in enumerate(references):
        card = index < len(measured.guessed) and measured.guessed[index]
        level = _GREYS if reference.chart is not None or (reference.patch == "auto" and not card) else 1.0
        whites[index] = straighten((whites[index] * level).astype(np.float32), curve).astype(np.float64) / level
    return replace(measured, whites=whites)
