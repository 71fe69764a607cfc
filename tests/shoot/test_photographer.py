"""A photographer whose name is one slip, or an initial, from that of a child who must not be shown. All are made up."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.shoot.consent import named_by_own_texts
from pipeline.shoot.facts import Facts, FrameFacts, Player
from pipeline.shoot.photographer import NO_CREDITS, Credits, Mention, usual_credits
from pipeline.types import Frame
from tests.shoot.test_consent import frame
from tests.shoot.text_places import PROPERTIES, XMP, packet

SIRI = Player("home", "7", "Siri Fjellheim", publish=False, line=3)
FACTS = Facts(roster=(SIRI, Player("home", "8", "Marit Dahl", line=4)), creator="Siri Fjelheim, Harbour Press")
BY = "Photo: Siri Fjelheim"
MANY = 20  # frames of one camera: two bursts of it may all show one child


def night(folder: Path, *texts: str, where: str = "Xmp_dc_description") -> list[Frame]:
    frames = [frame(folder, f"TH1_{at:04d}", **({where: text} if where else {})) for at, text in enumerate(texts, 1)]
    for one, text in zip(frames, () if where else texts, strict=False):  # a comment, as a camera writes into every file
        data = one.path.read_bytes()
        one.path.write_bytes(
            data[:2] + b"\xff\xfe" + (len(text.encode()) + 2).to_bytes(2, "big") + text.encode() + data[2:]
        )
    return frames


def test_a_photographer_with_nearly_a_childs_name_holds_no_night(tmp_path: Path) -> None:
    frames, said = night(tmp_path, *[BY] * (MANY - 1), f"A save. {BY}"), list[str]()
    assert named_by_own_texts(FACTS, frames, said) == {}
    assert len(said) == 1 and "(line 3). The texts of all 20 frames of one camera have it" in said[0]
    assert "Siri" not in said[0] and "Fjel" not in said[0]
    assert named_by_own_texts(FACTS, night(tmp_path, "Harbour Press desk", *["a save"] * MANY)) == {}
    frames = night(tmp_path, *[BY] * (MANY - 1), f"A save. {BY}")
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


@pytest.mark.parametrize(
    ("creator", "credit"),
    [
        ("Sven Fjellheim", "Photo: S. Fjellheim"),
        ("FJELLHEIM Sven", "© Fjellheim, S."),
        ("Fjellheim, Sven", "Foto: S Fjellheim"),
        ("Fjellheim, S.", "foto: s.fjellheim"),
    ],
)
def test_initials_are_a_credit_of_who_has_them_under_creator(tmp_path: Path, creator: str, credit: str) -> None:
    father, said = replace(FACTS, creator=creator), list[str]()
    assert named_by_own_texts(father, night(tmp_path, *[f"A save. {credit}"] * MANY), said) == {}
    assert len(said) == 1 and "(line 3). The texts of all 20 frames of one camera have it" in said[0]
    unsaid = named_by_own_texts(replace(FACTS, creator="Harbour Press"), night(tmp_path, *[credit] * MANY))
    assert len(unsaid) == MANY and all(why.endswith("write it under creator in shoot.yaml") for why in unsaid.values())
    few = named_by_own_texts(replace(FACTS, creator=""), night(tmp_path, *[credit] * MANY)[1:])
    assert len(few) == MANY - 1 and not any("creator" in why for why in few.values())


@pytest.mark.parametrize(
    ("credit", "shows"),
    [
        ("Photo: S. Fjellheim", "S. Fjellheim scores"),  # as often as in the others: the words beside it tell
        ("Photo: S. Fjellheim", "S. Fjellheim"),
        ("A save. Photo S. Fjellheim", "S. Fjellheim scores"),
        ("Photo by S. Fjellheim", "A save by S. Fjellheim"),
        ("Photo by S. Fjellheim", "Photo by S. Fjellheim. A save by S. Fjellheim"),
        ("(c) S. Fjellheim", "Saved, S. Fjellheim"),
    ],
)
def test_in_other_words_than_those_of_the_others_it_is_the_child(tmp_path: Path, credit: str, shows: str) -> None:
    for creator in ("Sven Fjellheim", "S. Fjellheim"):
        frames = night(tmp_path, *[credit] * MANY, shows)
        held = named_by_own_texts(replace(FACTS, creator=creator), frames)
        assert list(held) == ["TH1_0021"] and "creator in shoot.yaml;" not in held["TH1_0021"]


def test_what_follows_a_credit_may_be_what_all_frames_have_and_never_what_most_have(tmp_path: Path) -> None:
    facts, press = replace(FACTS, creator="Sven Fjellheim"), "S. Fjellheim photography"
    assert named_by_own_texts(facts, night(tmp_path, *[press] * MANY)) == {}
    by = night(tmp_path, *["Photo: S. Fjellheim"] * MANY, "Photo: S. M. Fjellheim")
    assert "TH1_0021" in named_by_own_texts(facts, by)


def test_what_most_frames_of_a_camera_have_is_a_credit_and_no_second_one_in_some() -> None:
    def told(*said: str) -> Credits:
        after = {one: one.partition("S. Fjellheim ")[2] for one in said}
        return Credits(len(said), Counter(Mention("", one, after[one]) for one in said), frozenset())

    def held(*frames: Credits) -> int:
        usual = usual_credits(frames)
        return sum(not usual.excuses(one) for one in frames)

    by, save, scores = told("photo: S. Fjellheim"), told("save by S. Fjellheim"), told("S. Fjellheim scores")
    assert held(*[by] * MANY, save) == 1
    assert held(*[by] * (MANY - 1), save) == MANY  # too few that agree
    assert held(*[by] * (MANY + 1), *[save] * MANY) == MANY  # those that fewer have
    assert held(*[by] * MANY, NO_CREDITS) == MANY  # who took them would be in all
    assert held(*[by] * 5, *[scores] * MANY) == MANY + 5
    assert held(*[by] * 5, *[by.with_those(save)] * MANY) == MANY


def all_held_as_bare(facts: Facts, frames: list[Frame]) -> bool:
    said = list[str]()
    held = named_by_own_texts(facts, frames, said)
    told = len(said) == 1 and "frames whose texts have it are held back" in said[0]
    return told and len(held) == len(frames) and all("take them out there" in why for why in held.values())


@pytest.mark.parametrize(
    "shows",
    [
        "S. Fjellheim",
        "Handball, S. Fjellheim",
        "S. Fjellheim scores",
        "A save by S. Fjellheim",
        "Im Bild: S. Fjellheim",
        "Photo of S. Fjellheim",
        "Picture: S. Fjellheim scores",
        "Foto: S. Fjellheim (nr 9)",
        "S. Fjellheim Photo: Harbour Press",
        "S. Fjellheim. Photo: S. Fjellheim",
    ],
)
def test_a_caption_of_all_frames_is_of_whom_they_show(tmp_path: Path, shows: str) -> None:
    """A parent's night may be of one child alone, captioned at once."""
    father = replace(FACTS, creator="Sven Fjellheim")
    assert all_held_as_bare(father, night(tmp_path, *[shows] * MANY))


@pytest.mark.parametrize("field", ["dc_subject", "dc_title", "photoshop_Headline", "Caption", "Keywords"])
def test_so_is_each_field_that_says_what_is_shown(tmp_path: Path, field: str) -> None:
    where = f"Xmp_{field}" if "_" in field else f"Iptc_Application2_{field}"
    assert all_held_as_bare(FACTS, night(tmp_path, *["Siri Fjelheim"] * MANY, where=where))


@pytest.mark.parametrize(
    "credit",
    [
        "S. Fjellheim photography",
        "A save.\nPhoto by S. Fjellheim on a Friday",
        "(Foto: S. Fjellheim)",
        "A save ©S. Fjellheim all rights reserved",
        "Copyright S. Fjellheim, all rights reserved",
        "Copyright: S. Fjellheim all rights reserved",
        "Photo: S. Fjellheim for Harbour Press",
        "Photo: S. Fjellheim (Harbour Press)",
        "Photo: S. Fjellheim\na save",
    ],
)
def test_a_text_that_says_who_took_it_holds_no_night(tmp_path: Path, credit: str) -> None:
    father = replace(FACTS, creator="Sven Fjellheim")
    assert named_by_own_texts(father, night(tmp_path, *[credit] * MANY)) == {}


def test_what_a_camera_writes_into_all_its_files_may_be_the_bare_name(tmp_path: Path) -> None:
    father = replace(FACTS, creator="Sven Fjellheim")
    frames = night(tmp_path, *["S. Fjellheim"] * MANY, where="")
    hers = frame(tmp_path, "hers", Xmp_dc_description="S. Fjellheim")
    assert named_by_own_texts(father, frames) == {}
    assert list(named_by_own_texts(father, [*frames, hers])) == ["hers"]
    files = [frame(tmp_path, f"S_Fjellheim_{at:04d}") for at in range(MANY)]
    assert named_by_own_texts(father, files) == {}


@pytest.mark.parametrize("field", ["PersonInImage", "PersonInImageWDetails", "face region"])
def test_whom_a_field_says_it_shows_did_not_take_it(tmp_path: Path, field: str) -> None:
    """A parent's night may be of one child alone, whose initial and surname are the parent's."""
    father, said = replace(FACTS, creator="Sven Fjellheim"), "Photo: S. Fjellheim"
    for number, other in enumerate(({}, {"Iptc_Application2_Caption": said})):
        frames = [frame(tmp_path, f"TH{number}_{at}", **other) for at in range(MANY)]
        for one in frames:
            data = XMP + packet(PROPERTIES[field].format("S. Fjellheim")).encode()
            whole = one.path.read_bytes()
            one.path.write_bytes(whole[:2] + b"\xff\xe1" + (len(data) + 2).to_bytes(2, "big") + data + whole[2:])
        assert len(named_by_own_texts(father, frames)) == MANY


@pytest.mark.parametrize("credit", ["a save", "Photo: S. Fjellheim"])
def test_whoever_else_is_in_it_initials_in_other_words_are_the_childs(tmp_path: Path, credit: str) -> None:
    texts = [*[credit] * MANY, "Marit Dahl passes to S. Fjellheim", "Photo: S. Fjellheim"]
    father = replace(FACTS, creator="Sven Fjellheim")
    father = replace(father, rows={f"TH1_00{at}": FrameFacts(players=(("home", "8"),)) for at in (21, 22)})
    held = named_by_own_texts(father, night(tmp_path, *texts))
    assert list(held) == ["TH1_0021", "TH1_0022"][: 1 + (credit == "a save")]
    assert "take them out there" in held["TH1_0021"] and "Fjellheim" not in held["TH1_0021"]
    assert credit == "Photo: S. Fjellheim" or "take them out of that text" in held["TH1_0022"]


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


def test_a_name_that_is_a_childs_to_the_letter_is_no_photographers_by_being_in_all_frames(tmp_path: Path) -> None:
    held = named_by_own_texts(replace(FACTS, creator=""), night(tmp_path, *["Photo: Siri Fjellheim"] * MANY))
    assert len(held) == MANY and not any("creator" in why for why in held.values())


def test_where_only_some_have_it_these_are_held_unless_a_person_wrote_who_is_in_them(tmp_path: Path) -> None:
    frames, said = night(tmp_path, *[BY] * MANY, "a save"), list[str]()
    held = named_by_own_texts(FACTS, frames, said)
    assert list(held) == [f"TH1_{at:04d}" for at in range(1, MANY + 1)] and "write under players" in held["TH1_0001"]
    assert len(said) == 1 and "not all 20 or more" in said[0]
    written = replace(FACTS, rows={"TH1_0002": FrameFacts(players=(("home", "8"),))})
    assert set(held) - set(named_by_own_texts(written, frames)) == {"TH1_0002"}
