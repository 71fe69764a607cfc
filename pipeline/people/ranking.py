"""How good each frame of a shoot is, from what was measured of each: a score made of named parts, its place in its
burst, a rating to suggest, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from pipeline.people.belonging import rise
from pipeline.people.moments import better_ones, same_view
from pipeline.people.quality import POINTS, RANKING, SHOWS, Parts, Quality, empty, reason, set_apart, sharper, telling
from pipeline.textfile.messages import spelled
from pipeline.types import Burst


@dataclass(frozen=True, slots=True)
class Ranked:
    """score 0 to 100; place in the burst from 1, by score, and of how many; rating 1 to 5 to suggest; why, in words.

    rating 0: a reference, such as a chart, or a frame that shows nothing, which is not rated
    moment  a number that near-duplicates of one moment share over the shoot, from 1; 0 where it is not known
    blank   it shows next to nothing, and is suggested for nothing
    card    it shows a card or a chart, or may: it is not suggested either
    """

    score: float
    place: int
    of: int
    rating: int
    why: str
    moment: int = 0
    blank: bool = False
    card: bool = False


REFERENCE = Ranked(0.0, 1, 1, 0, "card or chart, not rated", card=True)


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
    qualities |= {n: one for names in grouped for n, one in _beside(_alike([(n, qualities[n]) for n in names]))}
    crisp = {kind: _crisp(qualities, kind) for kind in (True, False)}
    usual = _usual(qualities)
    parts: dict[str, Parts] = {}
    for names in grouped:
        seen = [qualities[n] for n in names]
        own = [_parts(one, crisp[one.subject], usual, _middle(at, len(names))) for at, one in enumerate(seen)]
        parts |= zip(names, _steadied(own, seen), strict=True)
    points = {name: round(_score(one, qualities[name], usual), 1) for name, one in parts.items()}
    looks = {name: look for name in parts if (look := qualities[name].look) is not None}
    better = better_ones(grouped, looks, points, held)
    more = _beyond_two(better, points, held, grouped)
    scores: dict[str, float] = {}
    for names in grouped:
        best = max((points[n] for n in names), default=0.0)
        for n in names:
            score = points[n] - RANKING.behind * (best - points[n]) - (RANKING.again if n in better else 0.0)
            scores[n] = round(max(0.0, _below_four(score) if n in more else score), 1)
    for n, second in more.items():  # what was passed over as a neighbour of the best goes after the second
        if points[n] >= points[second]:
            scores[n] = round(max(0.0, min(scores[n], scores[second] - 0.1)), 1)
    ratings = _ratings(scores, better)
    moments: dict[str, int] = {}
    alike = Counter(one for name, one in better.items() if name not in held)
    for burst, names in zip(bursts, grouped, strict=True):
        blanks = sum(result[n].blank for n in burst.frames if n in result)
        middle = (len(names) - 1) / 2
        order = sorted(range(len(names)), key=lambda i: (-scores[names[i]], abs(i - middle), i))
        places = {names[i]: place for place, i in enumerate(order, 1)}
        shown = [n for n in names if n not in held]
        for n in names:
            moment = moments.setdefault(better.get(n, n), len(moments) + 1) if n in looks else 0
            before = [(qualities[other], parts[other]) for other in shown if places[other] < places[n]]
            after = [(qualities[other], parts[other]) for other in shown if places[other] > places[n]]
            beside = "" if n in alike else set_apart(qualities[n], parts[n], before, after)
            soft = any(sharper(other, qualities[n], 1 / RANKING.as_sharp_from) for other, _ in before)
            why = reason(qualities[n], parts[n], n in better, beside, soft)
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


def _score(parts: Parts, one: Quality, usual: _Usual) -> float:
    sharp = parts.sharp / (RANKING.nobody if empty(one) else 1.0)
    sharp /= RANKING.hidden if one.guessed else 1.0
    left = _left(rise(sharp, RANKING.spoilt_from, RANKING.spoilt_to))
    lit, unburnt = rise(_lit(one, usual), 0, RANKING.dim), rise(_unburnt(one), 0, RANKING.said_badly_exposed)
    left *= _left(min(lit, unburnt)) * (1 - (1 - RANKING.beheaded) * max(one.headless, one.cheek))
    if one.subject:
        left *= RANKING.tiny + (1 - RANKING.tiny) * rise(one.size, RANKING.tiny_from, RANKING.tiny_to)
    return left * _sum(parts, one)


def _beyond_two(
    better: Mapping[str, str], points: Mapping[str, float], held: Collection[str], bursts: Sequence[Sequence[str]]
) -> dict[str, str]:
    """The frames of a moment beside the best and the second, which a person may choose instead; for each the second.

    The second is of another instant where one is hardly worse: who asks for two of a burst wants no two neighbours.
    """
    place = {name: (burst, at, len(names)) for burst, names in enumerate(bursts) for at, name in enumerate(names)}

    def beside(name: str, other: str) -> bool:
        (burst, at, count), (burst2, at2, _) = place[name], place[other]
        return burst == burst2 and abs(at - at2) < max(2, count // RANKING.instants)

    of: dict[str, list[str]] = {}
    for name in sorted(better, key=lambda n: (n in held, -points[n], n)):
        of.setdefault(better[name], []).append(name)
    found: dict[str, str] = {}
    for best, names in of.items():
        least = points[names[0]] - RANKING.hardly
        as_good = [n for n in names if points[n] >= least and (n in held) is (names[0] in held)]
        second = next((n for n in as_good if not beside(n, best)), names[0])
        found |= {n: second for n in names if n != second}
    return found


def _below_four(score: float) -> float:
    """A score below what is rated 4, in the same order."""
    _, three, four, _ = RANKING.ratings
    return min(score, three + (score - three) * (four - three) / (100 - three))


def _left(good: float) -> float:
    return RANKING.spoilt + (1 - RANKING.spoilt) * good


def _sum(parts: Parts, one: Quality) -> float:
    always = POINTS.sharp * parts.sharp + POINTS.exposure * parts.exposure + POINTS.peak * parts.peak
    if one.blind:  # what only a detector could tell is left out of the hundred
        return 100 * always / (POINTS.sharp + POINTS.exposure + POINTS.peak)
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


def _alike(burst: Sequence[tuple[str, Quality]]) -> list[tuple[str, Quality]]:
    """The frames of one burst, less what is seen in few of them by chance: a tiny subject that less than half of them
    have is nobody's in particular, and who is not seen in a frame that is blurred all over is blurred, not hidden."""
    have = [one for _, one in burst if one.subject]
    chance = 2 * len(have) < len(burst) and all(one.size < RANKING.tiny_from for one in have)

    def beside(one: Quality) -> float:
        """What is left of the sharpness of the frames with the same view, 0 to 1."""
        most = max((q.scene[0] for _, q in burst if same_view(q.look, one.look)), default=0.0)
        return one.scene[0] / most if most > 0 else 1.0

    def told(one: Quality) -> Quality:
        if one.subject and chance:
            return Quality(
                False, one.scene[0], 0, 0, 0, 0, one.level, one.clipped, one.blind, look=one.look, edges=one.scene[1],
                scene=one.scene,
            )  # fmt: skip
        if one.guessed and (left := beside(one)) < RANKING.as_sharp_from:
            return replace(one, guessed=False, sharp=min(one.sharp, left * max(q.sharp for q in have)))
        return one

    return [(name, told(one)) for name, one in burst]


def _beside(burst: Sequence[tuple[str, Quality]]) -> list[tuple[str, Quality]]:
    """The frames of one burst, with what the others say of faces and eyes that are not seen in one: of the same person
    in like light and noise, so that nothing rests on how bright skin is."""

    def told(at: int) -> Quality:
        one = burst[at][1]
        others = [q for k, (_, q) in enumerate(burst) if k != at and q.subject and not q.guessed]
        others = [q for q in others if RANKING.as_light * q.level <= one.level]
        found = [q.evidence for q in others if q.evidence is not None]
        if one.evidence is not None and found:
            usual = float(np.median(found))
            if usual >= RANKING.known and one.evidence < min(usual - RANKING.lost, RANKING.unseen):
                one = replace(one, face=0.0, faceless=1.0)
        # Blur takes the dark from eyes too.
        eyes = [q.contrast for q in others if q.contrast is not None and one.sharp >= RANKING.as_sharp_from * q.sharp]
        if one.contrast is not None and eyes:
            usual = float(np.median(eyes))
            if usual >= RANKING.dark_eyes and one.contrast < RANKING.eyes_lost * usual:
                one = replace(one, eyes=0.0)
        return one

    return [(name, told(at)) for at, (name, _) in enumerate(burst)]


def _crisp(qualities: Mapping[str, Quality], subject: bool) -> tuple[float, float]:
    """What counts as fully sharp, of edges and of contrast."""
    like = [one for one in qualities.values() if one.subject is subject]
    edges = [one.edges for one in like if one.edges is not None]
    sharp = [one.sharp for one in like if one.sharp > 0]
    usual = [float(np.percentile(v, RANKING.crisp_percentile)) if v else 0.0 for v in (edges, sharp)]
    return (
        min(max(RANKING.edges_from, usual[0]), RANKING.edges_to),
        min(max(RANKING.crisp_from, usual[1]), RANKING.crisp_to),
    )


def _sharp(one: Quality, crisp: tuple[float, float]) -> float:
    """0 to 1, how sharp a frame is for the shoot."""
    contrast = min(1.0, one.sharp / crisp[1])
    return contrast if one.edges is None else (contrast + rise(one.edges, RANKING.no_edges, crisp[0])) / 2


def _middle(at: int, count: int) -> float:
    """1 in the middle of a burst, 0 at its ends; 1 for the frames of a burst of two."""
    return 1.0 if count <= 2 else 1 - abs(2 * at / (count - 1) - 1)


class _Usual(NamedTuple):
    """How bright a shoot is: what is around people, and the highlights of people, see Quality."""

    level: float
    people: float


def _usual(qualities: Mapping[str, Quality]) -> _Usual:
    levels = [one.level for one in qualities.values()] or [1.0]
    people = [one.people_level for one in qualities.values() if one.people_level > 0] or [1.0]
    return _Usual(float(np.median(levels)), float(np.median(people)))


def _lit(one: Quality, usual: _Usual) -> float:
    """0 to 1, how well a frame is lit for the shoot. Where all around people is black, they themselves tell."""
    below = _stops(usual.level, one.level)
    lit = max(0.0, 1 - max(0.0, below - RANKING.free_stops) / RANKING.dark_stops)
    black = rise(below, RANKING.black_from, RANKING.black_to)
    return max(lit, black * (1 - rise(_stops(usual.people, one.people_level), RANKING.unlit_from, RANKING.unlit_to)))


def _stops(usual: float, level: float) -> float:
    """By how many stops a level is below the usual one."""
    return float(np.log2(max(usual, 1e-6) / max(level, 1e-6)))


def _unburnt(one: Quality) -> float:
    return max(0.0, 1 - one.clipped / RANKING.blown)


def _parts(one: Quality, crisp: tuple[float, float], usual: _Usual, middle: float) -> Parts:
    """Each 0 to 1; the face without its eyes."""
    exposure = _lit(one, usual) * _unburnt(one)
    return Parts(
        sharp=_sharp(one, crisp) * (RANKING.nobody if empty(one) else 1.0),
        face=max(one.face, (1 - telling(one, exposure)) * one.subject),
        whole=one.whole,
        size=min(1.0, one.size / RANKING.full_size),
        exposure=exposure,
        ball=one.ball,
        peak=middle,
    )


def _steadied(parts: Sequence[Parts], frames: Sequence[Quality]) -> list[Parts]:
    """The parts of the frames of one burst, in order, less the differences that are the detectors' and not theirs, and
    with those that show beside the best of the burst only."""
    if not parts:
        return []
    pairs = list(zip(parts, frames, strict=True))
    best = {kind: max((f.sharp for f in frames if f.subject is kind), default=0.0) for kind in (True, False)}
    most = {kind: max((p.sharp for p, f in pairs if f.subject is kind), default=0.0) for kind in (True, False)}
    seen = [one.subject and not one.guessed for one in frames]
    lit = max((f.level for p, f in pairs if f.clipped < RANKING.blown and p.exposure > 0), default=0.0)
    highest = max(one.leap for one in frames)
    leap = rise(highest, RANKING.leap_from, RANKING.leap)

    def around(values: Sequence[float], at: int, trust: Sequence[float]) -> float:
        """trust  how much each frame's neighbours may go by it: what is sure of one frame says nothing of the next"""
        beside = [k for k in (at - 1, at + 1) if 0 <= k < len(values) and seen[k]]
        weights = [RANKING.neighbour * trust[k] for k in beside]
        mean = (values[at] + sum(w * values[k] for w, k in zip(weights, beside, strict=True))) / (1 + sum(weights))
        return values[at] + trust[at] * (mean - values[at]) if seen[at] else values[at]

    def steadied(at: int) -> Parts:
        one, frame = pairs[at]
        ratio = (frame.sharp + 1e-6) / (best[frame.subject] + 1e-6)  # of nothing at all, each is as much
        as_sharp = rise(ratio, RANKING.as_sharp_from, RANKING.as_sharp)
        own = one.sharp + (most[frame.subject] - one.sharp) * as_sharp
        beside = most[frame.subject] * (ratio + (1 - ratio) * as_sharp)
        below = max(0.0, _stops(lit, frame.level) - RANKING.free_stops)
        as_lit = 1 - rise(below, 0, RANKING.darker)
        worst = RANKING.said_dark
        peak = (1 - leap) * one.peak + leap * frame.leap / max(highest, 1e-6)
        eyes = RANKING.no_eyes + (1 - RANKING.no_eyes) * frame.eyes
        return replace(
            one,
            sharp=own + RANKING.beside * (beside - own),
            face=(shown[at] - max(0.0, min(surest, shown[at]) - sure[at])) * eyes,
            exposure=min(one.exposure, worst + (1 - worst) * as_lit),
            ball=around(balls, at, [1.0] * len(balls)),
            peak=peak * min(as_sharp, as_lit),
        )

    balls = [one.ball for one in parts]
    untold = [1 - telling(f, p.exposure) for p, f in pairs]
    # A face that may be there loses nothing but beside a surer one of the burst, so that nobody does whose skin the
    # detector is less sure of.
    every = range(len(parts))
    shown = [around([one.face for one in parts], at, untold) for at in every]
    faces = [max(f.face, RANKING.untold * by) for f, by in zip(frames, untold, strict=True)]
    sure = [around(faces, at, untold) for at in every]
    surest = max((sure[at] for at in every if seen[at]), default=0.0)
    return [steadied(at) for at in every]
