"""evencourt inspect: what is in a shoot folder, in tables and notes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import typer

from pipeline.cli.console import note, progress, some
from pipeline.cli.look.hall import print_findings, refuse_picture, write_picture
from pipeline.cli.look.light_words import LightWords, as_of_the_hall, light_words
from pipeline.cli.look.tables import print_table
from pipeline.cli.measuring import Measuring, open_cache
from pipeline.cli.models import with_models
from pipeline.engine.hall.gather import hall_findings
from pipeline.engine.hall.known import look_at
from pipeline.engine.jobs import Shoot, read_shoot
from pipeline.engine.measure import MeasuredFrame, Measurements
from pipeline.engine.redaction import Redaction
from pipeline.engine.run import measure_shoot
from pipeline.engine.tables.reference_proposals import reference_proposals
from pipeline.errors import AGAIN
from pipeline.imaging.raw.noise_pool import HEADINGS, noise_notes, noise_rows
from pipeline.light.hall.findings import HallFindings
from pipeline.light.hall.settings import FREEZES, SOFT_ISO
from pipeline.shoot.clocks.bodies import bodies
from pipeline.steps import decode
from pipeline.steps.base import camera_of
from pipeline.store.store import Store
from pipeline.store.watch import surviving
from pipeline.textfile.messages import shutter
from pipeline.textfile.notices import lines_by_kind
from pipeline.workers.executors import Workers

_MOST_CAMERAS = 24  # lines of the table: folders may stand for cameras that tell no serial number
_MOST_ZONES = 8  # lines: a mixed folder has a zone for nearly every burst


@dataclass(frozen=True)
class InspectText:
    """One row a camera, a burst, a light zone, a camera and ISO, and what a photographer should know."""

    cameras: list[list[str]]
    bursts: list[list[str]]
    zones: list[list[str]]
    noise: list[list[str]]
    notes: list[str]
    hall: HallFindings | None = None


def inspect_shoot(
    shoot: Path, facts: Path | None, measuring: Measuring, wanted: float = FREEZES, picture: Path | None = None
) -> None:
    """Measure a shoot and print what was found.

    wanted  seconds, the shutter that ISO is told for; picture  a PNG to write

    Raises InputError where the shoot or its facts cannot be read or the picture cannot be written, typer.Exit(1) where
    a frame cannot be read.
    """
    if picture is not None:
        refuse_picture(picture, shoot)
    with open_cache(measuring.cache, shoot) as kept:
        read = read_shoot(shoot, facts, measuring.models, cache=kept)
        read = with_models(read, measuring.models, measuring.offline)
        with measuring.work.open() as workers, Store.scratch(read.folder, kept) as store:
            with progress() as report:
                measured_frames = measure_shoot(store, read, workers, report)
            found = inspect_text(store, read, measured_frames, workers, wanted)
    several = len(found.cameras) > 1  # then each has a number, by which its bursts are told
    columns = ("camera", "in clocks", "frames", "first", "last", *(["corrected by"] if read.added else []))
    print_table("", ("no.", *columns) if several else columns, found.cameras)
    of_camera = ["camera"] if several else []
    columns = ("burst", "frames", *of_camera, "time", "ISO", "shutter", "zone", "in the dark phase")
    line = Redaction(read).line
    print_table("", columns, [[line(cell) for cell in row] for row in found.bursts])
    print_table(
        "light, as EV at ISO 100 and lx", ("zone", "seen in", "frames", "colour", "EV", "lx", "flicker"), found.zones
    )
    print_table("noise", HEADINGS, found.noise)
    if found.hall is not None:
        print_findings(found.hall.findings)
    if picture is not None:
        write_picture(picture, found.hall, read.facts.title or read.folder.name)
    notes = [line(text) for text in lines_by_kind(found.notes, (frame.name for frame in read.frames))]
    some(note, notes, "note")
    if any(s.error for s in measured_frames):
        raise typer.Exit(1)


def inspect_text(
    store: Store, shoot: Shoot, measured_frames: Sequence[MeasuredFrame], workers: Workers, wanted: float = FREEZES
) -> InspectText:
    """What is in the folder, in words; looks at the light of every burst first.

    measured_frames  all frames of the shoot, measured into `store`; workers  as for map_unordered; wanted  seconds
    """
    failed: list[str] = []
    words: LightWords | None = None
    hall: HallFindings | None = None
    notices: tuple[str, ...] = ()
    with _costs("the light", failed):
        known = look_at(store, shoot, measured_frames, workers)
        if known is not None:
            notices = known.notices
            words = light_words(known.light, known.lamps, known.frames, known.balances, known.daylight)
            with _costs("the hall", failed):
                hall = hall_findings(known, wanted)
    noise: list[list[str]] = []
    of_noise: list[str] = []
    with _costs("the noise", failed):
        noise, of_noise = _noise(store, measured_frames)
    references: list[str] = []
    with _costs("cards and charts", failed):
        references += _reference_notes(store, shoot, measured_frames, workers)
    notes = [*shoot.notices]
    notes += [f"{s.frame.relative}: {s.error}" for s in measured_frames if s.error]
    used = {f.name: f.path for f in shoot.frames}
    notes += [f"{s.frame.name}: {s.notices[0]}" for s in measured_frames if s.frame.path != used[s.frame.name]]
    notes += [*shoot.facts.wrong_players, *(f"{name}: {why}" for name, why in (*shoot.missing, *shoot.lost))]
    notes += notices
    notes += [*references, *_settings_notes(shoot), *of_noise, *failed]
    zones = words.zones if words is not None else []
    zones = as_of_the_hall(zones, hall.ends if hall is not None else ())
    return InspectText(_cameras(shoot), _bursts(shoot, words), _largest(zones), noise, notes, hall)


def _largest(zones: list[list[str]]) -> list[list[str]]:
    """The zones with most frames, in their order, and one line for all others where there are many."""
    if len(zones) <= _MOST_ZONES:
        return zones
    by_frames = sorted(range(len(zones)), key=lambda at: -int(zones[at][2]))
    shown, rest = sorted(by_frames[: _MOST_ZONES - 1]), by_frames[_MOST_ZONES - 1 :]
    frames = sum(int(zones[at][2]) for at in rest)
    return [*(zones[at] for at in shown), [f"and {len(rest)} more", "", str(frames), *[""] * (len(zones[0]) - 3)]]


@contextmanager
def _costs(what: str, failed: list[str]) -> Iterator[None]:
    """Where looking at one thing fails, the rest is still shown; `failed` says so."""
    with surviving(lambda why: failed.append(f"{what} could not be looked at ({why}); {AGAIN}")):
        yield


def _cameras(shoot: Shoot) -> list[list[str]]:
    """Each camera with what `clocks` may call it: the end of its serial number stays on this screen. Numbered where
    there are several."""
    rows = []
    everybody = bodies(shoot.frames)
    for number, body in enumerate(everybody, 1):
        first, last = body.first, body.last
        same_day = first is not None and last is not None and first.date() == last.date()
        begins = f"{first:%Y-%m-%d %H:%M:%S}" if first else "no time"
        ends = "" if last is None else f"{last:%H:%M:%S}" if same_day else f"{last:%Y-%m-%d %H:%M:%S}"
        of_several = [str(number)] if len(everybody) > 1 else []
        key = "" if not first else "its name" if body.key == body.model else body.key
        rows.append([*of_several, body.model or "unknown", key, str(len(body.frames)), begins, ends])
        if shoot.added:
            added = sorted({shoot.added[frame.name] for frame in body.frames if frame.name in shoot.added})
            rows[-1].append(", ".join(f"{seconds:+.10g} s" for seconds in added))
    left = len(rows) - _MOST_CAMERAS
    return rows if left <= 0 else [*rows[:_MOST_CAMERAS], ["", f"and {left} more", *[""] * (len(rows[0]) - 2)]]


def _bursts(shoot: Shoot, words: LightWords | None) -> list[list[str]]:
    """A row a burst: with the number of its camera where there are several, and the date where there are."""
    by_name = {f.name: f for f in shoot.frames}
    everybody = bodies(shoot.frames)
    numbered = enumerate(everybody, 1) if len(everybody) > 1 else ()
    cameras = {frame.name: str(number) for number, body in numbered for frame in body.frames}
    days = {f.exif.time.date() for f in shoot.frames if f.exif.time}
    written = "%H:%M:%S" if len(days) == 1 else "%Y-%m-%d %H:%M:%S"
    rows = []
    for index, burst in enumerate(shoot.bursts):
        exif = by_name[burst.frames[0]].exif
        readable = [n for n in burst.frames if words is not None and n in words.of]
        zone, dark = "", ""
        if words is not None and readable:
            zone = str(words.of[readable[0]][0])
            count = sum(words.of[n][1] for n in readable)
            dark = f"{count} of {len(readable)}" if len(readable) > 1 else ""
        open_for = shutter(exif.exposure_time) if exif.exposure_time else ""
        if "/" in open_for:  # a fraction needs no unit, and the table no wider column
            open_for = open_for.removesuffix(" s")
        name = burst.frames[0] if len(burst.frames) == 1 else f"{burst.frames[0]} .. {burst.frames[-1]}"
        time = exif.time.strftime(written) if exif.time else ""
        of_camera = [cameras[burst.frames[0]]] if cameras else []
        frames = f"{name} ({len(burst.frames)})"
        iso = f"{exif.iso:.0f}" if exif.iso else ""
        rows.append([str(index + 1), frames, *of_camera, time, iso, open_for, zone, dark])
    return rows


def _reference_notes(
    store: Store, shoot: Shoot, measured_frames: Sequence[MeasuredFrame], workers: Workers
) -> Iterator[str]:
    """Where no reference is named, the frames that may be some."""
    if shoot.facts.references:
        return
    names = [one.frame for one in reference_proposals(store, measured_frames, shoot.bursts, workers) if not one.why]
    if names:
        yield f"{', '.join(names)} may show a card or chart; those that do make white sure: name them under references"


def _settings_notes(shoot: Shoot) -> list[str]:
    """What the camera's settings will do to the pictures."""
    if any((f.exif.iso or 0) > SOFT_ISO for f in shoot.frames):
        return [f"frames above ISO {SOFT_ISO:,}: expect soft detail"]
    return []


def _noise(store: Store, measured_frames: Sequence[MeasuredFrame]) -> tuple[list[list[str]], list[str]]:
    """Noise by camera and ISO against the straight line that it should follow."""
    good = [s for s in measured_frames if not s.error]
    measured = Measurements(store, measured_frames, decode.STEP)
    rows, notes = [], []
    for sensor in decode.sensors([s.frame for s in good], measured):
        camera = camera_of(sensor.frames[0])
        rows += noise_rows(camera, sensor.noise)
        notes += noise_notes(camera, sensor.noise)
    return rows, notes
