"""What counts of one frame before frames are compared, the rules by which it counts, and what is said of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from pipeline.imaging.blank import Blank
from pipeline.people.belonging import rise
from pipeline.people.moments import Look
from pipeline.people.subject import Subject


@dataclass(frozen=True)
class Parts:
    """The parts of a score: of a frame each 0 to 1, of POINTS how much each counts."""

    sharp: float
    face: float
    whole: float
    size: float
    exposure: float
    ball: float
    # Of the action: how high the subject leaps, and where nobody does, how near the frame is to the middle of its
    # burst, where the height of the action is more often than at its ends (common practice).
    peak: float


# A perfect frame has a hundred points. Sharpness leads, since nothing else can be repaired afterwards, and a face comes
# before a ball: common practice, no source. The numbers are chosen by eye on generated shoots and real pictures.
POINTS = Parts(sharp=38, face=18, whole=14, size=10, exposure=8, ball=8, peak=4)


@dataclass(frozen=True)
class Ranking:
    """What turns measurements into parts, scores, ratings and words.

    Chosen by eye on generated shoots and on degraded photographs, and checked with `python -m tests.crops` (same first
    place at ISO 800 and 12,800) and `pytest tests/people/test_choice.py`, where no other source stands beside a number.
    """

    crisp_percentile: float = 90  # of the sharpness of a shoot's subjects, which counts as fully sharp
    # What counts as fully sharp, at least and at most: in a shoot of blurred frames none is sharp. Of the contrast of
    # fine structure (imaging.sharpness: 0.02 is soft, 0.1 crisp), and of edges, with what is none. Their mean counts: a
    # large smooth face has little structure and sharp edges. Of 16 real people, players and faces that fill the frame,
    # edges are 0.28 to 0.76, out of focus by a 160th of their height 0.14 to 0.32 (imaging.sharpness.edges).
    no_edges: float = 0.06
    edges_from: float = 0.2
    edges_to: float = 0.36
    crisp_from: float = 0.04
    crisp_to: float = 0.14
    full_size: float = 0.6  # of the frame's height, from which a subject is as large as it need be
    # Of the frame's height: of a smaller subject a crop leaves little to print, however good the rest is. So much is
    # left of the points, and from these heights on more, up to all: who is called small in the frame is not 5.
    tiny: float = 0.5
    tiny_from: float = 0.22
    tiny_to: float = 0.4
    # Heights of the subject: a box that ends as near to a side of the frame, and whose reach goes to `reached` of it,
    # is cut by it, from half as much to half as much again by less and less: boxes move in noise. Of a head that is
    # beyond the frame the detector leaves up to 0.034 free (seen in photographs).
    rim: float = 0.04
    reached: float = 0.01  # of the frame
    side: float = 0.6  # of `whole` left for each side of the frame that cuts the subject
    # Heights of the subject's box that its face has, over which the frame may cut shoulders and hips: heads and
    # shoulders, and players to the thigh, are framed so; where feet are cut it is less (an eighth: common practice).
    # At a side with so many widths of the face free beside it, at least.
    bust_from: float = 0.15
    bust_to: float = 0.2
    beside_from: float = 0.2
    beside_to: float = 0.5
    head: float = 0.2  # left where that is the top, and no face is seen, or where a side cuts through the face
    # Heights of a face that are free above it, over which the head is known to be in the frame; and how far the box
    # may begin above the face for the head to be what ends there, not a raised arm. Of five real portraits the rest of
    # the head takes 0.14 to 0.5.
    hair_from: float = 0.15
    hair_to: float = 0.35
    crown: float = 0.7
    # Widths of a face beside it, over which a side no longer cuts through it: detectors find half a face too.
    cheek_from: float = 0.03
    cheek_to: float = 0.12
    beheaded: float = 0.7  # of the points left where the frame cuts off the head, or a part of the face
    # Certainties of the detectors over which a face and a ball rise from 0 to 1.
    face_from: float = 0.5
    face_to: float = 0.85
    ball_from: float = 0.3
    ball_to: float = 0.7
    no_eyes: float = 0.4  # of a face left where its eyes are hidden
    # Whose face is found in the other frames of the burst, in the median, with such a certainty, and here with so much
    # less, in at least so much of their light, has it hidden or turned away here, whatever colour skin has. On seven
    # real faces, also of dark skin, also at ISO 12,800, it is 0.7 to 0.95 where that is so, and less by at most 0.25
    # from frame to frame; covered it is 0.5 at most.
    known: float = 0.7
    lost: float = 0.3
    unseen: float = 0.55  # and with no more than so much: a profile is surer
    as_light: float = 0.5
    # And whose eyes are darker than the cheeks by so much there, and here by so much of that at most, has them hidden.
    dark_eyes: float = 0.3
    eyes_lost: float = 0.5
    # Heights of the subject in frames over which a face, where there is one to see, would be found.
    telling_from: float = 0.25
    telling_to: float = 0.4
    # A face that may be there counts as so much of one beside a sure one of its burst, and alone as one: detectors miss
    # dark ones first, and those in noise.
    untold: float = 0.85
    nobody: float = 0.5  # of sharpness left where nobody is in the frame
    hidden: float = 0.5  # of sharpness left where somebody is put between two frames; that alone is no blur
    # How dark a frame is counts in stops below the shoot's median: it is lifted, and its noise with it.
    free_stops: float = 0.6  # lamps that pulse by a third take as much (common practice, no source)
    dark_stops: float = 2.6  # beyond the free ones, at which exposure is worth nothing
    # Surroundings so many stops below say nothing any more, a little and surely: a night, a black curtain. Light falls
    # on people all the same where their highlights are not so far below those of the shoot's: by less than frames are
    # that are badly under, in white kit too, and more than skin and kit reflect (common practice, no source).
    black_from: float = 3.0
    black_to: float = 4.0
    unlit_from: float = 1.5
    unlit_to: float = 2.5
    # Of being lit, below which it is dark and more and more is lost: what is around people moves a little.
    dim: float = 0.7
    blown: float = 0.25  # share of the subject that is clipped at which exposure is worth nothing
    # Nothing mends blur or burnt skin, however good the rest is: so much is left of the points, and from these shares
    # of sharpness on more, up to all.
    spoilt: float = 0.25
    spoilt_from: float = 0.35
    spoilt_to: float = 0.55
    # Within a burst: sharpness, of the sharpest, over which another becomes as sharp to a person; and what the frames
    # before and after say of the face and the ball, against one: detectors miss in a frame what they find in the next.
    as_sharp_from: float = 0.75
    as_sharp: float = 0.9
    beside: float = 0.5  # of what it lacks of the sharpest, that counts against a frame which is sharp for the shoot
    # Stops below the best lit frame of the burst, beyond the free ones, over which exposure falls to what is badly
    # exposed, however bright the shoot is; and below which the peak of the action is not taken, nor from blurred ones.
    darker: float = 0.5
    # Heights of the subject by which somebody rises over the burst, from which it is a leap a little, and surely.
    leap_from: float = 0.05
    leap: float = 0.12
    neighbour: float = 0.5
    behind: float = 0.25  # of what the best frame of the burst has more counts against a frame
    again: float = 15.0  # points off for a frame that is much like a better one; of a moment two are 4 or 5 at most
    # The second of a moment is one share in so many of the burst away from the best, two frames at least, where that
    # costs no more points than this: what one frame of a burst differs from the next by, and less than a lost face.
    instants: int = 3
    hardly: float = 6.0
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
    said_cut: float = 0.775  # of `whole`: half of what one side takes
    said_small: float = 0.3  # of the frame's height
    said_badly_exposed: float = 0.4  # of exposure, over which a burnt frame rises that is spoilt by it
    said_dark: float = 0.5  # of exposure, and what is left of it beside a frame that is much better lit
    said_blown: float = 0.08  # share of the subject that is clipped; less is called dark
    # Ratio of sharpness, and points of exposure, by which another frame of the burst is said to be better. Noise
    # changes sharpness by 1.03 (tests/test_sharpness.py).
    sharper: float = 1.05
    exposed: float = 1.0


RANKING = Ranking()


@dataclass(frozen=True, slots=True)
class Face:
    """What is known of a face: how certain the surest is; how well its eyes are seen, 0 to 1, and how dark they are,
    None without one (people.eyes); whether it was looked for closely or found; 0 to 1, that a closer look shows none;
    how tall it is, in frames, how many of its widths are free between it and the nearer side, and how many of its
    heights above it."""

    sure: float = 0.0
    eyes: float = 1.0
    contrast: float | None = None
    looked: bool = False
    none: float = 0.0
    tall: float = 0.0
    beside: float = 0.0
    above: float = 0.0


@dataclass(frozen=True, slots=True)
class Quality:
    """What counts of one frame, before frames are compared. Shares are 0 to 1.

    subject   whether there is one; without, sharp is that of the middle of the frame
    sharp     as in imaging.sharpness
    face, ball  how certain one of the subject's is; size  of the subject, in heights of the frame
    whole     1, or less where the frame itself cuts the subject
    level     brightness of what is around people, in fractions of saturation; people_level  of their highlights, 0
              without anybody
    clipped   share of the subject that is blown
    blind     there is no model file, so people were not detected
    eyes      how well the eyes of the face are seen
    faceless  0 to 1, how surely a closer look at the head shows no face either; at 0 nothing is known of it
    headless  the top of the frame cuts the subject, and no face is seen
    cheek     0 to 1, whether a side of the frame cuts through the face
    scene     sharpness of the middle of the frame, as sharp, and its edges: of frames whose subjects are not comparable
    anybody   whether somebody was found, the subject or not
    look      for finding near-duplicates, None where they are not looked for
    blank     whether the frame shows next to nothing
    guessed   the subject is not seen here: where it was before and after says where it must be
    leap      how far the subject is above the floor, see people.subject.leaps
    edges     how sharp the edges are, as in imaging.sharpness; None where there are too few to tell
    evidence  certainty of the surest face, also one too unsure for `face`; None where none was looked for closely
    contrast  how dark its eyes are, see people.eyes; None without one
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
    faceless: float = 0.0
    anybody: bool = True
    look: Look | None = field(default=None, compare=False, repr=False)
    blank: Blank = Blank.NO
    guessed: bool = False
    leap: float = 0.0
    edges: float | None = None
    evidence: float | None = None
    contrast: float | None = None
    cheek: float = 0.0
    people_level: float = 0.0
    scene: tuple[float, float | None] = (0.0, None)


def quality_of(
    subject: Subject | None,
    middle_sharp: float,
    level: float,
    clipped: float,
    blind: bool,
    *,
    face: Face = Face(),
    edges: float | None = None,
    middle_edges: float | None = None,
    anybody: bool = True,
    look: Look | None = None,
    blank: Blank = Blank.NO,
    people_level: float = 0.0,
) -> Quality:
    """The quality of one frame.

    level  of the frame, as in Quality
    middle_sharp, middle_edges, clipped  of the frame: how sharp its middle is, which share is clipped; they stand for
                                  the subject where there is none
    face                          on the subject, also one that is too large for the whole of somebody
    edges, anybody, look, blank, people_level   as in Quality
    """
    if subject is None:
        nobody = Quality(
            False, middle_sharp, 0, 0, 0, 0, level, clipped, blind, anybody=anybody, look=look, blank=blank
        )
        return replace(nobody, edges=middle_edges, people_level=people_level, scene=(middle_sharp, middle_edges))
    sure = max(subject.face_sure, face.sure)
    seen = rise(sure, RANKING.face_from, RANKING.face_to)
    box, reach = subject.box, subject.whole
    rim = RANKING.rim * (box.y1 - box.y0)
    left, right = _cut(box.x0, reach.x0, rim), _cut(1 - box.x1, 1 - reach.x1, rim)
    top, bottom = _cut(box.y0, reach.y0, rim), _cut(1 - box.y1, 1 - reach.y1, rim)
    bust = rise(face.tall / max(box.y1 - box.y0, 1e-6), RANKING.bust_from, RANKING.bust_to)
    bottom *= 1 - bust
    aside = 1 - bust * rise(face.beside, RANKING.beside_from, RANKING.beside_to)
    left, right = left * aside, right * aside
    cheek = 1 - rise(face.beside, RANKING.cheek_from, RANKING.cheek_to) if face.tall > 0 else 0.0
    if face.tall > 0 and face.above - box.y0 / face.tall < RANKING.crown:
        top *= 1 - rise(face.above, RANKING.hair_from, RANKING.hair_to)
    headless = seen == 0 and box.y0 < rim and reach.y0 < RANKING.reached
    sides = left + right + bottom + (0.0 if headless else top)
    return Quality(
        subject=True,
        sharp=subject.sharp,
        face=seen,
        ball=rise(subject.ball_sure, RANKING.ball_from, RANKING.ball_to),
        size=box.y1 - box.y0,
        whole=RANKING.side**sides * (1 - (1 - RANKING.head) * max(headless, cheek)),
        level=level,
        clipped=subject.clipped,
        eyes=face.eyes,
        headless=headless,
        faceless=face.none if seen == 0 else 0.0,
        look=look,
        blank=blank,
        guessed=subject.row is None,
        leap=subject.leap,
        edges=edges,
        evidence=sure if face.looked else None,
        contrast=face.contrast,
        cheek=cheek,
        people_level=people_level,
        scene=(middle_sharp, middle_edges),
    )


def _cut(free: float, reached: float, rim: float) -> float:
    """0 to 1, whether a side of the frame cuts somebody whose box, and reach, end so far from it."""
    near = RANKING.reached
    return (1 - rise(free, 0.5 * rim, 1.5 * rim)) * (1 - rise(reached, 0.5 * near, 1.5 * near))


def empty(one: Quality) -> bool:
    """Whether nobody is in it, though somebody was looked for."""
    return not one.subject and not one.blind


def telling(one: Quality, exposure: float) -> float:
    """0 to 1, whether a face would be found if one were to be seen: not in a frame that is spoilt for want of light.

    exposure  0 to 1, as in Parts
    """
    lit = rise(exposure, 0, RANKING.said_badly_exposed)
    return one.faceless * lit * rise(one.size, RANKING.telling_from, RANKING.telling_to)


NOBODY = "nobody in it"
AGAIN = "much like a better one"
SHOWS = {
    Blank.BLACK: "black, not rated",
    Blank.CLIPPED: "nearly all white, not rated",
    Blank.EVEN: "one even tone, not rated",
}
_NO_FACE, _EYES, _CUT, _SMALL = "face hidden or turned away", "eyes hidden", "cut by the frame", "small in the frame"
_HIDDEN = "player hidden or hardly seen"
_Other = tuple[Quality, Parts]
_CHEEK, _DIM = "face cut by the frame", "a little dark"
_SLIGHT = (_NO_FACE, _EYES, _CUT, _SMALL, _CHEEK, _DIM)  # a sharp frame may still be wanted


def set_apart(one: Quality, parts: Parts, before: Sequence[_Other], after: Sequence[_Other]) -> str:
    """What sets a frame apart from the others of its burst, "" where nothing does that can be told from noise.

    before, after  what is compared of those that are placed before and after it: it is never said to be worse than one
                   that comes after it
    """
    before, after = ([other for other in some if other[0].subject is one.subject] for some in (before, after))
    if any(sharper(other, one, RANKING.sharper) for other, _ in before):
        return "; its burst has a sharper one"
    if any(POINTS.exposure * (other.exposure - parts.exposure) > RANKING.exposed for _, other in before):
        return "; its burst has a better exposed one"
    best = after and not before and all(sharper(one, other, RANKING.sharper) for other, _ in after)
    return ", the sharpest of its burst" if best else ""


def sharper(one: Quality, other: Quality, times: float) -> bool:
    """Whether one has so many `times` the contrast of another, as place goes by too, and no edge says otherwise."""
    edges = one.edges is None or other.edges is None or one.edges >= other.edges
    return one.subject is other.subject and edges and one.sharp > times * other.sharp


def reason(one: Quality, parts: Parts, again: bool, beside: str, soft: bool) -> str:
    """One short phrase: what is wrong, the worst first, or what is good. soft: beside a better one of its burst"""
    if one.blind:
        return f"{_told(one, parts, again, beside, soft)} (nobody was looked for)"
    return _told(one, parts, again, beside, soft)


def _told(one: Quality, parts: Parts, again: bool, beside: str, soft: bool) -> str:
    sharp = parts.sharp
    if empty(one):
        return "no clear subject" if one.anybody else NOBODY
    if one.guessed:
        return _HIDDEN
    if sharp < RANKING.said_blurred:
        return "blurred"
    burnt = one.clipped > RANKING.said_blown
    dull = parts.exposure < (RANKING.said_badly_exposed if burnt else RANKING.said_dark)
    faults = (
        (one.headless, "head cut off"),
        (dull, "blown out" if burnt else "too dark"),
        (one.cheek > 0.5, _CHEEK),
        (one.subject and one.face < RANKING.said_turned and telling(one, parts.exposure) > 0.5, _NO_FACE),
        (one.face > RANKING.said_face and one.eyes < RANKING.said_eyes, _EYES),
        (one.subject and one.whole < RANKING.said_cut, _CUT),
        (parts.exposure < RANKING.dim and not burnt, _DIM),
        (again, AGAIN),
        (one.subject and one.size < RANKING.said_small, _SMALL),
    )
    crisp = sharp > RANKING.said_sharp and not soft
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
