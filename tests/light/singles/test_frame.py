"""Single frames beside bursts that are drawn from closed forms (tests.light.test_flicker): the true light is known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from pipeline.light.flicker import Agreed, View, agreed, views
from pipeline.light.gain_map import GainMap
from pipeline.light.registration import Motion
from pipeline.light.shared_lamp import SharedLamp
from pipeline.light.singles.frame import Found, KnownHall, _laid, evened_by, phase_in
from tests.light.test_flicker import HEIGHT, MARGIN, WIDTH, Lamps, burst, photograph, shine, surfaces

LAMPS = Lamps(("FL2", "FL2"), (0.35, 0.35), (0.3, 0.3))
TWO = Lamps()
BAR = 0.06  # EV, from the darkest to the brightest place


@cache
def told(lamps: Lamps) -> KnownHall:
    """What a burst of six says."""
    seen = views(burst(lamps).images, 1)
    hall = KnownHall.of(seen, agreed(seen))
    assert hall is not None
    return hall


def alone(lamps: Lamps, moment: int, shift: int = 0, seed: int = 0) -> tuple[View, np.ndarray]:
    """A frame of its own, pixels to the right of the burst's, and its light (H, W, 3) against the mean, log2."""
    lights, mean = shine(lamps, [shift] * (moment + 1))
    window = slice(MARGIN + shift, MARGIN + shift + WIDTH)
    image = photograph(surfaces(seed)[:, window] * lights[moment], np.random.default_rng(moment))
    return views([image], 1)[0], np.log2(lights[moment] / mean[window])


def left(view: View, light: np.ndarray, hall: KnownHall) -> tuple[float, float]:
    """EV of green from the darkest to the brightest place, before and after."""
    even = evened_by([hall], [view], Agreed.nothing(1)).maps[0]
    after = light + even.on(HEIGHT, WIDTH)
    return float(np.ptp(light[..., 1])), float(np.ptp(after[..., 1]))


@pytest.mark.parametrize(("moment", "shift"), [(9, 0), (11, 24), (13, -40), (16, 60)])
@pytest.mark.parametrize("lamps", [LAMPS, TWO])
def test_a_single_is_evened_by_a_burst_of_the_same_wall(lamps: Lamps, moment: int, shift: int) -> None:
    before, after = left(*alone(lamps, moment, shift), told(lamps))
    assert after < BAR < before or after < before / 4


def test_a_photographer_who_took_a_step_sees_the_floor_move_further() -> None:
    """The upper half is moved by 10 pixels, the lower one by 40."""
    near, light = alone(LAMPS, 9, 40)
    far, _ = alone(LAMPS, 9, 10)
    both = np.concatenate([far.pixels[: HEIGHT // 2], near.pixels[HEIGHT // 2 :]])
    before, after = left(replace(near, pixels=both), light, told(LAMPS))
    assert after < BAR < before


def test_each_band_of_rows_is_laid_where_it_lies() -> None:
    scene = np.log2(surfaces(0)).astype(np.float32)
    frame = scene[:, MARGIN : MARGIN + WIDTH].copy()
    frame[HEIGHT // 2 :] = scene[HEIGHT // 2 :, MARGIN + 31 : MARGIN + 31 + WIDTH]
    laid, aside = _laid(scene[:, MARGIN + 10 : MARGIN + 10 + WIDTH], frame, (HEIGHT // 4, WIDTH // 4))
    off = np.abs(laid - frame)
    assert np.nanmedian(off[: HEIGHT // 3]) == np.nanmedian(off[-HEIGHT // 3 :]) == 0 and aside == 10


def test_where_nothing_proves_it_rows_are_kept() -> None:
    """Of another place; of the same in steady light, also where that falls off down the frame."""
    steady = Lamps(("FL2", "FL2"), (0.0, 0.0))
    assert left(*alone(LAMPS, 9, seed=5), told(LAMPS))[1] == left(*alone(LAMPS, 9, seed=5), told(LAMPS))[0]
    for slope in (0.0, 0.1, -0.1, 0.35, 0.5, -0.5):
        view, light = alone(steady, 9)
        fall = np.exp2(slope * np.linspace(-1, 1, HEIGHT))[:, None, None]
        pixels = (view.pixels * fall).astype(np.float32)
        assert left(replace(view, pixels=pixels), light, told(LAMPS))[1] == 0.0, slope


ROWS = np.linspace(-1, 1, HEIGHT)[:, None, None]
NO_PULSE = {
    "the far lamps are switched off": [0 * ROWS] * 3 + [0.5 * ROWS] * 3,
    "bank by bank": [0 * ROWS] * 2 + [0.3 * ROWS] * 2 + [0.6 * ROWS] * 2,
    "they fade": [0.1 * k * ROWS - 0.1 * k for k in range(6)],
    "two flashes of others, each in a part of the rows": [
        0 * ROWS, 1.2 * (ROWS > 0.1), 0 * ROWS, 0 * ROWS, 1.2 * (ROWS < -0.2), 0 * ROWS,
    ],
}  # fmt: skip


def lit(changes: list[np.ndarray]) -> list[View]:
    """A burst in steady light, changed by stops (H, 1, 1)."""
    random, still = np.random.default_rng(1), surfaces(0)[:, MARGIN : MARGIN + WIDTH]
    return views([photograph(still * np.exp2(one), random) for one in changes], 1)


@pytest.mark.parametrize("case", NO_PULSE)
def test_a_burst_whose_light_changes_without_a_pulse_tells_nothing(case: str) -> None:
    """A wave can be laid through the frames all the same."""
    seen = lit(NO_PULSE[case])
    found = agreed(seen)
    assert found.lamp is not None and KnownHall.of(seen, found) is None


@pytest.mark.parametrize(("waves", "moment"), [(0.3, 16), (0.8, 9), (1.0, 11), (1.7, 13)])
def test_a_wave_of_another_length_than_the_bursts_is_not_believed(waves: float, moment: int) -> None:
    """As of another shutter, of which a camera tells nothing."""
    before, after = left(*alone(replace(LAMPS, waves=waves), moment), told(LAMPS))
    assert after == before


@pytest.mark.parametrize(
    ("off", "believed"),
    [
        ({}, True),
        ({"agrees": 0.39}, False),
        ({"held_out": 0.061, "without": 1.0}, False),
        ({"without": 0.09}, False),
        ({"error": 0.061}, False),
        ({"decided": 19.0}, False),
        ({"slope": -0.1}, False),
    ],
)
def test_each_proof_is_asked_for(off: dict[str, float], believed: bool) -> None:
    found = Found(0.0, Motion(), 0.41, 0.059, 0.12, 0.059, 21.0, 0.1)
    assert replace(found, **off).believed is believed


def test_two_frames_gain_what_they_have_in_common() -> None:
    """Both in about the same phase: what they differ by is next to nothing, what they share nearly the whole wave."""
    shots = [alone(LAMPS, 9), alone(LAMPS, 12)]
    own = Agreed([GainMap.constant(np.full(3, v)) for v in (0.07, -0.02)])
    both = evened_by([told(LAMPS)], [view for view, _ in shots], own)
    first, second = (even + -kept for even, kept in zip(both.maps, own.maps, strict=True))
    assert np.abs((first + -second).coefficients).max() < 1e-9
    each = [evened_by([told(LAMPS)], [view], Agreed.nothing(1)).maps[0] for view, _ in shots]
    rest = both.maps[0] + both.maps[1] + -(each[0] + each[1])
    assert np.abs(rest.coefficients).max() < 1e-9
    mean = np.mean([light for _, light in shots], axis=0)[..., 1]
    assert np.ptp(mean + first.on(HEIGHT, WIDTH)[..., 1]) < BAR < np.ptp(mean)


def test_a_burst_that_tells_its_own_wave_is_left_alone() -> None:
    own = replace(Agreed.nothing(1), lamp=SharedLamp.nothing())
    assert evened_by([told(LAMPS)], [alone(LAMPS, 9)[0]], own) is own


def test_steady_lamps_tell_nothing() -> None:
    seen = views(burst(Lamps(modulation=(0.0, 0.0))).images, 1)
    assert KnownHall.of(seen, agreed(seen)) is None


def test_what_is_kept_of_a_hall_is_read_back() -> None:
    hall = told(LAMPS)
    back = KnownHall.from_arrays(hall.as_arrays())
    view, _ = alone(LAMPS, 9)
    assert phase_in(view, back).phase == pytest.approx(phase_in(view, hall).phase, abs=0.01)
    assert (back.aside, back.down, back.perspective) == (hall.aside, hall.down, hall.perspective)
    with pytest.raises(ValueError, match="scene"):
        KnownHall.from_arrays({**hall.as_arrays(), "hall_scene": np.zeros((600, 3, 3), np.float16)})
