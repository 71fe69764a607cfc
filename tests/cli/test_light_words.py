"""What `evencourt inspect` says of the light: a small generated hall of known lamps, and shoots that tell little."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from pipeline.fixtures.demo import write_demo
from pipeline.fixtures.hall import BurstPlan, Hall
from pipeline.fixtures.light import Lamp, tables

from pipeline.cli.look.inspect import _largest
from pipeline.cli.look.light_words import LightWords, as_of_the_hall, light_words
from pipeline.engine.hall import sentences
from pipeline.engine.measure import Measurements
from pipeline.engine.run import measure_shoot, read_shoot
from pipeline.engine.solve import shoot_light
from pipeline.light.gain_map import GainMap
from pipeline.light.hall.findings import EndLight, depth_words
from pipeline.light.hall.lamps import Lamps, lamps_of_frames, seconds_of
from pipeline.light.hall.settings import light_value
from pipeline.light.scenes import ShootLight
from pipeline.steps import white_balance
from pipeline.steps.base import SolveContext
from pipeline.steps.white_balance import WhiteBalanceParams, solve
from pipeline.store.store import Store
from pipeline.types import Exif
from tests.shoot.clocks.made import frame
from tests.steps.test_white_balance import DAY, context_of, light_of, scene
from tests.tables import numbers

pytestmark = pytest.mark.long


def test_steps_of_a_clock_show_though_another_camera_was_corrected() -> None:
    """Times of hundredths; the other camera's are 3.7 ms beside them. The mains are found by what the times keep."""
    a = [frame(f"A{n}.nef", 0.0037 + n * 0.1, "A-1") for n in range(3)]
    b = [frame(f"B{n}.nef", 1.25 + n * 0.07, "B-1") for n in range(3)]
    seconds = seconds_of([*a, *b, frame("C.nef", None)])
    np.testing.assert_allclose(seconds, [0, 0.1, 0.2, 0, 0.07, 0.14, np.nan], atol=1e-6)


def test_light_value_is_apex() -> None:
    """EV at ISO 100 of the APEX table (Exif 2.32 annex C)."""
    rows = numbers("apex")
    assert len(rows) >= 3
    for row in rows:
        assert light_value(row["ISO"], row["T"], row["N"]) == pytest.approx(row["EV100"], abs=0.002)


def xy(lamp: str) -> tuple[float, float]:
    seen = np.array(tables()["lamps"][lamp]) @ np.array(tables()["observer"])
    return float(seen[0] / seen.sum()), float(seen[1] / seen.sum())


def kelvin(lamp: str) -> float:
    """McCamy, Color Research and Application 17(2), 1992."""
    x, y = xy(lamp)
    n = (x - 0.3320) / (0.1858 - y)
    return 449 * n**3 + 3525 * n**2 + 6823.3 * n + 5520.33


@pytest.fixture(scope="module")
def hall_words(tmp_path_factory: pytest.TempPathFactory) -> tuple[LightWords, ShootLight, dict, Lamps]:
    """Cold fluorescent tubes that flicker by 30 % at one end, a LED at the other; 13 and 14 frames a second, 50 Hz."""
    folder = tmp_path_factory.mktemp("words") / "shoot"
    plans = (
        BurstPlan(-8.0, 1600, 1.0, 60.0, frames=7, fps=14.0),
        BurstPlan(8.0, 1600, 0.8, 300.0, frames=4, fps=14.0),
        BurstPlan(-7.5, 1600, 1.0, 600.0, frames=6, fps=13.0),
    )
    hall = Hall(Lamp("FL4", 0.30, 0.9), Lamp("LED-B5", 0.01, 2.0), width=2.0, centre=0.0, bursts=plans)
    write_demo(folder, hall=hall, seed=8, width=384, height=256)
    shoot = read_shoot(folder)
    store = Store.open(folder.parent / "out", folder)
    measured_frames = measure_shoot(store, shoot, 1, lambda *_: None)
    light = shoot_light(store, measured_frames, shoot.bursts, shoot.facts)
    measured = Measurements(store, measured_frames, white_balance.STEP)
    context = SolveContext(shoot.frames, shoot.bursts, shoot.facts, measured, lambda: light, dict, dict, {})
    balances = solve(context, WhiteBalanceParams(method="reference_patch")).by_frame
    lamps = lamps_of_frames(light, shoot.frames)
    words = light_words(light, lamps, shoot.frames, balances, {n: m.daylight for n, m in measured.items()})
    truth = json.loads((folder.parent / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))
    return words, light, {n: e["flicker"] for n, e in truth["frames"].items() if "flicker" in e}, lamps


def row_of(words: LightWords, light: ShootLight, burst: int) -> list[str]:
    return words.zones[words.of[light.scenes[burst].names[0]][0] - 1]


def number(text: str, pattern: str) -> float:
    found = re.search(pattern, text)
    assert found is not None, text
    return float(found.group(1))


def test_zones_and_their_colour(hall_words) -> None:
    """Scenes: two cards, then the bursts left, right, left. Correlated colour temperature of the published spectra."""
    words, light, _, _ = hall_words
    zone = [words.of[s.names[0]][0] for s in light.scenes]
    assert zone[2] == zone[4] != zone[3]
    for burst, lamp, share in ((2, "FL4", 0.10), (3, "LED-B5", 0.12)):
        told = number(row_of(words, light, burst)[3], r"(\d+) K")
        assert told == pytest.approx(kelvin(lamp), rel=share)
    assert sum(int(row[2]) for row in words.zones) == 19


def test_mains_are_told(hall_words) -> None:
    assert hall_words[3].mains.hz == 100


def test_flicker_and_dark_frames(hall_words) -> None:
    """Percent flicker of 1 + m cos is 100 m (IEEE 1789-2015): 30 % of the tubes, the LED all but nothing."""
    words, light, flicker, _ = hall_words
    assert number(row_of(words, light, 2)[6], r"(\d+) %") == pytest.approx(30, abs=8)
    assert number(row_of(words, light, 3)[6], r"(\d+) %") < 8
    for burst, end in ((2, "left"), (3, "right"), (4, "left")):
        names = light.scenes[burst].names
        level = np.array([np.log2(flicker[n][end]).mean() for n in names])
        # EV; told dark where the light drawn was that far below the burst's median or the lamp's mean, which is 0
        below = level - max(np.median(level), 0.0) + 0.25
        for name, gap in zip(names, below, strict=True):
            if abs(gap) > 0.08:
                assert words.of[name][1] == (gap < 0)


def test_level(hall_words) -> None:
    words, light, _, _ = hall_words
    for burst in (2, 3):
        value, lux = map(float, row_of(words, light, burst)[4:6])
        # E = 2.5 lx * 2^EV at ISO 100: incident light constant C = 250 (ISO 2720:1974).
        assert lux == pytest.approx(2.5 * 2**value, rel=0.05)
        assert 5 < value < 10  # sports halls have 200 to 1,000 lx: EN 12193 asks 300 to 750 (from memory)


def words_of(light: ShootLight, exifs: dict[str, Exif], day: np.ndarray = DAY) -> LightWords:
    context = context_of(light)
    balances = solve(context, WhiteBalanceParams(method="gray_world")).by_frame
    frames = [replace(f, exif=exifs.get(f.name, f.exif)) for f in context.frames]
    return light_words(light, lamps_of_frames(light, frames), frames, balances, {f.name: day for f in frames})


def test_the_lamps_colour_is_not_read_from_pictures_that_a_camera_balanced() -> None:
    """Their white says what the camera left: the other lines of inspect call the lamps' colour not known."""
    row = words_of(light_of([scene(["F1"])]), {}, np.ones(3)).zones[0]
    assert "not known" in row[3] and " K" not in row[3]


def test_flicker_that_was_not_seen_has_no_number() -> None:
    assert depth_words(0.2, at_least=True) == "not seen"
    assert [depth_words(30.4, True), depth_words(0.2, False)] == ["at least 30 %", "0 %"]


def test_neither_times_nor_settings() -> None:
    words = words_of(light_of([scene(["F1"]), scene(["F2", "F3"])]), {})
    assert len(words.zones) == 1
    assert words.zones[0][4:6] == ["not known", ""]
    assert words.of == dict.fromkeys(("F1", "F2", "F3"), (1, False))


def test_the_reason_of_each_camera_is_said_where_they_differ() -> None:
    """One takes single frames, the other a frame a second."""
    start = datetime(2026, 2, 14, 19, 30)
    exifs = {
        f"F{k}": Exif(model="W1" if k < 3 else "W2", exposure_time=0.001, time=start + timedelta(seconds=k))
        for k in range(6)
    }
    bursts = [scene([f"F{k}"]) for k in range(3)] + [scene(["F3", "F4", "F5"])]
    light = light_of(bursts)
    frames = [replace(f, exif=exifs[f.name]) for f in context_of(light).frames]
    mains = lamps_of_frames(light, frames).mains
    assert mains.hz is None
    assert mains.reason == "W1: no burst has three frames or more; W2: no burst has three frames within 1.5 s"


def test_settings_of_an_even_grey() -> None:
    """12.8 % of saturation is what the settings are right for (ISO 12232: 18 % grey, saturation-based speed)."""
    exif = Exif(iso=3200, exposure_time=1 / 1000, f_number=2.8)
    light = light_of([scene(["F1"], level=np.full(3, np.log2(0.128)))])
    row = words_of(light, {"F1": exif}).zones[0]
    assert float(row[4]) == pytest.approx(7.9, abs=0.05)  # worked_values.json: EV100 = 7.9366


@pytest.mark.parametrize("level", [np.full(3, np.nan), np.full(3, -3.0)])
def test_single_frame(level: np.ndarray) -> None:
    exif = Exif(iso=3200, exposure_time=1 / 1000, f_number=2.8, time=datetime(2026, 2, 14, 19, 30))
    words = words_of(light_of([scene(["F1"], level=level)]), {"F1": exif})
    assert words.zones[0][6] == "" and words.of == {"F1": (1, False)}


def test_dark_frame_of_a_burst_is_marked() -> None:
    """Six frames; one lost half a stop, of which the field to add speaks."""
    names = [f"F{k}" for k in range(6)]
    flicker = tuple(GainMap.constant(np.full(3, 0.5 if k == 4 else 0.0)) for k in range(6))
    start = datetime(2026, 2, 14, 19, 30)
    exifs = {n: Exif(exposure_time=0.001, time=start + timedelta(seconds=0.1 * k)) for k, n in enumerate(names)}
    words = words_of(light_of([scene(names, flicker=flicker)]), exifs)
    assert [words.of[n][1] for n in names] == [False] * 4 + [True, False]
    assert Path(words.zones[0][1]).name == "F0"


def test_spoiled_frames_are_counted_among_those_that_can_be_told() -> None:
    """A single frame that a burst evened (light.singles) is one of them; one that none evened is not."""
    dark, even = GainMap.constant(np.full(3, 0.5)), GainMap.constant(np.zeros(3))
    scenes = [scene(["A", "B", "C"], flicker=(dark,) * 3), scene(["D"], flicker=(dark,)), scene(["E"], flicker=(even,))]
    lamps = lamps_of_frames(light_of(scenes), [frame(n, None) for n in "ABCDE"])
    assert [bool(v) for v in lamps.alone] == [False] * 4 + [True]
    assert sentences.flicker(lamps, None, at_least=False)[-1].text.startswith("4 frames of 4 caught")


def test_a_light_has_one_brightness_on_the_screen() -> None:
    """The table of zones says what is said of the hall's ends: 2.5 lx times 2 to the EV (ISO 2720:1974)."""
    rows = [[str(n), "F1", "9", "4000 K", "9.9", "2390", "8 %"] for n in (1, 2, 3)]
    ends = [
        EndLight("left", 9, 0.0, 5.25, "4000 K", None, 8.0, False, None, 1),
        EndLight("zone 1", 9, 0.0, None, "4000 K", None, 8.0, False, None, 0),
    ]
    assert as_of_the_hall(rows, ends) == [
        ["1", "F1", "9", "4000 K", "not known", "", "8 %"],
        ["2 (left)", "F1", "9", "4000 K", "5.2", "100", "8 %"],
        rows[2],
    ]
    assert as_of_the_hall(rows, ()) == rows


def test_a_mixed_folder_has_one_line_for_its_small_zones() -> None:
    frames = [1, 5, 1, 9, 2, 1, 4, 3, 8, 1, 7]
    rows = [[str(at + 1), "burst", str(count), "4000 K", "+0.0 EV", ""] for at, count in enumerate(frames)]
    assert _largest(rows[:8]) == rows[:8]
    found = _largest(rows)
    assert [row[0] for row in found] == ["2", "4", "5", "7", "8", "9", "11", "and 4 more"]
    assert found[-1] == ["and 4 more", "", "4", "", "", ""] and sum(int(row[2]) for row in found) == sum(frames)
