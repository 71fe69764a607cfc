"""The memory of halls, on the terminal: which there are, what one holds, and forgetting it."""

from __future__ import annotations

from pathlib import Path

from pipeline.cli.console import clean, note, say, warn
from pipeline.errors import InputError
from pipeline.shoot.hall.folder import forget_hall, halls_folder, listed_halls, read_hall
from pipeline.shoot.hall.memory import HallMemory, RememberedCamera
from pipeline.textfile.messages import counted
from pipeline.types import CameraFacts


def called(camera: RememberedCamera) -> str:
    """Make and model, as elsewhere."""
    return clean(CameraFacts(camera.make, camera.model).camera)


_WHITE = {"references": "a card or chart", "memory": "the memory itself, proven", "neither": "neither card nor memory"}
_MOST_NIGHTS = 5  # that are printed


def about_halls(shoot: Path | None, every: bool, hall: str | None, forget: str | None) -> bool:
    """Answer what was asked of the memory of halls; whether anything was. Raises InputError where it cannot be, or
    where nothing at all was asked for."""
    asked = [name for name, given in (("--halls", every), ("--hall", hall), ("--forget-hall", forget)) if given]
    if not asked:
        if shoot is None:
            raise InputError("inspect: give the folder of a shoot, or --halls, --hall NAME or --forget-hall NAME")
        return False
    if shoot is not None or len(asked) > 1:
        raise InputError(f"inspect {asked[0]}: goes alone, without a shoot folder")
    if every:
        list_halls()
    elif forget:
        removed = forget_hall(forget)
        if removed is None:
            raise InputError(f"nothing is remembered of {clean(forget)}; evencourt inspect --halls lists the halls")
        say(f"forgotten: {removed}")
    elif hall:
        found = read_hall(hall)
        if found is None:
            raise InputError(f"nothing is remembered of {clean(hall)}; evencourt inspect --halls lists the halls")
        show_hall(found)
    return True


def list_halls() -> None:
    """One line a hall, and what is wrong with files that cannot be read."""
    found = listed_halls()
    if not found:
        say(f"no hall is remembered (in {halls_folder()}); hall: NAME in shoot.yaml begins with the next run")
    for path, one in found:
        if isinstance(one, InputError):
            for line in one.lines[:3]:
                warn(f"{line}; it is not used: move it away, or delete it")
            continue
        last = max((n.day for n in one.nights if n.day is not None), default=None)
        when = f", last {last}" if last else ""
        cameras = ", ".join(map(called, one.cameras)) or "no camera with references"
        say(f"{clean(one.hall)}: {counted(len(one.nights), 'night')}{when}; {cameras}; {path}")


def show_hall(found: HallMemory) -> None:
    """What is remembered of one hall."""
    say(clean(found.hall))
    for night in found.nights[-_MOST_NIGHTS:]:
        changed = "; its lamps had changed" if night.changed else ""
        day = night.day or "a day that is not known"
        say(f"  {day}: {night.frames:,} frames, white from {_WHITE[night.white]}{changed}")
    for camera in found.cameras:
        _show_camera(camera)
    if not found.cameras:
        note("nothing of its lamps yet: a card or chart at each end of the next match there begins it")


def _show_camera(camera: RememberedCamera) -> None:
    hz = f"flicker at {camera.hz} Hz" if camera.hz else "frequency of flicker not known"
    say(f"  {called(camera)}: {counted(len(camera.scenes), 'burst')} kept, {hz}")
    for light in camera.lights:
        red, blue = light.white
        told = [f"white at log R/G {red:+.3f}, log B/G {blue:+.3f} against daylight"]
        if light.ev100 is not None:
            told.append(f"EV {light.ev100:.1f} at ISO 100")
        told.append("flicker not known" if light.flicker is None else f"flicker {light.flicker:.0f} %")
        if light.matrix is not None:
            told.append("colour matrix of a chart")
        say(f"    {light.end}: {'; '.join(told)}")
