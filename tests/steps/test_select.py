"""Which frames a delivery holds: each parameter, what a person wrote, and the total spread over a match."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

import pytest
from pydantic import ValidationError

from pipeline.light.scenes import ShootLight
from pipeline.people.ranking import Ranked
from pipeline.shoot.facts import Facts, FrameFacts, Player, Reference
from pipeline.steps.base import SolveContext, Solved
from pipeline.steps.select import SelectParams, SelectSolution, solve
from pipeline.types import Burst, Frame

ALWAYS, NEVER, REJECTED = FrameFacts(always=True), FrameFacts(keep=False), FrameFacts(rating=-1)


def names(burst: int, count: int) -> tuple[str, ...]:
    return tuple(f"TH{burst}_{i + 1}" for i in range(count))


def select(
    sizes: Sequence[int], rows: Mapping[str, FrameFacts] | None = None, *, facts: Facts | None = None,
    scores: Mapping[str, float] | None = None, moments: Mapping[str, int] | None = None,
    blank: Collection[str] = (), poor: Collection[str] = (), cards: Collection[str] = (), **params: int,
) -> Solved:  # fmt: skip
    """select over bursts of these sizes, whose frames are the better the earlier they are, unless `scores` says so."""
    bursts = [Burst(names(i + 1, size)) for i, size in enumerate(sizes)]
    ranks = {}
    for burst in bursts:
        score = {n: (scores or {}).get(n, 90.0 - i) for i, n in enumerate(burst.frames)}
        order = sorted(burst.frames, key=lambda n: -score[n])
        for n in burst.frames:
            moment = (moments or {}).get(n, 0)
            rating, why = (0, "black, not rated") if n in blank else (1 if n in poor else 3, f"score {score[n]:g}")
            ranks[n] = Ranked(score[n], order.index(n) + 1, len(order), rating, why, moment, n in blank, n in cards)
    frames = [Frame(n, Path(n), n, "raw") for burst in bursts for n in burst.frames]

    def none() -> ShootLight:
        raise AssertionError("select needs no light")

    context = SolveContext(
        frames, bursts, facts or Facts(rows=rows or {}), {}, none, lambda: {}, lambda: ranks, {}
    )  # fmt: skip
    return solve(context, SelectParams(**params))


def chosen(solved: Solved) -> list[str]:
    return [n for n, s in solved.by_frame.items() if s.chosen]


def test_without_parameters_everything_is_delivered() -> None:
    solved = select([3, 2], {"TH1_2": REJECTED})
    assert len(chosen(solved)) == 5
    assert solved.by_frame["TH1_1"] == SelectSolution(True, "score 90")


def test_the_best_of_each_burst() -> None:
    assert chosen(select([4, 1, 3], best=1)) == ["TH1_1", "TH2_1", "TH3_1"]
    assert chosen(select([4, 1, 3], best=2)) == ["TH1_1", "TH1_2", "TH2_1", "TH3_1", "TH3_2"]
    assert chosen(select([3], best=1, scores={"TH1_3": 95})) == ["TH1_3"]
    solved = select([4], best=1)
    assert solved.by_frame["TH1_3"].why.startswith("not among the best 1 of its burst: number 3 of 4, score 88")


def test_near_duplicates_in_two_bursts_are_one_moment_unless_a_person_says_otherwise() -> None:
    """TH1_1, TH2_1 and TH2_2 show one moment, TH2_3 another: one of the three is delivered, and the next moment."""
    same = {"TH1_1": 1, "TH2_1": 1, "TH2_2": 1, "TH2_3": 2}
    better = {"TH1_1": 95.0, "TH2_1": 90, "TH2_2": 89, "TH2_3": 50}
    solved = select([1, 3], moments=same, scores=better, best=1)
    assert chosen(solved) == ["TH1_1", "TH2_3"]
    assert solved.by_frame["TH2_1"].why == "much like a better frame of another burst"
    assert chosen(select([1, 3], moments=same, scores={**better, "TH2_1": 99}, best=1)) == ["TH2_1"]
    assert chosen(select([1, 3], moments=same, scores=better, total=3)) == ["TH1_1", "TH2_3"]
    assert len(chosen(select([1, 3], moments=same, scores=better))) == 4  # nothing is asked for
    for row in (ALWAYS, FrameFacts(rating=3)):
        assert "TH2_2" in chosen(select([1, 3], {"TH2_2": row}, moments=same, scores=better, best=1))
    rows = {"TH1_1": FrameFacts(players=(("home", "7"),)), "TH2_1": FrameFacts(players=(("home", "11"),))}
    assert chosen(select([1, 3], rows, moments=same, scores=better, best=1)) == ["TH1_1", "TH2_1"]
    assert "TH2_1" in chosen(select([1, 3], {"TH1_1": NEVER}, moments=same, scores=better, best=1))
    assert len(chosen(select([2, 2], moments=dict.fromkeys(("TH1_1", "TH1_2"), 1), best=2))) == 4  # one burst


def test_nothing_is_hidden_silently() -> None:
    """Every frame has a reason, chosen or not."""
    for params in ({}, {"best": 1}, {"total": 2}, {"rating": 3}, {"rating": 2, "best": 1, "total": 1}):
        rows = {"TH1_1": FrameFacts(rating=4), "TH2_2": ALWAYS, "TH2_1": REJECTED}
        solved = select([3, 3], rows, **params)
        assert len(solved.by_frame) == 6
        assert all(s.why for s in solved.by_frame.values())


@pytest.mark.parametrize(
    "least, names", [(-1, "12345"), (0, "2345"), (1, "345"), (3, "345"), (4, "45"), (5, "5")]
)  # fmt: skip
def test_those_with_a_rating(least: int, names: str) -> None:
    """No rating counts as none given: it passes 0 and not 1."""
    rows = {f"TH1_{i + 1}": FrameFacts(rating=r) for i, r in enumerate([-1, None, 3, 4, 5])}
    assert chosen(select([5], rows, rating=least)) == [f"TH1_{n}" for n in names]


def test_why_a_rating_does_not_do() -> None:
    solved = select([2], {"TH1_1": FrameFacts(rating=2)}, rating=3)
    assert solved.by_frame["TH1_1"].why == "rated 2, and 3 or more is asked for"
    assert solved.by_frame["TH1_2"].why == "not rated, and 3 or more is asked for"


def test_what_a_person_wrote_goes_first() -> None:
    """always is chosen, and before others; keep: no and -1 leave their place to the next; a rating beats a score."""
    assert chosen(select([4], {"TH1_3": ALWAYS}, best=1)) == ["TH1_3"]
    assert chosen(select([4], {"TH1_3": ALWAYS, "TH1_4": ALWAYS}, best=1)) == ["TH1_3", "TH1_4"]
    assert "TH1_2" in chosen(select([4], {"TH1_1": NEVER}, best=1))
    assert chosen(select([4], {"TH1_1": REJECTED}, best=1)) == ["TH1_2"]
    assert chosen(select([4], {"TH1_1": REJECTED}, total=2)) == ["TH1_2", "TH1_3"]
    assert chosen(select([4], {"TH1_4": FrameFacts(rating=5)}, best=1)) == ["TH1_4"]
    assert chosen(select([4], {"TH1_4": FrameFacts(rating=-1, always=True)}, best=1)) == ["TH1_4"]
    assert chosen(select([3], {"TH1_2": ALWAYS}, rating=4)) == ["TH1_2"]
    assert select([3], {"TH1_2": ALWAYS}, best=1).by_frame["TH1_2"].why == "frames.csv says keep: always"


def test_a_black_or_burnt_frame_is_suggested_for_nothing_unless_a_person_wants_it() -> None:
    """The lens cap was on in all of the second burst: the set has fewer pictures, and no black one."""
    cap = ("TH2_1", "TH2_2")
    for params in ({"best": 1}, {"best": 5}, {"total": 4}, {"total": 5}, {"rating": -1, "total": 5}):
        solved = select([2, 2], blank=cap, **params)
        assert not set(chosen(solved)) & set(cap)
        assert solved.by_frame["TH2_1"].why == "shows nothing: black, not rated"
    for row in (ALWAYS, FrameFacts(rating=2)):
        assert "TH2_1" in chosen(select([2, 2], {"TH2_1": row}, blank=cap, best=1))
    assert len(chosen(select([2, 2], blank=cap))) == 4  # nothing is asked for: somebody may want them
    assert len(chosen(select([2, 2], dict.fromkeys(cap, FrameFacts(rating=4)), blank=cap, rating=3))) == 2


def test_what_may_be_a_chart_is_suggested_for_nothing_unless_a_person_wants_it() -> None:
    """Nobody named it as a reference; the paper gets the match all the same."""
    for params in ({"best": 1}, {"total": 4}):
        solved = select([2, 2], cards=["TH1_1"], **params)
        assert solved.by_frame["TH1_1"] == SelectSolution(False, "may show a card or chart, not the match")
    for row in (ALWAYS, FrameFacts(rating=2)):
        assert "TH1_1" in chosen(select([2, 2], {"TH1_1": row}, cards=["TH1_1"], best=1))
    assert len(chosen(select([2, 2], cards=["TH1_1"]))) == 4  # every frame is asked for


def test_a_stretch_without_a_good_frame_gives_none_while_others_have_more() -> None:
    poor = ("TH2_1", "TH2_2", "TH3_1")
    assert chosen(select([2, 2, 1, 2], poor=poor, total=4)) == ["TH1_1", "TH1_2", "TH4_1", "TH4_2"]
    assert len(chosen(select([2, 2, 1, 2], poor=poor, total=5))) == 5  # as many as asked, where there are so many
    # Of those the best, wherever they are: a black frame fills no stretch while a dim one is left elsewhere.
    scores = {"TH1_2": 22.0, "TH1_3": 21.0, "TH2_1": 9.0, "TH3_1": 8.0}
    worst = select([3, 1, 1], poor=[*scores], scores=scores, total=3)
    assert chosen(worst) == ["TH1_1", "TH1_2", "TH1_3"]
    assert "TH2_2" in chosen(select([2, 2, 1, 2], {"TH2_2": FrameFacts(rating=3)}, poor=poor, total=3))


def test_a_reference_card_is_no_picture_of_the_match() -> None:
    facts = Facts(references=(Reference("TH1_1", patch="auto"),))
    solved = select([1, 2], facts=facts, best=1)
    assert chosen(solved) == ["TH2_1"]
    assert "reference" in solved.by_frame["TH1_1"].why
    facts = Facts(references=(Reference("TH1_1", patch="auto"),), rows={"TH1_1": ALWAYS})
    assert chosen(select([1, 2], facts=facts, best=1)) == ["TH1_1", "TH2_1"]


def test_a_frame_that_may_not_be_shown_leaves_its_place_to_the_next() -> None:
    """A player with publish: no is in the best frame: it goes into no delivery, and the burst has its second best."""
    facts = Facts(
        roster=(Player("home", "4", "Tuva Rønning", publish=False, line=4),),
        rows={"TH1_1": FrameFacts(players=(("home", "4"),)), "TH2_1": FrameFacts(words="Tuva Rønning shoots")},
    )
    assert set(chosen(select([3, 3], facts=facts, best=1))) >= {"TH1_2", "TH2_2"}
    assert {"TH1_2", "TH2_2"} <= set(chosen(select([3, 3], facts=facts, total=2)))
    assert "Tuva" not in str(select([3, 3], facts=facts, best=1).by_frame)


@pytest.mark.parametrize("total", [1, 2, 3, 5, 8, 10, 13, 24, 30])
def test_a_total_is_met_and_spread_over_the_match(total: int) -> None:
    """Eight bursts of three: as many as asked, and no burst has two more than another."""
    found = chosen(select([3] * 8, total=total))
    assert len(found) == min(total, 24)
    per = Counter(n.split("_")[0] for n in found)
    counts = [per.get(f"TH{i + 1}", 0) for i in range(8)]
    assert max(counts) - min(counts) <= 1
    if total < 8:  # and each stretch of the match has one: no two of neighbouring bursts but at a border of stretches
        stretches = [set(range(i * 8 // total, (i + 1) * 8 // total)) for i in range(total)]
        assert all(sum(counts[i] for i in stretch) == 1 for stretch in stretches)


def test_a_total_takes_the_best_of_each_stretch() -> None:
    scores = {"TH2_2": 99.0, "TH3_1": 97.0}
    assert chosen(select([2] * 4, total=2, scores=scores)) == ["TH2_2", "TH3_1"]


def test_always_counts_in_the_total_and_is_never_left_out() -> None:
    rows = {"TH1_3": ALWAYS, "TH1_2": ALWAYS}
    assert chosen(select([3, 3], rows, total=1)) == ["TH1_2", "TH1_3"]
    found = chosen(select([3, 3, 3], rows, total=3))
    assert len(found) == 3 and {"TH1_2", "TH1_3"} <= set(found)


def test_each_parameter_narrows_what_the_one_before_left() -> None:
    rows = {n: FrameFacts(rating=4) for n in ("TH1_2", "TH1_3", "TH2_3", "TH3_1", "TH3_2")}
    assert chosen(select([3, 3, 3], rows, rating=4, best=1)) == ["TH1_2", "TH2_3", "TH3_1"]
    found = chosen(select([3, 3, 3], rows, rating=4, best=1, total=2))
    assert len(found) == 2 and set(found) <= {"TH1_2", "TH2_3", "TH3_1"}


def test_ties_are_broken_alike_every_time() -> None:
    alike = {n: 80.0 for burst in (1, 2, 3) for n in names(burst, 4)}
    first = chosen(select([4, 4, 4], scores=alike, total=5))
    assert all(chosen(select([4, 4, 4], scores=alike, total=5)) == first for _ in range(3))


@pytest.mark.parametrize("wrong", [{"best": 0}, {"total": 0}, {"rating": 6}, {"rating": -2}, {"worst": 1}])
def test_parameters_have_their_range(wrong: dict[str, int]) -> None:
    with pytest.raises(ValidationError):
        SelectParams(**wrong)
