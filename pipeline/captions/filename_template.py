"""What a template of file names may use; the names are made in engine/filenames.py."""

from __future__ import annotations

from pipeline.captions.template import check

DEFAULT_NAME = "{{ frame }}"
NAME_FIELDS = ("frame", "count", "date", "time", "event", "home", "away", "venue", "city", "team", "number", "players",
               "creator")  # fmt: skip


def check_name(source: str) -> str:
    """A template of file names, tried with every fact and with none. Raises ValueError."""
    check(source, NAME_FIELDS)
    if "\n" in source.strip():
        raise ValueError("a file name is one line; write the template in one")
    return source
