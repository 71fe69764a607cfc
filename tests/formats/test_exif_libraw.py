"""What is taken from LibRaw where a raw has no Exif of its own; LibRaw is replaced by a stand-in with known answers."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.formats import exif
from tests.formats.exif_files import EXPECTED, MAIN_TAGS, tiff

TAKEN = datetime(2026, 2, 14, 19, 42, 7)


@pytest.fixture
def libraw(monkeypatch: pytest.MonkeyPatch) -> None:
    # 2 to the -7.96875 is how a raw keeps 1/250 s as a logarithm.
    other = SimpleNamespace(
        iso_speed=800.0, shutter_speed=2**-7.96875, aperture=4.0, focal_length=50.0, timestamp=TAKEN
    )

    @contextmanager
    def imread(_: str):  # type: ignore[no-untyped-def]
        yield SimpleNamespace(other=other, sizes=SimpleNamespace(flip=5))

    monkeypatch.setattr(exif.rawpy, "imread", imread)


def test_what_a_raw_lacks_comes_from_libraw(libraw: None, tmp_path: Path) -> None:
    """Flip 5 is a quarter turn against the clock, which is Exif's orientation 8 (LibRaw's documentation)."""
    path = tmp_path / "a.dng"
    without = {tag: value for tag, value in MAIN_TAGS.items() if tag != 0x0112}
    path.write_bytes(tiff(main=without, exif=None))
    found = exif.read_exif(path, "raw")
    assert (found.iso, found.exposure_time, found.f_number, found.focal_length) == (800.0, 0.004, 4.0, 50.0)
    assert (found.time, found.has_subseconds, found.orientation, found.model) == (TAKEN, False, 8, "W1")
    assert found.notices == ("no Exif in this file: its lens may be unknown",)  # its camera is known


def test_what_a_raw_has_stays(libraw: None, tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(tiff())
    assert exif.read_exif(path, "raw") == EXPECTED
    path.write_bytes(tiff(main={tag: value for tag, value in MAIN_TAGS.items() if tag != 0x0112}))
    assert exif.read_exif(path, "raw") == replace(EXPECTED, orientation=8)


@pytest.mark.parametrize(
    ("kept", "shown"),
    [
        # Logarithms of base 2 in steps of 1/32, as raws keep them.
        (2**-2.59375, 1 / 6), (2**-9.96875, 1 / 1000), (2**-6.78125, 1 / 110), (2**-6, 1 / 64), (2**0.40625, 1.3),
        (0.001, 0.001), (10 / 1605, 10 / 1605), (0.3, 0.3), (30.0, 30.0), (np.float32(1 / 6), np.float32(1 / 6)),
        (None, None),
    ],
)  # fmt: skip
def test_a_time_kept_as_a_logarithm_is_what_the_camera_shows(kept: float | None, shown: float | None) -> None:
    """Cameras write 1/N, 10/N or N/10 s (common practice, no source), and readers show what is written."""
    assert exif.as_cameras_say(kept) == (None if shown is None else pytest.approx(shown, rel=1e-7))
