"""How sure it is that a frame is about its subject, who else it may be about, and what speaks against a crop.

No published method was at hand that tells play from people who stand, pose or watch without a network of its own; what
counts here is what a picture editor would name, and its numbers are chosen by eye on ../shared/data/court and people
and on drawn halls, and checked with `python -m tests.crops`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.people.belonging import faces_of, rackets_of, rise, surest
from pipeline.people.detect import SURE
from pipeline.people.tracking import Observation
from pipeline.types import F32, F64


@dataclass(frozen=True)
class Earning:
    """What earns a crop. Certainties are 0 to 1, lengths in heights of the subject where nothing else is said."""

    enough: float = 0.5  # confidence from which a frame is cropped around its subject
    # Lead: worth against the next one's, over which it rises from 0 to 1; without any there is still so much left.
    lead_from: float = 1.0
    lead_to: float = 1.8
    no_lead: float = 0.6
    # Lead below which whoever else may be the subject is held too, however sure the play is, unless the subject has the
    # ball in hand in so many of the frames: among players as large as each other, noise decides who is worth a little
    # more. Half of the one and half of the other do too.
    least_lead: float = 0.35
    holds: float = 0.8
    no_play: float = 0.25  # left to somebody who leads by far but shows no sign of play: a coach, a spectator
    # Signs of play: a ball in reach or a racket in hand, a body wider than one who stands (0.3 to 0.45 of the height)
    # or sits (0.6), movement against the hall in heights a second.
    ball_from: float = 0.3
    ball_to: float = 0.55
    free_ball: float = 0.6  # of a sign: one that is not in the hands flies past umpires and spectators too
    # Flags, clipboards and arms pass for rackets (up to 0.5 in real frames of a game that has none, in single frames).
    racket_from: float = 0.35
    racket_to: float = 0.65
    wide_from: float = 0.55
    wide_to: float = 0.9
    wide: float = 0.6  # of a sign: it is the least sure one
    rim: float = 0.01  # of the frame: whoever it cuts off has no shape that says anything
    # People walk at 1.3 to 1.46 m/s in comfort and at up to 2.5 m/s (Bohannon, "Comfortable and maximum walking speed
    # of adults aged 20-79 years", 1997), and would rather run from about 2.1 m/s (Hreljac, 1993, from memory): of a
    # height of 1.75 m, 0.8 and 1.2 a second.
    speed_from: float = 0.8
    speed_to: float = 1.2
    # A burst in which several people near the subject run shows a game, whoever the subject is. Who moves at all, in
    # heights a second, is held where nobody leads.
    moves: float = 0.5
    comparable: float = 0.5
    movers_from: float = 1
    movers_to: float = 4
    game: float = 0.8  # of a sign
    seen_in: float = 75  # percentile over the frames of a burst: play that a quarter of them shows is play
    # The detector's certainty, and that at the size of picture at which it is the less sure.
    sure_from: float = 0.35
    sure_to: float = 0.60
    both_sizes: float = 0.4
    one_size: float = 0.6  # left where one of the sizes does not show the person at all
    steady: float = 0.6  # of the best one's worth, from which the subject would be chosen in that frame alone too
    # Who else may be the subject, by worth against it; more is asked for where the subject has the ball in hand, in two
    # frames in a row of a burst.
    rival: float = 0.5
    rival_in_hand: float = 0.8
    in_hand: float = 0.15  # from the box to the middle of a ball
    everybody: float = 0.3  # where nobody leads


@dataclass(frozen=True)
class Posing:
    """Who stands or sits in a row, or looks at the camera: a team photograph, a bench, spectators."""

    few: int = 4  # people; fewer are no row
    alike: float = 0.25  # heights differ by so much of the subject's at most
    level: float = 0.22  # heights between the tops of their heads at most
    apart: float = 0.9  # heights between the middles of one and the next at most
    # Faces of people at least half as tall as the subject that look into the camera: the nose is in the middle.
    faces: int = 4
    face: float = 0.5  # of the subject's height
    frontal: float = 0.12  # widths of a face from the middle of the eyes to the nose


EARNING, POSING = Earning(), Posing()

ROW = "people stand or sit in a row"
POSE = "people look at the camera"
HEADLESS = "the frame cuts the head of whom it may be about"
UNSURE = "hardly sure that it is a person"
NO_PLAY = "no sure sign of play was found"
NO_LEAD = "others may as well be the subject"
UNSTEADY = "the frames beside it point to somebody else"
NOT_WHO = (NO_PLAY, NO_LEAD, UNSTEADY, HEADLESS)  # people are there, but whom the frame is about is not sure


@dataclass(frozen=True, slots=True)
class Verdict:
    """confidence 0 to 1, that the subject is the one; others: rows of those who may be it as well, and stay whole;
    everybody: these are all of them, since nobody leads; doubt: why no crop is earned, else ""."""

    confidence: float
    others: tuple[int, ...]
    everybody: bool
    doubt: str


@dataclass(frozen=True, slots=True)
class _Signs:
    """What one frame says, each 0 to 1; handled: by a ball in the hands; veto: why there is no one subject, or ""."""

    play: float
    handled: float
    certain: float
    lead: float
    steady: float
    veto: str


def judged(
    frames: Sequence[Observation],
    worth: Sequence[F64],
    rows: Sequence[int | None],
    moves: Sequence[F64],
    balls: Sequence[F32 | None],
    running: Sequence[F64],
    moving: Sequence[F64],
) -> list[Verdict | None]:
    """The verdict on the subject of each frame of a burst; None where `rows` has none.

    worth  (N,) of each frame; rows, moves  as from tracking.rows_of and speeds; balls  (5,) of the subject, or None
    running, moving  (N,) of each frame: how fast each person surely moves, and may, see tracking.paces

    One verdict stands for the burst, so that no crop comes and goes within it: play is what is seen in some of its
    frames, the rest what most of them say.
    """
    seen = [(frame, row) for frame, row in zip(frames, rows, strict=True) if row is not None]
    held = [surest(rackets_of(frame.reach[row], frame)) for frame, row in seen]
    racket = float(np.median(held)) if held else 0.0  # it stays in the hand: what is one in a few frames is none
    told = [
        None if row is None else _signs(frame, row, w, float(np.hypot(*move)), ball, racket, _running(frame, row, pace))
        for frame, row, w, move, ball, pace in zip(frames, rows, worth, moves, balls, running, strict=True)
    ]
    said = [one for one in told if one is not None]
    if not said:
        return [None] * len(frames)
    signs = float(np.percentile([one.play for one in said], EARNING.seen_in))
    # A ball stays in the hands for more than a frame; one that flies past an umpire is not there in the next.
    kept = max((min(a.handled, b.handled) for a, b in pairwise(said)), default=0.0)
    signs = max(signs, kept)
    certain = float(np.median([one.certain for one in said]))
    lead = float(np.median([one.lead for one in said]))
    steady = float(np.mean([one.steady for one in said]))
    leads = EARNING.no_lead + (1 - EARNING.no_lead) * lead
    confidence = certain * steady * (signs * leads + (1 - signs) * EARNING.no_play * lead)
    # All are pooled, so that noise in some of the frames does not turn the verdict on all.
    holds = float(np.mean([one.handled for one in said]))
    in_hands = kept if len(said) > 1 else said[0].handled
    least = EARNING.rival + (EARNING.rival_in_hand - EARNING.rival) * in_hands
    alone = confidence >= EARNING.enough and lead / EARNING.least_lead + holds / EARNING.holds >= 1
    everybody = not alone and certain * signs >= EARNING.enough
    doubt = "" if everybody or confidence >= EARNING.enough else _weakest(certain, signs, leads, steady)
    vetoes = [one.veto for one in said if one.veto]
    if len(vetoes) > len(said) / 2:
        doubt, everybody = vetoes[0], False
    result: list[Verdict | None] = []
    for frame, row, own, pace in zip(frames, rows, worth, moving, strict=True):
        if row is None:
            result.append(None)
            continue
        may_be = own >= (EARNING.everybody if everybody else least) * own[row]
        if everybody:
            may_be |= _movers(frame, row, pace)
        others = tuple(int(i) for i in np.flatnonzero(may_be) if i != row)
        result.append(Verdict(round(confidence, 2), others, everybody, doubt))
    return result


def _movers(frame: Observation, row: int, pace: F64) -> NDArray[np.bool_]:
    """(N,) who moves, among the people as near as the subject."""
    return np.asarray(_near(frame, row) & (pace >= EARNING.moves))


def _running(frame: Observation, row: int, pace: F64) -> float:
    """How many of the people as near as the subject run: who walks is none, and between the two counts in part, so that
    noise, or light that pulses, makes little of a difference."""
    return sum(rise(float(own), EARNING.speed_from, EARNING.speed_to) for own in pace[_near(frame, row) & (pace > 0)])


def _near(frame: Observation, row: int) -> NDArray[np.bool_]:
    tall = frame.people[:, 3] - frame.people[:, 1]
    return np.asarray((frame.people[:, 4] >= SURE.person) & (tall >= EARNING.comparable * tall[row]))


def _signs(
    frame: Observation, row: int, worth: F64, speed: float, ball: F32 | None, racket: float, movers: float
) -> _Signs:
    person, rest = frame.people[row], np.delete(worth, row)
    best = float(rest.max()) if len(rest) else 0.0
    lead = 1.0 if best <= 0 else rise(float(worth[row]) / best, EARNING.lead_from, EARNING.lead_to)
    both = EARNING.one_size + (1 - EARNING.one_size) * rise(float(frame.reach[row, 4]), 0, EARNING.both_sizes)
    certain = both * rise(float(person[4]), EARNING.sure_from, EARNING.sure_to)
    veto = ""
    if speed < EARNING.speed_to and movers <= EARNING.movers_from:  # nobody runs while posing
        veto = ROW if in_a_row(frame, row) else POSE if posed(frame, row) else ""
    if not veto and person[1] < EARNING.rim and not len(faces_of(person, frame.faces)):
        veto = HEADLESS
    steady = float(worth[row] >= EARNING.steady * best)
    game = EARNING.game * rise(movers, EARNING.movers_from, EARNING.movers_to)
    ball_sign = _ball_sign(person, frame, ball)
    held = ball is not None and _away(person, frame, ball) <= EARNING.in_hand
    thing = max(ball_sign, rise(racket, EARNING.racket_from, EARNING.racket_to))
    return _Signs(
        handled=ball_sign if held else 0.0,
        play=1 - (1 - play(person, frame.reach[row], frame.size, speed, thing)) * (1 - game),
        certain=certain,
        lead=lead,
        steady=steady,
        veto=veto,
    )


def _ball_sign(person: F32, frame: Observation, ball: F32 | None) -> float:
    """How much a ball (5,) in reach shows that a game is on, 0 to 1."""
    if ball is None:
        return 0.0
    share = 1.0 if _away(person, frame, ball) <= EARNING.in_hand else EARNING.free_ball
    return share * rise(float(ball[4]), EARNING.ball_from, EARNING.ball_to)


def play(person: F32, reach: F32, size: tuple[int, int], speed: float, thing: float) -> float:
    """How much `person` (5,) with this `reach` (5,) shows that a game is on, 0 to 1.

    size   (height, width) of the frame in pixels; speed  in own heights a second
    thing  0 to 1, whether a ball is in reach, or a racket in hand
    """
    x0, y0, x1, y1 = (float(v) for v in person[:4])
    whole = reach[:2].min() >= EARNING.rim and reach[2:4].max() <= 1 - EARNING.rim
    shape = whole * (x1 - x0) * size[1] / size[0] / max(y1 - y0, 1e-6)
    signs = (
        thing,
        EARNING.wide * rise(shape, EARNING.wide_from, EARNING.wide_to),
        rise(speed, EARNING.speed_from, EARNING.speed_to),
    )
    return float(1 - np.prod([1 - sign for sign in signs]))


def _weakest(certain: float, signs: float, leads: float, steady: float) -> str:
    """What of it keeps the confidence low: the smallest."""
    parts = {NO_PLAY: signs, UNSURE: certain, NO_LEAD: leads, UNSTEADY: steady}
    return min(parts, key=lambda name: parts[name])


def in_hand(person: F32, frame: Observation, ball: F32 | None) -> bool:
    """Whether a sure ball (5,) is in the hands of `person` (5,)."""
    return ball is not None and bool(ball[4] >= EARNING.ball_to) and _away(person, frame, ball) <= EARNING.in_hand


def _away(person: F32, frame: Observation, ball: F32) -> float:
    """Heights of `person` (5,) from the box to the middle of a ball (5,)."""
    x, y, ratio = (ball[0] + ball[2]) / 2, (ball[1] + ball[3]) / 2, frame.size[1] / frame.size[0]
    away = np.hypot(max(person[0] - x, x - person[2], 0) * ratio, max(person[1] - y, y - person[3], 0))
    return float(away / (person[3] - person[1]))


def in_a_row(frame: Observation, row: int) -> bool:
    """Whether the subject is one of several as tall, with their heads on one level, side by side."""
    own, people = frame.people[row], frame.people[frame.people[:, 4] >= SURE.person]
    tall = own[3] - own[1]
    heights = people[:, 3] - people[:, 1]
    alike = (np.abs(heights - tall) <= POSING.alike * tall) & (np.abs(people[:, 1] - own[1]) <= POSING.level * tall)
    middles = np.sort((people[alike, 0] + people[alike, 2]) / 2) * frame.size[1] / frame.size[0]
    beside = np.diff(middles) <= POSING.apart * tall
    longest = here = 1
    for near in beside:
        here = here + 1 if near else 1
        longest = max(longest, here)
    return longest >= POSING.few


def posed(frame: Observation, row: int) -> bool:
    """Whether several people as near as the subject look into the camera."""
    tall = frame.people[row, 3] - frame.people[row, 1]
    faces = frame.faces[frame.faces[:, 4] >= SURE.face]
    looking = 0
    for face in faces:
        wide = float(face[2] - face[0])
        if abs(float(face[7] - face[5])) > POSING.frontal * wide:
            continue
        x, y = (face[0] + face[2]) / 2, (face[1] + face[3]) / 2
        inside = (frame.people[:, 0] < x) & (x < frame.people[:, 2]) & (frame.people[:, 1] - 0.1 * tall < y)
        inside &= y < frame.people[:, 3]
        looking += bool((inside & (frame.people[:, 3] - frame.people[:, 1] >= POSING.face * tall)).any())
    return looking >= POSING.faces
