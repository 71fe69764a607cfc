"""Names of delivered files. The people are made up.

What systems refuse: Microsoft, "Naming Files, Paths, and Namespaces" (reserved names and characters, trailing dots and
spaces); POSIX.1-2024, 3.170 (slash and NUL); 255 units a name: ext4, NTFS, APFS (common practice, no source).
"""

from __future__ import annotations

import random
import re
import unicodedata
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from pipeline.captions.filename_template import NAME_FIELDS, check_name
from pipeline.engine.filenames import LENGTH_LIMIT, file_names, holds_withheld
from pipeline.errors import InputError
from pipeline.shoot.facts import Facts, FrameFacts, Player
from pipeline.types import Exif, Frame

WINDOWS = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in "0123456789¹²³")}
FACTS = Facts(
    title="Town cup, semi-final",
    teams={"home": "Harbour Gulls", "away": "Mill Lane Foxes"},
    city="Westerby",
    start=datetime.fromisoformat("2026-02-14T19:30:00+01:00"),
    roster=(
        Player("home", "7", "Łucja Żółkiewska", True, 2),
        Player("away", "12", "Ida Marlow", False, 3),
        Player("away", "4", "王小雨", False, 4),
    ),
    rows={
        "TH1_0001": FrameFacts(players=(("home", "7"), ("away", "12"))),
        "TH1_0002": FrameFacts(players=(("away", "12"),)),
    },
)


def frame(name: str, **exif: object) -> Frame:
    return Frame(name, Path(name), name, "raw", Exif(**exif))  # type: ignore[arg-type]


FRAMES = [frame("TH1_0001", time=datetime(2026, 2, 14, 19, 31, 5)), frame("TH1_0002"), frame("card2/TH1_0002")]


def assert_safe(names: dict[str, str], count: int) -> None:
    assert len(names) == count
    folded = {unicodedata.normalize("NFD", unicodedata.normalize("NFD", n).casefold()) for n in names.values()}
    assert len(folded) == count
    for name in names.values():
        assert name and not re.search(r'[<>:"/\\|?*\x00-\x1f\x7f]', name)
        assert name[0] not in "-. " and name[-1] not in ". "
        assert name.split(".")[0].casefold() not in WINDOWS
        assert len(f"{name}.jpg".encode()) < 143
        assert unicodedata.normalize("NFC", name) == name
        assert not any(unicodedata.category(c)[0] in "CZ" for c in name)


def test_a_template_of_facts() -> None:
    names = file_names(FRAMES, FACTS, "{{ date }} {{ event }} {{ team }} {{ number }} {{ players }} {{ frame }}")
    assert list(names.values()) == [
        "2026-02-14_Town_cup_semi-final_Harbour_Gulls-Mill_Lane_Foxes_7_Łucja_Żółkiewska_TH1_0001",
        "2026-02-14_Town_cup_semi-final_Mill_Lane_Foxes_TH1_0002",
        "2026-02-14_Town_cup_semi-final_card2_TH1_0002",
    ]
    assert list(file_names(FRAMES, FACTS, "{{ city }}_{{ time }}_{{ count }}").values()) == [
        "Westerby_193105_0001", "Westerby_0002", "Westerby_0003",
    ]  # fmt: skip
    # A date that is not believed is in no name either, nor that of the start.
    years_off = frame("TH1_0001", time=datetime(2019, 1, 1, 19, 31, 5), doubt="it is years off")
    assert file_names([years_off], FACTS, "{{ date }} {{ time }} {{ count }}") == {"TH1_0001": "0001"}
    # Without frame or count it would be one name for all.
    assert file_names(FRAMES[:1], FACTS, "{{ home }} frame count") == {"TH1_0001": "Harbour_Gulls_frame_count_TH1_0001"}
    assert file_names(["TH1_0001"], None, "{{ city }}") == {"TH1_0001": "TH1_0001"}


def test_without_a_template_the_frame_names_the_file() -> None:
    names = [
        "TH1_0001",
        "th1_0001",
        "card1/TH1_0002",
        "card1_TH1_0002",
        "con",
        "COM1.x",
        "...",
        "",
        "a b:c",
        "É",
        "E\u0301",
        "_MG_0001",
    ]
    made = file_names(names)
    assert_safe(made, len(names))
    assert [made[n] for n in names[:5]] == ["TH1_0001", "th1_0001-2", "card1_TH1_0002", "card1_TH1_0002-2", "_con"]
    assert made["_MG_0001"] == "_MG_0001"


NASTY = [
    "../../etc/passwd", "..\\..\\x", "C:\\con", "nul", "LPT9.txt", "COM¹", "a" * 400, "名" * 200, "é" * 200,
    "e\u0301" * 200,
    "\u202egpj.exe", "x\0y", "tab\tnew\nline", "😀", "  . ", "-rf", "~", "$(reboot)", "%TEMP%", "'; drop", "ﬁ",
    "ẞ", "ss",
    "İ", "i\u0307", "हिन्दी", "\ud800", "", "CON.", "aux ", "\u0301", "Ａ", "A",
]  # fmt: skip


@pytest.mark.parametrize(
    "template", ["{{ frame }}", "{{ event }}-{{ players }}", "{{ home }}/{{ venue }}\\{{ frame }}"]
)
def test_whatever_a_roster_holds(template: str) -> None:
    rng = random.Random(3)
    for _ in range(20):
        one, two, three = (rng.choice(NASTY) + rng.choice(NASTY) for _ in range(3))
        roster = tuple(Player("home", str(n), text, True, n) for n, text in enumerate(NASTY))
        frames = list(dict.fromkeys(rng.sample(NASTY, 8)))
        rows = {name: FrameFacts(players=(("home", str(rng.randrange(len(NASTY)))),)) for name in frames}
        facts = Facts(title=one, teams={"home": two, "away": "A"}, venue=three, roster=roster, rows=rows)
        assert_safe(file_names([frame(n) for n in frames], facts, template), len(frames))


def test_a_long_text_gives_way_before_the_frame() -> None:
    facts = replace(FACTS, title="Cup " * 90, venue="館" * 90)
    names = file_names(FRAMES, facts, "{{ event }}_{{ venue }}_{{ frame }}")
    assert all(len(made.encode()) <= LENGTH_LIMIT for made in names.values())
    assert [made[-8:] for made in names.values()] == ["TH1_0001", "TH1_0002", "TH1_0002"]


@pytest.mark.parametrize(
    "written", ["Ida Marlow", "MARLOW_ida", "Marlow", "IdaMarlow", "I\u0301da-Marlow", "王小雨", "小雨"]
)
@pytest.mark.parametrize("template", ["{{ frame }}", "{{ event }} {{ frame }}", "Ida Marlow {{ players }} {{ count }}"])
def test_never_a_withheld_name(written: str, template: str) -> None:
    facts = replace(FACTS, title="Cup of Ida Marlow", venue="王小雨", rows={})
    facts = replace(facts, rows={f"{written}_01": FrameFacts(players=(("away", "12"), ("away", "4")))})
    names = file_names([frame(f"{written}_01"), frame("TH1_0001")], facts, template)
    assert_safe(names, 2)
    for name in names.values():
        plain = unicodedata.normalize("NFKD", name).casefold()
        assert not re.search("ida|marlow|王|小|雨|12", plain)


def test_a_name_from_before_that_is_withheld_today() -> None:
    assert holds_withheld("2026-02-14_Ida_Marlow_TH1_0001", FACTS)
    assert holds_withheld("Marlow_TH1", FACTS, parts=True) and not holds_withheld("Marlow_TH1", FACTS)
    assert not holds_withheld("Łucja_Żółkiewska_TH1", FACTS, parts=True)
    assert holds_withheld("Łucja_Żółkiewska_TH1", replace(FACTS, minors=True))


def test_minors_have_neither_names_nor_numbers() -> None:
    names = file_names(FRAMES, replace(FACTS, minors=True), "{{ number }}-{{ players }}-{{ frame }}")
    assert list(names.values()) == ["TH1_0001", "TH1_0002", "card2_TH1_0002"]


def test_added_frames_rename_no_others() -> None:
    more = [frame("TH1_0000"), *FRAMES, frame("ZZ")]
    template = "{{ event }} {{ players }}"
    before, after = file_names(FRAMES, FACTS, template), file_names(more, FACTS, template)
    assert before.items() <= after.items()


def test_a_template_that_is_wrong() -> None:
    for source, words in (
        ("{{ who }}", "may use frame, count, date"),
        ("{{ frame", "template is wrong"),
        ("a\nb", "one line"),
    ):
        with pytest.raises(ValueError, match=words):
            check_name(source)
    needs = check_name("{{ players | required }}_{{ frame }}")
    with pytest.raises(InputError, match=r"file name of frame TH1_0002: .* needs players"):
        file_names(FRAMES, FACTS, needs)
    every = check_name("_".join(f"{{{{ {name} }}}}" for name in NAME_FIELDS))
    assert_safe(file_names(FRAMES, FACTS, every), 3)


def test_a_new_frame_takes_no_file_name_of_another() -> None:
    """Both come to the same file name; the one that was there before keeps it, though it is later in the night."""
    new, old = replace(frame("card2/1"), number=2), replace(frame("card2_1"), number=1)
    assert file_names([new, old]) == {"card2_1": "card2_1", "card2/1": "card2_1-2"}
    assert file_names([new, old], None, "{{ count }}") == {"card2_1": "0001", "card2/1": "0002"}
