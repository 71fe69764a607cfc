"""Folders in memory where there are any: these tests wait for the disk some thousand times otherwise."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import FSYNC

MEMORY = Path("/dev/shm")


@pytest.fixture(autouse=True)
def _disks_are_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A card is erased after it is copied, so here it counts what a disk has."""
    monkeypatch.setattr(os, "fsync", FSYNC)


@pytest.fixture
def tmp_path(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    on_disk = tmp_path_factory.mktemp("gather")
    if not os.access(MEMORY, os.W_OK):
        yield on_disk
        return
    folder = MEMORY / f"evencourt-test-{os.getpid()}-{on_disk.name}"
    folder.mkdir()
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
