"""One picture of what is found about a hall: settings, both ends, the match along time, the lamps, and advice."""

from __future__ import annotations

import io
import math
import unicodedata
from collections.abc import Sequence

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from pipeline.light.hall.findings import EndLight, Finding, FramePoint, HallFindings, depth_words
from pipeline.light.hall.settings import THIRD
from pipeline.shoot.clocks.dates import BELIEVED
from pipeline.textfile.messages import counted

WIDTH = 1600
_EDGE, _GAP = 56, 34
_PAPER, _INK, _SOFT, _LINE = (250, 250, 249), (28, 30, 33), (98, 102, 108), (214, 215, 218)
# Told apart by shape and word as well as by colour: a tick, an open ring, a question mark.
_COLOUR = {"good": (20, 106, 84), "look": (176, 74, 10), "unknown": (98, 102, 108)}
_WORD = {"good": "fine", "look": "look", "unknown": "not known"}
_MOST_ENDS, _MOST_POINTS = 4, 4000
_RANGE = 2.0  # EV that the line of time shows at the most, each way
_DRAWN = frozenset("·°±’‘“”")  # what the font has beside ASCII, as far as it is used
# Letters that Unicode does not decompose, and signs, as they are typed without them.
_SPELLED = str.maketrans({"ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "Ae", "œ": "oe", "Œ": "Oe", "ł": "l", "Ł": "L",
                          "đ": "d", "Đ": "D", "ð": "d", "þ": "th", "ı": "i",
                          **dict.fromkeys("−–—", "-"), "×": "x"})  # fmt: skip
_Point = tuple[float, float]


def picture(found: HallFindings, title: str) -> bytes:
    """A PNG (ISO/IEC 15948), 1,600 pixels wide. title  what it is about.

    Letters that the font lacks are drawn without their marks, and other signs left out.
    """
    drawing = _Drawing()
    drawing.heading(title, found)
    drawing.ends(found)
    if found.points:
        drawing.match(found)
    drawing.lamps(found)
    drawing.sentences(found.findings)
    return drawing.png()


class _Drawing:
    """Drawn from the top down on a sheet that is cut where the drawing ends."""

    def __init__(self) -> None:
        self.sheet = Image.new("RGB", (WIDTH, 6000), _PAPER)
        self.pen = ImageDraw.Draw(self.sheet)
        self.y = _EDGE
        self.fonts: dict[int, ImageFont.FreeTypeFont | ImageFont.ImageFont] = {}

    def png(self) -> bytes:
        file = io.BytesIO()
        self.sheet.crop((0, 0, WIDTH, min(int(self.y) + _EDGE, self.sheet.height))).save(file, "PNG", optimize=True)
        return file.getvalue()

    def font(self, size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
        if size not in self.fonts:
            self.fonts[size] = ImageFont.load_default(size)
        return self.fonts[size]

    def text(
        self, x: float, y: float, text: str, size: int = 24, colour: tuple[int, int, int] = _INK, anchor: str = "la"
    ) -> None:
        self.pen.text((x, y), _printable(text), colour, self.font(size), anchor)

    def wide(self, text: str, size: int) -> float:
        return float(self.pen.textlength(_printable(text), self.font(size)))

    def wrapped(self, text: str, size: int, width: float) -> list[str]:
        lines, line = [], ""
        for word in text.split():
            longer = f"{line} {word}".strip()
            if line and self.wide(longer, size) > width:
                lines.append(line)
                longer = word
            line = longer
        return [*lines, line] if line else lines

    def section(self, title: str, remark: str = "") -> None:
        self.y += _GAP
        self.pen.line([(_EDGE, self.y), (WIDTH - _EDGE, self.y)], _LINE, 2)
        self.y += 18
        self.text(_EDGE, self.y, title, 28)
        for line in self.wrapped(remark, 20, WIDTH - 3 * _EDGE - self.wide(title, 28)):
            self.text(WIDTH - _EDGE, self.y + 6, line, 20, _SOFT, "ra")
            self.y += 26
        self.y = max(self.y, self.y) + (24 if remark else 50)

    def heading(self, title: str, found: HallFindings) -> None:
        self.text(_EDGE, self.y, title, 40)
        looks = sum(f.verdict == "look" for f in found.findings)
        unknown = sum(f.verdict == "unknown" for f in found.findings)
        self.text(
            _EDGE,
            self.y + 54,
            f"{counted(found.frames, 'frame')}. To look at: {looks}. Not known: {unknown}.",
            24,
            _SOFT,
        )
        self.y += 84

    def ends(self, found: HallFindings) -> None:
        """A patch of each light's colour with its brightness on one scale."""
        self.section(
            "The light of each end",
            "a white under it, for eyes used to daylight; brightness on surfaces that bursts share",
        )
        shown = sorted(found.ends, key=lambda end: not math.isfinite(end.level))[:_MOST_ENDS]
        levels = [e.level for e in shown if math.isfinite(e.level)]
        centre = (min(levels) + max(levels)) / 2 if levels else 0.0  # where one exposure for all would be
        levels = [v - centre for v in levels]
        reach = max([0.5, *(abs(v) for v in levels)])
        bar = WIDTH - _EDGE - 420
        middle = _EDGE + 420 + bar / 2 - 60
        scale = (bar / 2 - 150) / reach
        top = self.y
        for end in shown:
            self._end(end, middle, scale, centre)
        if levels:
            for ev in (-THIRD, 0.0, THIRD):
                x = middle + ev * scale
                self._dashes((x, top - 4), (x, self.y - 20), ev != 0)
                self.text(x, self.y - 14, "0" if ev == 0 else f"{'+' if ev > 0 else '-'}1/3 EV", 18, _SOFT, "ma")
            self.y += 14
        if len(found.ends) > _MOST_ENDS:
            self.y += 10
            self.text(_EDGE, self.y, f"and {len(found.ends) - _MOST_ENDS} more", 20, _SOFT)
            self.y += 26

    def _end(self, end: EndLight, middle: float, scale: float, centre: float) -> None:
        self.pen.rectangle((_EDGE, self.y, _EDGE + 84, self.y + 84), end.rgb, _LINE, 2)
        if end.rgb is None:
            self.text(_EDGE + 42, self.y + 42, "?", 40, _SOFT, "mm")
        x = _EDGE + 104
        self.text(x, self.y - 6, end.name, 26)
        self.text(x, self.y + 25, end.colour, 20, _SOFT)
        value = "EV not known" if end.ev100 is None else f"EV {end.ev100:.1f} at ISO 100"
        self.text(x, self.y + 49, value, 20, _SOFT)
        depth = "not known" if end.flicker is None else depth_words(end.flicker, end.at_least)
        self.text(x, self.y + 73, f"flicker {depth}; {counted(end.frames, 'frame')}", 20, _SOFT)
        if math.isfinite(end.level):
            at = middle + (end.level - centre) * scale
            self.pen.line([(middle, self.y + 42), (at, self.y + 42)], _INK, 10)
            self.pen.ellipse((at - 11, self.y + 31, at + 11, self.y + 53), _INK)
            side = 22 if end.level >= centre else -22
            self.text(at + side, self.y + 42, f"{end.level - centre:+.2f} EV", 22, _INK, "lm" if side > 0 else "rm")
        else:
            self.text(WIDTH - _EDGE, self.y - 2, "brightness cannot be compared with the others", 20, _SOFT, "ra")
        self.y += 118

    def match(self, found: HallFindings) -> None:
        """Every frame along time: the light that it caught."""
        evening = same_event(found.points)
        astray = len(found.points) - len(evening)
        remark = f"; {counted(astray, 'frame')} of other days not drawn" if astray else ""
        if any(abs(p.level) > _RANGE for p in evening):
            remark += f"; beyond {_RANGE:.0f} EV drawn at the edge"
        self.section("The match along time", f"light that each frame caught, EV; ring: spoiled by flicker{remark}")
        points = evening[:: max(1, len(evening) // _MOST_POINTS)]
        left, right, high = _EDGE + 70, WIDTH - _EDGE - 10, 230
        reach = min(_RANGE, max(0.5, *(abs(p.level) for p in points)))
        top, middle = self.y, self.y + high / 2
        for ev in np.arange(-math.floor(reach * 2) / 2, reach + 0.01, 0.5):
            y = middle - ev / reach * high / 2
            self.pen.line([(left, y), (right, y)], _LINE if ev else _SOFT, 1)
            self.text(left - 12, y, f"{ev:+.1f}" if ev else "0 EV", 18, _SOFT, "rm")
        span = max(points[-1].seconds - points[0].seconds, 1.0)
        for point in points:
            x = left + 10 + (right - left - 20) * (point.seconds - points[0].seconds) / span
            y = middle - float(np.clip(point.level, -reach, reach)) / reach * high / 2
            self._mark(x, y, point.end, point.spoiled)
        for part in range(5):
            x = left + 10 + (right - left - 20) * part / 4
            self.text(x, top + high + 10, _clock(span * part / 4), 18, _SOFT, ("la", "ma", "ma", "ma", "ra")[part])
        self.y = top + high + 40
        x = float(left)
        there = {point.end for point in points}
        names = {at: end.name for at, end in enumerate(found.ends[:_MOST_ENDS]) if at in there}
        if max(there) >= _MOST_ENDS:
            names[_MOST_ENDS - 1] = f"{names[_MOST_ENDS - 1]} and others" if _MOST_ENDS - 1 in names else "others"
        for at, name in names.items():
            self._mark(x + 8, self.y + 12, at, False)
            self.text(x + 26, self.y, name, 20, _SOFT)
            x += 60 + self.wide(name, 20)
        self.y += 30

    def _mark(self, x: float, y: float, end: int, spoiled: bool) -> None:
        """Ends are told apart by shape: disc, square, triangle, then a small cross."""
        r, ink = 6, ((38, 84, 150), (150, 96, 0), (90, 60, 140), (60, 60, 60))[min(end, 3)]
        if spoiled:
            self.pen.ellipse((x - 11, y - 11, x + 11, y + 11), None, _COLOUR["look"], 2)
        if end == 0:
            self.pen.ellipse((x - r, y - r, x + r, y + r), ink)
        elif end == 1:
            self.pen.rectangle((x - r + 1, y - r + 1, x + r - 1, y + r - 1), ink)
        elif end == 2:
            self.pen.polygon([(x, y - r - 1), (x + r + 1, y + r), (x - r - 1, y + r)], ink)
        else:
            self.pen.line([(x - r, y), (x + r, y)], ink, 2)
            self.pen.line([(x, y - r), (x, y + r)], ink, 2)

    def lamps(self, found: HallFindings) -> None:
        """Two periods of the lamps' light, with what the rows of a frame see of it at the best and the worst moment."""
        if found.hz is None or found.depth is None or found.exposure_time is None or found.readout_time is None:
            return
        self.section(
            f"The lamps: {found.hz} Hz, {found.depth:.0f} % deep",
            f"bars: what the rows of one frame see in {1000 * found.readout_time:.1f} ms, at two moments",
        )
        depth, hz = found.depth / 100, found.hz
        left, right, high = _EDGE + 70, WIDTH - _EDGE - 10, 180
        base = self.y + high

        def place(periods: float) -> _Point:
            light = 1 + depth * math.cos(2 * math.pi * (periods - 0.5))
            return left + (right - left) * periods / 2, base - light / (1 + depth) * high

        for middle, name, verdict in ((0.5, "brightest", "good"), (1.0, "darkest", "look")):
            half = min(hz * found.readout_time / 2, 0.5)
            start, end = place(middle - half)[0], place(middle + half)[0]
            tint = tuple(round(0.82 * p + 0.18 * c) for p, c in zip(_PAPER, _COLOUR[verdict], strict=True))
            self.pen.rectangle((start, self.y - 6, end, base), tint)
            self.text((start + end) / 2, base + 8, name, 20, _COLOUR[verdict], "ma")
        self.pen.line([place(p) for p in np.linspace(0, 2, 400)], _INK, 4)
        self.pen.line([(left, base), (right, base)], _SOFT, 2)
        self.text(left - 12, base, "0", 18, _SOFT, "rm")
        self.text(left - 12, base - high, "full", 18, _SOFT, "rm")
        self.text(right, base + 8, f"{2000 / hz:.1f} ms", 20, _SOFT, "ra")
        self.y = base + 36

    def sentences(self, findings: Sequence[Finding]) -> None:
        """Each finding in words: what costs pictures first, then what is not known, then what is fine."""
        self.section("In words")
        order = {"look": 0, "unknown": 1, "good": 2}
        told = sorted(findings, key=lambda f: order[f.verdict])
        for at, one in enumerate(told):
            colour = _COLOUR[one.verdict]
            self._sign(_EDGE + 12, self.y + 14, one.verdict)
            self.text(_EDGE + 36, self.y, _WORD[one.verdict], 22, colour)
            lines = self.wrapped(one.text[:1].upper() + one.text[1:], 23, WIDTH - 2 * _EDGE - 180)
            for line in lines:
                self.text(_EDGE + 180, self.y, line, 23)
                self.y += 30
            same = at + 1 < len(told) and told[at + 1].how == one.how  # then it is said once, below them all
            for line in (
                () if same or one.verdict == "unknown" else self.wrapped("How: " + one.how, 18, WIDTH - 2 * _EDGE - 180)
            ):
                self.text(_EDGE + 180, self.y, line, 18, _SOFT)
                self.y += 23
            self.y += 14

    def _sign(self, x: float, y: float, verdict: str) -> None:
        colour = _COLOUR[verdict]
        if verdict == "good":
            self.pen.line([(x - 8, y), (x - 2, y + 7), (x + 9, y - 8)], colour, 4, "curve")
        elif verdict == "look":
            self.pen.ellipse((x - 9, y - 9, x + 9, y + 9), None, colour, 4)
        else:
            self.text(x, y, "?", 24, colour, "mm")

    def _dashes(self, start: _Point, end: _Point, dashed: bool) -> None:
        (x, y0), (_, y1) = start, end
        step = 8 if dashed else max(y1 - y0, 1)
        for y in np.arange(y0, y1, 2 * step if dashed else step):
            self.pen.line([(x, y), (x, min(y + step, y1))], _LINE if dashed else _SOFT, 2)


def same_event(points: Sequence[FramePoint]) -> Sequence[FramePoint]:
    """The most points, in order of time, without a gap of days: a camera whose clock is wrong may be years off."""
    gaps = [
        at for at in range(1, len(points)) if points[at].seconds - points[at - 1].seconds > BELIEVED.total_seconds()
    ]
    parts = [points[start:end] for start, end in zip([0, *gaps], [*gaps, len(points)], strict=True)]
    return max(parts, key=len)


def _printable(text: str) -> str:
    """In the signs that Pillow's own font has, a letter with a mark as the letter, and without line breaks."""
    plain = unicodedata.normalize("NFKD", " ".join(text.split()).translate(_SPELLED))
    return "".join(c for c in plain if c.isprintable() and (c.isascii() or c in _DRAWN))


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d} h" if minutes >= 60 else f"{minutes}:{rest:02d} min"
