"""Workers that are killed while they measure or render change no byte, neither of their own frame nor of another.

A frame that could not be measured is not part of what is solved for its burst, so the frames beside it come out in
another light. An early form of the run lost a frame where its worker was killed and the one that tried it again was
too: with two workers killed in one run, another frame's bytes changed.
"""

from __future__ import annotations

import os
import signal
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from pipeline.engine import burst_light, measure, render
from pipeline.engine.run import read_shoot, run
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from pipeline.workers.executors import Workers, worker_setup
from pipeline.workers.processes import Processes
from tests.faults.kills import delivered
from tests.golden import RECIPES, write_shoot

pytestmark = pytest.mark.skipif(os.name == "nt", reason="sends POSIX signals")
TIMES = 2  # that each kind of work is killed at the same frame


def killed(marks: Path) -> None:
    """A worker's setup: the second frame, the first burst and the fifth frame kill their worker TIMES times."""
    worker_setup()
    for module, name, unlucky in (
        (measure, "_measure_one", lambda task: task.frame.name == "TH5_0002"),
        (burst_light, "_find_scene", lambda task: task.frames[0].name == "TH5_0001"),
        (render, "render", lambda job: job.frame.name == "TH5_0005"),
    ):
        real = getattr(module, name)
        setattr(module, name, partial(_perhaps, real, unlucky, marks / name))


def _perhaps(real: Any, unlucky: Any, mark: Path, task: Any) -> Any:
    if unlucky(task) and len(list(mark.parent.glob(f"{mark.name}.*"))) < TIMES:
        mark.with_name(f"{mark.name}.{os.getpid()}").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return real(task)


@pytest.mark.long
def test_two_kills_at_one_frame_change_no_byte_of_any(tmp_path: Path) -> None:
    write_shoot(tmp_path / "shoot")
    (tmp_path / "night.yaml").write_text(RECIPES["plain"], encoding="utf-8")
    recipe = load_recipe(tmp_path / "night.yaml", REGISTRY)
    shoot = read_shoot(tmp_path / "shoot", models=tmp_path)

    def night(name: str, workers: Workers) -> dict[str, str]:
        outcome = run(recipe, shoot, tmp_path / name, workers=workers)
        assert not outcome.failed and not [text for text in outcome.record.notices if "not found" in text]
        return delivered(tmp_path / name)

    right = night("quiet", 1)
    (tmp_path / "marks").mkdir()
    with Processes(2, partial(killed, tmp_path / "marks")) as workers:
        assert night("killed", workers) == right
    assert len(list((tmp_path / "marks").iterdir())) == 3 * TIMES
