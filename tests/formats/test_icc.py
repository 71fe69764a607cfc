"""Profiles, written and read, against littleCMS and the published encodings."""

from __future__ import annotations

import io
import struct

import numpy as np
import PIL.ImageCms
import pytest

from pipeline.formats.icc import adobe_rgb, matrix_profile, srgb_profile
from pipeline.imaging.colour import srgb_decode


def _profile(trc: bytes, columns: tuple[tuple[float, ...], ...]) -> bytes:
    """A hand-made version 2 display profile; ICC.1:2001-04 clauses 6.1, 6.2."""
    xyz = [b"XYZ \0\0\0\0" + b"".join(struct.pack(">i", round(v * 65536)) for v in c) for c in columns]
    names = (b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC")
    table, body, start = b"", b"", 132 + 12 * len(names)
    for name, data in zip(names, (*xyz, trc, trc, trc), strict=True):
        table += name + struct.pack(">II", start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    head = struct.pack(">I4xI", start + len(body), 0x02400000) + b"mntrRGB XYZ " + bytes(12) + b"acsp"
    return head + bytes(128 - len(head)) + struct.pack(">I", len(names)) + table + body


# The sRGB primaries adapted to D50, as Bruce Lindbloom and the ICC's own sRGB profile give them (from memory).
SRGB_D50 = ((0.43607, 0.22249, 0.01392), (0.38515, 0.71687, 0.09708), (0.14307, 0.06061, 0.71410))


def _para(kind: int, *values: float) -> bytes:
    return b"para\0\0\0\0" + struct.pack(">H2x", kind) + b"".join(struct.pack(">i", round(v * 65536)) for v in values)


# ICC.1:2010, parametricCurveType: types 3 and 4 can both say the sRGB curve; 0 is a plain power; 1 is CIE 122.
@pytest.mark.parametrize(
    ("trc", "expected"),
    [
        (_para(0, 2.2), lambda x: x**2.2),
        (_para(1, 2.0, 1.25, -0.25), lambda x: np.where(x >= 0.2, np.maximum(1.25 * x - 0.25, 0) ** 2, 0)),
        (_para(2, 2.0, 1.0, -0.5, 0.1), lambda x: np.where(x >= 0.5, (x - 0.5) ** 2 + 0.1, 0.1)),
        (_para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045), srgb_decode),
        (_para(4, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045, 0.0, 0.0), srgb_decode),
        (b"curv\0\0\0\0" + struct.pack(">I", 0), lambda x: x),
        (b"curv\0\0\0\0" + struct.pack(">IH", 1, 461), lambda x: x ** (461 / 256)),
        (b"curv\0\0\0\0" + struct.pack(">I3H", 3, 0, 16384, 65535), lambda x: np.interp(x, [0, 0.5, 1], [0, 0.25, 1])),
    ],
)
def test_every_kind_of_curve(trc, expected) -> None:
    profile = matrix_profile(_profile(trc, SRGB_D50))
    assert profile is not None
    x = np.linspace(0, 1, 65536)
    assert np.abs(profile.curves[0] - expected(x)).max() < 5e-5
    assert profile.to_rec709 == pytest.approx(np.eye(3), abs=2e-3)


@pytest.mark.parametrize(
    "trc",
    [
        _para(1, 2.4, 0.0, 1.0),  # divides by zero
        _para(2, 2.4, 0.0, 1.0, 0.0),
        _para(0, -3.0),  # infinite at zero
        _para(5, 1.0),
        b"para\0\0\0\0",
        b"curv\0\0\0\0" + struct.pack(">I", 0xFFFFFFFF),
        b"curv",
        b"",
    ],
)
def test_wild_curves_are_no_profile(trc) -> None:
    assert matrix_profile(_profile(trc, SRGB_D50)) is None


def test_junk_never_raises() -> None:
    good = srgb_profile()
    rng = np.random.default_rng(4)
    for _ in range(150):
        bad = np.frombuffer(good, np.uint8).copy()
        bad[rng.integers(0, 300, 8)] = rng.integers(0, 256, 8)
        found = matrix_profile(bad.tobytes())
        assert found is None or np.isfinite(found.curves).all()
    for size in (0, 3, 20, 127, 128, 131, 200):
        matrix_profile(good[:size])
        assert matrix_profile(rng.bytes(size)) is None


def test_srgb_profile_columns_and_sameness() -> None:
    """The D50 columns are the published ones; read back, the profile is Rec. 709 itself."""
    srgb_profile.cache_clear()
    first = srgb_profile()
    srgb_profile.cache_clear()
    assert srgb_profile() == first
    opened = PIL.ImageCms.ImageCmsProfile(io.BytesIO(first)).profile
    for found, published in zip(
        (opened.red_colorant, opened.green_colorant, opened.blue_colorant), SRGB_D50, strict=True
    ):
        assert found[0] == pytest.approx(published, abs=3e-4)
    profile = matrix_profile(first)
    assert profile is not None
    assert profile.to_rec709 == pytest.approx(np.eye(3), abs=1e-4)


def test_adobe_rgb_matrix() -> None:
    """Adobe RGB (1998) Color Image Encoding, XYZ of the primaries (from memory), over IEC 61966-2-1."""
    to_xyz = np.array([[0.57667, 0.18556, 0.18823], [0.29734, 0.62736, 0.07529], [0.02703, 0.07069, 0.99134]])
    from_xyz = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    assert adobe_rgb().to_rec709 == pytest.approx(from_xyz @ to_xyz, abs=1e-3)
    assert adobe_rgb().curves[0, 32768] == pytest.approx((32768 / 65535) ** 2.19921875, abs=1e-6)
