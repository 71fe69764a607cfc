"""What earns a crop: who leads, what shows that a game is on, who stands in a row; and each number of it, by hand.

The confidence is certainty * steadiness * (play * (0.6 + 0.4 * lead) + (1 - play) * 0.25 * lead).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from pipeline.people.confidence import (
    EARNING,
    HEADLESS,
    NO_PLAY,
    POSE,
    POSING,
    ROW,
    UNSURE,
    _movers,
    _signs,
    in_a_row,
    posed,
)
from pipeline.people.subject import Subject, find_subjects
from pipeline.people.tracking import Observation
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_subject import about, ball, face
from tests.people.test_subject_rules import Row, at, place
from tests.people.test_tracking import RATIO, observed

PERSON = at(0.4)  # 0.5 tall from 0.27 to 0.77, 0.8 certain


def in_hands(person: Row, sure: float = 0.9) -> Row:
    return ball((person[0] + person[2]) / 2, person[1] + 0.6 * (person[3] - person[1]), sure)


def subject(people: list[Row], **more: object) -> Subject:
    found = about(people, **more)
    assert found is not None
    return found


def confidence(*people: Row, **more: object) -> float:
    return subject(list(people), **more).confidence


def with_ball(sure: float) -> Subject:
    return subject([PERSON], balls=[in_hands(PERSON, sure)])


def shaped(wide: float, top: float = 0.27) -> float:
    """Confidence of somebody alone, without a ball, so many heights wide."""
    half = wide * 0.5 / 2 / RATIO
    return confidence((0.5 - half, top, 0.5 + half, top + 0.5, 0.8))


def running(speed: float) -> float:
    frames = [observed([at(0.4 + speed * 0.5 / RATIO * n)]) for n in range(4)]
    found = find_subjects(frames)[1]
    assert found is not None
    return found.confidence


def moves(pace: float, share: float = 1.0) -> bool:
    """Whether somebody of this share of the subject's height counts as moving."""
    return bool(_movers(observed([PERSON, at(0.6, 0.5 * share)]), 0, np.array([0.0, pace]))[1])


def game(movers: float) -> float:
    """The sign of play that a subject without any of its own has from so many who move."""
    return _signs(observed([PERSON]), 0, np.ones(1), 0.0, None, 0.0, movers).play


def seen_in(count: int) -> float:
    """Confidence where the ball is seen in so many of nine frames, in no two in a row."""
    return burst_with([in_hands(PERSON)], range(0, 2 * count, 2))


def burst_with(balls: list[Row], where: Sequence[int]) -> float:
    """Confidence in a burst of nine, in these frames of which there are balls."""
    found = find_subjects([observed([PERSON], balls=balls if n in where else []) for n in range(9)])[4]
    assert found is not None
    return found.confidence


def overtaken(share: float) -> float:
    """Confidence in a burst of four, in one frame of which somebody else is worth more, the subject so much of that."""
    people = [[at(0.4, 0.4, 0.9)] for _ in range(4)]
    people[1].append(at(0.6, 0.4 / share ** (1 / 1.2), 0.9))
    found = find_subjects([observed(p, balls=[in_hands(p[0])]) for p in people])[0]
    assert found is not None
    return found.confidence


def second(share: float, sure: float = 0.0, away: float | None = None) -> bool:
    """Whether somebody worth so much of the subject may be it too; the ball so sure in hand, or away from it."""
    first, other = at(0.4, 0.5), at(0.6, 0.5 * share ** (1 / 1.2))
    held = in_hands(first, sure) if away is None else ball(first[0] - away * 0.5 / RATIO, 0.55, sure)
    return len(subject([first, other], balls=[held] if sure else []).others) == 1


def third(share: float) -> bool:
    """Of two who are worth the same and certain by 0.8 of what counts, and one worth so much: whether the third is held
    as well."""
    pair = [at(0.4, 0.5, 0.55), at(0.6, 0.5, 0.55)]
    tall = 0.5 * (share * place(0.4) * (0.55 / 0.7) ** 0.5) ** (1 / 1.2)
    as_sharp = 0.1 * (0.5 / tall) ** 0.5  # in fewer pixels
    found = subject([*pair, at(0.5, tall, 0.7)], balls=[in_hands(pair[0])], sharp=[0.1, 0.1, as_sharp])
    return found.everybody and len(found.others) == 2


def row_of(count: int, *, apart: float = 0.5, lower: float = 0.0, taller: float = 0.0, tall: float = 0.3) -> list[Row]:
    """So many beside each other; every other one's head so much lower, or all but the first so much taller."""
    rows = []
    for n in range(count):
        own = tall * (1 + (taller if n else 0))
        top = 0.3 + (lower * tall if n % 2 else 0)
        rows.append((0.2 + n * apart * tall / RATIO, top, 0.25 + n * apart * tall / RATIO, top + own, 0.8))
    return rows


def row(*given: int, **more: float) -> bool:
    return in_a_row(observed(row_of(*given, **more)), 0)


def looking(count: int, nose: float = 0.0, tall: float = 0.3) -> Observation:
    """One person 0.3 tall, and so many others with faces."""
    others = row_of(count, apart=0.6, tall=tall) if count else []
    faces = [face((p[0] + p[2]) / 2, p[1] + 0.1 * tall, 0.04, nose=nose) for p in others]
    return observed([at(0.5, 0.3), *others], faces=faces)


SCENARIOS: dict[str, Scenario] = {
    # Alone: 0.25 without a sign of play, and 0.75 of the sign more.
    "EARNING.enough": lambda: turns(lambda level: not with_ball(0.3 + 0.25 * (level - 0.25) / 0.75).doubt, 0.5),
    "EARNING.no_play": lambda: near(confidence(PERSON), 0.25),
    "EARNING.ball_from": lambda: near(with_ball(0.425).confidence, 0.625),
    "EARNING.ball_to": lambda: near(with_ball(0.425).confidence, 0.625),
    "EARNING.free_ball": lambda: near(past(0.4), 0.25 + 0.75 * 0.6),
    "EARNING.racket_from": lambda: near(with_racket(0.5), 0.625),
    "EARNING.racket_to": lambda: near(with_racket(0.5), 0.625),
    "EARNING.wide_from": lambda: near(shaped(0.725), 0.475),
    "EARNING.wide_to": lambda: near(shaped(0.725), 0.475),
    "EARNING.wide": lambda: near(shaped(1.0), 0.25 + 0.75 * 0.6),
    "EARNING.rim": lambda: turns(lambda y: shaped(0.9, y) > 0.5, 0.01),
    "EARNING.speed_from": lambda: near(running(0.10), 0.625, 0.02),
    "EARNING.speed_to": lambda: near(running(0.10), 0.625, 0.02),
    "EARNING.moves": lambda: turns(lambda pace: moves(pace), 0.5),
    "EARNING.comparable": lambda: turns(lambda share: moves(1.0, share), 0.5),
    # Two who move: a third of the way from one to four.
    "EARNING.movers_from": lambda: near(game(2), 0.8 / 3),
    "EARNING.movers_to": lambda: near(game(2), 0.8 / 3),
    "EARNING.game": lambda: near(game(5), 0.8),
    "EARNING.seen_in": lambda: seen_in(3) == 1.0 and seen_in(2) == 0.25,
    "EARNING.sure_from": lambda: near(confidence(at(0.4, sure=0.475), balls=[in_hands(PERSON)]), 0.5),
    "EARNING.sure_to": lambda: near(confidence(at(0.4, sure=0.475), balls=[in_hands(PERSON)]), 0.5),
    "EARNING.both_sizes": lambda: near(seen_at_other_size(0.2), 0.8, 0.015),
    "EARNING.one_size": lambda: near(seen_at_other_size(0.0), 0.6),
    # The worth of the second is 1 / 1.4 of the first's, half of the way from 1 to 1.8.
    "EARNING.lead_from": lambda: near(beside(1.4), 0.8, 0.015),
    "EARNING.lead_to": lambda: near(beside(1.4), 0.8, 0.015),
    "EARNING.no_lead": lambda: near(beside(1.0), 0.6),
    "EARNING.least_lead": lambda: turns(lambda lead: not alike(1 + 0.8 * lead).everybody, 0.35),
    "EARNING.holds": lambda: turns(lambda share: not alike(1.0, 0.3 + 0.25 * share).everybody, 0.8),
    "EARNING.steady": lambda: turns(lambda share: overtaken(share) > 0.9, 0.6),
    "EARNING.rival": lambda: turns(second, 0.5),
    "EARNING.rival_in_hand": lambda: turns(lambda share: second(share, 0.9), 0.8),
    "EARNING.in_hand": lambda: turns(lambda away: second(0.65, 0.9, away), 0.15),
    "EARNING.everybody": lambda: turns(third, 0.3),
    "POSING.few": lambda: row(4) and not row(3),
    "POSING.alike": lambda: turns(lambda taller: not row(5, taller=taller), 0.25),
    "POSING.level": lambda: turns(lambda lower: not row(5, lower=lower), 0.22),
    "POSING.apart": lambda: turns(lambda apart: not row(4, apart=apart), 0.9),
    "POSING.faces": lambda: posed(looking(4), 0) and not posed(looking(3), 0),
    "POSING.face": lambda: turns(lambda share: posed(looking(5, tall=share * 0.3), 0), 0.5),
    "POSING.frontal": lambda: turns(lambda nose: not posed(looking(5, nose), 0), 0.12),
}


def seen_at_other_size(sure: float) -> float:
    return confidence(PERSON, reach=[(*PERSON[:4], sure)], balls=[in_hands(PERSON)])


def past(away: float) -> float:
    return confidence(PERSON, balls=[ball(PERSON[0] - away * 0.5 / RATIO, 0.55, 0.9)])


def with_racket(sure: float) -> float:
    return confidence(PERSON, rackets=[(PERSON[0] - 0.1, 0.2, PERSON[0], 0.35, sure)])


def alike(ratio: float, in_hand: float = 0.0) -> Subject:
    """Of one who has a racket, and a ball as sure as this in hand, beside somebody worth so much less."""
    racket = (PERSON[0] - 0.1, 0.2, PERSON[0], 0.35, 0.9)
    balls = [in_hands(PERSON, in_hand)] if in_hand else []
    return subject([PERSON, at(0.6, sure=0.8 / ratio**2)], rackets=[racket], balls=balls)


def beside(ratio: float) -> float:
    return confidence(PERSON, at(0.6, sure=0.8 / ratio**2), balls=[in_hands(PERSON)])


test_a_tenth_more_or_less_changes_what_earns_a_crop, test_every_number_is_guarded = guards(
    {"EARNING": EARNING, "POSING": POSING}, SCENARIOS
)


def test_what_is_missing_is_said() -> None:
    assert with_ball(0.9).doubt == "" and with_ball(0.9).confidence == 1
    assert subject([PERSON]).doubt == NO_PLAY  # a coach at the line, who leads by far
    assert subject([at(0.4, sure=0.42)], balls=[in_hands(PERSON)]).doubt == UNSURE
    pair = [PERSON, at(0.6)]
    assert subject(pair, balls=[in_hands(PERSON)]).doubt == ""  # both are held
    assert subject([PERSON, at(0.6, sure=0.7)], balls=[in_hands(PERSON, 0.5)]).doubt == ""


def test_a_ball_that_stays_in_the_hands_for_two_frames_is_play_and_one_that_flies_past_is_not() -> None:
    """As sure as it is in the less sure of the two."""
    beside = ball(PERSON[0] - 0.3 * 0.5 / RATIO, 0.55, 0.9)
    assert burst_with([in_hands(PERSON)], (4, 5)) == 1
    assert burst_with([in_hands(PERSON, 0.425)], (4, 5)) == pytest.approx(0.625, abs=0.01)
    assert burst_with([in_hands(PERSON)], (4,)) == burst_with([in_hands(PERSON)], (4, 6)) == 0.25
    assert burst_with([beside], (4, 5)) == 0.25


@pytest.mark.parametrize("with_a_ball", [True, False])
def test_a_team_photograph_has_no_subject_even_with_a_ball(with_a_ball: bool) -> None:
    people = row_of(7, apart=0.4, tall=0.5)
    middle = people[3]
    found = about(people, balls=[in_hands(middle)] if with_a_ball else [])
    assert found is None or found.doubt in (ROW, NO_PLAY)
    front = [(x0 + 0.06, 0.5, x1 + 0.06, 0.95, s) for x0, _, x1, _, s in people[:4]]
    two_rows = [*row_of(4, apart=0.45, tall=0.4), *front]
    faces = [face((p[0] + p[2]) / 2, p[1] + 0.05, 0.05) for p in two_rows]
    posing = about(two_rows, faces=faces, balls=[in_hands(two_rows[5])] if with_a_ball else [])
    assert posing is None or posing.doubt in (POSE, ROW, NO_PLAY)


def test_a_row_that_runs_is_no_row_that_poses() -> None:
    people = row_of(5)
    frames = [observed([(x0 + 0.03 * n, y0, x1 + 0.03 * n, y1, s) for x0, y0, x1, y1, s in people]) for n in range(4)]
    assert all(s is not None and s.doubt != ROW for s in find_subjects(frames))
    still = find_subjects([observed(people)] * 4)
    assert all(s is not None and s.doubt == ROW for s in still)


@pytest.mark.parametrize("rate", [5, 10, 20, 30])
@pytest.mark.parametrize("metres, plays", [(1.46, False), (3.0, True)])
def test_who_walks_plays_nothing_and_who_runs_does_at_any_rate_of_frames(rate: int, metres: float, plays: bool) -> None:
    """The fastest mean of comfortable walking, 1.46 m/s (Bohannon, 1997), and a slow run, of a height of 1.75 m.
    Before, a walk counted as more than half a run at 10 frames a second, and a run as a walk at 30."""
    step = metres / 1.75 / rate * 0.4 / RATIO
    frames = [observed([at(0.1 + step * n, 0.4)]) for n in range(rate)]
    found = find_subjects(frames, [n / rate for n in range(rate)])
    assert all(one is not None and (one.doubt == "") == plays for one in found)


def test_an_official_who_stands_still_among_players_is_not_followed() -> None:
    """The official is larger, surer and nearer to the middle; five players run."""
    official = at(0.5, 0.5, 0.9)
    frames = [observed([official, *[at(0.1 + 0.14 * k + 0.03 * n, 0.4) for k in range(5)]]) for n in range(6)]
    assert [s is not None and s.row for s in find_subjects(frames[:1])] == [0]
    found = find_subjects(frames)
    assert all(s is not None and s.row != 0 for s in found)
    assert all(s is not None and s.doubt == "" for s in found)


def test_a_racket_is_a_sign_of_play_and_held_whole() -> None:
    racket = (PERSON[0] - 0.1, 0.2, PERSON[0], 0.35, 0.7)
    found = subject([PERSON], rackets=[racket])
    assert found.confidence == 1 and found.doubt == ""
    assert found.whole == pytest.approx((racket[0], 0.2, *PERSON[2:4])) and found.box == pytest.approx(PERSON[:4])
    assert subject([PERSON], rackets=[(0.9, *racket[1:2], 1.0, *racket[3:])]).doubt == NO_PLAY  # somebody else's


def test_of_two_as_good_the_one_with_the_ball_in_hand_leads() -> None:
    """Both are worth as much, and play is sure."""
    assert alike(1.05).everybody and len(alike(1.05).others) == 1
    assert not alike(1.05, 0.9).everybody


@pytest.mark.parametrize("frames, leads", [(0, False), (2, False), (4, True), (8, True)])
def test_a_ball_that_some_frames_show_in_hand_and_a_small_lead_make_one_who_leads(frames: int, leads: bool) -> None:
    """Of eight: 0.2 of the lead's 0.35, and a part of the ball's 0.8. Whether it is sure in four or in five of them is
    chance, in noise."""
    people, racket = [PERSON, at(0.6, sure=0.8 / 1.16**2)], (PERSON[0] - 0.1, 0.2, PERSON[0], 0.35, 0.9)
    held = [observed(people, rackets=[racket], balls=[in_hands(PERSON)] if n < frames else []) for n in range(8)]
    assert all(one is not None and one.everybody is not leads for one in find_subjects(held))


@pytest.mark.parametrize("held, sure, alone", [(2, 0.9, True), (2, 0.53, True), (1, 0.9, False), (0, 0.9, False)])
def test_who_had_the_ball_in_hand_leads_the_frames_after_too(held: int, sure: float, alone: bool) -> None:
    """Of eight frames, beside somebody worth 0.65: in noise some show no ball, or one that is hardly sure."""
    pair = [at(0.4, 0.5), at(0.6, 0.5 * 0.65 ** (1 / 1.2))]
    racket = (pair[0][0] - 0.1, 0.2, pair[0][0], 0.35, 0.9)
    balls = [[in_hands(pair[0], sure)] if n < held else [] for n in range(8)]
    found = find_subjects([observed(pair, rackets=[racket], balls=own) for own in balls])
    assert all(one is not None and not one.everybody and (not one.others) is alone for one in found)


def test_whose_head_the_frame_cuts_off_earns_no_crop() -> None:
    """Unless the face is there: arms are raised out of the frame."""
    cut = (0.45, 0.0, 0.6, 0.7, 0.9)
    assert subject([cut], balls=[in_hands(cut)]).doubt == HEADLESS
    assert not subject([cut], balls=[in_hands(cut)], faces=[face(0.525, 0.2, 0.08)]).doubt
    lower = (0.45, 0.02, 0.6, 0.7, 0.9)
    assert not subject([lower], balls=[in_hands(lower)]).doubt
    some = find_subjects([observed([cut if n < 4 else lower], balls=[in_hands(cut)]) for n in range(8)])
    assert not any(one is None or one.doubt for one in some)


def test_a_ball_that_flies_past_shows_less_of_a_game_than_one_in_hand() -> None:
    """An umpire, hardly sure of being a person, whom a sure ball passes, is no subject; whoever holds it is one."""
    umpire = at(0.4, sure=0.5)
    past = ball(umpire[0] - 0.4 * 0.5 / RATIO, 0.55, 0.9)
    assert subject([umpire], balls=[past]).doubt
    assert not subject([umpire], balls=[in_hands(umpire)]).doubt


def test_what_looks_like_a_racket_in_some_frames_is_a_flag_or_an_arm() -> None:
    """A racket stays in the hand: most frames show it, or it says nothing."""
    racket = (PERSON[0] - 0.1, 0.2, PERSON[0], 0.35, 0.9)
    for count, doubt in ((8, ""), (5, ""), (4, NO_PLAY), (2, NO_PLAY)):
        found = find_subjects([observed([PERSON], rackets=[racket] if n < count else []) for n in range(8)])
        assert all(one is not None and one.doubt == doubt for one in found), count


def test_where_one_path_ends_and_another_begins_nobody_has_moved() -> None:
    """Two who stand still at both ends of the hall, seen one after the other: not one person who flies across."""
    frames = [observed([at(0.2 if n < 3 else 0.8)]) for n in range(6)]
    assert all(one is not None and one.doubt == NO_PLAY and abs(one.towards) < 1e-6 for one in find_subjects(frames))


def test_somebody_whose_legs_are_hidden_in_some_frames_has_not_moved() -> None:
    """Behind a table: the box ends at the waist in every other frame, and its middle jumps by a quarter of it."""
    frames = [observed([(0.4, 0.3, 0.5, 0.8 if n % 4 < 2 else 0.55, 0.8)]) for n in range(8)]
    assert all(one is not None and one.doubt == NO_PLAY for one in find_subjects(frames))


@pytest.mark.parametrize("in_rows, doubt", [(5, ROW), (4, NO_PLAY), (3, NO_PLAY)])
def test_what_most_frames_say_speaks_against_a_crop(in_rows: int, doubt: str) -> None:
    """Of eight frames so many show people in a row, the others one of them only."""
    people = row_of(5)
    found = find_subjects([observed(people if n < in_rows else people[2:3]) for n in range(8)])
    assert {one.doubt for one in found if one is not None} == {doubt}


def test_where_nobody_leads_whoever_moves_is_held_and_who_stands_is_not() -> None:
    """Two as good as each other beside two who are worth far less, since the frame cuts them: one of these runs."""

    def burst(step: float) -> list[Observation]:
        pair = [at(0.46, 0.4, 0.55), at(0.6, 0.4, 0.55)]
        thing = in_hands(pair[0])
        return [
            observed([*pair, (0.0, 0.2, 0.08 + step * n, 0.6, 0.35), (0.93, 0.2, 1.0, 0.6, 0.35)], balls=[thing])
            for n in range(5)
        ]  # fmt: skip

    held = find_subjects(burst(0.03))[2]
    assert held is not None and held.everybody and len(held.others) == 2
    still = find_subjects(burst(0.0))[2]
    assert still is not None and still.everybody and len(still.others) == 1


def test_one_verdict_stands_for_a_burst() -> None:
    """Seen in some frames of a burst, the ball counts in each of them, so that no crop comes and goes."""
    frames = [observed([PERSON], balls=[in_hands(PERSON)] if n in (2, 3, 4) else []) for n in range(8)]
    found = find_subjects(frames)
    assert len({(s.confidence, s.doubt) for s in found if s is not None}) == 1
    assert all(s is not None and s.doubt == "" for s in found)


def test_who_may_be_the_subject_as_well_stays_whole_with_all_that_reaches_out_of_the_box() -> None:
    first, other = at(0.4), at(0.6, sure=0.75)
    reach = [(*first[:4], 0.8), (other[0], other[1] - 0.1, other[2] + 0.05, other[3], 0.8)]
    found = subject([first, other], reach=reach)
    assert found.others == (pytest.approx(reach[1][:4]),)
    assert np.allclose(found.whole, first[:4])
