"""Whom a frame is about: sharp against blurred, faces, the ball, who contests it; the same under noise and blur."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data

from pipeline.engine.measure import MEASURED_EDGE
from pipeline.imaging import level
from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.geometry import WHOLE
from pipeline.imaging.raw.frame import DecodeOptions
from pipeline.imaging.raw.mosaic import detail_of
from pipeline.imaging.resample import resize, resize_energy
from pipeline.imaging.sharpness import Detail, sharpness
from pipeline.people.belonging import ball_of, faces_of
from pipeline.people.detect import overlap
from pipeline.people.modelfiles import ModelFiles, find
from pipeline.people.subject import Subject, _looked_at, find_subjects
from pipeline.shoot.scan import scan
from pipeline.steps import crop
from pipeline.steps.base import MeasureContext
from pipeline.steps.decode import decode
from pipeline.types import F32, Domain, Frame, Image, Noise
from tests.people.test_tracking import RATIO, RED, WHITE, observed, standing


def face(x: float, y: float, size: float = 0.06, sure: float = 0.9, nose: float = 0.0) -> tuple[float, ...]:
    """Row of a face about (x, y); nose: how far it lies to the right of the eyes, in widths of the face."""
    wide = size / RATIO
    return (x - wide / 2, y - size / 2, x + wide / 2, y + size / 2, sure, x, y, x + nose * wide, y)


def ball(x: float, y: float, sure: float = 0.8, size: float = 0.06) -> tuple[float, ...]:
    return (x - size / RATIO / 2, y - size / 2, x + size / RATIO / 2, y + size / 2, sure)


def about(*args: object, **more: object) -> Subject | None:
    """The subject of one frame alone."""
    return find_subjects([observed(*args, **more)])[0]  # type: ignore[arg-type]


def middle(subject: Subject | None) -> float:
    assert subject is not None
    return round((subject.box[0] + subject.box[2]) / 2, 3)


def test_a_blurred_bystander_in_the_foreground_does_not_win() -> None:
    """Twice as tall, as sure and nearer to the middle, but out of focus."""
    people = [standing(0.42, foot=1.0, tall=0.95, sure=0.9), standing(0.65, tall=0.45)]
    assert middle(about(people, sharp=[0.02, 0.10])) == 0.65
    assert middle(about(people, sharp=[0.10, 0.10])) == 0.42


def test_who_is_a_little_sharper_is_not_thereby_the_subject() -> None:
    people = [standing(0.5, tall=0.6), standing(0.85, tall=0.3)]
    assert middle(about(people, sharp=[0.07, 0.10])) == 0.5


def test_a_thing_in_fewer_pixels_is_no_sharper() -> None:
    """A figure of flat parts, and a portrait, in 320 to 80 pixels: what is measured of it (imaging.sharpness) falls by
    about the square root, as its edges take up less of it; who is half as tall does not make the others blurred."""
    drawn = np.full((640, 300), 0.05, np.float32)
    drawn[20:140, 100:200], drawn[150:400, 70:230], drawn[400:630, 80:130], drawn[400:630, 170:220] = 0.5, 0.7, 0.4, 0.4
    portrait = srgb_decode(skimage.data.astronaut()[..., 1].astype(np.float32) / 255).astype(np.float32)
    for picture in (drawn, portrait):
        told = []
        for tall in (320, 160, 80):
            size = (round(picture.shape[1] * tall / picture.shape[0]), tall)
            small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
            measured = sharpness(Detail(small, 1e-6, 1e-9), WHOLE)
            frame = observed([(0.4, 0.0, 0.6, 1.0, 0.9)], told_in=tall)
            told.append(measured * np.sqrt(_looked_at(frame)[0]))
        assert max(told) < 1.2 * min(told)
    people = [standing(0.45, tall=0.5), standing(0.6, tall=0.48), standing(0.7, tall=0.25)]
    sure = [0.1, 0.11, 0.1 * np.sqrt(2) * 1.6]
    assert middle(about(people, sharp=sure)) == middle(about(people, sharp=[0.1, 0.11, 0.1])) == 0.45


@pytest.mark.parametrize("pixels", [400, 1000, 6000])
def test_sharpness_is_compared_in_the_pixels_that_it_is_told_in(tmp_path: Path, pixels: int) -> None:
    """A JPEG is looked at as it is and a raw file at half its size. Figures whose contrast falls by the square root of
    the pixels are as sharp as each other, standing or lying, in a file for a web page and in one of 24 megapixels."""
    people = [standing(0.45, tall=0.5), standing(0.6, tall=0.25), (0.7, 0.8, 0.7 + 0.5 / RATIO, 0.95, 0.9)]
    seen = np.minimum(np.array([0.5, 0.25, 0.5]) * pixels, 320)
    frame = observed(people, sharp=0.1 / np.sqrt(seen / seen[0]), told_in=pixels)
    told = frame.sharp * np.sqrt(_looked_at(frame))
    assert np.allclose(told, told[0], rtol=1e-3)
    cv2.imwrite(str(tmp_path / "one.jpg"), np.full((300, 450, 3), 90, np.uint8))
    (one,) = scan(tmp_path).frames
    decoded = decode(one, MEASURED_EDGE, DecodeOptions(sense=True))
    context = MeasureContext(one, decoded.image, None, np.ones(3), (), decoded.full_size, decoded.detail, ModelFiles())
    assert crop.measured_of(crop.measure(context).as_arrays()).people.told_in == 300


def test_larger_surer_and_more_in_the_middle_wins() -> None:
    assert middle(about([standing(0.4, tall=0.5), standing(0.6, tall=0.3)])) == 0.4
    assert middle(about([standing(0.4, sure=0.5), standing(0.6, sure=0.9)])) == 0.6
    assert middle(about([standing(0.95), standing(0.55)])) == 0.55


def test_whoever_the_frame_cuts_at_its_side_stood_in_the_way() -> None:
    cut = (0.0, 0.2, 0.30, 0.95, 0.9)
    assert middle(about([cut, standing(0.6, tall=0.5)])) == 0.6


def test_a_face_counts_for_the_subject() -> None:
    people = [standing(0.4), standing(0.6)]
    for x in (0.4, 0.6):
        found = about(people, faces=[face(x, 0.35)])
        assert middle(found) == x
        assert found is not None and len(found.faces) == 1 and found.face_sure == pytest.approx(0.9)


@pytest.mark.parametrize("sure, whole", [(0.69, 0), (0.71, 1)])
def test_a_face_is_kept_from_a_certainty_on(sure: float, whole: int) -> None:
    found = about([standing(0.5)], faces=[face(0.5, 0.35, sure=sure)])
    assert found is not None and len(found.faces) == whole and found.face_sure == pytest.approx(sure)


def test_a_face_belongs_to_whose_head_it_can_be() -> None:
    person = observed([standing(0.5)]).people[0]
    there = [face(0.5, 0.35), face(0.5, 0.75), face(0.7, 0.35), face(0.5, 0.35, size=0.3), face(0.5, 0.35, size=0.01)]
    kept = faces_of(person, observed(faces=there).faces)
    assert kept[:, :4] == pytest.approx(observed(faces=there[:1]).faces[:, :4])


def test_the_ball_counts_from_sixty_percent_on_and_only_widens() -> None:
    high = ball(0.53, 0.22)
    for sure, there in ((0.59, False), (0.61, True)):
        found = about([standing(0.5)], balls=[(*high[:4], sure)])
        assert found is not None and (found.ball is not None) is there and found.ball_sure == pytest.approx(sure)
        assert found.box == found.whole  # the ball is beside these, never one of them
    # It makes nobody the subject: a better player without it stays so.
    assert middle(about([standing(0.5, tall=0.6), standing(0.8, tall=0.3)], balls=[ball(0.83, 0.6, 0.95)])) == 0.5


@pytest.mark.parametrize("place", [(0.9, 0.1), (0.1, 0.75)])
def test_a_ball_far_away_belongs_to_another_action(place: tuple[float, float]) -> None:
    found = about([standing(0.5)], balls=[ball(*place, 0.95)])
    assert found is not None and found.ball is None


def test_hair_and_heads_are_no_ball() -> None:
    frame = observed([standing(0.5), standing(0.56)], balls=[ball(0.5, 0.34, 0.9), ball(0.56, 0.34, 0.9)])
    assert ball_of(frame.people[0], frame) is None
    specks = observed([standing(0.5)], balls=[ball(0.55, 0.5, 0.9, size=0.01), ball(0.55, 0.5, 0.9, size=0.3)])
    assert ball_of(specks.people[0], specks) is None


PAIR = [standing(0.45, sure=0.9), standing(0.56)]
BETWEEN = ball(0.505, 0.4, 0.9)


def test_two_who_contest_a_ball_are_one_subject() -> None:
    found = about(PAIR, balls=[BETWEEN], faces=[face(0.45, 0.35), face(0.56, 0.35)])
    assert found is not None
    expected = (*np.minimum(PAIR[0][:2], PAIR[1][:2]), *np.maximum(PAIR[0][2:4], PAIR[1][2:4]))
    assert found.whole == pytest.approx(expected, abs=1e-6)
    assert found.box == pytest.approx(PAIR[0][:4], abs=1e-6)
    assert len(found.faces) == 2


@pytest.mark.parametrize(
    "second, more",
    [
        (PAIR[1], {"balls": [(*BETWEEN[:4], 0.5)]}),  # not surely a ball
        (PAIR[1], {}),
        (PAIR[1], {"balls": [BETWEEN], "sharp": [0.1, 0.06]}),  # out of focus
        (standing(0.56, tall=0.25), {"balls": [BETWEEN]}),  # far behind
        (standing(0.75), {"balls": [BETWEEN]}),  # not beside
        (standing(0.56, foot=0.98), {"balls": [BETWEEN]}),  # nearer to the camera
    ],
)
def test_who_does_not_contest_it(second: tuple[float, ...], more: dict) -> None:
    found = about([PAIR[0], second], **more)
    assert found is not None and found.whole == found.box


def test_a_contest_lasts_more_than_a_frame() -> None:
    """Who only runs past the ball does not make a crop jump; a contest of some frames counts in each of them."""
    alone, both = observed(PAIR), observed(PAIR, balls=[BETWEEN])
    once = find_subjects([alone, both, alone, alone])
    assert [s is not None and s.whole == s.box for s in once] == [True] * 4
    longer = find_subjects([alone, both, both, alone])
    assert [s is not None and s.whole == s.box for s in longer] == [True, False, False, True]


def test_among_many_alike_nobody_is_the_subject() -> None:
    crowd = [standing(x, foot=0.6, tall=0.13, sure=0.9) for x in np.linspace(0.1, 0.9, 12)]
    assert about(crowd) is None
    assert middle(about([standing(0.5, tall=0.4), *crowd])) == 0.5


@pytest.mark.parametrize(
    "people", [[], [standing(0.5, sure=0.35)], [standing(0.5, tall=0.05)], [standing(0.5, tall=0.1, sure=0.6)]]
)
def test_where_nobody_is_surely_one_there_is_none(people: list[tuple[float, ...]]) -> None:
    assert about(people) is None


def burst(places: list[float | None], **more: object) -> list[Subject | None]:
    return find_subjects([observed([] if x is None else [standing(x)], **more) for x in places])  # type: ignore[arg-type]


def test_who_is_hidden_for_two_frames_is_put_between() -> None:
    found = burst([0.3, 0.35, None, None, 0.5])
    assert [middle(s) for s in found] == [0.3, 0.35, 0.4, 0.45, 0.5]
    assert [s is not None and s.row is None for s in found] == [False, False, True, True, False]
    assert found[2] is not None and found[1] is not None and found[2].sure < found[1].sure
    assert [s is None for s in burst([0.3, 0.3, *[None] * 5, 0.7])] == [False] * 2 + [True] * 5 + [False]
    assert burst([None, 0.4])[0] is None


def test_who_is_put_between_reaches_as_far_and_is_worth_less() -> None:
    """At a third of the way, the box and the arms that reach out of it lie between both; half as sure and as sharp
    as the less sure and sharp of both."""
    first, last = standing(0.3, tall=0.5, sure=0.9), standing(0.45, tall=0.56, sure=0.6)
    seen = []
    for person, sharp, arm, burnt in ((first, 0.08, 0.03, 0.1), (last, 0.05, 0.12, 0.3)):
        x0, y0, x1, y1, _ = person
        shown = observed(
            [person], sharp=[sharp], reach=[(x0 - arm, y0 - arm, x1, y1, 0.9)], balls=[ball(x0, 0.5)],
            faces=[face(x0 + 0.03, y0 + 0.05)],
        )  # fmt: skip
        seen.append(replace(shown, clipped=np.array([burnt], np.float32)))
    before, one, two, after = find_subjects([seen[0], observed(), observed(), seen[1]])
    assert before is not None and one is not None and two is not None and after is not None
    for found, share in ((one, 1 / 3), (two, 2 / 3)):
        box = np.array(first[:4]) + share * (np.array(last[:4]) - first[:4])
        arm = 0.03 + share * 0.09
        assert found.box == pytest.approx(tuple(box), abs=1e-6)
        assert found.whole == pytest.approx(tuple(box - [arm, arm, 0, 0]), abs=1e-6)
        assert found.sure == pytest.approx(0.5 * 0.6) and found.sharp == pytest.approx(0.5 * 0.05)
        assert found.clipped == pytest.approx(0.1) and found.row is None
        assert (found.faces, found.ball, found.others, found.towards) == ((), None, (), 0.0)
        assert (found.face_sure, found.ball_sure) == (0.0, 0.0)
        assert (found.confidence, found.doubt, found.everybody) == (before.confidence, before.doubt, before.everybody)


def test_who_is_put_between_is_as_doubtful_as_the_burst_is() -> None:
    """A coach who stands by himself, hidden in one frame: that one is left whole too."""
    still = burst([0.3, 0.3, None, 0.3])
    assert len({(one.confidence, one.doubt) for one in still if one is not None}) == 1
    assert still[2] is not None and still[2].doubt


def test_players_who_cross_are_not_taken_for_each_other() -> None:
    """The one in red is worth more; the other passes before him and hides him for two frames."""
    frames = []
    for at in range(9):
        red, white = standing(0.35 + 0.03 * at, tall=0.6, sure=0.9), standing(0.6 - 0.03 * at, tall=0.45)
        hidden = at in (4, 5)
        frames.append(observed([white] if hidden else [red, white], jersey_colour=[WHITE] if hidden else [RED, WHITE]))
    found = find_subjects(frames)
    assert [middle(s) for s in found] == pytest.approx([0.35 + 0.03 * at for at in range(9)], abs=2e-3)


@pytest.mark.parametrize("way", [-1, 1])
def test_room_is_left_where_movement_ball_and_look_go(way: int) -> None:
    run = burst([0.5 + way * 0.06 * at / RATIO for at in range(4)])
    assert all(s is not None and s.towards == pytest.approx(way, abs=0.05) for s in run)
    for more in ({"balls": [ball(0.5 + 0.15 * way, 0.4)]}, {"faces": [face(0.5, 0.35, nose=0.25 * way)]}):
        found = about([standing(0.5)], **more)
        assert found is not None and 0.4 < way * found.towards <= 1
    still = about([standing(0.5)], faces=[face(0.5, 0.35)])
    assert still is not None and still.towards == pytest.approx(0, abs=1e-5)


def test_movement_counts_more_than_the_look() -> None:
    frames = [observed([standing(0.5 + 0.05 * at)], faces=[face(0.5 + 0.05 * at, 0.35, nose=-0.3)]) for at in range(4)]
    assert all(s is not None and s.towards > 0.3 for s in find_subjects(frames))


# ---- photographs -------------------------------------------------------------------------------------------------

# A sensor at ISO 12,800 as fixtures/demo.py has it, on the pixels of a picture 2,048 wide: about eight times the
# variance that 24 megapixels brought to that size have.
NOISE_A, NOISE_B = 3.2e-3, 6.4e-5


def noisy(pixels: F32) -> tuple[F32, Noise]:
    rng = np.random.default_rng(5)
    spread = np.sqrt(NOISE_A * np.maximum(pixels, 0) + NOISE_B).astype(np.float32)
    added = pixels + spread * rng.standard_normal(pixels.shape, dtype=np.float32)
    return added, Noise(np.full(3, NOISE_A), np.full(3, NOISE_B))


def streak(pixels: F32, length: int = 13) -> F32:
    """Motion of the camera by that many pixels of 2,048."""
    return np.asarray(cv2.blur(pixels, (length, 1)), dtype=np.float32)


def defocus(pixels: F32) -> F32:
    return np.asarray(cv2.GaussianBlur(pixels, (0, 0), 2.5), dtype=np.float32)


def cast(*gains: float) -> Callable[[F32], F32]:
    return lambda pixels: np.asarray(pixels * np.array(gains, np.float32))


DEGRADED: dict[str, Callable[[F32], F32]] = {
    "noise": lambda pixels: pixels, "noise, dark": cast(0.25, 0.25, 0.25), "defocus": defocus, "motion": streak,
    "-2 EV": cast(0.25, 0.25, 0.25), "warm": cast(1.6, 1.0, 0.45), "green": cast(0.75, 1.15, 0.6),
}  # fmt: skip


def subject_of(frame: Frame, image: Image, files: object) -> Subject | None:
    """Through `crop`'s own measure, from an image as large as the picture."""
    full = (image.pixels.shape[0], image.pixels.shape[1])
    detail = detail_of(image.pixels, image.noise)
    scale = MEASURED_EDGE / max(full)
    small = (round(full[0] * scale), round(full[1] * scale))
    proxy = replace(
        image.with_pixels(resize(image.pixels, *small)), noise=image.noise.averaged(resize_energy(full, small))
    )
    ones = np.ones(3)
    measured = crop.measure(MeasureContext(frame, proxy, ones, ones, (), full, detail, files))  # type: ignore[arg-type]
    return find_subjects([measured.people])[0]


@pytest.mark.long
def test_the_subject_of_a_photograph_stays_the_same(
    shared: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Photographs with people (../shared/data/people, see its NOTICE), none of court sport: those whose subject is as
    tall as a quarter of the frame. The bar: noise, blur, motion, darkness and casts change at most 5 % of the choices.
    Of people smaller than that, a row of walkers far down a road, the first is chosen by chance, and changes."""
    files = find(shared("models"))
    monkeypatch.setattr(level, "tilt", lambda *_: level.Unsure.FEW)  # half of the time, and says nothing of a subject
    same, wrong = 0, []
    for frame in scan(shared("data/people")).frames:
        decoded = decode(frame, None)
        clean = subject_of(frame, decoded.image, files)
        if clean is None or clean.box[3] - clean.box[1] < 0.25:
            continue
        for name, change in DEGRADED.items():
            pixels = change(decoded.image.pixels)
            noise = Noise(np.full(3, 1e-7), np.full(3, 1e-7))
            if "noise" in name:
                pixels, noise = noisy(pixels)
            image = Image(pixels, Domain.CAMERA, noise, decoded.image.saturation, decoded.image.to_working)
            found = subject_of(frame, image, files)
            if found is not None and overlap(np.array(clean.box), np.array([found.box]))[0] >= 0.5:
                same += 1
            else:
                wrong.append(f"{frame.name}: {name}")
    assert same + len(wrong) >= 20
    assert len(wrong) <= 0.05 * (same + len(wrong)), wrong
