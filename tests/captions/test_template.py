"""Templates in a recipe and in files beside it. Syntax and sandbox: Jinja2's own documentation."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.captions.template import check, fields_of, is_file, read_file, tidy
from pipeline.errors import InputError
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.steps.caption import CaptionParams, describe
from tests.steps.test_caption import FACTS, FRAME, MATCH, made


def test_a_missing_fact_is_an_error_where_the_template_says_so() -> None:
    template = "{{ match }} in {{ city | required }}."
    assert made(FrameFacts(), template=template)[0].caption == f"{MATCH} in Westerby."
    with pytest.raises(InputError, match=r"parameter template, frame TH1_0001: .* it needs city, which is not given"):
        made(FrameFacts(), Facts(), template=template)
    with pytest.raises(InputError, match="it needs a place, which"):
        made(FrameFacts(), Facts(), template="{{ (venue or city) | required('a place') }}")
    readable = "{{ match or 'A match' }} in {{ city or 'town' }} ({{ venue }})."
    assert made(FrameFacts(), Facts(), template=readable)[0].caption == "A match in town."


@pytest.mark.parametrize(
    ("text", "tidied"),
    [
        ("A (, Gulls) and B ()", "A (Gulls) and B"), (", , Westerby, .", "Westerby."), ("Goal...", "Goal..."),
        ("Goal! . 14 May.", "Goal! 14 May."), ("Ici : but !", "Ici : but !"), ("A（、B）。 C。。", "A（B）。C。"),
        ("A , B .", "A, B."), (". A, Jr., B", "A, Jr., B"), ("one\n\ntwo", "one\n\ntwo"), ("", ""),
        ("30.5 m", "30.5 m"),
        ("Save... ...and goal", "Save... ...and goal"), ("Goal. : Westerby", "Goal. Westerby"),
    ],
)  # fmt: skip
def test_tidy(text: str, tidied: str) -> None:
    assert tidy(text) == tidied


@pytest.mark.parametrize(
    "source",
    ["{% include 'x' %}", "{{ who.__init__.__globals__ }}", "{{ ''.__class__ }}", "{{ who.format_map }}{{ 1/0 }}",
     "{% for x in range(9999999) %}{% endfor %}", "{{ cycler.__init__ }}"],
)  # fmt: skip
def test_the_sandbox(source: str) -> None:
    with pytest.raises(ValueError, match="template"):
        check(source, ("who",))


def test_fields() -> None:
    assert fields_of("{{ a }}{% set b = 1 %}{{ b }} frame {# c #}") == {"a"}


@pytest.mark.parametrize(
    ("source", "named"),
    [("my-caption.txt", True), (" texts/My.TXT ", True), ("{{ who }}.txt", False), ("{% raw %}a.txt", False),
     ("Town cup", False), ("a\nb.txt", False)],
)  # fmt: skip
def test_what_names_a_file(source: str, named: bool) -> None:
    assert is_file(source) == named


def test_a_template_beside_the_recipe(tmp_path: Path) -> None:
    (tmp_path / "texts").mkdir()
    (tmp_path / "my-caption.txt").write_bytes("\ufeff{{ match }}\r\n{{ title }}.\r\n".encode())
    (tmp_path / "texts" / "alt.txt").write_text("Handball: {{ match }}", encoding="utf-8")
    written = CaptionParams(template="my-caption.txt", alt_text="texts/alt.txt", keywords=("handball",))
    params, problems = written.with_files(tmp_path)
    assert problems == {}
    assert params == CaptionParams(
        template="{{ match }}\n{{ title }}.", alt_text="Handball: {{ match }}", keywords=("handball",)
    )
    metadata, _ = describe(FRAME, FACTS, FrameFacts(), params)
    assert metadata.caption == f"{MATCH}\nTown cup, semi-final."
    # The text is in the parameters, so that another text makes other metadata under the same name.
    (tmp_path / "my-caption.txt").write_text("{{ title }}", encoding="utf-8")
    assert written.with_files(tmp_path)[0] != params
    assert params.with_files(tmp_path) == (params, {})
    with pytest.raises(InputError, match=r"my-caption\.txt has not been read"):
        describe(FRAME, FACTS, FrameFacts(), written)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("../outside.txt", "leads out of the recipe's folder"),
        ("sub/../../outside.txt", "leads out"),
        ("ABSOLUTE", "leads out"),
        ("link.txt", "leads out"),
        ("C:secret.txt", "leads out"),
        ("..\\outside.txt", "leads out"),
        ("none.txt", "no file none.txt beside the recipe"),
        ("sub.txt", "no file sub.txt"),
        ("big.txt", "larger than 100 kB"),
        ("latin.txt", "line 2: is not UTF-8"),
        ("chain.txt", "holds the name of a file"),
    ],
)
def test_files_that_are_refused(tmp_path: Path, name: str, words: str) -> None:
    folder = tmp_path / "recipes"
    (folder / "sub.txt").mkdir(parents=True)
    (tmp_path / "outside.txt").write_text("secret", encoding="utf-8")
    (folder / "link.txt").symlink_to(tmp_path / "outside.txt")
    (folder / "big.txt").write_bytes(b"x" * 100_001)
    (folder / "latin.txt").write_bytes("a\né".encode("latin-1"))
    (folder / "chain.txt").write_text("other.txt\n", encoding="utf-8")
    name = name.replace("ABSOLUTE", str(tmp_path / "outside.txt"))
    with pytest.raises(ValueError, match=words):
        read_file(name, folder)
    params, problems = CaptionParams(headline=name).with_files(folder)
    assert list(problems) == ["headline"] and params == CaptionParams()


def test_a_wrong_template_in_a_file_names_the_file_and_its_line(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("{{ who }}\n{{ who", encoding="utf-8")
    _, problems = CaptionParams(template="mine.txt").with_files(tmp_path)
    assert problems["template"].startswith("mine.txt: the template is wrong in its line 2")


def test_texts_are_not_escaped_for_html() -> None:
    """A caption is plain text; what writes it as XML or HTML escapes it there."""
    facts = Facts(title="Gulls & Foxes <final>")
    assert made(FrameFacts(), facts, template="{{ title }}")[0].caption == "Gulls & Foxes <final>"


def test_words_for_unnamed_players_stand_for_each_of_them() -> None:
    several = FrameFacts(players=(("away", "12"), ("away", "4")))
    assert made(several, template="{{ who }}", unnamed="someone")[0].caption == (
        "someone of Mill Lane Foxes and someone of Mill Lane Foxes"
    )
    assert made(several, template="{{ who }}")[0].caption == "2 players of Mill Lane Foxes"


def test_a_template_that_fails_only_without_its_fact_is_refused_too() -> None:
    """{{ city[0] }} works for a shoot with a city and fails at night for one without."""
    with pytest.raises(ValueError, match="template"):
        check("{{ city[0] }}", ("city",))
    check("{{ city[:1] }}", ("city",))
