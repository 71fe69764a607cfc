"""A burst is decided as one: about the same people in each frame, or, where nobody leads, left whole in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.imaging.geometry import Box
from pipeline.people.candidates import RULES, around_all, in_each, lengths, missed
from pipeline.people.confidence import NO_PLAY, UNSTEADY
from pipeline.people.constraints import constraints_of
from pipeline.people.detect import within
from pipeline.people.framing import limbs_cut
from pipeline.people.observe import FrameObservation
from pipeline.people.subject import find_subjects
from pipeline.people.tracking import Observation, camera_shifts, linked
from pipeline.people.untimed_bursts import moments_of
from pipeline.shoot.bursts import find_bursts
from pipeline.shoot.facts import Facts
from pipeline.steps.crop_burst import Found, as_one
from pipeline.steps.crop_solution import NOBODY, TOO_WIDE, UNLIKE, WOULD_CUT, CropSolution, CropSource, in_words
from pipeline.types import Burst, Frame
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_subject import ball
from tests.people.test_subject_rules import Row, at
from tests.people.test_tracking import hall, observed, tenths, view
from tests.steps.test_crop import holds, measured, solved

PAIR = [at(0.42, 0.4, 0.55), at(0.55, 0.4, 0.55)]  # worth as much as each other, and not quite certain: nobody leads
NONE = np.zeros((0, 4))
KIT = [(40.0, 40.0, 200.0), (230.0, 230.0, 230.0), (40.0, 160.0, 40.0), (200.0, 60.0, 20.0)]


def play(*thirds: Row | None) -> list[Observation]:
    """A burst of the pair with a ball, and somebody else where that one is found, in three kits."""
    thing = ball((PAIR[1][0] + PAIR[1][2]) / 2, 0.5, 0.9, 0.03)
    people = [[*PAIR, *([] if third is None else [third])] for third in thirds]
    return [observed(each, balls=[thing], jersey_colour=KIT[: len(each)]) for each in people]


def third(x: float, tall: float = 0.4, sure: float = 0.55) -> Row:
    return at(x, tall, sure)


def crops(frames: Sequence[Observation], aspect: str = "3:2") -> tuple[list[CropSource], list[Box | None], set[str]]:
    """Of each frame why it is cropped and how; and what is said."""
    found, _ = solved([[measured(frame) for frame in frames]], aspect=aspect, fill=0.9, at_least=0)
    solutions = list(found.by_frame.values())
    return [s.source for s in solutions], [s.box for s in solutions], set(found.notices_by_frame.values())


def test_who_may_be_the_subject_in_some_frames_is_held_in_all() -> None:
    """The third is hardly found, missed, or too doubtful to be the subject in half of the frames."""
    seen, doubtful = third(0.3), third(0.3, sure=0.33)
    frames = play(seen, doubtful, None, seen, doubtful, seen, None, seen)
    found = find_subjects(frames)
    assert all(one is not None and one.everybody and len(one.others) == 2 for one in found)
    sources, boxes, notices = crops(frames)
    assert set(sources) == {CropSource.EVERYBODY} and not notices
    assert all(box is not None and holds(box, seen[:4]) and holds(box, PAIR[1][:4]) for box in boxes)


def test_what_does_not_fit_one_frame_leaves_the_burst_whole() -> None:
    """The third runs off, and in the last frames only is too far off for 4:5."""
    frames = play(*[third(0.22 - 0.022 * n) for n in range(8)])
    assert set(crops(frames[:3], "4:5")[0]) == {CropSource.EVERYBODY}
    sources, boxes, notices = crops(frames, "4:5")
    assert boxes == [None] * 8 and set(sources) == {CropSource.DOES_NOT_FIT}
    assert notices == {TOO_WIDE.format(aspect="4:5")}


def test_crops_that_would_not_hold_the_same_people_leave_the_burst_whole() -> None:
    """Somebody near, who cannot be the subject, is well inside the crop at first, and strolls out of it."""
    frames = play(*[third(0.33 - 0.01 * n, sure=0.33) for n in range(28)])
    sources, boxes, notices = crops(frames)
    assert boxes == [None] * 28 and len(set(sources)) == len(notices) == 1
    assert set(crops(play(*[third(0.03, sure=0.33)] * 8))[0]) == {CropSource.EVERYBODY}


def test_a_frame_about_somebody_else_than_its_burst_is_left_whole() -> None:
    """A player with the ball in hand, who is found in six frames of eight; in the other two somebody else is."""
    main, other = at(0.3, 0.5, 0.95), at(0.75, 0.45, 0.9)
    lost = (6, 7)
    frames = [
        observed([other] if n in lost else [main], balls=[ball((other if n in lost else main)[0], 0.5, 0.9, 0.03)],
                 jersey_colour=[KIT[n in lost]]) for n in range(8)
    ]  # fmt: skip
    found = find_subjects(frames)
    assert [one is not None and one.doubt for one in found] == [UNSTEADY if n in lost else "" for n in range(8)]
    sources, boxes, notices = crops(frames)
    assert sources == [CropSource.NOBODY if n in lost else CropSource.SUBJECT for n in range(8)]
    assert notices == {NOBODY.format(why=UNSTEADY)} and [n for n, box in enumerate(boxes) if box is None] == list(lost)


def held_in(count: int) -> bool:
    """Whether somebody who may be the subject in so many of 40 frames is held in the last one."""
    found = find_subjects(play(*[third(0.3, sure=0.55 if n < count else 0.33) for n in range(40)]))[-1]
    return found is not None and len(found.others) == 2


def led_in(count: int) -> bool:
    """The same where somebody leads, who is half as tall again as the other and has a ball in reach."""
    main, thing = at(0.55, 0.6, 0.95), ball(0.81, 0.5, 0.9, 0.03)
    seen = [at(0.32, 0.45, 0.9 if n < count else 0.33) for n in range(40)]
    found = find_subjects([observed([main, one], balls=[thing], jersey_colour=KIT[:2]) for one in seen])[-1]
    assert found is not None and not found.everybody and not found.doubt
    return len(found.others) == 1


def test_who_is_missed_for_a_frame_stands_between_where_they_were_seen() -> None:
    """Not who comes in late or leaves, nor what never was surely a person."""
    seen, away = at(0.3), at(0.36)
    hardly = at(0.8, sure=0.25)
    frames = [observed([at(0.55), *rest]) for rest in ([seen, hardly], [], [], [away, hardly], [])]
    none, one, two, last, left = missed(frames, linked(frames, camera_shifts(frames)))
    assert len(none) == len(last) == len(left) == 0
    step = (np.array(away[:4]) - np.array(seen[:4])) / 3
    assert one == pytest.approx(np.array([seen[:4]]) + step, abs=1e-6)
    assert two == pytest.approx(np.array([seen[:4]]) + 2 * step, abs=1e-6)


def test_a_crop_goes_through_nobody_who_is_missed_for_a_frame() -> None:
    """Somebody beside the subject, who is found in four frames of five: the crops are one."""
    main, thing = at(0.55, 0.4, 0.95), ball(0.55, 0.5, 0.9, 0.03)
    beside = at(0.36, 0.4, 0.6)
    frames = [observed([main, *([] if n == 2 else [beside])], balls=[thing]) for n in range(5)]
    _, boxes, _ = crops(frames)
    assert all(box is not None for box in boxes)
    shares = [within(np.array([beside[:4]]), np.array(box))[0] for box in boxes]
    assert max(shares) - min(shares) < 0.02


def test_who_is_missed_for_a_frame_counts_where_a_burst_is_decided() -> None:
    """Somebody in front of the subject, whom any crop would cut, is found in two of five frames, and missed between."""
    main, thing = at(0.5, 0.4, 0.95), ball(0.5, 0.5, 0.9, 0.03)
    front = (0.5, 0.3, 0.995, 1.0, 0.31)
    frames = [observed([main, *([front] if n in (1, 3) else [])], balls=[thing]) for n in range(5)]
    sources, boxes, _ = crops(frames, "4:5")
    assert boxes == [None] * 5 and set(sources) == {CropSource.WOULD_CUT}


def test_a_burst_most_of_which_cannot_be_cropped_is_left_whole() -> None:
    """A clear subject who is too wide for the aspect in three frames of five, and in two."""

    def frame(wide: bool) -> Observation:
        x0, y0, x1, y1, sure = at(0.5, 0.6, 0.95)
        reach = (0.05, y0, 0.95, y1, 0.9) if wide else (x0, y0, x1, y1, 0.9)
        return observed([(x0, y0, x1, y1, sure)], reach=[reach], balls=[ball(0.5, 0.5, 0.9, 0.03)])

    most = crops([frame(wide) for wide in (True, False, True, False, True)], "4:5")[0]
    few, _, notices = crops([frame(wide) for wide in (False, True, False, True, False)], "4:5")
    assert notices == {f"{TOO_WIDE.format(aspect='4:5')}, {UNLIKE}"}
    assert most == [CropSource.DOES_NOT_FIT] * 5
    assert few == [CropSource.SUBJECT, CropSource.DOES_NOT_FIT] * 2 + [CropSource.SUBJECT]


def stays(tall: float = 0.4, part: float = 0.0) -> bool:
    """Whether two crops count as of the same people, when of somebody so tall the second one shows only this part."""
    person = at(0.3, tall)
    left = person[2] - part * (person[2] - person[0])
    return in_each([observed([person])] * 2, [Box(0, 0, 1, 1), Box(left, 0, 1, 1)], [0.4, 0.4])


def counted(share: float) -> bool:
    """Whether somebody as tall as this share of the tallest counts where it is not sure whom a frame is about."""
    around = around_all(observed([at(0.3, 0.6), at(0.8, 0.6 * share)]), NONE)
    return around is not None and around[0].x1 > 0.7


def room(tall: float) -> float:
    """How far beside somebody so tall all must be held that they may hold, in widths of the frame."""
    around = around_all(observed([at(0.5, tall)]), NONE)
    assert around is not None
    return around[1].x1 - around[0].x1


def stand(*heights: float) -> float:
    """How tall somebody stands in a burst who is so tall in its frames."""
    frames = [observed([at(0.5, tall)]) for tall in heights]
    return float(lengths(frames, linked(frames, camera_shifts(frames)))[0][0])


SCENARIOS: dict[str, Scenario] = {
    "RULES.share": lambda: held_in(10) and not held_in(9),
    "RULES.led": lambda: led_in(20) and not led_in(19),
    "RULES.near": lambda: turns(lambda share: not stays(share * 0.4), 0.5),
    "RULES.counts": lambda: turns(counted, 0.3),
    "RULES.beyond": lambda: near(room(0.4), 0.3 * 0.4 / 1.5),
    "RULES.tallest": lambda: turns(lambda tall: around_all(observed([at(0.5, tall)]), NONE) is not None, 0.25),
    # Of five heights in order, that of three quarters is the fourth.
    "RULES.standing": lambda: near(stand(0.40, 0.41, 0.42, 0.43, 0.50), 0.43, 0.002),
    "RULES.shown": lambda: turns(lambda part: stays(part=part), 0.8),
}
test_a_tenth_more_or_less_changes_who_is_held, test_every_number_is_guarded = guards({"RULES": RULES}, SCENARIOS)


def test_people_keep_their_number_while_missed_and_when_they_cross() -> None:
    left, right = [0.3, 0.36, 0.42, 0.48, 0.54], [0.54, 0.48, 0.42, 0.36, 0.3]
    people = [[at(a), at(b)] for a, b in zip(left, right, strict=True)]
    frames = [observed(each, jersey_colour=KIT[:2]) for each in people]
    frames[2] = observed(people[2][:1], jersey_colour=KIT[:1])
    names = linked(frames, tenths(5))
    assert [own.tolist() for own in names] == [[0, 1], [0, 1], [0], [0, 1], [0, 1]]
    other = observed([at(0.9, 0.2)])
    assert linked([frames[0], other], tenths(2))[1].tolist() == [2]


def untimed(names: Sequence[str], frames: Sequence[Observation]) -> tuple[list[Burst], dict[str, FrameObservation]]:
    seen = {name: replace(measured(frame), people=frame) for name, frame in zip(names, frames, strict=True)}
    return list(find_bursts([Frame(name, Path(name), name, "picture") for name in names])), seen


def test_frames_without_a_time_that_show_one_moment_are_decided_as_one() -> None:
    """The ball is seen in one of four frames, which alone would be cropped."""
    wall = hall()
    frames = [replace(frame, small=view(wall, 100 + n, 90)) for n, frame in enumerate(play(*[None] * 4))]
    frames[1:] = [replace(frame, balls=frame.balls[:0]) for frame in frames[1:]]
    numbered = [f"TH1_{n}" for n in range(7, 11)]
    bursts, seen = untimed(numbered, frames)
    assert [len(b.frames) for b in bursts] == [1] * 4
    assert [b.frames for b in moments_of(bursts, seen)] == [tuple(numbered)]
    subjects, ranks, _ = subjects_and_ranks(seen, bursts, Facts())
    assert len({(s.confidence, s.doubt) for s in subjects.values() if s is not None}) == 1
    assert {r.of for r in ranks.values()} == {1}  # they are ranked as the singles that the record says they are
    assert moments_of([Burst((name,)) for name in numbered], seen) == [Burst((name,)) for name in numbered]


def test_frames_without_a_time_that_show_something_else_stay_alone() -> None:
    wall, other = hall(), hall(2)
    pair = play(None, None)
    same = [replace(frame, small=view(wall, 100, 90)) for frame in pair]
    for names in (["TH1_7", "TH1_99"], ["TH1_7", "TH2_8"], ["TH1_7", "entrance"], ["TH1_8", "TH1_7"]):
        assert len(moments_of(*untimed(names, same))) == 2
    elsewhere = [same[0], replace(pair[1], small=view(other, 100, 90))]
    changed = [same[0], replace(observed([at(0.1), at(0.9)]), small=same[1].small)]
    for frames in (elsewhere, changed):
        assert len(moments_of(*untimed(["TH1_7", "TH1_8"], frames))) == 2
    bursts, seen = untimed(["TH1_7", "TH1_8"], same)
    assert len(moments_of(bursts, {"TH1_8": seen["TH1_8"]})) == 2


def bystander(x: float, tall: float = 0.5) -> Observation:
    """Somebody who stands and shows no sign of play, and a ball too unsure to be one."""
    return observed([at(x, tall, 0.9)], balls=[ball(x, 0.5, 0.26, 0.03)])


def test_where_it_is_not_sure_whom_a_frame_is_about_it_is_cut_to_another_shape_and_nobody_with_it() -> None:
    """A coach at the line: whole at the frame's own aspect; at 4:5 as large as the frame has it, and it is said."""
    (source,), (box,), notices = crops([bystander(0.3)])
    assert (source, box) == (CropSource.NOBODY, None) and notices
    (source,), (box,), notices = crops([bystander(0.3)], "4:5")
    assert source is CropSource.TRIMMED and not notices and box is not None
    assert box.y1 - box.y0 == pytest.approx(1) and holds(box, at(0.3, 0.5)[:4])
    found, _ = solved([[measured(bystander(0.3))]], aspect="4:5")
    assert in_words(found.by_frame["TH1_1"]).endswith(NO_PLAY)
    far = bystander(0.3, 0.2)
    assert crops([bystander(0.3)], "free")[1] == crops([far], "4:5")[1] == [None]


def test_everybody_near_is_held_in_another_shape_or_it_is_left() -> None:
    main, thing = at(0.3, 0.5, 0.9), [ball(0.3, 0.5, 0.26, 0.03)]
    for x, fits in ((0.6, True), (0.9, False)):
        frame = observed([main, at(x, 0.2, 0.25)], balls=thing)
        (box,) = crops([frame], "4:5")[1]
        assert (box is not None) is fits
        assert box is None or holds(box, at(x, 0.2)[:4])
    row = observed([at(x, 0.5, 0.9) for x in (0.38, 0.46, 0.54, 0.62)], balls=thing)
    assert crops([row], "4:5")[0] == [CropSource.NOBODY]  # a team that poses
    away = observed([main], balls=[*thing, ball(0.8, 0.1, 0.31, 0.03)])
    assert crops([away], "4:5")[1] == [None]  # what may be a ball
    for x, tall, fits in ((0.5, 0.3, True), (0.8, 0.3, False), (0.8, 0.1, True)):  # a horse somewhere, or a speck
        horse = (x - 0.1, 0.75 - tall, x + 0.1, 0.75, 0.5)
        (box,) = crops([observed([main], animals=[horse], balls=thing)], "4:5")[1]
        assert (box is not None) is fits and (box is None or tall < 0.2 or holds(box, horse[:4]))


def test_all_frames_of_a_burst_are_cut_to_another_shape_or_none() -> None:
    frames = [bystander(0.3)] * 3
    assert crops(frames, "4:5")[0] == [CropSource.TRIMMED] * 3
    wide = observed([at(0.3, 0.5, 0.9), at(0.8, 0.5, 0.5)], balls=[ball(0.3, 0.5, 0.26, 0.03)])
    assert CropSource.TRIMMED not in crops([*frames, wide], "4:5")[0]


def test_no_other_shape_cuts_who_is_taller_than_is_seen() -> None:
    """Of somebody at the rim the frame shows too little to count as near, but for how broad they are."""
    main, thing = at(0.3, 0.7, 0.9), [ball(0.3, 0.5, 0.26, 0.03)]
    for broad, cut in ((0.2, True), (0.05, False)):
        low = (0.57 - broad / 2, 0.82, 0.57 + broad / 2, 1.0, 0.4)
        source = crops([observed([main, low], balls=thing)], "4:5")[0][0]
        assert (source is CropSource.TRIMMED) is not cut


@pytest.mark.parametrize(
    "whole, led, rough, cropped",
    [(2, 3, 0, True), (3, 3, 0, False), (2, 4, 2, False), (2, 4, 1, True), (0, 1, 1, True), (0, 4, 4, True)],
)
def test_a_burst_half_of_which_is_left_whole_is_not_cropped(whole: int, led: int, rough: int, cropped: bool) -> None:
    """A crop through a hand or foot of somebody near counts as half of one that is not there, where any is not."""
    cut, box = Found(CropSolution(CropSource.WOULD_CUT), WOULD_CUT), Box(0.1, 0.1, 0.9, 0.9)
    crop = [Found(CropSolution(CropSource.SUBJECT, box), rough=float(n < rough)) for n in range(led)]
    frames = {f"TH1_{n}": one for n, one in enumerate([cut] * whole + crop)}
    (main,) = find_subjects([observed([at(0.5)])])
    decided = list(as_one(list(frames.items()), {}, dict.fromkeys(frames, main), "3:2", {}))
    assert [name for name, *_ in decided] == list(frames)
    assert [solution.box for _, solution, _ in decided] == [None] * whole + [box if cropped else None] * led
    assert all(bool(notice) is (solution.box is None) for _, solution, notice in decided)


def test_a_crop_through_a_foot_of_somebody_near_is_rough() -> None:
    """One through what moves is too; of who is less than half as tall it is not."""
    (main,) = find_subjects([observed([at(0.5, 0.6)])])
    assert main is not None
    for tall, counts in ((0.4, 1), (0.2, 0)):
        held = constraints_of(observed([at(0.5, 0.6), at(0.8, tall)]), main, 0.08, 0.0)
        rim = held.people[0, 0]
        through, beside = (np.array([[0.3, 0.0, x, 1.0]]) for x in (rim + 0.02, rim - 0.1))
        assert limbs_cut(through, held) == counts and limbs_cut(beside, held) == 0
    ball = np.zeros((100, 150), bool)
    ball[40:60, 88:92] = True
    assert limbs_cut(np.array([[0.3, 0.0, 0.9, 1.0]]), replace(held, moving=ball)) == 1


def test_who_bends_or_turns_over_is_held_as_far_as_they_are_tall() -> None:
    """A gymnast less tall in two frames than in those around them, whose box leaves out the legs."""
    places = [0.44, 0.46, 0.48, 0.50, 0.52, 0.54]
    people = [at(x, tall, 0.95) for x, tall in zip(places, (0.4, 0.4, 0.32, 0.32, 0.4, 0.4), strict=True)]
    boxes = crops([observed([one], balls=[ball(one[0], 0.5, 0.9, 0.03)]) for one in people], "4:5")[1]
    x, middle, across = places[2], (people[2][1] + people[2][3]) / 2, 0.2 / 1.5
    assert boxes[2] is not None and holds(boxes[2], (x - across, middle - 0.2, x + across, middle + 0.2))
