"""Copies that are known by their picture alone: drawn ones, and real frames of a court beside their neighbours."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import PIL.ImageOps
import pytest

from pipeline.shoot.copies import called_otherwise, copies, is_copy
from pipeline.shoot.pictures import copied, looks, same, shared
from pipeline.shoot.pictures.copied import Compared, Found
from pipeline.shoot.pictures.grey import grey_picture
from pipeline.shoot.pictures.originals import Role
from pipeline.shoot.pictures.same import SAME, Look, Looks, agreement, enlarged, look_of
from pipeline.shoot.pictures.shared import SHARED, shares
from pipeline.types import Exif, Frame

COURT = Path(__file__).resolve().parents[3] / "shared" / "data" / "court"
PEOPLE = COURT.parent / "people"
Edit = Callable[[PIL.Image.Image], PIL.Image.Image]


def part(x0: float, y0: float, x1: float, y1: float) -> Edit:
    return lambda p: p.crop((round(x0 * p.width), round(y0 * p.height), round(x1 * p.width), round(y1 * p.height)))


EDITS: dict[str, Edit] = {
    "smaller": lambda p: p.resize((p.width // 2, p.height // 2)),
    "cropped": part(0.3, 0.2, 0.75, 0.75),
    "turned": lambda p: p.transpose(PIL.Image.Transpose.ROTATE_90),
    "straightened": lambda p: part(0.05, 0.06, 0.95, 0.94)(p.rotate(2, PIL.Image.Resampling.BICUBIC)),
    "brighter": lambda p: p.point(lambda v: int(255 * (v / 255) ** 0.6)),
    "black and white": lambda p: PIL.ImageOps.autocontrast(p.convert("L"), cutoff=1).convert("RGB"),
    "a third of a side": part(0.35, 0.3, 0.69, 0.64),
    "a small part": part(0.2, 0.2, 0.56, 0.56),
    "mirrored": PIL.ImageOps.mirror,
    "mirrored and cropped": lambda p: PIL.ImageOps.mirror(part(0.2, 0.2, 0.8, 0.8)(p)),
    "mirrored negative, cropped": lambda p: PIL.ImageOps.invert(PIL.ImageOps.mirror(part(0.2, 0.2, 0.8, 0.8)(p))),
    "burnt": lambda p: p.point(lambda v: min(255, int(1.6 * v))),
    "stretched": lambda p: p.resize((int(0.75 * p.width), p.height)),
    "beside another": lambda p: beside(p),
    "in a frame": lambda p: PIL.ImageOps.expand(p, p.width // 20, "white"),
}


def beside(picture: PIL.Image.Image) -> PIL.Image.Image:
    """Two pictures on one sheet, as for a post."""
    sheet = PIL.Image.new("RGB", (2 * picture.width, 2 * picture.height), (200, 190, 180))
    sheet.paste(picture, (0, picture.height // 2))
    sheet.paste(drawn(picture.getpixel((200, 200))[0], 50).resize(picture.size), (picture.width, picture.height // 2))
    return sheet


def drawn(seed: int, hall: int = 0) -> PIL.Image.Image:
    """Boards and lines of a hall, and people in front of them. hall  what stays when the people move"""
    chance, people = np.random.default_rng(hall), np.random.default_rng(seed + 100)
    picture = np.full((320, 480, 3), 120, np.uint8)
    for of, count, size in ((chance, 60, 40), (people, 40, 60)):
        for _ in range(count):
            x, y = of.integers(0, 470), of.integers(0, 310)
            picture[y : y + of.integers(4, size), x : x + of.integers(4, size)] = of.integers(20, 235, 3)
    return PIL.Image.fromarray(picture)


def saved(folder: Path, name: str, picture: PIL.Image.Image, exif: Exif = Exif()) -> Frame:  # noqa: B008
    picture.save(folder / f"{name}.jpg", quality=85)
    return Frame(name, folder / f"{name}.jpg", f"{name}.jpg", "picture", exif)


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures are looked at half as large, four times as fast: what is done with what is found is tested."""
    for module in (same, looks, copied, shared):
        monkeypatch.setattr(module, "SAME", replace(SAME, edge=320, held=400, points=400, among=800, window=3.0))


CAMERA = Exif(time=datetime(2026, 2, 14, 19, 30), make="Evencourt", model="Test Camera")


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> list[Frame]:
    """Three frames that are held back, looked at once for all tests."""
    folder = tmp_path_factory.mktemp("night")
    return [saved(folder, f"TH1_000{at}", drawn(at), CAMERA) for at in range(3)]


@pytest.mark.parametrize("edit", EDITS)
def test_a_copy_without_name_and_time_is_held(held: list[Frame], tmp_path: Path, edit: str) -> None:
    copy = saved(tmp_path, "best of the night", EDITS[edit](drawn(1)))
    other = saved(tmp_path, "warming up", EDITS[edit](drawn(7)))  # in the same hall
    notices: list[str] = []
    found = copies([*held, copy, other], {one.name for one in held}, set(), notices)
    assert list(found) == [copy.name] and notices == []
    assert "its picture may be that of TH1_0001" in found[copy.name] and is_copy(found[copy.name])


@pytest.mark.usefixtures("small")
def test_a_copy_says_what_its_file_does_not(held: list[Frame], tmp_path: Path) -> None:
    copy, names = saved(tmp_path, "best of the night", EDITS["smaller"](drawn(1))), {one.name for one in held}
    lost = copies([*held, copy], names, set())[copy.name]
    assert "that of frame-0002, which" in called_otherwise(lost, {"TH1_0001": "frame-0002"})
    assert copies([*held, copy], names, {copy.name}) == {}  # a person wrote who is in it
    known = replace(copy, exif=replace(CAMERA, time=datetime(2026, 2, 14, 19, 45)))
    told = copies([*held, known], names, set())  # saved anew, or its clock set right elsewhere
    assert "its file says another time" in told[copy.name] and is_copy(told[copy.name])
    assert "that of frame-0002, which" in called_otherwise(told[copy.name], {"TH1_0001": "frame-0002"})
    nothing = replace(copy, exif=replace(known.exif, make="", model=""))
    told = copies([*held, nothing], names, set())
    assert list(told) == [copy.name] and "does not say when or with which camera" in told[copy.name]


@pytest.mark.usefixtures("small")
def test_a_picture_in_which_nothing_is_to_be_seen_is_no_copy(tmp_path: Path) -> None:
    grey = PIL.Image.new("RGB", (480, 320), (90, 90, 90))
    frames = [saved(tmp_path, "TH1_0001", grey), saved(tmp_path, "TH1_0002", drawn(1)), saved(tmp_path, "wall", grey)]
    frames[2].path.write_bytes(frames[2].path.read_bytes() + b"\0")  # not the same file
    (tmp_path / "broken.jpg").write_bytes(b"\xff\xd8 no picture")
    broken = Frame("broken", tmp_path / "broken.jpg", "broken.jpg", "picture")
    assert copies([*frames, broken], {"TH1_0001", "TH1_0002"}, set()) == {}


@pytest.mark.usefixtures("small")
def test_a_copy_of_one_of_many_is_found_and_no_picture_is_looked_at_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(same, "_GROUP", 40)  # so that only a part of all points is searched
    opened: list[Path] = []
    monkeypatch.setattr(looks, "grey_picture", lambda path, edge: opened.append(path) or grey_picture(path, edge))
    frames = [saved(tmp_path, f"TH1_{at:04d}", drawn(at, at)) for at in range(6)]
    frames += [saved(tmp_path, f"best {at}", EDITS["smaller"](drawn(at, at))) for at in (0, 3, 5)]
    held = {frame.name for frame in frames[:6]}
    found = copies(frames, held, set())
    assert {name: why.partition("that of ")[2][:8] for name, why in found.items()} == {
        "best 0": "TH1_0000", "best 3": "TH1_0003", "best 5": "TH1_0005",
    }  # fmt: skip
    opened.clear()
    looks._picture.cache_clear()
    assert copies(frames, held, set()) == found  # a review asks after each decision
    assert len(opened) == 6  # those that are compared in full


@pytest.mark.usefixtures("small")
def test_the_next_of_a_burst_is_a_picture_of_its_own(tmp_path: Path) -> None:
    """Frames that stand in their place by number and time, as a camera writes them, are not compared."""
    start = datetime(2026, 2, 14, 19, 30)
    (tmp_path / "export").mkdir()

    def frame(name: str, seconds: float, picture: PIL.Image.Image, **exif: str) -> Frame:
        said = Exif(time=start + timedelta(seconds=seconds), make="Evencourt", model="Test Camera", has_subseconds=True)
        one = saved(tmp_path, name, picture, replace(said, **exif))  # type: ignore[arg-type]
        return replace(one, relative=f"{name}.jpg")

    near = [part(0.02 * at, 0, 0.9 + 0.02 * at, 1)(drawn(1)) for at in range(5)]
    burst = [frame(f"TH1_{10 + at:04d}", at / 10 + 0.013, near[at]) for at in range(4)]
    held = {"TH1_0011"}
    assert copies(burst, held, set()) == {}
    assert (
        copies([*burst, frame("A_9", 7, near[4], model="B"), frame("A_10", 8, near[0], model="B")], held, set()) == {}
    )
    early = frame("TH1_0014", -90, near[4])  # a number that is out of its place, and the one before it
    assert set(copies([*burst, early], held, set())) == {"TH1_0014", "TH1_0013"}
    moved = [frame(f"export/gulls-{at}", 3600 + at, EDITS["smaller"](drawn(at))) for at in range(1, 4)]
    assert set(copies([*burst, *moved], held, set())) == {"export/gulls-1"}  # a clock set right, under other names
    raws = [replace(one, kind="raw") for one in moved]
    assert copies([*burst, *raws], held, set()) == {}


@pytest.mark.usefixtures("small")
def test_a_copy_of_a_copy_is_held_and_what_is_only_near_leads_no_further(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = saved(tmp_path, "TH1_0001", drawn(1))
    half = saved(tmp_path, "TH1_0001_web", part(0.0, 0.0, 0.8, 1.0)(drawn(1)))
    other = saved(tmp_path, "best", part(0.1, 0.1, 0.7, 0.9)(drawn(1)))
    twin = saved(tmp_path, "star", drawn(9))
    twin.path.write_bytes(other.path.read_bytes())
    frames = [held, half, other, twin]
    found = copies(frames, {"TH1_0001"}, set())
    assert set(found) == {"TH1_0001_web", "best", "star"}
    assert found["star"].startswith(("its file is the same as that of best", "its file does not say"))

    like = {"TH1_0001": "near", "near": "far"}

    def chain(frames: object, held: set[str], settled: set[str], **_: object) -> Compared:
        near = [saved(tmp_path, like[one], drawn(3)) for one in held if one in like]
        return Compared([Found(one, next(iter(held)), Role.COPY, surely=False) for one in near])

    monkeypatch.setattr("pipeline.shoot.copies.same_pictures", chain)
    assert set(copies([held], {"TH1_0001"}, set())) == {"near"}


def standing(seed: int) -> PIL.Image.Image:
    """A hall before a camera that stands still: players cover a tenth of it, each time elsewhere."""
    chance, picture = np.random.default_rng(seed + 50), drawn(0)
    for _ in range(8):
        x, y = map(int, chance.integers((0, 60), (440, 240)))
        player = chance.integers(20, 235, (8, 4, 3)).astype(np.uint8)
        picture.paste(PIL.Image.fromarray(player).resize((32, 64), PIL.Image.Resampling.NEAREST), (x, y))
    return picture


@pytest.mark.usefixtures("small")
def test_of_a_camera_that_stands_still_the_copies_are_held_and_not_the_night(tmp_path: Path) -> None:
    """No file says when it was taken: nine tenths of every picture are those of the one that is held."""
    night = [saved(tmp_path, f"TH1_{at:04d}", standing(at)) for at in range(SHARED.few + 3)]
    edits = ("smaller", "cropped", "mirrored", "brighter", "in a frame")
    best = [saved(tmp_path, f"best {name}", EDITS[name](standing(3))) for name in edits]
    twin = saved(tmp_path, "TH1_0020", standing(3))  # in the same row of numbers
    notices: list[str] = []
    found = copies([*night, *best, twin], {"TH1_0003"}, set(), notices)
    assert set(found) == {one.name for one in (*best, twin)}
    assert (
        len(notices) == 1
        and f"{SHARED.few + 2} frames (TH1_0000, " in notices[0]
        and ", TH1_0008) show nearly the same" in notices[0]
    )
    assert "TH1_0003, which is held back" in notices[0] and "write under players" in notices[0]
    assert set(copies([*night, twin], {"TH1_0003"}, set())) == {"TH1_0020"}
    wall = saved(tmp_path, "wall", part(0, 0, 0.3, 1)(standing(3)))  # a copy in which nobody is: so is all the night
    assert set(copies([*night, wall], {"TH1_0003"}, set())) == {"wall"}
    few = [*night[: SHARED.few], twin]  # all may be copies: nobody knows what is the hall's
    assert set(copies(few, {"TH1_0003"}, set())) == {one.name for one in few} - {"TH1_0003"}


@pytest.mark.usefixtures("small")
def test_where_nothing_but_the_hall_is_to_be_seen_all_are_held(tmp_path: Path) -> None:
    same_hall = [saved(tmp_path, f"TH1_{at:04d}", drawn(0)) for at in range(SHARED.few + 3)]
    for at, frame in enumerate(same_hall):
        drawn(0).save(frame.path, quality=80 + at)  # the same, coded otherwise
    assert len(copies(same_hall, {"TH1_0003"}, set())) == len(same_hall) - 1


def test_at_the_rim_of_a_part_a_plain_wall_tells_nothing() -> None:
    """What is beside it is dark to who compares: a hundredth of that would be an edge in both, as if they agreed."""
    wall = PIL.Image.new("RGB", (480, 320), (150, 150, 150))
    wall.paste(part(0.35, 0.25, 0.65, 0.75)(drawn(1)), (168, 80))
    left, right = (look(part(x, 0, x + 0.8, 1)(wall)) for x in (0, 0.2))
    _, places = same.compared(left, right)
    assert places is not None and (places == same.AGREES).any()
    assert (places[:, : places.shape[1] // 10] == same.UNTOLD).all()


def test_each_part_of_a_picture_has_its_points() -> None:
    strong = [cv2.KeyPoint(5 + at, 5, 4, 0, 1.0 - at / 100) for at in range(9)]
    weak = cv2.KeyPoint(600, 400, 4, 0, 0.1)
    assert [one.pt for one in same._spread([*strong, weak], (427, 640), 3)] == [(5, 5), (600, 400), (6, 5)]


def look(picture: PIL.Image.Image) -> Look:
    data = io.BytesIO()
    picture.save(data, "JPEG", quality=80)
    small = PIL.Image.open(data).convert("L")
    small.thumbnail((SAME.edge, SAME.edge))
    grey = enlarged(np.asarray(small))
    return look_of(lambda: grey)


@pytest.mark.skipif(not COURT.is_dir(), reason="real court frames are not at ../shared/data/court")
def test_real_frames_and_their_neighbours() -> None:
    """Of a film with 30 frames a second: what is a tenth of a second away is another picture."""
    paths = [sorted(COURT.glob("*.jpg"))[at] for at in (2, 3, 4, 5, 10)]
    greys = [grey for path in paths if (grey := grey_picture(path, SAME.held)) is not None]
    every = [look_of(lambda grey=grey: grey, SAME.among) for grey in greys]
    with PIL.Image.open(paths[2]) as picture:
        edited = {name: look(edit(picture.convert("RGB"))) for name, edit in EDITS.items()}
    for name, copy in edited.items():
        least = 0.97 if name == "cropped" else 0.85  # its finer detail is not held against it
        upright = copy.mirrored() if name.startswith("mirrored") else copy
        upright = upright.negative() if "negative" in name else upright
        assert agreement(upright, every[2]) >= least, name
        assert agreement(every[2], upright) >= least, f"{name}: the copy is held, and the whole is asked for"
    # All at once: many edits of one picture, which might pass for frames of a camera that stands still.
    for name, found in zip(edited, shares(Looks(every).same_as(list(edited.values()))).best(), strict=True):
        assert found is not None and found[0] == 2, name
    apart = [agreement(every[2], one) for one in every]
    assert min(apart[1], apart[3]) >= SAME.share  # 1/30 s
    assert max(apart[:2] + apart[3:]) < SAME.sure
    assert apart[4] < 0.4  # another rally in the same hall


@pytest.mark.skipif(not PEOPLE.is_dir(), reason="real photographs are not at ../shared/data/people")
@pytest.mark.parametrize(("which", "corner"), [(5, (0.1, 0.1)), (3, (0.3, 0.3))])
def test_a_third_of_a_real_photograph_is_found(which: int, corner: tuple[float, float]) -> None:
    """Of the points that seem to be one in both, one in twenty is."""
    path, (x0, y0) = sorted(PEOPLE.glob("*.jpg"))[which], corner
    grey = grey_picture(path, SAME.held)
    assert grey is not None
    with PIL.Image.open(path) as picture:
        cut = look(part(x0, y0, x0 + 0.34, y0 + 0.34)(picture.convert("RGB")))
    assert agreement(cut, look_of(lambda: grey, SAME.among)) >= 0.9
