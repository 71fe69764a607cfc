"""Recipes as the commands take them: what is said where there is no such file."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.cli.recipes import read_recipe
from pipeline.errors import InputError


def refusal(name: str) -> str:
    with pytest.raises(InputError) as error:
        read_recipe(Path(name))
    return str(error.value)


@pytest.mark.parametrize("name", ["overnight-web.yaml", "overnight-web", "recipes/overnight-web.yaml"])
def test_the_path_of_the_ready_recipe_is_named(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    start, _, path = refusal(name).partition("; the ready recipe of this name is ")
    assert start == f"{name}: there is no such file"
    assert read_recipe(Path(path)) == read_recipe()


def test_other_names_get_the_names_of_the_ready_ones() -> None:
    assert "did you mean club-set? The ready recipes are " in refusal("clubset.yaml")
    text = refusal("mine.yaml")
    assert "did you mean" not in text
    assert "the ready recipes are club-set, overnight-web, prints, who-gets-what, in " in text


def test_an_own_recipe_of_nearly_this_name_is_proposed(tmp_path: Path) -> None:
    (tmp_path / "myprints.yaml").write_text("recipe: 1\n", encoding="utf-8")
    assert "; did you mean myprints.yaml? The ready recipes are " in refusal(str(tmp_path / "myprintz.yaml"))
