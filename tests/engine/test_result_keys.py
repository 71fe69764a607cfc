"""What a delivered file and a measurement hang on, field by field of every step, so that a new one cannot be forgotten.

A key that misses something leaves old pixels in OUT; one that holds too much renders a night again for a comma.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.engine import measure, render
from pipeline.formats.metadata.model import Metadata
from pipeline.imaging.geometry import WHOLE, Box
from pipeline.imaging.lens.falloff import NODES, Falloff
from pipeline.imaging.lens.warp import POWERS, Warp
from pipeline.imaging.raw.frame import SensorCorrection
from pipeline.light.gain_map import GainMap
from pipeline.light.scene_white import WhiteSource
from pipeline.people.modelfiles import ModelFiles
from pipeline.recipe.recipe import Bound, Delivery, Recipe
from pipeline.shoot.facts import Reference
from pipeline.steps import REGISTRY
from pipeline.steps.crop import CropSolution, CropSource
from pipeline.steps.denoise import Basis
from pipeline.steps.exposure import ExposureSolution
from pipeline.steps.lens import LensSolution, LensSource
from pipeline.steps.select import SelectSolution
from pipeline.steps.tone import ToneSolution
from pipeline.steps.white_balance import WhiteBalanceSolution
from pipeline.store.keys import digest_file, environment
from pipeline.types import Noise

SHARED = ("select", "decode", "lens", "white_balance", "exposure", "denoise")
OWN = ("for", "crop", "resize", "tone", "caption", "save")
NO_PIXELS = ("select", "web/for", "for", "caption")  # which frames, and what is written beside the pixels
TEXTS = Metadata(caption="A throw.", headline="Gulls and Foxes", title="TH1_0001", keywords=("handball",))
# Every field of these is away from "nothing", so that each can be changed.
SOLUTIONS: dict[str, Any] = {
    "select": SelectSolution(True, "the best of its burst"),
    "decode": SensorCorrection(Noise(np.full(3, 1e-3), np.full(3, 1e-5)), 1e-6, np.array([7, 99]), False),
    "lens": LensSolution(
        LensSource.FILE, Falloff(np.full(NODES, 0.1), (0.4, 0.6), np.full((2, 2, 3), 1.1, np.float32)),
        LensSource.FILE, Warp(np.full((3, POWERS), 0.1), np.full((3, 2), 0.01), (0.4, 0.6), 0.98),
    ),
    "white_balance": WhiteBalanceSolution(
        np.array([1.9, 1.0, 1.5]), next(iter(WhiteSource)), "as shot", GainMap(np.full((2, 2, 3), 0.1)), False, 0.5,
        np.eye(3),
    ),
    "exposure": ExposureSolution(0.3, GainMap(np.full((2, 1, 3), 0.2))),
    "denoise": Basis(3),
    "web/for": SelectSolution(True, "shows home 7"),
    "web/crop": CropSolution(next(iter(CropSource)), Box(0.1, 0.1, 0.9, 0.9), 1.5, 0.4),
    "web/tone": ToneSolution(0.002, 0.001, 1.5),
}  # fmt: skip
# Values to try, the first that a parameter takes and that is not its default.
VALUES: tuple[Any, ...] = (
    True, False, 3, 41, 97, 500, 0.3, 1.5, "4:5", "800 KB", "a word", "{{ frame }}-x", (1.7, 1.0, 1.9), ("handball",),
    "half", "tiff", "fine", "full", "centre", "zone", "none", "gray_world", "player",
)  # fmt: skip


def key(
    params: dict[str, dict[str, Any]] | None = None,
    solutions: dict[str, Any] | None = None,
    versions: dict[str, int] | None = None,
    texts: Metadata | None = TEXTS,
    digest: str = "0" * 64,
    edge: int | None = 2048,
    window: Box = WHOLE,
) -> str:
    """The key of a file of a recipe with every step; what is given replaces what is usual."""
    params = params or {}

    def bound(name: str) -> Bound:
        step = REGISTRY[name]
        return Bound(
            dataclasses.replace(step, version=(versions or {}).get(name, step.version)),
            step.Params(**params.get(name, {})),
        )

    delivery = Delivery("web", tuple(map(bound, OWN)))
    recipe = Recipe("recipe.yaml", tuple(map(bound, SHARED)), (delivery,))
    return render.pixel_key(digest, edge, window, recipe, delivery, SOLUTIONS | (solutions or {}), texts)


def others(name: str) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
    """For each parameter of a step: its name, parameters, and the same with another value of this one."""
    kind = REGISTRY[name].Params
    for field in kind.model_fields:
        for base in ({}, {"multipliers": (2.0, 1.0, 1.5)}):
            changed = next((c for v in VALUES if (c := taken(kind, base, {field: v})) is not None), None)
            if changed is not None:
                yield field, base, changed
                break
        else:
            raise AssertionError(f"{name}: no other value for {field} among VALUES; add one")


def taken(kind: Any, base: dict[str, Any], change: dict[str, Any]) -> dict[str, Any] | None:
    """`base` with the change, where the step takes it and it is one."""
    try:
        plain, changed = kind(**base), kind(**(base | change))
    except ValueError:
        return None
    return base | change if plain != changed else None


def variants(value: Any) -> Iterator[Any]:
    """The value with each of its parts changed, down to single numbers. An unknown kind of part is an error."""
    if isinstance(value, Box):
        yield from (value._replace(**{name: getattr(value, name) + 0.01}) for name in value._fields)
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        for field in dataclasses.fields(value):
            part = getattr(value, field.name)
            if part is not None:
                yield from (dataclasses.replace(value, **{field.name: other}) for other in variants(part))
    elif isinstance(value, tuple):
        for at, part in enumerate(value):
            yield from ((*value[:at], other, *value[at + 1 :]) for other in variants(part))
    elif isinstance(value, np.ndarray):
        for at in np.ndindex(value.shape):
            changed = value.copy()
            changed[at] = changed[at] + (1 if value.dtype.kind == "i" else 0.01)
            yield changed
    elif isinstance(value, Enum):
        yield from (member for member in type(value) if member is not value)
    elif isinstance(value, bool):
        yield not value
    elif isinstance(value, float | int):
        yield value + 0.01
    elif isinstance(value, str):
        yield value + " more"
    else:
        raise AssertionError(f"how is a {type(value).__name__} changed? add it to variants")


@pytest.mark.parametrize("name", [*SHARED, *OWN])
def test_parameters(name: str) -> None:
    """Each parameter of a step that makes pixels changes the key; of the others, and the file's name, none does."""
    for field, base, changed in others(name):
        same = key({name: base}) == key({name: changed})
        assert same == (name in NO_PIXELS or (name, field) == ("save", "name")), f"{name}: {field}"


@pytest.mark.parametrize("label", SOLUTIONS)
def test_solutions(label: str) -> None:
    usual = key()
    some = 0
    for other in variants(SOLUTIONS[label]):
        in_words_only = (label == "denoise" and not other.no_weights) or (
            label == "white_balance" and other.words != SOLUTIONS[label].words
        )
        assert (key(solutions={label: other}) == usual) == (label in NO_PIXELS or in_words_only), other
        some += 1
    assert some >= (1 if label == "denoise" else 2)


def test_every_step_that_decides_is_among_the_solutions() -> None:
    decide = {name for name, step in REGISTRY.items() if step.solve is not None}
    assert decide == {label.rpartition("/")[2] for label in SOLUTIONS}
    assert {*SHARED, *OWN} == {name for name in REGISTRY if name != "deliver"}


@pytest.mark.parametrize("name", [*SHARED, *OWN])
def test_versions(name: str) -> None:
    raised = key(versions={name: REGISTRY[name].version + 1})
    assert (raised == key()) == (name in NO_PIXELS)


def test_frame_size_and_window() -> None:
    assert len({key(), key(digest="1" * 64), key(edge=None), key(edge=2047), key(window=Box(0, 0, 1, 0.99))}) == 5


def test_texts() -> None:
    """A caption changes no pixel of a JPEG, unless the file must fit into a size and the texts take more of it. A TIFF
    is written whole, texts included."""
    more = dataclasses.replace(TEXTS, caption="Another throw.", persons=("Ada Brekke",))
    much = dataclasses.replace(TEXTS, caption="A throw. " * 900)
    assert key(texts=more) == key(texts=much) == key(texts=None) == key()
    fit = {"save": {"at_most": "1 MB"}}
    assert key(fit, texts=more) == key(fit) != key(fit, texts=much)
    tiff = {"save": {"format": "tiff"}}
    assert len({key(tiff), key(tiff, texts=more), key(tiff, texts=None)}) == 3


@pytest.mark.parametrize("part", sorted(environment()))
def test_environment(monkeypatch: pytest.MonkeyPatch, part: str) -> None:
    """Another library, processor or version of this program makes other bytes, and measures other numbers."""
    before = key(), measure.measure_key("0" * 64, (), ModelFiles())
    for module in (render, measure):
        monkeypatch.setattr(module, "environment", lambda: environment() | {part: "another"})
    after = key(), measure.measure_key("0" * 64, (), ModelFiles())
    assert before[0] != after[0] and before[1] != after[1]


def test_measurements(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the frame's bytes, what its references ask for, the model files, and the version of all that measures."""
    patch, chart = Reference("F1", patch=Box(0.1, 0.1, 0.2, 0.2)), Reference("F1", chart="auto")

    def of(digest: str = "0" * 64, references: tuple[Reference, ...] = (patch,), models: str = "one") -> str:
        return measure.measure_key(digest, references, ModelFiles(digest=models))

    moved = dataclasses.replace(patch, patch=Box(0.1, 0.1, 0.2, 0.21))
    corners = dataclasses.replace(chart, chart=((0.1, 0.1), (0.3, 0.1), (0.3, 0.3), (0.1, 0.3)))
    asked = [(), (chart,), (corners,), (moved,), (patch, chart)]
    different = [of(), of("1" * 64), of(models=""), *(of(references=some) for some in asked)]
    assert len(set(different)) == len(different)
    assert of(references=(dataclasses.replace(patch, end="left"),)) == of()  # what the photographer calls that end
    usual = of()
    for name, step in REGISTRY.items():
        raised = {**REGISTRY, name: dataclasses.replace(step, version=step.version + 1)}
        with monkeypatch.context() as patched:
            patched.setattr(measure, "REGISTRY", raised)
            assert (of() != usual) == (step.measure is not None or name == "decode"), name


def test_frame_bytes(tmp_path: Path) -> None:
    """Any byte of a frame, wherever it stands, and its length."""
    data = bytes(range(256)) * 5000
    found = set()
    for at in (None, 0, 1, 640_000, len(data) - 1):
        changed = bytearray(data)
        if at is not None:
            changed[at] ^= 1
        (tmp_path / "F.dng").write_bytes(changed)
        found.add(digest_file(tmp_path / "F.dng"))
    (tmp_path / "F.dng").write_bytes(data[:-1])
    assert len(found | {digest_file(tmp_path / "F.dng")}) == 6
