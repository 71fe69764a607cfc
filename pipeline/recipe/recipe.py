"""A recipe: the steps done once per frame, and the deliveries with their own further steps."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap
from ruamel.yaml.representer import RoundTripRepresenter

from pipeline.deliver.address import sharing
from pipeline.errors import MOST_LINES, InputError, Problem
from pipeline.formats.metadata.model import Metadata
from pipeline.steps.base import AnyStep, FileName, Order, Params, Solution
from pipeline.store.places import OWN_FILES, REPORT_FOLDER
from pipeline.textfile.messages import Loc, did_you_mean, few, shown
from pipeline.textfile.yamlfile import Document, load_yaml, validate
from pipeline.types import Domain, JsonValue

_KEYS = ("recipe", "steps", "deliveries")
_VERSION = 1  # of the recipe format

# Device names that Windows reserves: Microsoft, "Naming Files, Paths, and Namespaces".
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}
_NAME_LENGTH = 64  # characters of a delivery's name: short enough for any file system (common practice, no source)


@dataclass(frozen=True)
class Bound:
    """A step with its parameters."""

    step: AnyStep
    params: Params

    def key(self, solution: Solution | None, metadata: Metadata | None = None) -> JsonValue:
        """What the pixels depend on: name, version, parameters and solution; texts only where Step.key says so."""
        own = self.step.key
        params = own(self.params, metadata) if own is not None else self.params.model_dump(mode="json")
        return [self.step.name, self.step.version, params, {} if solution is None else solution.as_json()]


@dataclass(frozen=True)
class Delivery:
    """A folder of finished files: the steps that make them, save last, and the deliver step, None without one.

    name  posix path of the folder below OUT; whole  the delivery as the recipe has it, where this is the folder of one
          group of it (`Step.parted`), else None

    Recipes that differ only in deliver are equal: a new address renders nothing again.
    """

    name: str
    steps: tuple[Bound, ...]
    deliver: Bound | None = field(default=None, compare=False)
    whole: Delivery | None = None

    @property
    def written(self) -> Delivery:
        """The delivery as the recipe has it."""
        return self.whole or self

    def label(self, bound: Bound) -> str:
        """The name that the solutions of a step of this delivery are kept under. Groups of one delivery differ only in
        the frames that are chosen for them."""
        return f"{(self if bound.step.leaves_out is not None else self.written).name}/{bound.step.name}"

    @property
    def encoder(self) -> Bound:
        """The step that encodes the files."""
        return self.steps[-1]

    @property
    def file_name(self) -> FileName:
        """How the files are named."""
        name = self.encoder.step.file_name
        assert name is not None, "the last step of a delivery names its files"
        return name(self.encoder.params)


@dataclass(frozen=True)
class Recipe:
    """Shared steps, decode first, and at least one delivery. Recipes of different files can be equal."""

    file: str = field(compare=False)
    steps: tuple[Bound, ...]
    deliveries: tuple[Delivery, ...]

    @property
    def written(self) -> tuple[Delivery, ...]:
        """The deliveries as the recipe has them, each once."""
        return tuple({d.written.name: d.written for d in self.deliveries}.values())

    def labelled(self, delivery: Delivery | None = None) -> Iterator[tuple[str, Bound]]:
        """The shared steps, then those of a delivery, each with the label under which its solutions are kept."""
        for bound in self.steps:
            yield bound.step.name, bound
        if delivery is not None:
            for bound in delivery.steps:
                yield delivery.label(bound), bound


@dataclass(frozen=True)
class _Item:
    """A step of a list, and its place in the file; that of the list where the step was filled in."""

    bound: Bound
    path: Loc


def load_recipe(path: Path, registry: Mapping[str, AnyStep]) -> Recipe:
    """Read, complete and check a recipe.

    registry  step name -> Step, in the order in which help lists them

    Required steps (Step.required) that the recipe leaves out are filled in with their defaults: shared ones in front,
    those of a delivery last. Raises InputError with every problem found, each with its place.
    """
    repeated: list[Problem] = []
    doc = load_yaml(path, repeated)
    return _Reader(doc, registry, repeated).recipe()


def flatten_yaml(recipe: Recipe) -> str:
    """The recipe with everything that was filled in, as YAML that loads to an equal recipe."""

    yaml = YAML(typ="rt", pure=True)
    yaml.Representer = _Representer
    yaml.width = 100
    yaml.indent(mapping=2, sequence=4, offset=2)
    deliveries = {d.name: _entries((*d.steps, *((d.deliver,) if d.deliver else ()))) for d in recipe.written}
    stream = io.StringIO()
    yaml.dump({"recipe": _VERSION, "steps": _entries(recipe.steps), "deliveries": deliveries}, stream)
    return stream.getvalue()


class _Representer(RoundTripRepresenter):
    """Writes None as null, which is also read back inside { }."""

    def represent_none(self, data: None) -> Any:
        """A scalar node for None."""
        return self.represent_scalar("tag:yaml.org,2002:null", "null")


_Representer.add_representer(type(None), _Representer.represent_none)


def _entries(steps: tuple[Bound, ...]) -> list[dict[str, CommentedMap]]:
    """One mapping a step, its parameters on one line."""
    entries = []
    for bound in steps:
        params = CommentedMap(bound.params.model_dump(mode="json"))
        params.fa.set_flow_style()  # one line to a step
        entries.append({bound.step.name: params})
    return entries


def _meant_as_deliveries(key: str) -> bool:
    return did_you_mean(key, ("deliveries",)) != ""


class _Reader:
    """Reads a recipe and collects all its problems, so that a person can correct them in one go."""

    def __init__(self, doc: Document, registry: Mapping[str, AnyStep], problems: list[Problem]) -> None:
        self.doc = doc
        self.registry = registry
        self.problems = problems

    def refuse(self, path: Loc, message: str, *, key: bool = False) -> None:
        """Note a problem at a place of the file; key: at the key itself, not at its value."""
        self.problems.append(self.doc.problem(path, message, key=key))

    def recipe(self) -> Recipe:
        """The whole recipe. Raises InputError with every problem."""
        data = self.doc.data
        if not isinstance(data, dict):
            message = "a recipe has the keys recipe: 1, steps: and deliveries:"
            raise InputError([self.doc.problem((), message)])
        self.problems += few([key for key in data if key not in _KEYS], self.unknown_key)
        version = data.get("recipe")
        if "recipe" not in data:
            self.refuse((), "the line recipe: 1 is missing; write it at the top")
        elif version != _VERSION or isinstance(version, bool):
            written = self.doc.texts.get(("recipe",), "this")
            self.refuse(("recipe",), f"recipe: {written or 'nothing'} is not a version known here; write 1")
        shared = self.complete_shared(self.steps(("steps",), data.get("steps"), "shared"))
        domain = self.check(shared, Domain.CAMERA)
        deliveries = tuple(self.deliveries(data.get("deliveries"), shared, domain))
        if self.problems:
            raise InputError(self.problems)
        return Recipe(self.doc.file, tuple(item.bound for item in shared), deliveries)

    def unknown_key(self, key: str) -> Problem:
        """The problem of a key that no recipe has."""
        hint = did_you_mean(key, _KEYS) or f"; the keys are {', '.join(_KEYS)}"
        return self.doc.problem((key,), f"no key {shown(key)}{hint}", key=True)

    def deliveries(self, data: Any, shared: list[_Item], domain: Domain) -> Iterator[Delivery]:
        """The deliveries of a recipe. domain  after the last of the shared steps."""
        if not isinstance(data, dict) or not data:
            if "deliveries" in self.doc.data or not any(map(_meant_as_deliveries, self.doc.data)):
                self.refuse(("deliveries",), "write at least one delivery: a name, and its steps below it")
            return
        folded: dict[str, str] = {}
        pushes: dict[str, str] = {}
        places: dict[str, Loc] = {}
        for name, steps in data.items():
            path = ("deliveries", name)
            if why := _unsafe(name):
                self.refuse(path, f"delivery {name or '(empty)'}: {why}", key=True)
            elif other := folded.get(name.casefold()):
                message = f"delivery {name}: the same folder as {other} on some disks; rename one"
                self.refuse(path, message, key=True)
            folded.setdefault(name.casefold(), name)
            items, last = self.without_afterwards(self.steps(path, steps, "delivery"))
            items = self.complete_delivery(path, items, shared)
            choosing = [item for item in items if item.bound.step.leaves_out is not None]
            for item in choosing[1:]:
                first, second = choosing[0].bound.step.name, item.bound.step.name
                self.refuse(item.path, f"{second}: {first} chooses the frames here; put both in one", key=True)
            self.check(items, domain, shared)
            if last is not None and last.bound.step.wanted is not None:
                address = last.bound.step.wanted(last.bound.params).push
                if address:
                    pushes[name], places[name] = address, last.path
            yield Delivery(name, tuple(item.bound for item in items), last.bound if last else None)
        for first, second in sharing(pushes):
            self.refuse((*places[second], "push"), f"push: {first} goes to the same address; give each its own folder")

    def without_afterwards(self, items: list[_Item]) -> tuple[list[_Item], _Item | None]:
        """(the steps that make files, the step that uses the finished files or None)."""
        at = next((i for i, item in enumerate(items) if item.bound.step.order is Order.AFTERWARDS), None)
        if at is None:
            return items, None
        if at < len(items) - 1:
            self.refuse(items[at].path, items[at].bound.step.misplaced, key=True)
        return items[:at] + items[at + 1 :], items[at]

    def steps(self, path: Loc, data: Any, place: str) -> list[_Item]:
        """The steps of a list that can be read; the others are refused. place  "shared" or "delivery"."""
        if data is None:
            return []
        if not isinstance(data, list):
            self.refuse(path, f"{path[-1]}: write a list, each line a dash and a step, such as - resize:")
            return []
        found: dict[str, int] = {}
        items: list[_Item] = []
        for number, entry in enumerate(data):
            here: Loc = (*path, number)
            if isinstance(entry, str):
                name, values = entry, None
            elif isinstance(entry, dict) and len(entry) == 1:
                name, values = next(iter(entry.items()))
                here = (*here, name)
            else:
                self.refuse(here, "write one step to each dash, such as - resize: {long_edge: 2048}")
                continue
            if name in found:
                line = self.doc.at((*path, found[name]))[0]
                self.refuse(here, f"{name} is already on line {line}; leave one of the two out", key=True)
                continue
            found[name] = number
            step = self.registry.get(name)
            if step is None:
                # A hint for each of thousands would take minutes, and nobody reads that far.
                hint = did_you_mean(name, self.registry) if len(self.problems) < MOST_LINES else ""
                known = f"; the steps are {', '.join(self.registry)}"
                self.refuse(here, f"no step {shown(name)}{hint or known}", key=True)
            elif step.place not in (place, "both"):
                right = "under steps" if step.place == "shared" else "in a delivery"
                self.refuse(here, f"{name} is done {_TIMES[step.place]}; put it {right}", key=True)
            else:
                items.append(_Item(Bound(step, self.params(step, values, here)), here))
        return items

    def params(self, step: AnyStep, values: Any, path: Loc) -> Params:
        """The parameters of a step; its defaults where they are refused, so that the order can still be checked."""
        if values is not None and not isinstance(values, dict):
            known = ", ".join(step.Params.model_fields) or "no keys"
            self.refuse(path, f"{step.name}: write keys and values ({known}), or nothing")
            values = None
        params, problems = validate(step.Params, values or {}, self.doc, path)
        self.problems += problems
        chosen: Params = params or step.Params()
        read, wrong = chosen.with_files(Path(self.doc.file).parent)
        for name, why in wrong.items():
            self.refuse((*path, name), f"{name}: {why}")
        return read

    def missing(self, place: str, items: Sequence[_Item], path: Loc) -> list[_Item]:
        """Required steps that are not in `items`, with their defaults."""
        there = {item.bound.step.name for item in items}
        steps = [s for s in self.registry.values() if s.required and s.place == place and s.name not in there]
        return [_Item(Bound(step, step.Params()), path) for step in steps]

    def complete_shared(self, items: list[_Item]) -> list[_Item]:
        """The shared steps in their order, with the missing ones filled in."""
        # Steps that choose frames may be anywhere in the file, and are moved to the front.
        choosing = [item for item in items if item.bound.step.order is Order.ANYWHERE]
        items = [item for item in items if item.bound.step.order is not Order.ANYWHERE]
        for item in items[1:]:
            if item.bound.step.order is Order.FIRST:
                self.refuse(item.path, item.bound.step.misplaced, key=True)
        first = [item for item in items[:1] if item.bound.step.order is Order.FIRST]
        rest = [item for item in items if item.bound.step.order is not Order.FIRST]
        early = [item for item in rest if item.bound.step.order is Order.EARLY]
        for item in early:
            if any(other.bound.step.order is not Order.EARLY for other in rest[: rest.index(item)]):
                self.refuse(item.path, item.bound.step.misplaced, key=True)
        rest = [item for item in rest if item not in early]
        missing = self.missing("shared", [*first, *early, *rest], ("steps",))
        filled = [item for item in missing if item.bound.step.order is Order.FIRST]
        return [*choosing, *first, *filled, *early, *(item for item in missing if item not in filled), *rest]

    def complete_delivery(self, path: Loc, items: list[_Item], shared: list[_Item]) -> list[_Item]:
        """The steps of a delivery in their order, with the missing ones filled in."""
        for item in items[:-1]:
            if item.bound.step.order is Order.LAST:
                self.refuse(item.path, item.bound.step.misplaced, key=True)
        last = [item for item in items if item.bound.step.order is Order.LAST]
        items = [item for item in items if item.bound.step.order is not Order.LAST]
        anywhere = self.missing("both", [*shared, *items], path)
        return [*items, *anywhere, *last, *self.missing("delivery", last, path)]

    def check(self, items: list[_Item], domain: Domain, earlier: Sequence[_Item] = ()) -> Domain:
        """Refuse steps that cannot work on the domain before them; returns the domain after the last.

        domain   before the first of `items`; earlier  the shared steps, where `items` are of a delivery
        """
        for item in items:
            step = item.bound.step
            # A step that takes no domain reads the file.
            if step.takes and domain not in step.takes:
                twice = any(step is other.bound.step for other in earlier)
                message = f"{step.name} is already done under steps; leave one of the two out"
                self.refuse(item.path, message if twice else self.misfit(step, domain), key=True)
            domain = step.gives or domain
        return domain

    def misfit(self, step: AnyStep, domain: Domain) -> str:
        """The message for a step that cannot work on `domain`."""
        if domain is Domain.DISPLAY:
            makers = [s.name for s in self.registry.values() if s.gives is Domain.DISPLAY]
            return f"{step.name} cannot work on a finished picture; put it before {' or '.join(makers)}"
        needs = " or ".join(dict.fromkeys(_WORDS[d] for d in step.takes))
        makers = [s.name for s in self.registry.values() if s.gives in step.takes and s is not step]
        return f"{step.name} works on {needs} data; put it after {' or '.join(makers) or 'another step'}"


# How often the steps of each place are done, and what each domain is called in messages.
_TIMES = {"shared": "once for all deliveries", "delivery": "for each delivery"}
_WORDS = {
    Domain.CAMERA: "linear",
    Domain.WORKING: "linear",
    Domain.DISPLAY: "display (toned)",
}


def _unsafe(name: str) -> str:
    """Why a delivery's name cannot be a folder on every system; "" if it can."""
    safe = re.fullmatch(r"[A-Za-z0-9_-][A-Za-z0-9_.-]*", name) and len(name) <= _NAME_LENGTH
    if not safe or name.endswith("."):
        return f"not safe as a folder's name; use up to {_NAME_LENGTH} letters, digits, - and _ (a dot only inside)"
    if name.casefold().split(".")[0] in _RESERVED:
        return "Windows keeps this name for itself; choose another"
    if name.casefold() in OWN_FILES:
        return "the output folder has a file of this name; choose another"
    if name.casefold() == REPORT_FOLDER:
        return "the output folder has the pictures of report.html in a folder of this name; choose another"
    return ""
