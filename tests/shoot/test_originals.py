"""Frames that a copy which is held was made of, frames that were replaced in their place, and what cannot be told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import PIL.Image
import pytest

from pipeline.shoot.copies import copies, is_copy
from pipeline.shoot.pictures import looks
from pipeline.shoot.pictures.grey import grey_picture
from pipeline.shoot.pictures.untold import hall_said, unseen_said
from pipeline.store.cache import Cache
from pipeline.types import Exif, Frame
from tests.shoot.test_same_picture import EDITS, drawn, part, small

__all__ = ["small"]
pytestmark = pytest.mark.usefixtures("small")

RAW = Path(__file__).resolve().parents[3] / "shared" / "data" / "raw"
START = datetime(2026, 2, 14, 19, 30)
SIZE = (480, 320)


def camera(seconds: float, model: str = "Test Camera") -> Exif:
    return Exif(time=START + timedelta(seconds=seconds), make="Evencourt", model=model, has_subseconds=seconds % 1 != 0)


def saved(folder: Path, name: str, picture: PIL.Image.Image, exif: Exif = Exif(), kind: str = "picture") -> Frame:  # noqa: B008
    path = folder / f"{name}.jpg"
    path.parent.mkdir(exist_ok=True)
    picture.save(path, quality=85)
    return Frame(name, path, f"{name}.jpg", kind, exif)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> list[Frame]:
    """Raws of one rally and two others, in their place by number and time."""
    folder = tmp_path_factory.mktemp("night")
    shown = [*(rally(at) for at in range(3)), drawn(7, 1), drawn(8, 2)]
    return [saved(folder, f"TH1_000{at}", one, camera(at / 8 + 0.013), "raw") for at, one in enumerate(shown)]


def rally(at: int, of: int = 1) -> PIL.Image.Image:
    """A frame of a burst: a third of it is not as in the others."""
    picture = drawn(of, of)
    picture.paste(drawn(50 + at, 50 + at).crop((0, 0, 160, 320)), (160, 0))
    return picture


def why(frames: Sequence[Frame], held: Frame, *named: Frame) -> dict[str, str]:
    found = copies(frames, {held.name}, {held.name, *(one.name for one in named)})
    assert all(map(is_copy, found.values()))
    return found


def test_the_raw_of_a_picture_that_is_held_is_held_and_not_its_neighbours(night: list[Frame], tmp_path: Path) -> None:
    """A person named who is in a picture that says neither when nor with what it was taken."""
    with PIL.Image.open(night[1].path) as taken:
        best = saved(tmp_path, "best of the night", part(0.1, 0.1, 0.9, 0.9)(taken))
    found = why([*night, best], best)
    assert list(found) == ["TH1_0001"]
    assert "the picture of which best of the night, which is held back, is a copy" in found["TH1_0001"]
    assert why([*night, best], best, night[1]) == {}  # somebody wrote who is in it: nor is its neighbour taken for it
    exif = [replace(one.exif, model="Other Camera") for one in night[1:3]]  # or what a converter calls it
    card = [Frame(f"B_{at}", night[1 + at].path, f"card/B_{at}.jpg", "raw", said) for at, said in enumerate(exif)]
    with PIL.Image.open(night[1].path) as taken:  # as its camera wrote it beside the raw
        card[0] = replace(card[0], path=saved(tmp_path, "of the card", taken.convert("RGB").resize((300, 200))).path)
    assert set(why([*night, *card, best], best)) == {"TH1_0001", "B_0"}


def test_the_raw_of_an_export_under_a_name_of_its_own_is_that_of_its_second(night: list[Frame], tmp_path: Path) -> None:
    with PIL.Image.open(night[2].path) as taken:
        exports = [
            saved(tmp_path, f"gulls-{at}", one, camera(at))
            for at, one in enumerate((taken.convert("RGB"), drawn(9, 3)))
        ]
    assert list(why([*night, *exports], exports[0])) == ["TH1_0002"]
    late = [replace(one, exif=camera(3600 + at)) for at, one in enumerate(exports)]
    assert why([*night, *late], late[0]) == {}  # its row says credibly that it is another hour's
    other = [replace(one, exif=camera(at, "Other Camera")) for at, one in enumerate(exports)]
    assert why([*night, *other], other[0]) == {}
    (alone,) = (
        replace(one, exif=camera(7200)) for one in exports[:1]
    )  # saved anew at that hour, as some programs write
    assert list(why([*night, alone], alone)) == ["TH1_0002"]
    near = replace(alone, path=saved(tmp_path, "near", rally(9)).path)
    assert why([*night, near], near) == {}  # no frame surely
    saved_anew = Exif(time=START + timedelta(hours=2))  # without its camera
    assert why([*night, replace(near, exif=saved_anew)], replace(near, exif=saved_anew)) == {}
    assert list(why([*night, replace(alone, exif=saved_anew)], replace(alone, exif=saved_anew))) == ["TH1_0002"]


def test_where_the_name_tells_the_original_no_other_is_looked_for(
    night: list[Frame], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = saved(tmp_path, "TH1_0001_web", EDITS["smaller"](drawn(3)))
    looked: list[str] = []
    monkeypatch.setattr("pipeline.shoot.pictures.copied.look", lambda frame, *_: looked.append(frame.name))
    assert list(why([*night, copy], copy)) == ["TH1_0001"] and looked == []
    card = replace(copy, name="best", relative="best.jpg", path=night[1].path, exif=Exif())
    assert list(why([*night, card], card)) == ["TH1_0001"] and looked == []  # nor where the octets do
    star = saved(tmp_path, "star", drawn(4))
    assert why([*night, star], star, *night) == {} and looked == []  # somebody wrote who is in each of them


def test_a_frame_that_was_replaced_in_its_place_is_held(tmp_path: Path) -> None:
    """By an export of the one that is held, with a time that fits."""
    frames = [saved(tmp_path, f"TH1_000{at}", drawn(at, at), camera(at)) for at in range(5)]
    assert why(frames, frames[1]) == {}
    EDITS["brighter"](drawn(1, 1)).resize((360, 240)).save(frames[3].path)
    found = why(frames, frames[1])
    assert list(found) == ["TH1_0003"] and "saved otherwise than those beside it" in found["TH1_0003"]
    assert why(frames, frames[1], frames[3]) == {}
    converted = replace(frames[3], kind="raw")
    assert list(why([*frames[:3], converted, frames[4]], frames[1])) == ["TH1_0003"]  # a raw of a program among others
    part(0.0, 0.0, 0.5, 0.6)(drawn(3, 3)).save(frames[3].path)  # cut in its place
    assert why(frames, frames[1]) == {}
    rally(1, 2).resize((360, 240)).save(frames[3].path)
    rally(2, 2).save(frames[2].path)
    assert why(frames, frames[2]) == {}  # what is only near to it, as the next of a burst is
    tiff = replace(frames[3], path=tmp_path / "TH1_0003.tif", relative="TH1_0003.tif")
    drawn(1, 1).save(tiff.path)
    raws = [replace(one, kind="raw") for one in frames if one.name != tiff.name]
    assert list(why([*raws, tiff], raws[1])) == ["TH1_0003"]  # in a row of raws
    converted = replace(tiff, kind="raw", path=tmp_path / "TH1_0003.png", relative="TH1_0003.png")
    drawn(1, 1).save(converted.path)
    assert list(why([*raws, converted], raws[1])) == ["TH1_0003"]


def test_the_same_coded_picture_is_held_whatever_its_file_says(tmp_path: Path) -> None:
    """To write another time into a file changes no octet of its picture."""
    frames = [saved(tmp_path, f"TH1_000{at}", drawn(at, at), camera(at)) for at in range(4)]
    data = frames[1].path.read_bytes()
    frames[3].path.write_bytes(data[:2] + b"\xff\xfe\x00\x0eanother time" + data[2:])
    found = why(frames, frames[1])
    assert list(found) == ["TH1_0003"] and "to the last bit, that of TH1_0001" in found["TH1_0003"]
    frames[3].path.write_bytes(data + b"\0")  # what comes after the picture is none of it
    assert list(why(frames, frames[1])) == ["TH1_0003"]
    assert list(why(frames, frames[1], frames[3])) == ["TH1_0003"]  # a row that says otherwise cannot be right
    for frame in frames:
        PIL.Image.new("RGB", (4000, 3000), (90, 90, 90)).save(frame.path)
        frame.path.write_bytes(frame.path.read_bytes() + bytes([frames.index(frame)]))
    assert why(frames, frames[1]) == {}  # one even tone is that of others


def test_a_raw_is_compared_with_that_of_its_name_in_a_folder_whose_times_were_set_anew(
    night: list[Frame], tmp_path: Path
) -> None:
    shown = [*(rally(at) for at in range(3)), drawn(7, 1), drawn(8, 2)]
    shown = [one.point(lambda v: v * 0.98) for one in shown]
    again = [saved(tmp_path, f"TH1_000{at}", one, camera(3600 + at / 8 + 0.013), "raw") for at, one in enumerate(shown)]
    again = [replace(one, name=f"set/{one.name}", relative=f"set/{one.relative}") for one in again]
    assert list(why([*night, *again], night[1])) == ["set/TH1_0001"]
    others = [replace(one, exif=replace(one.exif, serial="2")) for one in again]
    assert why([*night, *others], night[1]) == {}  # another camera that counts alike


@pytest.mark.skipif(not RAW.is_dir(), reason="real raws are not at ../shared/data/raw")
@pytest.mark.parametrize("held_is_raw", [True, False])
def test_raws_are_compared_by_the_pictures_that_their_cameras_put_into_them(tmp_path: Path, held_is_raw: bool) -> None:
    paths = [RAW / "CRW_0117.CRW", RAW / "CRW_0101.CRW"]
    raws = [
        Frame(path.stem, path, f"raw/{'ab'[at]}-{at + 1}{path.suffix}", "raw", camera(at))
        for at, path in enumerate(paths)
    ]
    grey = grey_picture(paths[0], 1200)
    assert grey is not None
    export = saved(tmp_path, "best", part(0.1, 0.1, 0.95, 0.9)(PIL.Image.fromarray(grey)))
    raws = [replace(one, relative=f"raw/TH1_{at}{one.path.suffix}") for at, one in enumerate(raws)]
    held, found = (raws[0], export) if held_is_raw else (export, raws[0])
    assert list(why([*raws, export], held)) == [found.name]


def test_a_held_frame_that_cannot_be_looked_at_is_said(tmp_path: Path) -> None:
    held = saved(tmp_path, "TH1_0001", drawn(1), camera(0))
    held.path.write_bytes(b"\xff\xd8 no picture")
    others = [saved(tmp_path, name, drawn(at, at)) for at, name in enumerate(("star", "web"))]
    notices: list[str] = []
    assert copies([held, *others], {held.name}, set(), notices) == {}
    assert notices == [
        "TH1_0001 is held back, but its picture cannot be read, or shows too little, so no copy of it can be found by "
        "its looks: see whether one of 2 frames (star, web) shows the same, and if so write under players who is "
        "in it"
    ]
    told = notices[:]
    notices.clear()
    PIL.Image.new("RGB", SIZE, (90, 90, 90)).save(held.path)
    assert copies([held, *others], {held.name}, set(), notices) == {} and notices == told  # one even tone
    notices.clear()
    in_place = [replace(one, exif=camera(at)) for at, one in enumerate(others, 1)]
    in_place = [replace(one, relative=f"TH1_000{at}.jpg") for at, one in enumerate(in_place, 2)]
    assert copies([held, *in_place], {held.name}, set(), notices) == {} and notices == []  # none can be a copy
    assert copies([held, *others], {held.name}, {"star", "web"}, notices) == {} and notices == []  # all are named
    notices.clear()
    seen = saved(tmp_path, "TH1_0009", drawn(0, 0).resize((360, 240)), camera(9))  # also held, and star is a copy of it
    assert list(copies([held, seen, *others], {held.name, seen.name}, set(), notices)) == ["star"]
    assert "see whether web shows the same" in notices[0]
    notices.clear()
    lost = replace(held, exif=Exif())  # of which one of the camera's may be the original
    assert copies([lost, *in_place], {held.name}, {"web"}, notices) == {} and "whether star shows" in notices[0]
    assert unseen_said(["a", "b", "c"], ["star"])[0].startswith("a and 2 more are held back, but their pictures cannot")


def test_of_a_camera_that_stood_still_only_what_is_not_held_is_said() -> None:
    hall = {"a": ["1", "2", "3"], "b": ["3", "1"]}
    assert hall_said(hall, {"1", "2", "3"}) == []
    (line,) = hall_said(hall, {"1"})
    assert line.startswith("2 frames (2, 3) show nearly the same as a, which is held back")
    assert "if that frame may show somebody who must not be shown" in line  # it may be held for a wrong cell alone
    assert hall_said(hall, {"1", "2"})[0].startswith("1 frame (3) shows nearly")


def test_looks_are_kept_between_commands_and_a_broken_cache_does_no_harm(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = [saved(tmp_path, f"TH1_000{at}", drawn(at, at)) for at in range(2)]
    frames.append(saved(tmp_path, "best", EDITS["smaller"](drawn(1, 1))))
    cache = Cache.open(tmp_path / "cache")
    made: list[int] = []
    look_of = looks.look_of
    monkeypatch.setattr(looks, "look_of", lambda *given: made.append(given[1]) or look_of(*given))

    def found() -> list[str]:
        looks._look.cache_clear()
        made.clear()
        return list(copies(frames, {"TH1_0001"}, set(), None, cache))

    assert found() == ["best"] and len(made) == 4  # the last as what is held, too
    assert found() == ["best"] and made == []
    kept = sorted((tmp_path / "cache" / "looks").iterdir())
    kept[0].write_bytes(kept[0].read_bytes()[:-9])  # cut
    assert found() == ["best"] and len(made) == 1
    data = cache.get("looks", kept[1].name)
    assert data is not None
    cache.put("looks", kept[1].name, data.replace(b'"like"', b'"lies"'))  # whole, and not what was kept
    cache.put("looks", kept[2].name, b"")
    assert found() == ["best"] and len(made) == 2
    drawn(5, 5).save(frames[2].path, quality=85)  # other octets
    assert found() == [] and len(made) == 1
    monkeypatch.setattr(looks, "LOOK_VERSION", 1000)
    assert found() == [] and len(made) == 3
