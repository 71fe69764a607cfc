"""white_balance: multipliers that make neutral things neutral, and white blown highlights."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from pydantic import Field

from pipeline.imaging.geometry import box_to_pixels
from pipeline.imaging.light import colour_histogram, gray_world, rebuild_highlights, register
from pipeline.model import F32, F64, Domain, Image
from pipeline.steps.base import (
    ApplyContext,
    MeasureContext,
    Measured,
    Params,
    Solution,
    SolveContext,
    Solved,
    Step,
    camera_of,
    floats,
)

# A card under any lamp of a hall stays within a factor of three of daylight in both ratios (common
# practice, no source); beyond it the patch is not neutral.
_BEYOND_REASON = 3.0
_MATCH_REACH = 0.35


class WhiteBalanceParams(Params):
    """Parameters of white_balance."""

    method: Literal["gray_world", "reference_patch", "camera", "fixed"] = Field(
        "camera",
        description="camera: as shot; gray_world: from the colours of the picture; reference_patch: from the "
        "neutral patches under references in shoot.yaml; fixed: the multipliers given",
    )
    multipliers: tuple[float, float, float] | None = Field(
        None, description="for method fixed: red, green and blue multipliers of the raw channels, e.g. [1.9, 1, 1.6]"
    )


def measure(context: MeasureContext) -> Measured:
    """Gray-world estimate, colour histogram and reference patches of one frame."""
    proxy = context.proxy
    start = context.daylight
    estimate = gray_world(proxy.pixels, proxy.saturation, start)
    patches = [_patch(proxy, ref.patch) for ref in context.references if isinstance(ref.patch, tuple)]
    return {
        "as_shot": np.zeros(3) if context.as_shot is None else context.as_shot,
        "daylight": start,
        "gray": np.array([estimate.log_rg, estimate.log_bg, estimate.spread] if estimate else [np.nan] * 3),
        "histogram": colour_histogram(proxy.pixels, proxy.saturation, start).astype(np.float32),
        "patches": np.array(patches).reshape(-1, 4),
    }


def _patch(proxy: Image, box: tuple[float, float, float, float]) -> list[float]:
    """Mean R, G, B of the patch and the fraction of it that is clipped."""
    x0, y0, x1, y1 = box_to_pixels(box, *proxy.pixels.shape[:2])
    inside: F32 = proxy.pixels[y0:y1, x0:x1].reshape(-1, 3)
    clipped = float((inside > 0.97 * proxy.saturation).any(axis=1).mean())
    return [*inside.mean(axis=0, dtype=np.float64).tolist(), clipped]


def solve(context: SolveContext, params: WhiteBalanceParams) -> Solved:
    """Multipliers for every frame; the frames of a burst share one set, its pulses are left to exposure."""
    if params.method == "fixed":
        gains = np.array(params.multipliers or (1.0, 1.0, 1.0))
        return Solved({f.name: _solution(gains, "fixed multipliers") for f in context.frames})
    if params.method == "camera":
        return Solved({f.name: _as_shot(context.measured[f.name]) for f in context.frames})
    gray = {f: s for burst in context.bursts for f, s in _gray_burst(burst.frames, context.measured).items()}
    if params.method == "gray_world":
        return Solved(gray)
    return _from_references(context, gray)


def _solution(gains: F64, source: str) -> Solution:
    return {"gains": floats(gains / gains[1]), "source": source}


def _as_shot(measured: Measured) -> Solution:
    if measured["as_shot"].any():
        return _solution(measured["as_shot"], "camera, as shot")
    if np.isfinite(measured["gray"]).all():
        return _solution(_gray_gains([measured]), "gray-world (the file carries no camera balance)")
    return _solution(measured["daylight"], "daylight (no camera balance, too little to judge by)")


def _gray_gains(group: Sequence[Measured]) -> F64:
    found = np.array([m["gray"][:2] for m in group if np.isfinite(m["gray"]).all()])
    mean = found.mean(axis=0)
    return np.exp([-mean[0], 0.0, -mean[1]])


def _gray_burst(names: Sequence[str], measured: Mapping[str, Measured]) -> dict[str, Solution]:
    names = [n for n in names if n in measured]
    group = [measured[n] for n in names]
    if not any(np.isfinite(m["gray"]).all() for m in group):
        return {n: _solution(measured[n]["daylight"], "daylight (too little to judge by)") for n in names}
    solution = _solution(_gray_gains(group), "gray-world of the burst")
    return dict.fromkeys(names, solution)


def _from_references(context: SolveContext, gray: dict[str, Solution]) -> Solved:
    """Each burst takes the reference whose colours match its own best, moved by the registered shift."""
    notices: list[str] = []
    cards = _cards(context, notices)
    if not cards:
        return Solved(gray, (*notices, "white_balance: no usable reference patch; gray_world was used instead"))
    by_name = {f.name: f for f in context.frames}
    result: dict[str, Solution] = {}
    lonely: set[str] = set()
    for burst in context.bursts:
        names = [n for n in burst.frames if n in context.measured]
        if not names:
            continue
        camera = camera_of(by_name[names[0]])
        choices = [c for c in cards if camera_of(by_name[c[0]]) == camera]
        if not choices:
            lonely.add(camera)
            result.update({n: gray[n] for n in names})
            continue
        own = next((c for c in choices if c[0] in names and len(names) == 1), None)
        if own is not None:
            result[own[0]] = _solution(own[1], f"its own patch ({own[0]})")
            continue
        pooled = np.array([context.measured[n]["histogram"] for n in names], dtype=np.float64).mean(axis=0)
        fits = [
            (register(pooled, context.measured[c[0]]["histogram"].astype(np.float64), _MATCH_REACH), c) for c in choices
        ]
        (shift_rg, shift_bg, match), card = max(fits, key=lambda fit: fit[0][2])
        gains = card[1] * np.exp([-shift_rg, 0.0, -shift_bg])
        solution = {**_solution(gains, f"reference {card[0]}"), "match": round(match, 3)}
        result.update(dict.fromkeys(names, solution))
    for camera in sorted(lonely):
        notices.append(f"white_balance: no reference frame of {camera}; its frames take gray_world")
    return Solved(result, tuple(notices))


def _cards(context: SolveContext, notices: list[str]) -> list[tuple[str, F64]]:
    """(frame, multipliers) of every usable patch; the refused ones are named."""
    cards = []
    seen: dict[str, int] = {}
    for reference in context.facts.references:
        name = reference.frame
        if name not in context.measured:
            notices.append(f"reference {name}: the frame could not be read; it is left out")
            continue
        measured = context.measured[name]
        if not isinstance(reference.patch, tuple):
            notices.append(f"reference {name}: only a patch given by its corners is read in this version; left out")
            continue
        red, green, blue, clipped = measured["patches"][seen.get(name, 0)]
        seen[name] = seen.get(name, 0) + 1
        balance = np.array([red, green, blue])
        if clipped > 0.01:
            notices.append(f"reference {name}: {clipped:.0%} of the patch is clipped; it is left out")
        elif balance.min() < 0.004:
            notices.append(f"reference {name}: the patch is too dark to trust; it is left out")
        elif np.abs(np.log(balance[1] / balance / measured["daylight"])).max() > np.log(_BEYOND_REASON):
            notices.append(f"reference {name}: the patch is coloured beyond any lamp; is the box on the card?")
        else:
            cards.append((name, balance[1] / balance))
    return cards


def apply(image: Image, params: WhiteBalanceParams, context: ApplyContext) -> Image:
    """Multiply the channels, rebuild clipped ones."""
    gains = np.array(context.solution["gains"])
    saturation = image.saturation * gains
    pixels = rebuild_highlights(image.pixels * gains.astype(np.float32), saturation)
    return replace(image, pixels=pixels, noise=image.noise.scaled(gains), saturation=saturation)


STEP = Step(
    name="white_balance",
    version=1,
    summary="Make neutral things neutral: as shot, gray-world, from reference patches, or fixed multipliers.",
    Params=WhiteBalanceParams,
    place="shared",
    takes=(Domain.CAMERA,),
    measure=measure,
    solve=solve,
    apply=apply,
)
