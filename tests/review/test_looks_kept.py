"""A review looks at no picture that its run has looked at: with thousands the page would not come for minutes."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.cli.review import open_session
from pipeline.engine.jobs import read_shoot
from pipeline.shoot.pictures import looks
from pipeline.store.cache import Cache
from pipeline.store.source import Source
from pipeline.store.store import Store
from tests.review.conftest import run


def opened_anew(night: Path) -> None:
    looks._look.cache_clear()  # as in another process
    open_session(night / "out", None, None, None, 1)


def test_a_run_says_which_cache_it_used(night: Path) -> None:
    assert run(night)[0] == 0
    assert Store(night / "out").source().cache is None  # --no-cache
    cached = run(night, cache=night / "cache")
    assert cached[0] == 0, cached[1]
    assert Store(night / "out").source().cache == str((night / "cache").resolve())


def test_pictures_are_looked_at_once(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cache = Cache.open(night / "cache")
    looks._look.cache_clear()
    read_shoot(night / "shoot", night / "facts", None, night / "out", cache=cache)
    kept = Source.of(night / "shoot", night / "facts", None, night / "night.yaml", cache=cache.folder)
    Store(night / "out").keep_source(kept)
    made: list[object] = []
    look_of = looks.look_of
    monkeypatch.setattr(looks, "look_of", lambda *given: made.append(given[1]) or look_of(*given))
    opened_anew(night)
    assert made == []
    (night / "cache").rename(night / "gone")
    opened_anew(night)
    assert len(made) == 4  # each frame of the night, and the page opens all the same
    assert not (night / "cache").exists()


def test_the_cache_grows_no_larger_than_the_user_wants(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cache = Cache.open(night / "cache")
    looks._look.cache_clear()
    read_shoot(night / "shoot", night / "facts", None, night / "out", cache=cache)
    kept = Source.of(night / "shoot", night / "facts", None, night / "night.yaml", cache=cache.folder)
    Store(night / "out").keep_source(kept)
    next((night / "cache" / "looks").iterdir()).unlink()  # so that a review has one to keep
    monkeypatch.setenv("EVENCOURT_CACHE_SIZE", "2 kB")  # less than any look
    opened_anew(night)
    assert len(list((night / "cache" / "looks").iterdir())) <= 1
