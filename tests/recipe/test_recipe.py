"""Recipes: what is filled in, what is refused, and that the flattened recipe is the same recipe."""

from __future__ import annotations

import json
import pickle
from pathlib import Path
from typing import Literal

import pytest
from pydantic import Field
from ruamel.yaml import YAML

from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe, flatten_yaml, load_recipe
from pipeline.steps import REGISTRY as SHIPPED
from pipeline.steps.base import LINEAR, Order, Params, Step
from pipeline.types import Domain


class BalanceParams(Params):
    method: Literal["gray_world", "camera"] | tuple[float, float, float] = "gray_world"


class ExposureParams(Params):
    ev: float = Field(0.0, ge=-5, le=5)
    across: Literal["burst", "frame"] = "burst"


class SaveParams(Params):
    quality: int = Field(88, ge=1, le=100)
    at_most: str | None = None
    suffix: str = ""
    ratio: float = 1e-5


ANY = tuple(Domain)
STEPS = (
    Step(
        "decode",
        1,
        "",
        Params,
        "shared",
        takes=(),
        gives=Domain.CAMERA,
        order=Order.FIRST,
        required=True,
        misplaced="decode reads the file; put it first",
    ),
    Step(
        "lens",
        1,
        "",
        Params,
        "shared",
        takes=(Domain.CAMERA,),
        order=Order.EARLY,
        misplaced="put lens right after decode",
    ),
    Step("white_balance", 1, "", BalanceParams, "shared", takes=(Domain.CAMERA,), gives=Domain.WORKING, required=True),
    Step("exposure", 1, "", ExposureParams, "shared"),
    Step("denoise", 1, "", Params, "both"),
    Step("tone", 1, "", Params, "both", takes=LINEAR, gives=Domain.DISPLAY, required=True),
    Step("crop", 1, "", Params, "delivery", takes=ANY),
    Step("resize", 1, "", Params, "delivery", takes=ANY),
    Step("sharpen", 1, "", Params, "delivery", takes=(Domain.DISPLAY,)),
    Step("caption", 1, "", Params, "delivery", takes=ANY),
    Step(
        "save",
        1,
        "",
        SaveParams,
        "delivery",
        takes=(Domain.DISPLAY,),
        order=Order.LAST,
        required=True,
        misplaced="save writes the file; put it last",
    ),
)
REGISTRY = {step.name: step for step in STEPS}


def load(tmp_path: Path, text: str) -> Recipe:
    path = tmp_path / "night.yaml"
    path.write_text(text, encoding="utf-8")
    return load_recipe(path, REGISTRY)


def problems(tmp_path: Path, text: str) -> list[tuple[int, int, str]]:
    with pytest.raises(InputError) as caught:
        load(tmp_path, text)
    return [(p.line, p.column, p.message) for p in caught.value.problems]


def names(recipe: Recipe) -> tuple[list[str], dict[str, list[str]]]:
    return (
        [b.step.name for b in recipe.steps],
        {d.name: [b.step.name for b in d.steps] for d in recipe.deliveries},
    )


@pytest.mark.parametrize(
    ("text", "shared", "web"),
    [
        ("deliveries: {web: }", ["decode", "white_balance"], ["tone", "save"]),
        ("steps: [exposure]\ndeliveries: {web: [caption]}",
         ["decode", "white_balance", "exposure"], ["caption", "tone", "save"]),
        ("steps: [decode, exposure, white_balance]\ndeliveries: {web: [tone, resize]}",
         ["decode", "exposure", "white_balance"], ["tone", "resize", "save"]),
        ("steps: [lens, exposure]\ndeliveries: {web: }",
         ["decode", "lens", "white_balance", "exposure"], ["tone", "save"]),
        ("steps: [tone]\ndeliveries: {web: [sharpen, save]}",
         ["decode", "white_balance", "tone"], ["sharpen", "save"]),
        ("steps:\n  - denoise: {}\ndeliveries:\n  web:\n    - denoise:\n    - save: {quality: 80}",
         ["decode", "white_balance", "denoise"], ["denoise", "tone", "save"]),
    ],
)  # fmt: skip
def test_filling_in(tmp_path: Path, text: str, shared: list[str], web: list[str]) -> None:
    assert names(load(tmp_path, f"recipe: 1\n{text}\n")) == (shared, {"web": web})


EXAMPLE = """\
recipe: 1
steps:
  - decode:
  - white_balance: {method: [2.1, 1, 1.6]}
  - exposure: {across: frame, ev: -0.3}
deliveries:
  web:
    - crop:
    - resize
    - save: {quality: 80, at_most: 1.5 MB, suffix: "NO"}
  print.2:
"""


def test_flattened_recipe_is_the_same_recipe(tmp_path: Path) -> None:
    recipe = load(tmp_path, EXAMPLE)
    text = flatten_yaml(recipe)
    other = tmp_path / "other.yaml"
    other.write_text(text, encoding="utf-8")
    again = load_recipe(other, REGISTRY)
    assert again == recipe
    assert again.file != recipe.file
    assert flatten_yaml(again) == text
    assert "quality: 88" in text  # of print.2: everything is written out
    # Another reader of YAML 1.2 finds the same in it.
    plain = YAML(typ="safe", pure=True).load(text)
    assert [next(iter(step)) for step in plain["steps"]] == names(recipe)[0]
    assert plain["deliveries"]["web"][-1]["save"] == recipe.deliveries[0].steps[-1].params.model_dump()


@pytest.mark.parametrize(
    "suffix",
    ["null", "~", "true", "1.5", "0x1F", "1e5", "2026-02-14", "a: b", "# x", "it's \"so\"", "*a", "&a", "!a",
     " x ", "x\ny", "Süd-Ost", "- a", "[a]", "{a}", "yes", "12:30", ".inf", "\t", "a" * 300, "one two " * 40],
)  # fmt: skip
def test_any_text_survives_flattening(tmp_path: Path, suffix: str) -> None:
    recipe = load(tmp_path, f"recipe: 1\ndeliveries: {{web: [save: {{suffix: {json.dumps(suffix)}}}]}}\n")
    assert getattr(recipe.deliveries[0].steps[-1].params, "suffix") == suffix  # noqa: B009
    assert load(tmp_path, flatten_yaml(recipe)) == recipe


def test_keys_hold_what_pixels_depend_on(tmp_path: Path) -> None:
    exposure = load(tmp_path, EXAMPLE).steps[2]
    assert exposure.key(None) == ["exposure", 1, {"ev": -0.3, "across": "frame"}, {}]
    assert json.loads(json.dumps(exposure.key(None))) == exposure.key(None)


def test_a_recipe_travels_to_workers(tmp_path: Path) -> None:
    recipe = load(tmp_path, EXAMPLE)
    assert pickle.loads(pickle.dumps(recipe)) == recipe


def test_every_problem_at_once_with_its_place(tmp_path: Path) -> None:
    text = """\
recipe: 2
stepz: []
steps:
  - exposur: {ev: 1}
  - exposure: {ev: 1.5x, acros: burst}
  - crop:
  - exposure:
  - {denoise: , tone: }
  - decode:
deliveries:
  web:
    - save: {quality: 101}
    - resize: 2048
  .work:
    - decode:
  CON.jpg: []
  WEB: []
"""
    assert problems(tmp_path, text) == [
        (1, 9, "recipe: 2 is not a version known here; write 1"),
        (2, 1, "no key stepz; did you mean steps?"),
        (4, 5, "no step exposur; did you mean exposure?"),
        (5, 20, "ev: 1.5x is not a number; write a number from -5 to 5"),
        (5, 26, "no key acros; did you mean across?"),
        (6, 5, "crop is done for each delivery; put it in a delivery"),
        (7, 5, "exposure is already on line 5; leave one of the two out"),
        (8, 5, "write one step to each dash, such as - resize: {long_edge: 2048}"),
        (9, 5, "decode reads the file; put it first"),
        (12, 5 + 2, "save writes the file; put it last"),
        (12, 23, "quality: 101 is out of range; write a whole number from 1 to 100"),
        (13, 15, "resize: write keys and values (no keys), or nothing"),
        (14, 3, "delivery .work: not safe as a folder's name; "
                "use up to 64 letters, digits, - and _ (a dot only inside)"),
        (15, 7, "decode is done once for all deliveries; put it under steps"),
        (16, 3, "delivery CON.jpg: Windows keeps this name for itself; choose another"),
        (17, 3, "delivery WEB: the same folder as web on some disks; rename one"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("steps: [tone, denoise]\ndeliveries: {web: }",
         "denoise cannot work on a finished picture; put it before tone"),
        ("deliveries: {web: [tone, denoise]}", "denoise cannot work on a finished picture; put it before tone"),
        ("steps: [tone]\ndeliveries: {web: [denoise]}",
         "denoise cannot work on a finished picture; put it before tone"),
        ("steps: [tone]\ndeliveries: {web: [tone]}",
         "tone is already done under steps; leave one of the two out"),
        ("steps: [white_balance, lens]\ndeliveries: {web: }", "put lens right after decode"),
        ("steps: [decode, exposure, lens]\ndeliveries: {web: }", "put lens right after decode"),
        ("deliveries: {web: [sharpen]}", "sharpen works on display (toned) data; put it after tone"),
    ],
)  # fmt: skip
def test_steps_that_do_not_fit_in_their_order(tmp_path: Path, text: str, message: str) -> None:
    found = [m for _, _, m in problems(tmp_path, f"recipe: 1\n{text}\n")]
    assert found == [message]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "a recipe has the keys"),
        ("- a\n", "a recipe has the keys"),
        ("deliveries: {web: }\n", "recipe: 1 is missing"),
        ("recipe: true\ndeliveries: {web: }\n", "recipe: true is not a version"),
        ("recipe: 1\n", "at least one delivery"),
        ("recipe: 1\ndelivery: {web: }\n", "no key delivery; did you mean deliveries?"),
        ("recipe: 1\ndeliveries: [web]\n", "at least one delivery"),
        ("recipe: 1\nsteps: {decode: }\ndeliveries: {web: }\n", "steps: write a list"),
        ("recipe: 1\ndeliveries: {web: save}\n", "web: write a list"),
    ],
)
def test_shape_of_the_file(tmp_path: Path, text: str, words: str) -> None:
    found = problems(tmp_path, text)
    assert len(found) == 1
    assert words in found[0][2]


@pytest.mark.parametrize(("length", "fits"), [(64, True), (65, False)])
def test_how_long_a_delivery_name_may_be(tmp_path: Path, length: int, fits: bool) -> None:
    text = f"recipe: 1\ndeliveries: {{{'w' * length}: }}\n"
    if fits:
        assert load(tmp_path, text).deliveries[0].name == "w" * length
    else:
        assert "not safe as a folder's name" in problems(tmp_path, text)[0][2]


# Microsoft, "Naming Files, Paths, and Namespaces": reserved device names (also with an extension), names
# that end in a dot, and the characters < > : " / \ | ? *. Listed from memory of that page.
@pytest.mark.parametrize(
    "name",
    ["con", "PRN", "aux.web", "nul", "COM1", "lpt9", "web.", "a/b", "a\\b", "a:b", "a*", "..", ".", "", "a b",
     "Ü", "run.json", "Report.html", "x" * 65],
)  # fmt: skip
def test_names_that_are_no_safe_folder(tmp_path: Path, name: str) -> None:
    found = problems(tmp_path, f"recipe: 1\ndeliveries: {{{json.dumps(name)}: }}\n")
    assert len(found) == 1
    assert found[0][:2] == (2, 14)


@pytest.mark.parametrize("name", ["web", "print-2", "a_b.c", "2026", "com0x", "console"])
def test_names_that_are_safe(tmp_path: Path, name: str) -> None:
    assert list(names(load(tmp_path, f"recipe: 1\ndeliveries: {{{name}: }}\n"))[1]) == [name]


def test_two_deliveries_to_one_address_are_refused(tmp_path: Path) -> None:
    """The second would take back what the first has put there. With {delivery} in it each has its own folder."""
    text = (
        "recipe: 1\nsteps:\n  - decode:\ndeliveries:\n  web:\n    - deliver: {{push: {0}}}\n"
        "  print:\n    - deliver: {{push: {1}}}\n"
    )
    path = tmp_path / "night.yaml"
    path.write_text(text.format("/media/club", "/media/club/"), encoding="utf-8")
    with pytest.raises(InputError, match="web goes to the same address") as caught:
        load_recipe(path, SHIPPED)
    assert [p.line for p in caught.value.problems] == [8]
    path.write_text(text.format('"/media/club/{delivery}"', '"/media/club/{delivery}"'), encoding="utf-8")
    assert len(load_recipe(path, SHIPPED).deliveries) == 2
