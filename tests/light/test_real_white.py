"""gray_world beside the camera's own balance on real pictures of charts (all of them: python -m tests.real_white)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.real_white import WORSE, balanced, read, rows, unrelated, white_of

pytestmark = pytest.mark.long


def test_white_is_never_worse_than_the_cameras_own(shared: Callable[[str], Path]) -> None:
    """Wanted: at most 1.0 above the camera alone and in pairs, and lower in the median."""
    data = shared("data/chart-jpeg").parent
    names = ("raw/CRW_0101.CRW", "raw/CRW_0304.CRW", "chart-jpeg/Canon_EOS_RP___MG_0635.JPG",
             "chart-jpeg/Nikon_D3100__DSC_0008.JPG", "burst-jpeg/Apple_iPhone_XR__IMG_3606.JPG")  # fmt: skip
    found = rows(data, names, ())
    for row in found:
        assert row.worst <= row.camera + WORSE, row
    assert np.median([r.alone for r in found]) < np.median([r.camera for r in found]) - 1


def test_unrelated_finished_pictures_give_each_other_no_cast(shared: Callable[[str], Path]) -> None:
    """Each looks right as it is: grey cloud, water and sky, by eye. 0.1 stops of red or blue is about a just visible
    step on grey (2 CIELAB units, computed)."""
    pictures = [read(shared("data/people") / f"{n}_k.jpg") for n in (
        "15673749081_767a7fa63a", "17790319373_bd19b24cfc", "33887522274_eebd074106", "34501842524_3c858b3080",
    )]  # fmt: skip
    for name, solution in balanced(pictures).items():
        assert np.abs(np.log2(solution.gains)).max() < 0.1, name


def test_finished_pictures_of_one_place_still_help_each_other(shared: Callable[[str], Path]) -> None:
    """Four of the same table with a grey chart; alone each is held back by its camera."""
    pictures = [read(p) for p in sorted(shared("data/burst-jpeg").glob("*.JPG"))]
    together, alone = balanced(pictures), balanced(pictures[:1])
    name = pictures[0].frame.name
    assert np.ptp(np.log2(together[name].gains)) > 1.5 * np.ptp(np.log2(alone[name].gains))


def test_unrelated_raws_in_one_folder_have_no_say_in_each_others_white(shared: Callable[[str], Path]) -> None:
    """Photographs as raws under lamps of their own: nothing that they show connects them."""
    some = unrelated(sorted(shared("data/photos").glob("*.webp"))[::24])
    alone = np.concatenate([white_of([u]) for u in some])
    assert white_of(some) == pytest.approx(alone, abs=1e-6)
