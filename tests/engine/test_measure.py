"""What measuring keeps of a frame, and at which sizes frames are decoded for it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import PIL.Image
import pytest

from pipeline.engine import measure
from pipeline.engine.run import measure_shoot, read_shoot
from pipeline.engine.tables import jersey_suggestions
from pipeline.imaging.geometry import Box
from pipeline.imaging.raw.frame import DecodedFrame
from pipeline.store import store as store_module
from pipeline.store.digests import FrameDigest, read_digest
from pipeline.store.store import Store
from pipeline.types import Frame


@dataclass
class Decoder:
    """Decodes as the step does, and keeps which size was asked for."""

    edge: int | None = None

    def __call__(self, frame: object, long_edge: int | None, *more: object) -> DecodedFrame:
        self.edge = long_edge
        return _DECODE(frame, long_edge, *more)


_DECODE = measure.decode


def test_sizes_that_steps_measure_on_and_that_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """960 and 192 pixels of the longer side. The proxy keeps the frame's shape and its mean: an area average."""
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    pixels = np.random.default_rng(3).integers(60, 200, (800, 1200, 3)).astype(np.uint8)
    PIL.Image.fromarray(pixels, "RGB").save(shoot / "F1.png")
    decoder = Decoder()
    monkeypatch.setattr(measure, "decode", decoder)
    store = Store.open(tmp_path / "out", shoot)
    (one,) = measure_shoot(store, read_shoot(shoot), 1, lambda *_: None)
    assert not one.error and one.full_size == (800, 1200)
    assert decoder.edge == 960
    proxy = measure.read_proxy(store, one.key)
    assert proxy.pixels.shape == (128, 192, 3)
    decoded = _DECODE(one.frame, 960).image.pixels
    assert proxy.pixels.mean(axis=(0, 1)) == pytest.approx(decoded.mean(axis=(0, 1)), rel=1e-3)


@pytest.mark.parametrize(("size", "edge"), [((2000, 3000), 2400), ((3000, 2000), 1600)])
def test_torsos_are_decoded_a_quarter_larger_than_the_reader_wants(size: tuple[int, int], edge: int) -> None:
    """The smallest torso is a fifth of the height: 320 of 1600 pixels, against the 256 that the reader scales to."""
    torsos = [Box(0.1, 0.2, 0.2, 0.4), Box(0.5, 0.1, 0.7, 0.6)]
    assert jersey_suggestions._edge(size, torsos) == edge
    assert jersey_suggestions._edge((800, 1200), torsos) == 1200  # never more than there is


def test_a_frame_is_read_for_its_digest_just_before_it_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a disk gives its bytes once, also where a night is larger than the memory."""
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    for number in range(4):
        pixels = np.random.default_rng(number).integers(60, 200, (80, 120, 3)).astype(np.uint8)
        PIL.Image.fromarray(pixels, "RGB").save(shoot / f"F{number}.png")
    happened: list[tuple[str, str]] = []

    def read(path: Path) -> FrameDigest:
        happened.append(("read", path.stem))
        return read_digest(path)

    def decode(frame: Frame, *more: object) -> DecodedFrame:
        happened.append(("measured", frame.name))
        return _DECODE(frame, *more)

    monkeypatch.setattr(store_module, "read_digest", read)
    monkeypatch.setattr(measure, "decode", decode)
    store = Store.open(tmp_path / "out", shoot)
    measured = measure_shoot(store, read_shoot(shoot), 1, lambda *_: None)
    assert not any(one.error for one in measured)
    first, second = happened[0::2], happened[1::2]
    assert [what for what, _ in first] == ["read"] * 4 and [what for what, _ in second] == ["measured"] * 4
    assert [name for _, name in first] == [name for _, name in second]
    # What was read is known to the next run, where the file system vouches for it.
    assert set(Store(tmp_path / "out").known_digests()) == {f"F{number}.png" for number in range(4)}


def test_what_was_measured_elsewhere_is_not_measured_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same bytes in another folder: they are read, and found in the store."""
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        pixels = np.random.default_rng(5).integers(60, 200, (80, 120, 3)).astype(np.uint8)
        PIL.Image.fromarray(pixels, "RGB").save(tmp_path / name / "F1.png")
    store = Store.open(tmp_path / "out", tmp_path / "one")
    (before,) = measure_shoot(store, read_shoot(tmp_path / "one"), 1, lambda *_: None)
    (tmp_path / "out" / ".work" / "digests.json").unlink()
    monkeypatch.setattr(measure, "decode", None)
    again = Store.open(tmp_path / "out", tmp_path / "two")
    (after,) = measure_shoot(again, read_shoot(tmp_path / "two"), 1, lambda *_: None)
    assert not after.error and after.key == before.key
