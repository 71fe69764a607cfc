"""A photographer whose name is one slip, or an initial, from that of a child who must not be shown. All are made up."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.shoot.consent import named_by_own_texts
from pipeline.shoot.facts import Facts, FrameFacts, Player
from pipeline.types import Frame
from tests.shoot.test_consent import frame

SIRI = Player("home", "7", "Siri Fjellheim", publish=False, line=3)
FACTS = Facts(roster=(SIRI, Player("home", "8", "Marit Dahl", line=4)), creator="Siri Fjelheim, Harbour Press")
BY = "Photo: Siri Fjelheim"
MANY = 20  # frames of one camera: two bursts of it may all show one child


def night(folder: Path, *texts: str) -> list[Frame]:
    return [frame(folder, f"TH1_{at:04d}", Xmp_dc_description=text) for at, text in enumerate(texts, 1)]


def test_a_photographer_with_nearly_a_childs_name_holds_no_night(tmp_path: Path) -> None:
    frames, said = night(tmp_path, *[BY] * (MANY - 1), f"{BY} for the club"), list[str]()
    assert named_by_own_texts(FACTS, frames, said) == {}
    assert len(said) == 1 and "(line 3). The texts of all 20 frames of one camera have it" in said[0]
    assert "Siri" not in said[0] and "Fjel" not in said[0]
    assert named_by_own_texts(FACTS, night(tmp_path, "Harbour Press desk", *["a save"] * MANY)) == {}
    frames = night(tmp_path, *[BY] * (MANY - 1), f"{BY} for the club")
    # Who says nothing of it is told what to say, once: the same of each frame.
    unsaid = named_by_own_texts(replace(FACTS, creator=""), frames, said)
    assert len(unsaid) == MANY and len(said) == 1
    assert all(why.endswith("write it under creator in shoot.yaml") for why in unsaid.values())
    # Fewer frames may all show the child.
    assert (
        len(named_by_own_texts(FACTS, frames[:-1], said)) == MANY - 1
        and "frames whose texts have it are held" in said[1]
    )


def test_initials_of_a_relative_who_photographs_hold_no_night(tmp_path: Path) -> None:
    frames = night(tmp_path, *["(c) S. Fjellheim"] * MANY)
    assert len(named_by_own_texts(FACTS, frames)) == MANY
    assert named_by_own_texts(replace(FACTS, creator="S. Fjellheim"), frames) == {}


def test_a_first_name_beside_a_relatives_initials_is_the_childs(tmp_path: Path) -> None:
    hers = ("Siri S. Fjellheim", "S. Fjellheim, Siri", "(c) S. Fjellheim, Siri")
    frames = night(tmp_path, *["(c) S. Fjellheim"] * MANY, *hers)
    held = named_by_own_texts(replace(FACTS, creator="S. Fjellheim"), frames)
    assert list(held) == ["TH1_0021", "TH1_0022", "TH1_0023"]


@pytest.mark.parametrize(
    "shows",
    [
        "Siri Fjellheim scores",  # her name
        f"{BY}. Siri Fjellheim scores",
        f"{BY}. Siri Fjellhem scores",  # mistyped otherwise
        f"{BY}. Siri Fjelheim scores",  # mistyped just as the photographer is called
        f"{BY}. S. Fjellheim scores",
        f"Siri Fjellheim. {BY}, Siri Fjelheim",
    ],
)
def test_a_child_is_let_through_by_no_photographer(tmp_path: Path, shows: str) -> None:
    frames = night(tmp_path, *[BY] * MANY, shows, BY)
    assert "TH1_0021" in named_by_own_texts(FACTS, frames)


def test_a_photographer_who_is_called_as_a_child_is_excuses_nothing(tmp_path: Path) -> None:
    for creator in ("Siri Fjellheim", "Siri Fjelheim, Siri Fjellheim", "Siri", ""):
        assert len(named_by_own_texts(replace(FACTS, creator=creator), night(tmp_path, *[BY] * MANY))) == MANY


def test_where_only_some_have_it_these_are_held_unless_a_person_wrote_who_is_in_them(tmp_path: Path) -> None:
    frames, said = night(tmp_path, *[BY] * MANY, "a save"), list[str]()
    held = named_by_own_texts(FACTS, frames, said)
    assert list(held) == [f"TH1_{at:04d}" for at in range(1, MANY + 1)] and "write under players" in held["TH1_0001"]
    assert len(said) == 1 and "not all 20 or more" in said[0]
    written = replace(FACTS, rows={"TH1_0002": FrameFacts(players=(("home", "8"),))})
    assert set(held) - set(named_by_own_texts(written, frames)) == {"TH1_0002"}
