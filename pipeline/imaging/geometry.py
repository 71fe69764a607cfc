"""Boxes of a frame."""

from __future__ import annotations

Box = tuple[float, float, float, float]
WHOLE: Box = (0.0, 0.0, 1.0, 1.0)


def box_to_pixels(box: Box, height: int, width: int) -> tuple[int, int, int, int]:
    """Fractions (x0, y0, x1, y1) to pixels; width and height are rounded first, so they do not depend on place."""
    x0, y0, x1, y1 = box
    w, h = max(1, round((x1 - x0) * width)), max(1, round((y1 - y0) * height))
    left = min(max(round(x0 * width), 0), width - w)
    top = min(max(round(y0 * height), 0), height - h)
    return left, top, left + w, top + h


def centred(box: Box, aspect: float | None, share: float, height: int, width: int) -> Box:
    """The largest box of `aspect` (width / height, in pixels) within `box`, scaled by `share`, same centre."""
    x0, y0, x1, y1 = box
    w, h = (x1 - x0) * width, (y1 - y0) * height
    if aspect is not None:
        w, h = min(w, h * aspect), min(h, w / aspect)
    w, h = w * share / width, h * share / height
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    return (cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2)


def widened(box: Box, aspect: float, height: int, width: int) -> Box:
    """The smallest box of `aspect` (width / height, in pixels) around `box`, moved into the frame; where the frame is
    too small for it, the part of it that fits."""
    x0, y0, x1, y1 = box
    w, h = (x1 - x0) * width, (y1 - y0) * height
    w, h = min(max(w, h * aspect), width) / width, min(max(h, w / aspect), height) / height
    left = min(max((x0 + x1 - w) / 2, 0.0), 1 - w)
    top = min(max((y0 + y1 - h) / 2, 0.0), 1 - h)
    return (left, top, left + w, top + h)
