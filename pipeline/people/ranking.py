"""How good each frame of a shoot is, from what was measured of each: a score made of named parts, its place in its
burst, a rating to suggest, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.imaging.blank import Blank
from pipeline.people.belonging import rise
from pipeline.people.moments import Look, better_ones
from pipeline.people.subject import Subject
from pipeline.textfile.messages import spelled
from pipeline.types import Burst


@dataclass(frozen=True)
class Parts:
    """The parts of a score: of a frame each 0 to 1, of POINTS how much each counts."""

    sharp: float
    face: float
    whole: float
    size: float
    exposure: float
    ball: float
    middle: float  # of the burst: the height of the action is more often there than at its ends (common practice)


# A perfect frame has a hundred points. Sharpness leads, since nothing else can be repaired afterwards, and a face comes
# before a ball: common practice, no source. The numbers are chosen by eye on generated shoots and real pictures.
POINTS = Parts(sharp=40, face=18, whole=14, size=12, exposure=8, ball=5, middle=3)


@dataclass(frozen=True)
class Ranking:
    """What turns measurements into parts, scores, ratings and words.

    Chosen by eye on generated shoots and on degraded photographs, and checked with `python -m tests.crops` (same first
    place at ISO 800 and 12,800) and `pytest tests/people/test_choice.py`, where no other source stands beside a number.
    """

    crisp_percentile: float = 90  # of the sharpness of a shoot's subjects, which counts as fully sharp
    # Sharpness that counts as fully sharp, at least and at most: in a shoot of blurred frames none is sharp, and a
    # large smooth face is not less sharp than a small figure (imaging.sharpness: 0.02 is soft, 0.1 crisp).
    crisp_from: float = 0.04
    crisp_to: float = 0.14
    full_size: float = 0.6  # of the frame's height, from which a subject is as large as it need be
    # Heights of the subject: a box that ends as near to a side of the frame, and whose reach goes to `reached` of it,
    # is cut by it. Of a head that is beyond the frame the detector leaves up to 0.034 free (seen in photographs).
    rim: float = 0.04
    reached: float = 0.01  # of the frame
    side: float = 0.6  # of `whole` left for each side of the frame that cuts the subject
    head: float = 0.2  # left where that is the top, and no face is seen
    # Certainties of the detectors over which a face and a ball rise from 0 to 1.
    face_from: float = 0.5
    face_to: float = 0.85
    ball_from: float = 0.3
    ball_to: float = 0.7
    no_eyes: float = 0.4  # of a face left where its eyes are hidden
    # Heights of the subject in frames over which a face, where there is one to see, would be found.
    telling_from: float = 0.25
    telling_to: float = 0.4
    untold: float = 0.6  # a face that is too small to be found counts as so much of one
    nobody: float = 0.5  # of sharpness left where nobody is in the frame
    # How dark a frame is counts in stops below the shoot's median: it is lifted, and its noise with it.
    jersey: float = 0.6  # of the frame's mean, below which a subject's counts as a dark jersey and not as want of light
    free_stops: float = 0.3
    dark_stops: float = 2.0  # beyond the free ones, at which exposure is worth nothing
    blown: float = 0.25  # share of the subject that is clipped at which exposure is worth nothing
    behind: float = 0.25  # of what the best frame of the burst has more counts against a frame
    again: float = 15.0  # points off for a frame that is much like a better one
    # Of a shoot, one in so many is 5 at most, and one in so many 4 or 5 at most; fewer where few are so good.
    fives: int = 10
    fours: int = 4
    ratings: tuple[float, ...] = (25, 45, 58, 70)  # points from which 2, 3, 4 and 5 may be suggested
    # From which something is put in words; for a person to read, no choice depends on them.
    said_sharp: float = 0.65
    said_blurred: float = 0.35
    said_face: float = 0.6
    said_turned: float = 0.25
    said_eyes: float = 0.5
    said_ball: float = 0.5
    said_small: float = 0.3  # of the frame's height
    said_badly_exposed: float = 0.4
    said_blown: float = 0.08  # share of the subject that is clipped; less is called dark
    # Ratio of sharpness, and points of exposure, by which another frame of the burst is said to be better. Noise
    # changes sharpness by 1.03 (tests/test_sharpness.py).
    sharper: float = 1.05
    exposed: float = 1.0


RANKING = Ranking()
NOBODY = "nobody in it"
AGAIN = "much like a better one"
SHOWS = {
    Blank.BLACK: "black, not rated",
    Blank.CLIPPED: "nearly all white, not rated",
    Blank.EVEN: "one even tone, not rated",
}
_NO_FACE, _EYES, _CUT, _SMALL = "face hidden or turned away", "eyes hidden", "cut by the frame", "small in the frame"
_SLIGHT = (_NO_FACE, _EYES, _CUT, _SMALL)  # a sharp frame may still be wanted


@dataclass(frozen=True, slots=True)
class Quality:
    """What counts of one frame, before frames are compared. Shares are 0 to 1.

    subject   whether there is one; without, sharp is that of the middle of the frame
    sharp     as in imaging.sharpness
    face, ball  how certain one of the subject's is; size  of the subject, in heights of the frame
    whole     1, or less where the frame itself cuts the subject
    level     mean luminance of the subject in fractions of saturation; clipped  share of it that is blown
    blind     there is no model file, so people were not detected
    eyes      how well the eyes of the face are seen
    faceless  a closer look at the head shows no face either; else, without a face, nothing is known of it
    headless  the top of the frame cuts the subject, and no face is seen
    anybody   whether somebody was found, the subject or not
    look      for finding near-duplicates, None where they are not looked for
    blank     whether the frame shows next to nothing
    """

    subject: bool
    sharp: float
    face: float
    ball: float
    size: float
    whole: float
    level: float
    clipped: float
    blind: bool = False
    eyes: float = 1.0
    headless: bool = False
    faceless: bool = False
    anybody: bool = True
    look: Look | None = field(default=None, compare=False, repr=False)
    blank: Blank = Blank.NO


@dataclass(frozen=True, slots=True)
class Ranked:
    """score 0 to 100; place in the burst from 1, by score, and of how many; rating 1 to 5 to suggest; why, in words.

    rating 0: a reference, such as a chart, or a frame that shows nothing, which is not rated
    moment  a number that near-duplicates of one moment share over the shoot, from 1; 0 where it is not known
    blank   it shows next to nothing, and is suggested for nothing
    """

    score: float
    place: int
    of: int
    rating: int
    why: str
    moment: int = 0
    blank: bool = False


REFERENCE = Ranked(0.0, 1, 1, 0, "card or chart, not rated")


def quality_of(
    subject: Subject | None,
    middle_sharp: float,
    level: float,
    clipped: float,
    blind: bool,
    *,
    face_sure: float = 0.0,
    eyes: float = 1.0,
    faceless: bool = False,
    anybody: bool = True,
    look: Look | None = None,
    blank: Blank = Blank.NO,
) -> Quality:
    """The quality of one frame.

    middle_sharp, level, clipped  of the frame: sharpness of its middle, mean luminance in fractions of saturation,
                                  share that is clipped; they stand for the subject where there is none
    face_sure                     certainty of a face on the subject that is too large for the whole of somebody
    eyes, faceless, anybody, look, blank  as in Quality
    """
    if subject is None:
        return Quality(False, middle_sharp, 0, 0, 0, 0, level, clipped, blind, anybody=anybody, look=look, blank=blank)
    face = rise(max(subject.face_sure, face_sure), RANKING.face_from, RANKING.face_to)
    box, reach = subject.box, subject.whole
    rim, near = RANKING.rim * (box.y1 - box.y0), RANKING.reached
    top = box.y0 < rim and reach.y0 < near
    headless = top and face == 0
    left, right = box.x0 < rim and reach.x0 < near, box.x1 > 1 - rim and reach.x1 > 1 - near
    sides = left + right + (top and not headless) + (box.y1 > 1 - rim and reach.y1 > 1 - near)
    return Quality(
        subject=True,
        sharp=subject.sharp,
        face=face,
        ball=rise(subject.ball_sure, RANKING.ball_from, RANKING.ball_to),
        size=box.y1 - box.y0,
        whole=RANKING.side**sides * (RANKING.head if headless else 1.0),
        level=level * max(subject.light[0], RANKING.jersey),
        clipped=subject.light[1],
        eyes=eyes,
        headless=headless,
        faceless=faceless and face == 0,
        look=look,
        blank=blank,
    )


def rank(
    bursts: Sequence[Burst],
    qualities: Mapping[str, Quality],
    held: Collection[str] = (),
    references: Collection[str] = (),
) -> dict[str, Ranked]:
    """Score, place and rating of every frame (by name) that has a quality; `bursts` in order of time.

    Frames are compared within their burst, near-duplicates within the bursts around too; sharpness and brightness
    count against those of the whole shoot, and so do ratings: of equal scores all are rated alike.

    held        frames that no delivery may hold: none is a reason to rate another lower as its near-duplicate
    references  frames that show a card or a chart: they are not rated, and nothing is compared with them

    Frames that show nothing are last in their burst, and not rated; nothing is compared with them either.
    """
    result: dict[str, Ranked] = {n: REFERENCE for n in qualities if n in references}
    result |= _blanks(bursts, {n: one for n, one in qualities.items() if n not in references})
    qualities = {n: one for n, one in qualities.items() if n not in result}
    grouped = [[n for n in burst.frames if n in qualities] for burst in bursts]
    crisp = _crisp(qualities, True), _crisp(qualities, False)
    usual = float(np.median([one.level for one in qualities.values()])) if qualities else 1.0
    parts = {
        name: _parts(qualities[name], crisp[not qualities[name].subject], usual, _middle(at, len(names)))
        for names in grouped
        for at, name in enumerate(names)
    }
    points = {name: round(_score(one, qualities[name]), 1) for name, one in parts.items()}
    looks = {name: look for name in parts if (look := qualities[name].look) is not None}
    better = better_ones(grouped, looks, points, held)
    scores: dict[str, float] = {}
    for names in grouped:
        best = max((points[n] for n in names), default=0.0)
        for n in names:
            off = RANKING.behind * (best - points[n]) + (RANKING.again if n in better else 0.0)
            scores[n] = round(max(0.0, points[n] - off), 1)
    ratings = _ratings(scores, better)
    moments: dict[str, int] = {}
    alike = Counter(one for name, one in better.items() if name not in held)
    for burst, names in zip(bursts, grouped, strict=True):
        blanks = sum(result[n].blank for n in burst.frames if n in result)
        middle = (len(names) - 1) / 2
        order = sorted(range(len(names)), key=lambda i: (-scores[names[i]], abs(i - middle), i))
        places = {names[i]: place for place, i in enumerate(order, 1)}
        for n in names:
            moment = moments.setdefault(better.get(n, n), len(moments) + 1) if n in looks else 0
            shown = [other for other in names if other not in held]
            why = _why(qualities[n], parts[n], n in better, _beside(n, shown, qualities, parts))
            why += f", the best of {spelled(alike[n] + 1)} much alike" if n in alike else ""
            result[n] = Ranked(scores[n], places[n], len(names) + blanks, ratings[n], why, moment)
    return result


def _blanks(bursts: Sequence[Burst], qualities: Mapping[str, Quality]) -> dict[str, Ranked]:
    """The ranks of the frames that show nothing."""
    found = {}
    for burst in bursts:
        names = [n for n in burst.frames if n in qualities]
        empty = [n for n in names if qualities[n].blank]
        for place, n in enumerate(empty, len(names) - len(empty) + 1):
            found[n] = Ranked(0.0, place, len(names), 0, SHOWS[qualities[n].blank], blank=True)
    return found


def _score(parts: Parts, one: Quality) -> float:
    always = POINTS.sharp * parts.sharp + POINTS.exposure * parts.exposure + POINTS.middle * parts.middle
    if one.blind:  # what only a detector could tell is left out of the hundred
        return 100 * always / (POINTS.sharp + POINTS.exposure + POINTS.middle)
    return (
        always + POINTS.face * parts.face + POINTS.size * parts.size + POINTS.whole * parts.whole
        + POINTS.ball * parts.ball
    )  # fmt: skip


def _ratings(scores: Mapping[str, float], better: Mapping[str, str]) -> dict[str, int]:
    """The better the score, the better the rating: so many points, and among so many of the shoot. No near-duplicate
    of a better frame, and no frame that scores less than one, is 5."""
    falling = sorted(scores.values(), reverse=True)

    def beyond(count: int) -> float:
        """The score that a frame must exceed to be one of the first `count`, however many are equal."""
        return falling[count] if count < len(falling) else -1.0

    fives = max(beyond(len(scores) // RANKING.fives), max((scores[n] for n in better), default=-1.0))
    fours = beyond(max(1, round(len(scores) / RANKING.fours)))
    two, three, four, five = RANKING.ratings
    return {
        name: 5 if score >= five and score > max(fives, fours)
        else 4 if score >= four and score > fours
        else 1 + (score >= two) + (score >= three)
        for name, score in scores.items()
    }  # fmt: skip


def _crisp(qualities: Mapping[str, Quality], subject: bool) -> float:
    sharp = [one.sharp for one in qualities.values() if one.subject is subject and one.sharp > 0]
    usual = float(np.percentile(sharp, RANKING.crisp_percentile)) if sharp else 0.0
    return min(max(RANKING.crisp_from, usual), RANKING.crisp_to)


def _middle(at: int, count: int) -> float:
    """1 in the middle of a burst, 0 at its ends; 1 for the frames of a burst of two."""
    return 1.0 if count <= 2 else 1 - abs(2 * at / (count - 1) - 1)


def _parts(one: Quality, crisp: float, usual: float, middle: float) -> Parts:
    """Each 0 to 1."""
    below = max(0.0, float(np.log2(max(usual, 1e-6) / max(one.level, 1e-6))) - RANKING.free_stops)
    seen = one.face * (RANKING.no_eyes + (1 - RANKING.no_eyes) * one.eyes)
    telling = _telling(one)
    empty = not one.subject and not one.blind
    return Parts(
        sharp=min(1.0, one.sharp / crisp) * (RANKING.nobody if empty else 1.0),
        face=max(seen, (1 - telling) * RANKING.untold * one.subject),
        whole=one.whole,
        size=min(1.0, one.size / RANKING.full_size),
        exposure=max(0.0, 1 - below / RANKING.dark_stops) * max(0.0, 1 - one.clipped / RANKING.blown),
        ball=one.ball,
        middle=middle,
    )


def _telling(one: Quality) -> float:
    """0 to 1, whether a face would be found if one were to be seen."""
    return one.faceless * rise(one.size, RANKING.telling_from, RANKING.telling_to)


def _beside(name: str, names: Sequence[str], qualities: Mapping[str, Quality], parts: Mapping[str, Parts]) -> str:
    """What sets a frame apart from the others of its burst, "" where nothing does that can be told from noise."""
    others = [n for n in names if n != name and qualities[n].subject is qualities[name].subject]
    if not others:
        return ""
    own, most = qualities[name].sharp, max(qualities[n].sharp for n in others)
    if most > RANKING.sharper * own:
        return "; its burst has a sharper one"
    if POINTS.exposure * (max(parts[n].exposure for n in others) - parts[name].exposure) > RANKING.exposed:
        return "; its burst has a better exposed one"
    return ", the sharpest of its burst" if own > RANKING.sharper * most else ""


def _why(one: Quality, parts: Parts, again: bool, beside: str) -> str:
    """One short phrase: what is wrong, the worst first, or what is good."""
    if one.blind:
        return f"{_told(one, parts, again, beside)} (nobody was looked for)"
    return _told(one, parts, again, beside)


def _told(one: Quality, parts: Parts, again: bool, beside: str) -> str:
    sharp = parts.sharp / (RANKING.nobody if not one.subject and not one.blind else 1.0)
    if not one.subject and not one.blind:
        return "no clear subject" if one.anybody else NOBODY
    if sharp < RANKING.said_blurred:
        return "blurred"
    dull = parts.exposure < RANKING.said_badly_exposed
    faults = (
        (one.headless, "head cut off"),
        (dull, "blown out" if one.clipped > RANKING.said_blown else "too dark"),
        (one.subject and one.face < RANKING.said_turned and _telling(one) > 0.5, _NO_FACE),
        (one.face > RANKING.said_face and one.eyes < RANKING.said_eyes, _EYES),
        (one.subject and one.whole < 1, _CUT),
        (again, AGAIN),
        (one.subject and one.size < RANKING.said_small, _SMALL),
    )
    crisp = sharp > RANKING.said_sharp
    for wrong, words in faults:
        if wrong:
            good = "sharp, but " if words in _SLIGHT else ""
            more = f", and {AGAIN}" if again and words != AGAIN else ""
            return (good if crisp else "a little soft, ") + words + more
    seen = [
        *(["face"] if one.face > RANKING.said_face else []), *(["ball"] if one.ball > RANKING.said_ball else []),
    ]  # fmt: skip
    start = "sharp" if crisp else "a little soft"
    return (f"{start}, with {' and '.join(seen)}" if seen else start) + beside
