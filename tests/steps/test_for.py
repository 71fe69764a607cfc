"""Whom a delivery is for: who is chosen, who has a folder, and who never has one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.light.scenes import ShootLight
from pipeline.people.ranking import Ranked
from pipeline.shoot.facts import Facts, FrameFacts, Player, held_back
from pipeline.steps.base import Group, SolveContext, Solved
from pipeline.steps.select import FOR, STEP, ForParams, SelectParams, SelectSolution, parted, solve, solve_for
from pipeline.types import Burst, Frame

ROSTER = (
    Player("home", "7", "Ada Holm", line=2),
    Player("home", "4", "Siv Berg", publish=False, line=3),
    Player("away", "7", "Zofia Nowak", line=4),
    Player("away", "12", "Elif Demir", line=5),
)
SEVEN, FOUR, OTHER_SEVEN = ("home", "7"), ("home", "4"), ("away", "7")
ROWS = {
    "A1": FrameFacts(players=(SEVEN,), rating=3),
    "A2": FrameFacts(players=(SEVEN, OTHER_SEVEN), rating=5),
    "A3": FrameFacts(players=(OTHER_SEVEN,)),
    "A4": FrameFacts(players=(SEVEN, FOUR), rating=5),
    "B1": FrameFacts(players=(SEVEN,), rating=-1),
    "B2": FrameFacts(always=True),
    "B3": FrameFacts(players=(SEVEN,), rating=4),
}
FACTS = Facts(teams={"home": "Harbour Gulls", "away": "Mill Lane Foxes"}, roster=ROSTER, rows=ROWS)


def context(facts: Facts = FACTS, earlier: Mapping[str, Mapping[str, SelectSolution]] | None = None) -> SolveContext:
    frames = [Frame(n, Path(n), n, "raw") for n in ROWS]
    bursts = [Burst(("A1", "A2", "A3", "A4")), Burst(("B1", "B2", "B3"))]
    ranks = {
        n: Ranked(90.0 - i, i + 1, len(b.frames), 3, f"number {i + 1}") for b in bursts for i, n in enumerate(b.frames)
    }

    def none() -> ShootLight:
        raise AssertionError("choosing needs no light")

    return SolveContext(frames, bursts, facts, {}, none, lambda: {}, lambda: ranks, earlier or {})


def chosen(solved: Solved) -> list[str]:
    """What may go out: held frames are taken out by the planner whatever a step says."""
    held = {name for name, row in ROWS.items() if FOUR in row.players}
    return [name for name, one in solved.by_frame.items() if one.chosen and name not in held]


def for_(facts: Facts = FACTS, **params: object) -> Solved:
    return solve_for(context(facts), ForParams.model_validate(params))


def test_a_player_gets_the_frames_that_name_that_player_and_no_other() -> None:
    assert chosen(for_(player="home 7")) == ["A1", "A2", "B3"]
    assert chosen(for_(player="Ada Holm")) == ["A1", "A2", "B3"]
    assert chosen(for_(player=["away 7"])) == ["A2", "A3"]
    assert chosen(for_(player="home 7; away 7")) == ["A1", "A2", "A3", "B3"]
    assert chosen(for_(team="Mill Lane Foxes")) == ["A2", "A3"]


def test_keep_always_brings_nobody_a_picture_of_others() -> None:
    assert "B2" not in chosen(for_(player="home 7"))
    assert "B2" not in chosen(for_(rating=4))
    assert chosen(for_(total=1)) == ["B2"]  # where it may show anybody, it goes first


def test_what_a_person_marked_for_somebody() -> None:
    rows = {
        **ROWS,
        "A1": replace(ROWS["A1"], marks=("Paper", "club page")),
        "A4": replace(ROWS["A4"], marks=("paper",)),
    }
    facts = replace(FACTS, rows=rows)
    assert chosen(for_(facts, marked="paper")) == ["A1"]  # A4 is held
    assert chosen(for_(facts, marked="Club page; sponsor")) == ["A1"]
    assert chosen(for_(facts, marked="paper", player="away 7")) == []


def test_a_mark_that_names_a_withheld_player_holds_the_frame() -> None:
    """As the same words under `words` would: whom a picture is for is often whom it shows."""
    assert held_back(FACTS, FrameFacts(marks=("Berg family",))) and held_back(FACTS, FrameFacts(marks=("Siv Berg",)))
    assert not held_back(FACTS, FrameFacts(marks=("paper",)))
    assert held_back(FACTS, FrameFacts(marks=("Berg family",), players=(SEVEN,)))  # a surname that no player there has
    assert not held_back(FACTS, FrameFacts(marks=("Holm family",), players=(SEVEN,)))


def test_the_papers_few_are_the_rated_ones_and_no_more_than_asked_for() -> None:
    assert chosen(for_(rating=4)) == ["A2", "B3"]
    assert chosen(for_(rating=3, total=1)) == ["A2"]


def test_what_the_shared_select_leaves_out_is_for_nobody_and_takes_no_place() -> None:
    left = {"select": {name: SelectSolution(name != "A2", "" if name != "A2" else "left out") for name in ROWS}}
    solved = solve_for(context(earlier=left), ForParams(rating=3, total=1))
    assert chosen(solved) == ["B3"]
    assert solved.by_frame["A2"].why == "left out"
    own = solve(context(earlier=left), SelectParams(best=1))
    assert not own.by_frame["A2"].chosen


def test_each_player_who_may_be_named_has_a_folder() -> None:
    groups = parted(ForParams(each="player", total=2), FACTS)
    assert [group for group, _ in groups] == [Group("home", "7"), Group("away", "7")]  # 12 is in no frame, 4 may not
    assert chosen(solve_for(context(), groups[0][1])) == ["A2", "B3"]  # two in this folder
    assert chosen(solve_for(context(), groups[1][1])) == ["A2", "A3"]
    assert [g for g, _ in parted(ForParams(each="player", team=("away",)), FACTS)] == [Group("away", "7")]
    assert [g for g, _ in parted(ForParams(each="team"), FACTS)] == [Group("home"), Group("away")]


def test_minors_have_no_folder_each_and_what_says_so_names_nobody() -> None:
    facts = replace(FACTS, minors=True)
    params = ForParams(each="player")
    assert parted(params, facts) == [(None, params)]
    solved = for_(facts, each="player")
    assert chosen(solved) == []
    assert "minors: true" in solved.notices[0]
    assert not any(player.name in text for text in solved.notices for player in ROSTER)
    assert [g for g, _ in parted(ForParams(each="team"), facts)] == [Group("home"), Group("away")]


def test_before_anybody_is_named_there_is_no_folder_and_a_notice() -> None:
    facts = replace(FACTS, rows={name: FrameFacts() for name in ROWS})
    assert [group for group, _ in parted(ForParams(each="player"), facts)] == [None]
    solved = for_(facts, each="player")
    assert chosen(solved) == [] and "fill in players" in solved.notices[0]


def test_a_delivery_for_a_withheld_player_says_so_without_name_and_number() -> None:
    (text,) = for_(player="home 4").notices
    assert "publish: no" in text and "line 3" in text and "Berg" not in text and "home 4" not in text


@pytest.mark.parametrize(
    ("params", "said"),
    [({"player": "home 99"}, "home 99 is not in the roster"), ({"team": "Otters"}, "no team Otters"),
     ({"player": "home 7; Ola"}, "Ola")],
)  # fmt: skip
def test_who_is_not_known_is_refused(params: dict[str, str], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parted(ForParams.model_validate(params), FACTS)


def test_where_choosing_fails_only_what_a_person_chose_of_these_people_goes_out() -> None:
    assert FOR.fallback is not None and STEP.fallback is not None
    solved = FOR.fallback(context(), ForParams(player=("home 7",), rating=4))
    assert chosen(solved) == ["A2", "B3"]
    assert chosen(FOR.fallback(context(), ForParams(marked=("paper",), rating=4))) == []
    assert "B2" in chosen(STEP.fallback(context(), SelectParams()))
    whose = {one.why.partition(" ")[0] for one in solved.by_frame.values() if not one.chosen}
    assert whose == {"for"}  # which of the two steps failed
