"""The page's view of frames, without what consent forbids now: the record is of a night when it may have been given."""

from __future__ import annotations

import json
from collections.abc import Sequence
from urllib.parse import quote

from pydantic import JsonValue

from pipeline.engine.redaction import STAND_IN
from pipeline.report.needs import doubts_about
from pipeline.report.record import FileRecord, FrameRecord, RunRecord
from pipeline.report.view import PictureView, frame_json, frame_view
from pipeline.shoot.consent import BESIDE
from pipeline.shoot.names import name_pattern, replace_name

_EMPTY: dict[str, JsonValue] = {
    "deliveries": {}, "notices": [], "decisions": [], "doubts": [], "headline": "", "caption": "", "players": [],
    "persons": [],
}  # fmt: skip


class Addresses:
    """Where the server gives the pictures: addresses beside that of the page, which change with what they show."""

    def before(self, name: str, frame: FrameRecord) -> PictureView:
        """See report.view.Pictures. Also of a held frame: who decides must see it, and nobody else is here."""
        where = f"picture/before/{quote(name, safe='')}"
        return PictureView(f"{where}?width=320" if frame.before else "", where)

    def after(self, name: str, delivery: str, file: FileRecord) -> PictureView:
        """See report.view.Pictures."""
        # The folder of a group, DELIVERY/GROUP, is one part of the address: no such name has a colon.
        of = quote(delivery.replace("/", ":"), safe="")
        where = f"picture/after/{of}/{quote(name, safe='')}?v={file.sha256[:16]}"
        return PictureView(f"{where}&width=320", where)


class Views:
    """Of one record; a frame's view is made once."""

    def __init__(self, record: RunRecord) -> None:
        self._record = record
        self._doubts = doubts_about(text for text in record.notices if BESIDE not in text)  # that is said as it is now
        self._made: dict[str, dict[str, JsonValue]] = {}

    def frame(self, name: str, frame: FrameRecord, held: str = "", *, beside: bool = False) -> dict[str, JsonValue]:
        """A frame as page.js draws it. held  why it may be in no delivery now, ""; beside  whether BESIDE is so"""
        if name not in self._made:
            made: dict[str, JsonValue] = json.loads(
                frame_json(frame_view(name, frame, Addresses(), self._doubts.get(name, ())))
            )
            for file in (made.get("deliveries") or {}).values():  # type: ignore[union-attr]
                file["file"] = file["after"]["large"]  # type: ignore[index,call-overload]
            self._made[name] = made
        found = self._made[name]
        if not held:
            doubts = found["doubts"]
            assert isinstance(doubts, list)
            return {**found, "doubts": [*doubts, BESIDE]} if beside else found
        empty = {key: value for key, value in _EMPTY.items() if key in found}
        return {**found, **empty, "status": "held", "consent": True, "reason": held}

    def forget(self, name: str) -> None:
        """Make a frame's view anew: its files are others."""
        self._made.pop(name, None)

    def without(self, text: str, names: Sequence[str]) -> str:
        """A text in which STAND_IN stands for each of the names."""
        for name in names:
            if pattern := name_pattern(name):
                text = replace_name(text, pattern, STAND_IN)
        return text
