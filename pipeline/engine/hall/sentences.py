"""The findings about a hall as sentences: each number with its unit and how it was measured, or why it is not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.engine.hall.movement import RULES, Movement
from pipeline.imaging.colour import to_lab
from pipeline.light.hall.findings import EndLight, Finding
from pipeline.light.hall.lamps import Lamps
from pipeline.light.hall.settings import FREEZES, SOFT_ISO, THIRD, WIDE, dial, iso_needed, lux, one_exposure
from pipeline.light.hall.timing import timing
from pipeline.light.scene_white import WhiteSource
from pipeline.light.scenes import ShootLight
from pipeline.steps.white_balance import WhiteBalanceSolution
from pipeline.textfile.messages import counted, listed, percent_sure, shutter
from pipeline.types import F64, Frame

_PRACTICE = "common practice, no source"
_TRADE = f"the trade's minimum for indoor sport, 1/1000 s and f/2.8, is {_PRACTICE}"
_SOME = 0.1  # share of frames with a smear that shows, from which it is worth a look: some players are always faster
_SURE = 0.8  # from which white by the pictures alone is called likely
_GREY = 0.567  # linear, of L* 80 (CIE 15): the white on which two balances are compared
_MOST_LIGHTS = 6  # that are told one by one: a mixed folder has a light for nearly every burst


def settings(frames: Sequence[Frame]) -> list[Finding]:
    """ISO, shutter and aperture used, against what indoor sport asks for."""
    how = f"as the files say; {_TRADE}"
    found = []
    isos = [f.exif.iso for f in frames if f.exif.iso]
    if isos:
        found.append(Finding("ISO", "good", f"ISO {_span(isos, '{:.0f}')}", "as the files say"))
    times = [f.exif.exposure_time for f in frames if f.exif.exposure_time]
    if times:
        slow = sum(t > FREEZES * (1 + 1e-3) for t in times)
        text = f"shutter {_shutters(times)}"
        text += f"; {slow:,} of {counted(len(times), 'frame')} slower than 1/1000 s" if slow else ""
        found.append(Finding("shutter", "look" if slow else "good", text, how))
    stops = [f.exif.f_number for f in frames if f.exif.f_number]
    if stops:
        narrow = sum(n > WIDE * 1.03 for n in stops)
        text = f"aperture f/{_span(stops, '{:.3g}', 'f/')}"
        lost = 2 * np.log2(float(np.median([n for n in stops if n > WIDE * 1.03])) / WIDE) if narrow else 0.0
        text += f"; {counted(narrow, 'frame')} narrower than f/2.8, which costs {lost:.1f} stops" if narrow else ""
        found.append(Finding("aperture", "look" if narrow else "good", text, how))
    missing = [name for name, some in (("ISO", isos), ("shutter", times), ("aperture", stops)) if not some]
    if missing:
        verb = "is" if len(missing) == 1 else "are"
        found.append(Finding("settings", "unknown", f"{listed(missing)} {verb} not in the files", "Exif"))
    return found


def _span(values: Sequence[float], form: str, sign: str = "") -> str:
    low, middle, high = min(values), float(np.median(values)), max(values)
    if low == high:
        return form.format(low)
    return f"{form.format(low)} to {sign}{form.format(high)}, half of them up to {sign}{form.format(middle)}"


def _shutters(times: Sequence[float]) -> str:
    fast, slow = shutter(min(times)), shutter(max(times))
    return fast if fast == slow else f"{fast} to {slow}, half of them {shutter(float(np.median(times)))} or faster"


def moving(found: Movement) -> Finding:
    """How far movement softened frames."""
    how = (
        f"pace of people found in bursts, against the hall, times exposure time, in pixels of a picture {RULES.edge} "
        "wide; sharpness of who moves against who stands in the same burst, noise taken off"
    )
    if found.why:
        return Finding("movement", "unknown", f"softening by movement cannot be told: {found.why}", how)
    shows = int((found.smears >= RULES.seen).sum())
    median, most = float(np.median(found.smears)), float(np.quantile(found.smears, 0.95))
    text = (
        f"the fastest person of a frame moves {median:.1f} pixels during the exposure, in one frame of twenty more "
        f"than {most:.1f} ({counted(found.frames, 'frame')})"
    )
    if not shows:
        return Finding("movement", "good", f"{text}: none shows", how)
    costs = found.softened or shows > _SOME * found.frames
    text += f"; a smear of {RULES.seen:g} pixels or more in {counted(shows, 'frame')}"
    if len(found.ratios):
        text += (
            f"; where somebody stands to compare with, who moves has {100 * np.median(found.ratios):.0f} % of their "
            f"sharpness, and {counted(found.softened, 'frame')} of {len(found.ratios)} less than "
            f"{100 * RULES.soft:.0f} %"
        )
    if found.untold:
        text += f"; in {counted(found.untold, 'frame')} nobody stands, so pace alone says it, and not sharpness"
    return Finding("movement", "look" if costs else "good", text, how)


def ends(found: Sequence[EndLight], no_aperture: bool, finished: bool) -> list[Finding]:
    """Brightness and colour of each end. finished  the frames are no raws"""
    how = (
        "light value by the settings and the mean of the pictures, taken for an average scene; between ends by the "
        "surfaces that they share; colour by the balance, through the camera's matrix"
    )
    if no_aperture:
        how += "; the files name no aperture, so it is taken not to have changed"
    if finished:
        how += "; of finished pictures, whose curve is known roughly"
    alike: dict[str, list[EndLight]] = {}  # of a mixed folder, what says nothing of itself: in one sentence
    for end in found:
        alike.setdefault(end.name if end.ev100 is not None else end.colour, []).append(end)
    groups = list(alike.values())  # the largest first
    shown, rest = (groups, []) if len(groups) <= _MOST_LIGHTS + 1 else (groups[:_MOST_LIGHTS], groups[_MOST_LIGHTS:])
    result = []
    for some in shown:
        end = some[0]
        text = f"{_few([one.name for one in some])} ({_frames_of(some)}): {end.colour}"
        if end.ev100 is not None:
            text += f", EV {end.ev100:.1f} at ISO 100, about {lux(end.ev100):,.0f} lx"
        else:
            text += ", brightness not known (ISO, shutter or aperture is not in the files)"
        result.append(Finding("light", "good" if end.ev100 is not None else "unknown", text, how))
    if rest:
        left = [one for some in rest for one in some]
        levels = [one.ev100 for one in left if one.ev100 is not None]
        between = f", EV {min(levels):.1f} to {max(levels):.1f} at ISO 100" if levels else ""
        text = f"and {counted(len(left), 'more light zone')} ({_frames_of(left)}){between}"
        result.append(Finding("light", "good" if levels else "unknown", text, how))
    return result


def _frames_of(some: Sequence[EndLight]) -> str:
    return counted(sum(one.frames for one in some), "frame")


def exposure(found: Sequence[EndLight], levels: F64, steady: bool) -> Finding:
    """Whether one manual exposure serves both ends within a third of a stop. levels  of scenes, EV"""
    how = "brightness of surfaces that bursts share, less ISO, shutter and aperture"
    how += "" if steady else "; of single frames only, which catch any moment of the lamps"
    if len(levels) < 2:
        why = "only one burst can be compared" if len(levels) else "no settings, or no surface that bursts share"
        text = f"whether one manual exposure serves both ends: not known, {why}"
        return Finding("one exposure", "unknown", text, how)
    known = [e for e in found if np.isfinite(e.level)]
    zones = one_exposure([e.level for e in known] or [0.0])
    bursts = one_exposure([float(v) for v in np.quantile(levels, [0.1, 0.9])])
    of_zones = zones.apart >= bursts.apart or not zones.serves
    one = zones if of_zones else bursts
    # The zones of two cameras, say, share no surface: they may be as far apart as they like.
    some, court = (" of those that share surfaces", "these") if len(known) < len(found) else ("", "the whole court")
    told = [f"the darkest and the brightest light zone{some} are {zones.apart:.2f} EV apart"] if len(known) > 1 else []
    told += [] if of_zones else [f"four of five bursts lie within {bursts.apart:.2f} EV"]
    text = f"{', but '.join(told)}: one manual exposure in the middle "
    if one.serves:
        text += f"serves {court}, {one.off:.2f} EV off at most (a third of a stop is 0.33)"
        return Finding("one exposure", "good", text, how)
    text += f"would be {one.off:.2f} EV off, more than a third of a stop (0.33)"
    if not zones.serves:
        text += f"; open up by {zones.apart:.1f} EV for {min(known, key=lambda e: e.level).name}"
    else:
        text += "; the light changes within a zone, from place to place or moment to moment"
    return Finding("one exposure", "look", text, how)


def flicker(lamps: Lamps, depth: float | None, at_least: bool) -> list[Finding]:
    """Whether lamps flicker, how fast and how deep, and how many frames that spoiled."""
    how = (
        "brightness of rows and of frames of one burst against each other, of a single frame against a burst of the "
        "same view, and the times of the frames"
    )
    mains, compared = lamps.mains, int((~lamps.alone).sum())
    result = []
    if mains.hz is not None:
        told = f", {'at least ' if at_least else ''}{depth:.0f} % deep where it is deepest" if depth is not None else ""
        crosses = f"; the shutter crosses the frame in {1000 * (mains.readout_time or 0):.1f} ms"
        text = f"lamps flicker at {mains.hz} Hz ({100 * mains.certainty:.0f} % sure){told}{crosses}"
        result.append(Finding("flicker", "look" if (depth or 0) >= 10 else "good", text, how))
    elif depth is not None and depth >= 10:
        text = f"lamps flicker, at least {depth:.0f} % deep; at what frequency is not known: {mains.reason}"
        result.append(Finding("flicker", "look", text, how))
    else:
        seen = f"brightness within a burst changes by {depth:.0f} % at the least" if (depth or 0) >= 1 else "not seen"
        result.append(Finding("flicker", "unknown", f"flicker: {seen}; frequency not known: {mains.reason}", how))
    if compared:
        spoiled = int(lamps.spoiled.sum())
        text = (
            f"{counted(spoiled, 'frame')} of {compared:,} caught a quarter of a stop or more less than the lamps give "
            f"on average, or a third or more uneven from row to row ({int(lamps.dark.sum()):,} less)"
        )
        alone = len(lamps.names) - compared
        text += f"; {counted(alone, 'single frame')} cannot be told" if alone else ""
        result.append(Finding("spoiled", "look" if spoiled else "good", text, how))
    return result


def waiting(lamps: Lamps, depth: float | None, at_least: bool, exposure_time: float | None) -> Finding:
    """Whether a camera that waits for the lamps' brightest moment would have helped."""
    how = "a sine of that depth and frequency, over the exposure and the rows (sinc(f T) of the depth is left)"
    lead = "the camera's own anti-flicker timing"
    mains = lamps.mains
    if mains.hz is None or depth is None or exposure_time is None or mains.readout_time is None:
        why = mains.reason if mains.hz is None else "depth or exposure time is not known"
        return Finding("timing", "unknown", f"whether {lead} would help: not known, {why}", how)
    found = timing(depth / 100, mains.hz, exposure_time, mains.readout_time)
    least = "at least " if at_least else ""
    without = f"without it frames differ by up to {least}{found.frames:.2f} EV"
    if found.frames <= THIRD:
        return Finding("timing", "good", f"{lead} is not needed: {without} at {shutter(exposure_time)}", how)
    if found.helps:
        text = (
            f"{lead} would have helped: {without}, and taken at the brightest moment rows within a frame by "
            f"{found.at_peak:.2f} EV; it delays each release by up to {1000 / mains.hz:.1f} ms, and can serve one "
            "lamp only of two that flicker at other moments"
        )
        return Finding("timing", "look", text, how)
    text = (
        f"{lead} would not be enough: the shutter crosses the frame in {1000 * mains.readout_time:.1f} ms, so that "
        f"even at the brightest moment rows differ by {found.at_peak:.2f} EV ({without})"
    )
    return Finding("timing", "look", text, how)


def iso(found: Sequence[EndLight], wanted: float) -> Finding:
    """The ISO that a wanted shutter needs."""
    how = "from the light value: ISO = 100 N^2 / (T 2^EV) (APEX, Exif 2.32 annex C)"
    known = [e for e in found if e.ev100 is not None]
    if not known:
        why = "ISO, shutter or aperture is not in the files"
        return Finding("ISO needed", "unknown", f"ISO needed for {shutter(wanted)}: not known, {why}", how)
    needs: dict[int, list[str]] = {}
    for end in known:
        needs.setdefault(dial(iso_needed(end.ev100 or 0.0, wanted, WIDE)), []).append(end.name)
    parts = [f"{value:,} for {_few(names)}" for value, names in sorted(needs.items())]
    text = f"{shutter(wanted)} at f/{WIDE:g} needs ISO {listed(parts)}"
    soft = max(needs) > SOFT_ISO
    text += f"; above ISO {SOFT_ISO:,} expect soft detail" if soft else ""
    return Finding("ISO needed", "look" if soft else "good", text, how)


def _few(names: Sequence[str]) -> str:
    return listed(names) if len(names) <= _MOST_LIGHTS else counted(len(names), "light zone")


def white(
    light: ShootLight, balances: Mapping[str, WhiteBalanceSolution], as_shot: Mapping[str, F64 | None]
) -> Finding:
    """Whether the white that is taken can be trusted."""
    how = "references: how well each burst's colours are recognised; else by votes of what may be white in the pictures"
    kinds: dict[WhiteSource, list[str]] = {}
    for scene in light.scenes:
        for name in scene.names:
            kinds.setdefault(balances[name].source, []).append(name)
    told = sum(len(names) for source, names in kinds.items() if source in (WhiteSource.REFERENCE, WhiteSource.HALL))
    total = sum(map(len, kinds.values()))
    apart = [
        float(np.hypot(*to_lab(_GREY * scene.to_working @ (b / a / (b / a)[1]))[1:]))
        for scene in light.scenes
        for n in scene.names[:1]
        if (a := as_shot.get(n)) is not None and (b := balances[n].gains) is not None
    ]
    camera = ""
    if apart:
        off = counted(round(float(np.median(apart))), "CIELAB unit")
        camera = f"; the camera's own white is {off} (a*, b*) off the one taken"
    if told == total and total:
        source = "the hall's memory" if WhiteSource.REFERENCE not in kinds else "the references"
        sure = float(np.median([balances[n].sure or 0.0 for names in kinds.values() for n in names]))
        text = f"white is known from {source}, in all frames (colours recognised: {sure:.2f} of 1){camera}"
        return Finding("white", "good", text, how)
    of_scenes = [balances[scene.names[0]] for scene in light.scenes]  # one each, as white_balance tells them in a run
    guessed = [one.sure or 0.0 for one in of_scenes if one.source is WhiteSource.GRAY_WORLD]
    part = f"white is known from references in {told:,} of {total:,} frames; the rest" if told else "white"
    if not guessed:
        text = f"{part} is the camera's own or daylight's: too little in the pictures to judge by"
        return Finding("white", "unknown", text, how)
    sure, half = float(np.median(guessed)), f"half of {len(guessed)} scenes at least " if len(guessed) > 1 else ""
    text = f"{part} is guessed from the pictures, {half}{percent_sure(sure)}"
    if sure >= _SURE:
        return Finding("white", "look", f"{text}: likely right; a grey card at each end makes it sure{camera}", how)
    return Finding("white", "look", f"{text}: not to be trusted; photograph a grey card at each end{camera}", how)
