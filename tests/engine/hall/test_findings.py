"""What inspect finds about generated halls whose lamps, brightness and flicker are known."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import numpy as np
import PIL.Image
import PIL.ImageFont
import pytest
from pipeline.fixtures.hall import right_share
from pipeline.fixtures.light import Lamp

from pipeline.engine.hall.gather import hall_findings, scene_levels
from pipeline.engine.hall.picture import WIDTH, _printable, picture, same_event
from pipeline.engine.hall.sentences import ends
from pipeline.light.hall.findings import EndLight, FramePoint, HallFindings
from pipeline.light.scene_white import WhiteSource
from tests.engine.hall.made import Dimmed, hall_of, known_of, plan

pytestmark = pytest.mark.long

SHARE = 0.45  # of the right end's lamps that are lit


@pytest.fixture(scope="module")
def dim(tmp_path_factory: pytest.TempPathFactory):
    """Tubes that flicker by 30 % on the left; on the right LED, not half of them lit. 50 Hz, a curtain of 4 ms."""
    bursts = (plan(-8.0, 60.0), plan(8.0, 300.0), plan(-7.5, 600.0, fps=14.0), plan(7.0, 900.0, fps=14.0))
    hall = hall_of(Lamp("FL4", 0.30, 0.9), Dimmed("LED-B5", 0.01, 2.0, share=SHARE), bursts)
    folder = tmp_path_factory.mktemp("dim") / "shoot"
    known, _, _ = known_of(folder, hall)
    truth = json.loads((folder.parent / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))
    return known, hall_findings(known, 1 / 1000), truth


def finding(found: HallFindings, about: str):
    return next(f for f in found.findings if f.about == about)


def test_brightness_of_the_ends_is_that_of_their_lamps(dim) -> None:
    """Light at x: the shares of both lamps, the right one's dimmed. Within a fifth of a stop."""
    known, _, _ = dim
    levels = scene_levels(known).relative
    bursts = [i for i, s in enumerate(known.light.scenes) if len(s.names) > 1]
    truth = [np.log2(1 - right_share(x, 0, 3.0) * (1 - SHARE)) for x in (-8.0, 8.0, -7.5, 7.0)]
    found = levels[bursts] - levels[bursts].mean()
    np.testing.assert_allclose(found, np.array(truth) - np.mean(truth), atol=0.2)


def test_one_exposure_does_not_serve_both_ends(dim) -> None:
    _, found, _ = dim
    one = finding(found, "one exposure")
    assert one.verdict == "look" and "0.33" in one.text
    ends = {e.name: e for e in found.ends}
    assert ends["left"].level - ends["right"].level == pytest.approx(-np.log2(SHARE), abs=0.25)
    assert ends["right"].iso / ends["left"].iso == pytest.approx(1 / SHARE, rel=0.2)


def test_lamps_are_told_with_frequency_and_depth(dim) -> None:
    _, found, _ = dim
    assert found.hz == 100 and found.depth == pytest.approx(30, abs=6)
    assert found.readout_time == pytest.approx(0.004, abs=0.001)
    timing = finding(found, "timing")
    assert timing.verdict == "look" and "would have helped" in timing.text


def test_spoiled_frames_are_those_that_the_lamps_made_dark(dim) -> None:
    """By the generator's own record of the lamps: dark is 1/4 EV under the burst's median or the lamps' mean. Frames
    within 0.08 EV of that are not asked about; nothing at all is spoiled where LED alone gives light."""
    known, _, truth = dim
    asked = 0
    for scene in known.light.scenes:
        if len(scene.names) < 3:
            continue
        end = "left" if truth["frames"][scene.names[0]]["x"] < 0 else "right"
        level = np.array([np.log2(truth["frames"][n]["flicker"][end]).mean() for n in scene.names])
        below = np.maximum(np.median(level) - level, -level)
        for name, by in zip(scene.names, below, strict=True):
            at = known.lamps.names.index(name)
            if end == "right":
                assert not known.lamps.spoiled[at]
            elif abs(by - 0.25) > 0.08:
                asked += 1
                assert bool(known.lamps.dark[at]) == (by > 0.25)
    assert asked > 5 and known.lamps.spoiled.any()


def test_white_by_references_is_trusted_and_guessed_white_is_not(dim) -> None:
    known, found, _ = dim
    assert finding(found, "white").verdict == "good"
    guessed = {n: replace(b, source=WhiteSource.GRAY_WORLD, sure=0.4) for n, b in known.balances.items()}
    told = finding(hall_findings(replace(known, balances=guessed), 1 / 1000), "white")
    assert told.verdict == "look" and "grey card" in told.text and "40 %" in told.text
    assert "not to be trusted" in told.text
    sure = {n: replace(b, sure=0.96) if at else known.balances[n] for at, (n, b) in enumerate(guessed.items())}
    told = finding(hall_findings(replace(known, balances=sure), 1 / 1000), "white")
    assert "in 1 of" in told.text and "likely right" in told.text and "not to be trusted" not in told.text


def test_what_the_files_do_not_say_is_said(dim) -> None:
    known, _, _ = dim
    bare = [replace(f, exif=replace(f.exif, iso=None, exposure_time=None, f_number=None)) for f in known.frames]
    found = hall_findings(replace(known, frames=bare), 1 / 1000)
    assert {f.about for f in found.findings if f.verdict == "unknown"} >= {"settings", "one exposure", "ISO needed"}
    assert "no model file" in finding(found, "movement").text
    assert all(e.iso is None and e.ev100 is None for e in found.ends)


def test_zones_of_which_nothing_is_known_are_one_sentence() -> None:
    def zone(number: int, frames: int, ev100: float | None) -> EndLight:
        return EndLight(f"zone {number}", frames, np.nan, ev100, "colour not known", None, None, False, None)

    found = ends([zone(4, 11, None), zone(1, 4, 4.7), zone(6, 1, None), zone(2, 1, 8.6)], False, True)
    assert [(one.verdict, one.text.split(":")[0]) for one in found] == [
        ("unknown", "zone 4 and zone 6 (12 frames)"), ("good", "zone 1 (4 frames)"), ("good", "zone 2 (1 frame)")
    ]  # fmt: skip


def test_a_mixed_folder_has_one_line_for_its_many_small_lights() -> None:
    found = [EndLight(f"zone {n}", 20 - n, np.nan, 5.0 + n, "4000 K", None, None, False, None) for n in range(1, 14)]
    told = [one.text for one in ends(found, False, True)]
    assert len(told) == 7 and told[5].startswith("zone 6 (14 frames): 4000 K")
    assert told[6] == "and 7 more light zones (70 frames), EV 12.0 to 18.0 at ISO 100"
    assert len(ends(found[:7], False, True)) == 7
    alike = [replace(one, ev100=None) for one in found]
    assert ends(alike, False, True)[0].text.startswith("13 light zones (169 frames): 4000 K")


def test_every_finding_says_how_it_was_measured(dim) -> None:
    _, found, _ = dim
    for one in found.findings:
        assert one.how and one.text
    practice = [f for f in found.findings if f.about in ("shutter", "aperture")]
    assert practice and all("common practice, no source" in f.how for f in practice)


def test_the_picture_can_be_drawn_with_and_without_numbers(dim) -> None:
    _, found, _ = dim
    nothing = replace(found, hz=None, points=(), ends=tuple(replace(e, level=float("nan")) for e in found.ends))
    nothing = replace(nothing, ends=tuple(replace(e, rgb=None) for e in nothing.ends))
    for one, title in ((found, "Town hall, semi-final"), (nothing, "名前\n\x00 <b>")):
        drawn = PIL.Image.open(io.BytesIO(picture(one, title)))
        assert drawn.format == "PNG" and drawn.width == WIDTH and drawn.height > 600
        assert np.ptp(np.asarray(drawn)) > 200


def test_a_camera_years_off_does_not_stretch_the_line_of_time() -> None:
    evening = [FramePoint(60.0 * n, 0.0, 0, False) for n in range(20)]
    off = [FramePoint(-2.2e8, 0.0, 0, False), *evening, FramePoint(6e7, 0.0, 0, False)]
    assert same_event(off) == evening and same_event(evening) == evening
    weekend = [*evening, *(replace(one, seconds=one.seconds + 86_400) for one in evening)]
    assert same_event(weekend) == weekend


def test_names_of_halls_and_cameras_are_drawn_in_signs_that_the_font_has() -> None:
    """Unicode Standard, annex 15 (NFKD), for the letters below the marks; a sign the font lacks is drawn as a box."""
    assert (
        _printable("Großsporthalle Übach, Łódź\nTromsøhallen −2 °C") == "Grosssporthalle Ubach, Lodz Tromsohallen -2 °C"
    )
    font = PIL.ImageFont.load_default(24)
    box = bytes(font.getmask("\uffff"))
    assert not [c for c in _printable("".join(map(chr, range(0x21, 0x3000)))) if bytes(font.getmask(c)) == box]
