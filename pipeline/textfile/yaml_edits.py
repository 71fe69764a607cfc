"""Changing the entries of one list in a YAML file that a person keeps: comments, order and all else stay."""

from __future__ import annotations

import codecs
from collections.abc import Mapping
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from ruamel.yaml.nodes import CollectionNode, MappingNode, ScalarNode, SequenceNode

from pipeline.errors import InputError, Problem
from pipeline.textfile.yaml_text import Value, flow, text_value
from pipeline.textfile.yamlfile import parse_yaml

Entry = Mapping[str, Value]


def with_entry(raw: bytes, file: str, key: str, at: int | None, entry: Entry | None) -> bytes:
    """The octets of a YAML file, UTF-8 or UTF-16, in which an entry of the list `key` at its top is another.

    raw  may be empty; file  its path, for messages
    at   number of the entry from 0, None for a new one at the end; entry  None takes it out

    What the file then says is compared with what it should say; raises InputError where it would be anything else, so
    that a file that is written in an unusual way stays as it is, and where it is no such YAML.
    """
    mark = next((m for m in (codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) if raw.startswith(m)), b"")
    codec = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}.get(mark, "utf-8")
    unusual = f"{key}: is written in a way that is not changed here; write it there by hand: {_by_hand(entry)}"
    try:
        text = raw[len(mark) :].decode(codec)
    except UnicodeDecodeError:
        raise InputError([Problem(file, 0, 0, "is not UTF-8 text; save the file as UTF-8")]) from None
    before = parse_yaml(text, file).data or {}
    if not isinstance(before, dict) or not isinstance(before.get(key) or [], list):
        raise InputError([Problem(file, 0, 0, unusual)])
    wanted = list(before.get(key) or [])
    if at is None:
        wanted.append(None if entry is None else dict(entry))
    elif entry is None:
        del wanted[at]
    else:
        wanted[at] = dict(entry)
    try:
        changed = _changed(text, key, at, entry)
        after = parse_yaml(changed, file).data if changed is not None else None
    except (YAMLError, InputError):
        after = None
    if (
        changed is None
        or not isinstance(after, dict)
        or {**after, key: after.get(key) or []} != {**before, key: wanted}
    ):
        raise InputError([Problem(file, 0, 0, unusual)])
    return mark + changed.encode(codec)


def _by_hand(entry: Entry | None) -> str:
    return "take the entry out" if entry is None else f"- {flow(dict(entry))}"


def _changed(text: str, key: str, at: int | None, entry: Entry | None) -> str | None:
    """The text; None where nobody knows where the entry would go."""
    end = "\r\n" if "\r\n" in text else "\n"
    root: Any = YAML(typ="safe", pure=True).compose(text)
    if root is None or (isinstance(root, ScalarNode) and not root.value):
        return _appended(text, key, entry, end, 0)
    if not isinstance(root, MappingNode) or root.flow_style:
        return None
    found = next(((name, value) for name, value in root.value if name.value == key), None)
    if found is None:
        return _appended(text, key, entry, end, root.start_mark.column)
    name, value = found
    if isinstance(value, ScalarNode):
        return _first(text, name, value, entry, end)
    if not isinstance(value, SequenceNode):
        return None
    if at is None:
        return _added(text, value, entry, end)
    node = value.value[at]
    if entry is None:
        return _without(text, value, at)
    if isinstance(node, MappingNode) and not node.flow_style:
        return _block_entry(text, node, entry, end)
    return text[: node.start_mark.index] + flow(dict(entry)) + text[node.end_mark.index :]


def _appended(text: str, key: str, entry: Entry | None, end: str, column: int) -> str | None:
    if entry is None:
        return None
    gap = "" if not text or text.endswith("\n") else end
    blank = " " * column
    return f"{text}{gap}{blank}{key}:{end}{blank}  - {flow(dict(entry))}{end}"


def _first(text: str, name: ScalarNode, value: ScalarNode, entry: Entry | None, end: str) -> str | None:
    """Where the key stands with nothing after it, or with null."""
    if entry is None:
        return None
    begin, stop = value.start_mark.index, value.end_mark.index
    text = text[:begin] + text[stop:]
    at = _line_end(text, name.end_mark.index)
    return f"{text[:at]}{end}{' ' * name.start_mark.column}  - {flow(dict(entry))}{text[at:]}"


def _added(text: str, value: SequenceNode, entry: Entry | None, end: str) -> str | None:
    if entry is None:
        return None
    if value.flow_style:
        close = value.end_mark.index - 1
        return text[:close] + (", " if value.value else "") + flow(dict(entry)) + text[close:]
    at = _line_end(text, _end(value))
    return f"{text[:at]}{end}{' ' * value.start_mark.column}- {flow(dict(entry))}{text[at:]}"


def _without(text: str, value: SequenceNode, at: int) -> str:
    node = value.value[at]
    if not value.flow_style:
        dash = text.rindex("-", 0, node.start_mark.index)
        begin = text.rfind("\n", 0, dash) + 1
        stop = _line_end(text, _end(node))
        stop += 2 if text[stop : stop + 2] == "\r\n" else 1
        return text[:begin] + text[stop:]
    begin, stop = node.start_mark.index, node.end_mark.index
    if at + 1 < len(value.value):
        stop = value.value[at + 1].start_mark.index
    elif at:
        begin = value.value[at - 1].end_mark.index
    return text[:begin] + text[stop:]


def _block_entry(text: str, node: MappingNode, entry: Entry, end: str) -> str | None:
    """An entry of several lines: its values are changed where they stand."""
    there = {name.value: (name, value) for name, value in node.value}
    gone = [name for name in there if name not in entry]
    new = [name for name in entry if name not in there]
    parts: list[tuple[int, int, str]] = []
    for name, (_, value) in there.items():
        if name in entry:
            begin, stop = value.start_mark.index, _end(value)
            space = " " if text[begin - 1 : begin] == ":" else ""
            parts.append((begin, max(begin, stop), space + flow(entry[name])))
    for old, name in zip(gone, new, strict=False):
        key, value = there[old]
        parts.append((key.start_mark.index, _end(value), f"{text_value(name)}: {flow(entry[name])}"))
    if len(gone) > len(new):  # a line fewer: all of it on one line
        return text[: node.start_mark.index] + flow(dict(entry)) + text[_end(node) :]
    for name in new[len(gone) :]:
        at = _line_end(text, _end(node))
        parts.append((at, at, f"{end}{' ' * node.start_mark.column}{text_value(name)}: {flow(entry[name])}"))
    for begin, stop, part in sorted(parts, reverse=True):
        text = text[:begin] + part + text[stop:]
    return text


def _end(node: Any) -> int:
    """Where the text of a node ends: that of block style counts the comments after it."""
    if isinstance(node, CollectionNode) and not node.flow_style and node.value:
        last = node.value[-1]
        return _end(last[1] if isinstance(last, tuple) else last)
    return int(node.end_mark.index)


def _line_end(text: str, index: int) -> int:
    at = text.find("\n", index)
    if at < 0:
        return len(text)
    return at - 1 if text[at - 1 : at] == "\r" else at
