"""Workers of a cluster that would make other bytes, or see other folders, are refused by name."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import FrameError, InputError
from pipeline.workers import cluster
from pipeline.workers.cluster import Prepared, unlike, versions


class Client:
    """A dask client whose workers answer as they are told to."""

    def __init__(self, threads: dict[str, int], answers: dict[str, Any]) -> None:
        self.threads, self.answers = threads, answers

    def nthreads(self) -> dict[str, int]:
        return self.threads

    def submit(self, function: Callable[..., Any], paths: list[str], *, workers: list[str], **_: Any) -> Future[Any]:
        answer: Future[Any] = Future()
        if (given := self.answers.get(workers[0])) is not None:
            answer.set_result(function(paths) if given == "as here" else given)
        return answer


def refused(client: Client, *paths: Path) -> str:
    with pytest.raises(InputError) as found:
        cluster._refuse_unlike(client, "tcp://league", paths)
    return str(found.value)


def test_workers_that_are_alike_are_taken(tmp_path: Path) -> None:
    cluster._refuse_unlike(Client({"a": 1, "b": 1}, {"a": "as here", "b": "as here"}), "tcp://league", [tmp_path])


def test_one_with_another_library_is_named_with_it() -> None:
    other = {**versions(), "numpy": "1.0"}
    text = refused(Client({"a": 1, "b": 1}, {"a": "as here", "b": (other, [])}))
    assert "worker b has numpy 1.0, not " in text and "worker a" not in text


def test_one_with_another_program_of_the_same_version_is_named() -> None:
    text = refused(Client({"a": 1}, {"a": ({**versions(), "program": "0" * 64}, [])}))
    assert "another version of evencourt" in text


def test_one_that_does_not_see_the_shoot_is_named(tmp_path: Path) -> None:
    assert f"does not see {tmp_path / 'gone'}" in refused(Client({"a": 1}, {"a": "as here"}), tmp_path / "gone")


def test_one_with_several_threads_is_named() -> None:
    assert "has 8 threads; start it with --nthreads 1" in refused(Client({"a": 8}, {"a": "as here"}))


def test_a_scheduler_without_workers_is_refused() -> None:
    assert "no worker has joined" in refused(Client({}, {}))


def test_one_that_does_not_answer_is_left_to_the_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "_TIMEOUT", 0.1)
    cluster._refuse_unlike(Client({"a": 1, "b": 1}, {"a": "as here"}), "tcp://league", ())


def test_one_that_joins_later_fails_its_frames_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    prepared = Prepared(abs, lambda: None)
    assert prepared(-3) == 3
    monkeypatch.setattr(cluster, "versions", lambda: {**prepared.of, "jpeg": "libjpeg 9"})
    with pytest.raises(FrameError, match="has jpeg libjpeg 9, not "):
        prepared(-3)


def test_versions_that_are_the_same_are_not_unlike() -> None:
    assert unlike(versions(), versions()) == ""
