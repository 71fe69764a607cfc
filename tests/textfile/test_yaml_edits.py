"""An entry of a list in a YAML file is changed, and every other octet stays. What the file then says is read by
ruamel.yaml's own reader too."""

from __future__ import annotations

import pytest
from ruamel.yaml import YAML

from pipeline.errors import InputError
from pipeline.textfile.yaml_edits import Entry, with_entry
from pipeline.textfile.yamlfile import parse_yaml

NEW: Entry = {"frame": "TH1_0002", "patch": [0.1, 0.2, 0.3, 0.4], "end": "left"}
LINE = "{frame: TH1_0002, patch: [0.1, 0.2, 0.3, 0.4], end: left}"
FORM = """\
title: x   # cup
references:           # here
  # - {frame: TH1_9, chart: auto}
# Clocks
clocks:
  "12": 1 # s
"""
BLOCK = """\
references:
- frame: A   # card
  patch: auto
  end: left # the left
# after
- {frame: B, chart: auto} # b
minors: false
"""


def changed(text: str, at: int | None, entry: Entry | None) -> str:
    found = with_entry(text.encode(), "shoot.yaml", "references", at, entry).decode()
    ours = parse_yaml(found, "shoot.yaml").data
    assert YAML().load(found) == ours
    return found


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", f"references:\n  - {LINE}\n"),
        ("# only this\n", f"# only this\nreferences:\n  - {LINE}\n"),
        ("title: x", f"title: x\nreferences:\n  - {LINE}\n"),
        (FORM, FORM.replace("# here\n", f"# here\n  - {LINE}\n")),
        (BLOCK, BLOCK.replace("# b\n", f"# b\n- {LINE}\n")),
        ("references: []  # n\na: 1\n", f"references: [{LINE}]  # n\na: 1\n"),
        ("references: [{frame: A, chart: auto}]\n", f"references: [{{frame: A, chart: auto}}, {LINE}]\n"),
        ("references: null # n\na: 1\n", f"references:  # n\n  - {LINE}\na: 1\n"),
        ("references:", f"references:\n  - {LINE}"),
    ],
)
def test_a_new_entry_goes_to_the_end_of_its_list(text: str, expected: str) -> None:
    assert changed(text, None, NEW) == expected
    windows = text.replace("\n", "\r\n")
    if "\n" in text:
        assert changed(windows, None, NEW) == expected.replace("\n", "\r\n")


def test_an_entry_is_changed_where_it_stands() -> None:
    assert changed(BLOCK, 0, NEW) == BLOCK.replace("frame: A ", "frame: TH1_0002 ").replace(
        "patch: auto", "patch: [0.1, 0.2, 0.3, 0.4]"
    )
    assert changed(BLOCK, 1, NEW) == BLOCK.replace("{frame: B, chart: auto}", LINE)
    charted = {"frame": "A", "chart": "auto", "end": "left"}
    assert changed(BLOCK, 0, charted) == BLOCK.replace("patch: auto", "chart: auto")
    assert changed("references:\n  - frame: A\n    chart: auto  # c\n", 0, {**charted, "end": "n: #x"}) == (
        'references:\n  - frame: A\n    chart: auto  # c\n    end: "n: #x"\n'
    )


def test_an_entry_is_taken_out_with_its_line_only() -> None:
    assert changed(BLOCK, 1, None) == BLOCK.replace("- {frame: B, chart: auto} # b\n", "")
    assert changed(BLOCK, 0, None) == BLOCK.replace("- frame: A   # card\n  patch: auto\n  end: left # the left\n", "")
    assert changed("references: [{frame: A, chart: auto}]\n", 0, None) == "references: []\n"
    added = changed(FORM, None, NEW)
    assert changed(added, 0, None) == FORM


@pytest.mark.parametrize("mark", ["utf-8-sig", "utf-16"])
def test_the_encoding_stays(mark: str) -> None:
    raw = "title: Åse\n".encode(mark)
    found = with_entry(raw, "shoot.yaml", "references", None, NEW)
    assert found.startswith(raw[:2]) and found.decode(mark) == f"title: Åse\nreferences:\n  - {LINE}\n"


@pytest.mark.parametrize("text", ["{title: x}", "references: {a: 1}", "references: text", "title: x\n...\n", "- a"])
def test_what_is_written_in_another_way_stays_and_is_said(text: str) -> None:
    with pytest.raises(InputError) as caught:
        with_entry(text.encode(), "shoot.yaml", "references", None, NEW)
    assert f"write it there by hand: - {LINE}" in str(caught.value)


@pytest.mark.parametrize(
    "end", ["a: b", "# x", '"', "\\", "yes", "- a", "{", "&a", "*a", "!t", "a\u2028b", "<b>", "0x1"]
)
def test_no_text_becomes_yaml(end: str) -> None:
    found = changed(BLOCK, 1, {**NEW, "end": end})
    assert parse_yaml(found, "").data["references"][1]["end"] == end
