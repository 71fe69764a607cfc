"""Writing frames.csv: the table that a person fills in and shoot/read_facts reads back."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Mapping, Sequence
from pathlib import PurePosixPath
from types import MappingProxyType

from pipeline.imaging.geometry import Box
from pipeline.people.ranking import Ranked
from pipeline.shoot.facts import CROP_OF, FRAME_COLUMNS, MARKS, Facts, FrameFacts
from pipeline.shoot.rows import crop_columns
from pipeline.textfile.tables import plain_cell
from pipeline.types import Burst, Frame

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t"}
# What a spreadsheet may read as a number or a date, and so change when it saves: 0012, 1E5, MAR0012, 2/14.
CHANGED = re.compile(r"[\d\s.,:/eE+-]+|(.*/)?[^\W\d_]{3,9}[ -]?\d{1,4}")


def frame_table(
    frames: Sequence[Frame],
    bursts: Sequence[Burst],
    facts: Facts,
    ranks: Mapping[str, Ranked],
    *,
    chosen: Collection[str] = (),
    info: Mapping[str, Mapping[str, str]] = MappingProxyType({}),
    separator: str = ",",
) -> str:
    """CSV text (RFC 4180), one row a frame, burst by burst, with what the facts already say of each frame.

    chosen  frames whose keep is filled in with "always"
    info    further columns, for reading only, each of facts.INFO_COLUMNS: column -> frame -> text

    The file of a frame stands beside its name, so that a row still means it when another card brings the same name.
    Rows of the facts that name no frame of the shoot come last, as they were, so that nothing typed is lost. No
    spreadsheet computes a cell (textfile.tables.plain_cell), and frames get their suffix where a spreadsheet would
    take a name for a number or a date.
    """
    known = {f.name: f for f in frames}
    suffixed = any(CHANGED.fullmatch(name) for name in known)
    text = io.StringIO()
    table = csv.writer(text, delimiter=separator, lineterminator="\r\n")
    rows = [facts.row(frame.name) for frame in frames]
    marks = [MARKS] if any(row.marks for row in rows) or any(left[MARKS] for left in facts.elsewhere) else []
    own = [f"{CROP_OF}{of}" for of in sorted({of for row in rows for of, _ in row.crops})]
    own = [*own, *sorted({column for left in facts.elsewhere for column in crop_columns(left)} - set(own))]
    table.writerow((*FRAME_COLUMNS, *own, *marks, "file", "burst", "time", "score", "suggested", "why", *info))
    for number, burst in enumerate(bursts, 1):
        for name in burst.frames:
            frame, row, rank = known[name], facts.row(name), ranks.get(name)
            time = frame.exif.time
            cells = (
                with_suffix(frame) if suffixed else name,
                *_typed(row, name in chosen),
                *(_crop(dict(row.crops).get(column.removeprefix(CROP_OF))) for column in own),
                *("; ".join(row.marks) for _ in marks),
                frame.relative,
                str(number),
                "" if time is None else time.isoformat(sep=" ", timespec="milliseconds"),
                *_rank(rank),
                *(by_frame.get(name, "") for by_frame in info.values()),
            )
            table.writerow(map(plain_cell, cells))
    for left in facts.elsewhere:
        table.writerow(plain_cell(left[column]) for column in (*FRAME_COLUMNS, *own, *marks, "file", "", "time"))
    return text.getvalue()


def _rank(rank: Ranked | None) -> tuple[str, str, str]:
    """The cells of score, suggested and why."""
    if rank is None:
        return "", "", ""
    return (str(rank.score), str(rank.rating), rank.why) if rank.rating else ("", "", rank.why)


def with_suffix(frame: Frame) -> str:
    """The name of a frame with the suffix of its file, which no spreadsheet takes for a number or a date."""
    suffix = PurePosixPath(frame.relative).suffix
    return frame.name if frame.name.endswith(suffix) else frame.name + suffix


def _typed(row: FrameFacts, chosen: bool = False) -> tuple[str, ...]:
    """The cells of FRAME_COLUMNS after the frame's name."""
    return (
        "no" if not row.keep else "always" if chosen or row.always else "",
        "" if row.rating is None else str(row.rating),
        "; ".join(f"{team} {player}" for team, player in row.players),
        row.words,
        _crop(row.crop),
    )


def _crop(box: Box | None) -> str:
    return "" if box is None else " ".join(f"{v:.10g}" for v in box)
