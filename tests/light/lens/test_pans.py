"""Falloff measured in pans, against known ones: cos^4 of the field angle, and a calibration of the open lens database
(Canon EF 70-200 f/2.8L IS II at 100 mm and f/2.8: 1 - 0.3839 r^2 - 0.3892 r^4 + 0.1295 r^6, read through lensfunpy).

Wanted are less than 0.1 EV left at the corners where it is corrected, at most 0.03 EV of false
correction where there is none, nothing where the evidence does not suffice. `python -m tests.lens_falloff` tries more.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import pytest

from pipeline.imaging.lens.falloff import NODES, Falloff
from pipeline.imaging.orientation import Orientation
from pipeline.light.flicker import agree, views
from pipeline.light.gain_map import apply_coarse_gains
from pipeline.light.lens.pans import PANS, Fit, PanEvidence, evidence, fit_bursts
from tests.light.lens.drawn import HEIGHT, STEADY, WIDTH, Pan, U, burst, seen

pytestmark = pytest.mark.long

NONE = 0 * U
COS4 = -4 * np.log2(np.cos(np.arctan(np.sqrt(U) / 1.6)))
TELE = -np.log2(1 - 0.3839 * U - 0.3892 * U**2 + 0.1295 * U**3)


def of(stops: np.ndarray, count: int, pan: Pan = STEADY) -> list[PanEvidence]:
    return [one for n in range(count) if (one := _of(n, tuple(stops), pan)) is not None]


def fitted(bursts: Sequence[PanEvidence]) -> Falloff | None:
    fit = fit_bursts(bursts)
    return None if fit is None else fit.falloff


@lru_cache(maxsize=128)
def _of(seed: int, stops: tuple[float, ...], pan: Pan) -> PanEvidence | None:
    return evidence(seen(*burst(seed, np.array(stops), pan)))


@pytest.mark.parametrize("stops", [COS4, TELE], ids=["cos4", "tele"])
def test_pans_under_steady_lamps_show_the_falloff(stops: np.ndarray) -> None:
    found = fitted(of(stops, 8))
    assert found is not None
    assert np.abs(found.stops - stops).max() < 0.05


def test_where_the_lens_darkens_nothing_nothing_is_lifted() -> None:
    fit = fit_bursts(of(NONE, 8))
    assert fit is not None and np.abs(fit.stops).max() < 0.03
    assert fitted(of(NONE, 8)) is None


def test_lamps_that_flicker_are_no_falloff() -> None:
    """By 35 % at one side, which tilts each frame by tenths of a stop: few bursts prove nothing, whatever they say."""
    flickering = Pan(modulation=0.35)
    assert fitted(of(NONE, 12, flickering)) is None
    few = fit_bursts(of(TELE, 6, flickering))
    assert few is not None and (fitted(of(TELE, 6, flickering)) is None or np.abs(few.stops - TELE).max() < 0.1)


def test_the_error_is_as_large_as_it_says() -> None:
    """Of groups of bursts under flickering lamps: misses over their standard errors scatter by about 1."""
    all_of_them = of(NONE, 36, Pan(modulation=0.35))
    pulls = []
    for start in range(0, len(all_of_them) - 5, 6):
        fit = fit_bursts(all_of_them[start : start + 6])
        assert fit is not None
        pulls.append(float(fit.stops[-1] / fit.errors[-1]))
    assert 0.4 < np.sqrt(np.mean(np.square(pulls))) < 1.6


def test_frames_that_stand_still_say_nothing() -> None:
    assert evidence(seen(*burst(0, TELE, Pan(step=0.3)))) is None
    assert fitted([]) is None
    assert fitted(of(TELE, 4)[:1]) is None


def test_a_fit_that_no_lens_has_is_not_used() -> None:
    brighter = fit_bursts(of(-COS4, 8))  # corners brighter than the middle: a finished picture, or no falloff at all
    assert brighter is not None and brighter.stops[-1] < -0.8 and not brighter.proved
    humped = fit_bursts(of(1.2 * np.sin(np.pi * 0.8 * U), 8))  # darkest half-way
    assert humped is not None and humped.stops.max() > humped.stops[-1] + PANS.rise and not humped.proved


def test_pictures_contradict_a_falloff_that_is_not_theirs() -> None:
    corrected, dark = fit_bursts(of(NONE, 8)), fit_bursts(of(TELE, 8))
    assert corrected is not None and dark is not None
    assert corrected.contradicts(Falloff(TELE)) and not dark.contradicts(Falloff(TELE))
    assert not dark.contradicts(Falloff(TELE * 0.9)) and dark.contradicts(Falloff(TELE * 0.6))
    unsure = fit_bursts(of(NONE, 4, Pan(modulation=0.35)))
    assert unsure is not None and not unsure.contradicts(Falloff(TELE))


def test_what_makes_it_sure() -> None:
    """Bursts enough to know how they differ, and an error that leaves less than 0.1 EV."""
    terms, small = np.array([1.0, 0.0, 0.0, 0.0]), np.full(NODES, 0.03)
    assert Fit(terms, small, 4).proved
    assert not Fit(terms, small, 3).proved and not Fit(terms, small, 3).contradicts(Falloff(NONE))
    assert not Fit(terms, small + 0.03, 40).proved and not Fit(terms, small + 0.03, 40).contradicts(Falloff(NONE))
    assert not Fit(0.11 * terms, small, 40).proved  # less than four of its errors
    assert not Fit(3.5 * terms, small, 40).proved  # more than a lens takes


def test_registered_by_the_pictures_themselves() -> None:
    found = [evidence(seen(*burst(n, TELE), registered=True)) for n in (3, 4, 6, 8, 12)]
    fit = fit_bursts([one for one in found if one is not None])
    assert fit is not None and abs(fit.stops[-1] - TELE[-1]) < 0.1


def test_what_a_burst_says_is_read_back() -> None:
    one = of(TELE, 8)[0]
    back = PanEvidence.from_arrays(one.as_arrays())
    assert back is not None and np.array_equal(back.pairs, one.pairs)
    assert PanEvidence.from_arrays({}) is None
    with pytest.raises(ValueError, match="pans"):
        PanEvidence.from_arrays({"pans": np.zeros((2, 3, 3))})


def test_light_must_be_found_behind_the_lens() -> None:
    """In a pan, falloff is taken for flicker: a frame's other side is darkened. So the proxies are corrected first."""
    images, shifts = burst(4, TELE, Pan(step=14))
    assert np.ptp(shifts) > 60
    gains = Falloff(TELE).gains_on(HEIGHT, WIDTH, Orientation.TOP_LEFT)
    wrong, right = (
        max(float(np.ptp(m.on(HEIGHT, WIDTH)[..., 1])) for m in agree(views(some)))
        for some in (images, [apply_coarse_gains(i, gains) for i in images])
    )
    assert wrong > 0.3 and right < 0.05
