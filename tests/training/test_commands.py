"""What the commands of this folder use of the program is still there; those that train need PyTorch."""

from __future__ import annotations

import importlib

import pytest


@pytest.mark.parametrize("name", ["evaluate", "pictures", "card"])
def test_commands_that_need_no_pytorch_load(name: str) -> None:
    assert importlib.import_module(f"tests.training.{name}")
