"""Who gets what: the deliveries of a recipe for one shoot, each group of people with a folder of its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from pipeline.engine.filenames import LENGTH_LIMIT, fit_for_all, folded_name, holds_withheld, safe
from pipeline.errors import InputError
from pipeline.recipe.recipe import Delivery, Recipe
from pipeline.shoot.facts import Facts
from pipeline.steps.base import Group
from pipeline.store.places import SMALL
from pipeline.store.store import Store


def for_shoot(recipe: Recipe, facts: Facts) -> Recipe:
    """The recipe with a delivery for each folder of those that are parted (`Step.parted`), OUT/DELIVERY/GROUP.

    Raises InputError with every delivery that asks for somebody whom the facts do not know, or must not tell.
    """
    problems: list[str] = []
    deliveries: list[Delivery] = []
    for delivery in recipe.deliveries:
        try:
            deliveries += _parted(delivery, facts)
        except ValueError as error:
            problems.append(f"{recipe.file}: delivery {delivery.name}: {error}")
    if problems:
        raise InputError(*problems)
    return replace(recipe, deliveries=tuple(deliveries))


def _parted(delivery: Delivery, facts: Facts) -> Iterator[Delivery]:
    at = next((i for i, bound in enumerate(delivery.steps) if bound.step.parted is not None), None)
    if at is None:
        yield delivery
        return
    bound = delivery.steps[at]
    assert bound.step.parted is not None
    used: set[str] = set()
    for group, params in bound.step.parted(bound.params, facts):
        steps = (*delivery.steps[:at], replace(bound, params=params), *delivery.steps[at + 1 :])
        if group is None:
            yield replace(delivery, steps=steps, whole=delivery)
            continue
        name = folder_name(group, facts)
        base, count = name, 1
        while folded_name(name) in used:
            count += 1
            name = f"{base}-{count}"
        used.add(folded_name(name))
        yield replace(delivery, name=f"{delivery.name}/{name}", steps=steps, whole=delivery)


def notices(store: Store, facts: Facts) -> list[str]:
    """A notice on each folder in OUT that is called after somebody who must not be named, and holds files that are not
    ours: it could not be removed."""
    nested = [folder for folder in store.delivery_folders() if folder.parent != store.out and folder.name != SMALL]
    return [
        f"{folder.relative_to(store.out).as_posix()}: the name of this folder holds a name that is withheld, and files "
        "in it are not known as ours; move them, and delete the folder"
        for folder in nested
        if holds_withheld(folder.name, facts)
    ]


def folder_name(group: Group, facts: Facts) -> str:
    """Name of a group's folder: team, number and name, by the rules of file names. What a withheld name may be read in
    is left out of it, as is a name that is too long."""
    player = facts.player(*group) if group.number else None
    team = facts.teams.get(group.team) or group.team
    candidates = [
        (team, group.number, player.name if player else ""),
        (group.team, group.number, player.name if player else ""),
        (team, group.number),
    ]
    for parts in candidates:
        name = fit_for_all("_".join(part for part in map(safe, parts) if part))
        fits = len(name.encode()) <= LENGTH_LIMIT and folded_name(name) != SMALL
        if fits and safe(parts[0]) and not holds_withheld(name, facts):
            return name
    return f"{group.team}_{group.number}" if group.number else f"{group.team}_"
