"""What degraded real photographs score against themselves, beside photographs that are as they were.

Degraded as a camera or a moment would: out of focus (Gaussian), two and a half stops under in linear light, cut by the
frame through the head or the body, a hand before the eyes, a thing before the face. Each of a shoot of its own, since
the degraded picture would be a near-duplicate of the other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray

from pipeline.imaging import level
from pipeline.imaging.sharpness import detail_of
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.modelfiles import find as find_models
from pipeline.people.observe import FrameObservation, observe
from pipeline.people.ranking import Ranked, rank
from pipeline.people.subject import find_subjects
from pipeline.types import Burst, Domain, Image, Noise
from tests.degraded import degraded as in_noise

pytestmark = pytest.mark.long

Picture = NDArray[np.uint8]
SKIN = (150.0, 165.0, 205.0)  # BGR
FALL = 3.0  # points of a hundred that skin may take at most, chosen by us; and no star


@pytest.fixture(scope="module", autouse=True)
def untilted() -> Iterator[None]:
    """Nothing here asks how the hall is tilted, which is half of the time that measuring a frame takes."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(level, "tilt", lambda *_: level.Unsure.FEW)
        yield


@cache
def models(folder: Path) -> ModelFiles:
    return find_models(folder)


def linear(bgr: Picture) -> NDArray[np.float32]:
    """sRGB (IEC 61966-2-1) to linear RGB."""
    x = bgr[..., ::-1].astype(np.float32) / 255
    return np.where(x < 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4).astype(np.float32)


def darker(bgr: Picture, stops: float) -> Picture:
    y = linear(bgr)[..., ::-1] / 2**stops
    return np.asarray(255 * np.where(y < 0.0031308, 12.92 * y, 1.055 * y ** (1 / 2.4) - 0.055) + 0.5, dtype=np.uint8)


def seen(bgr: Picture, files: ModelFiles) -> FrameObservation:
    """What crop measures of a finished picture."""
    noise = Noise(np.full(3, 1e-4), np.full(3, 1e-6))
    whole = linear(bgr)
    scale = min(1.0, 960 / max(bgr.shape))
    small = cv2.resize(whole, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    image = Image(np.asarray(small, dtype=np.float32), Domain.WORKING, noise, np.ones(3), np.eye(3))
    height, width = bgr.shape[:2]
    return observe(image, np.ones(3), detail_of(whole, noise), files, (height, width))


def ranks(frames: Mapping[str, FrameObservation]) -> dict[str, Ranked]:
    """Of a shoot of single frames."""
    qualities = {name: one.assessed(find_subjects([one.people])[0]) for name, one in frames.items()}
    return rank([Burst((name,)) for name in frames], qualities)


@pytest.fixture(scope="module")
def others(shared: Callable[[str], Path]) -> dict[str, FrameObservation]:
    """Four photographs of people, three of them sharp."""
    files = models(shared("models"))
    names = ["people/33823288584_1d21cf0a26_k.jpg", "people/17790319373_bd19b24cfc_k.jpg", "photos/112.webp"]
    return {name: seen(cv2.imread(str(shared(f"data/{name}"))), files) for name in names}


@pytest.fixture(scope="module")
def astronaut(shared: Callable[[str], Path]) -> FrameObservation:
    """The portrait of scikit-image's collection as it is."""
    return seen(np.ascontiguousarray(skimage.data.astronaut()[..., ::-1]), models(shared("models")))


def face_of(found: FrameObservation, picture: Picture) -> tuple[int, int, int, int, int]:
    """Box of the surest face in pixels, and the row of its eyes."""
    height, width = picture.shape[:2]
    x0, y0, x1, y1 = found.people.faces[0, :4] * [width, height, width, height]
    return round(x0), round(y0), round(x1), round(y1), round(found.people.faces[0, 6] * height)


def degraded(picture: Picture, face: tuple[int, int, int, int, int]) -> dict[str, tuple[Picture, str, float]]:
    """(picture, what should be said of it, how many points it should lose at least) by how."""
    x0, y0, x1, y1, eyes = face
    wide = x1 - x0
    covered, hidden = picture.copy(), picture.copy()
    cv2.rectangle(covered, (x0, eyes - wide // 5), (x1, eyes + wide // 6), SKIN, -1)
    middle, axes = ((x0 + x1) // 2, (y0 + y1) // 2), (round(0.6 * wide), round(0.6 * (y1 - y0)))
    cv2.ellipse(hidden, middle, axes, 0, 0, 360, (40, 50, 70), -1)
    return {
        "out of focus": (np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.012 * len(picture))), "blurred", 25),
        "dark": (darker(picture, 2.5), "dark", 6),
        "eyes": (covered, "eyes hidden", 8),
        "face": (hidden, "face hidden", 12),
        "head": (picture[round(y1 - 0.1 * wide) :], "head cut off", 15),
        "body": (picture[:, middle[0] :], "cut by the frame", 4),
    }


@pytest.mark.parametrize("how", ["out of focus", "dark", "eyes", "face", "head", "body"])
def test_what_is_wrong_with_a_photograph_is_seen_in_its_score(
    how: str, astronaut: FrameObservation, others: dict[str, FrameObservation], shared: Callable[[str], Path]
) -> None:
    picture = np.ascontiguousarray(skimage.data.astronaut()[..., ::-1])
    files = models(shared("models"))
    good = ranks({"it": astronaut, **others})["it"]
    assert good.why == "sharp, with face" and good.score > 80
    worse, said, points = degraded(picture, face_of(astronaut, picture))[how]
    bad = ranks({"it": seen(np.ascontiguousarray(worse), files), **others})["it"]
    assert said in bad.why
    assert bad.score <= good.score - points
    assert bad.rating <= good.rating


def darker_skin(bgr: Picture, face: NDArray[np.float32], share: tuple[float, float, float]) -> Picture:
    """What has the colour of a face (5 or more,), fractions, with so much of its linear red, green and blue: skin that
    reflects less in the same light. Eyes, teeth, hair and clothes stay as they are."""
    height, width = bgr.shape[:2]
    x0, y0, x1, y1 = face[:4] * [width, height, width, height]
    colours = cv2.cvtColor(bgr, cv2.COLOR_BGR2YCrCb).astype(np.float32)
    rows, columns = (slice(round(a + 0.25 * (b - a)), round(b - 0.2 * (b - a))) for a, b in ((y0, y1), (x0, x1)))
    own = np.median(colours[rows, columns].reshape(-1, 3), axis=0)
    alike = np.exp(-(((colours[..., 1:] - own[1:]) ** 2).sum(axis=2)) / 14**2) * (colours[..., 0] > 0.45 * own[0])
    mask = cv2.GaussianBlur(np.asarray(alike, np.float32), (0, 0), 1.5)[..., None]
    y = linear(bgr)[..., ::-1] * (1 - mask + mask * np.array(share[::-1], np.float32))
    coded = np.where(y < 0.0031308, 12.92 * y, 1.055 * np.maximum(y, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(255 * coded + 0.5, dtype=np.uint8)


@pytest.mark.parametrize("share", [(0.5, 0.42, 0.36), (0.3, 0.22, 0.17), (0.17, 0.11, 0.08)])
def test_nobody_is_rated_lower_for_the_colour_of_skin(
    share: tuple[float, float, float], others: dict[str, FrameObservation], shared: Callable[[str], Path]
) -> None:
    """The shares are those by which dark skin reflects less than light skin, about (0.6 and 0.1 in red, 0.3 and 0.04 in
    blue: measured spectra of skin, from memory). Also a little out of focus, where an eye stands out less."""
    files = models(shared("models"))
    picture = np.ascontiguousarray(skimage.data.astronaut()[..., ::-1])
    light = seen(picture, files)
    for blur in (0.0, 1.5):
        dark = darker_skin(picture, light.people.faces[0], share)
        pair = [cv2.GaussianBlur(one, (0, 0), blur) if blur else one for one in (picture, dark)]
        a, b = (seen(np.ascontiguousarray(one), files) for one in pair)
        assert len(a.people.people) == len(b.people.people) and b.eyes[0] >= 0.5
        assert abs(float(a.people.people[0, 4] - b.people.people[0, 4])) < 0.05
        first, second = (ranks({"it": one, **others})["it"] for one in (a, b))
        assert second.score > first.score - 2 and second.why == first.why and second.rating == first.rating


@pytest.mark.parametrize("light, iso", [("as taken", 100.0), ("2 under", 100.0), ("as taken", 12_800.0)])
def test_a_small_face_of_dark_skin_is_not_hidden_and_its_frame_not_darker(
    light: str, iso: float, others: dict[str, FrameObservation], shared: Callable[[str], Path]
) -> None:
    """Skin of a sixth of the light, within one person of a picture that is darker than the rest of the shoot."""
    from tests.choice import looks, person_in  # which uses what is above

    name = "people/17790319373_bd19b24cfc_k.jpg"
    person = person_in(others[name])
    assert person is not None
    made = looks(cv2.imread(str(shared(f"data/{name}"))), person, (0.45, 0.28))
    both = [made[f"{skin} {light}"] for skin in ("plain", "skin 0.17")]
    both = [in_noise(one[..., ::-1], 3, iso, 0, 0)[..., ::-1] if iso > 100 else one for one in both]
    rest = {other: one for other, one in others.items() if other != name}
    files = models(shared("models"))
    fair, dark = (ranks({"it": seen(np.ascontiguousarray(one), files), **rest})["it"] for one in both)
    assert dark.score >= fair.score - FALL and dark.rating >= fair.rating
    assert "hidden" not in dark.why and ("dark" in dark.why) == ("dark" in fair.why)


@pytest.mark.parametrize("stops, dark", [(0.0, False), (3.5, True)])
def test_a_portrait_before_a_black_night_is_dark_only_where_no_light_fell_on_it(
    stops: float, dark: bool, others: dict[str, FrameObservation], shared: Callable[[str], Path]
) -> None:
    """All around the box of the person in black, in a shoot of bright pictures; and as where a flash did not fire."""
    picture = np.ascontiguousarray(skimage.data.astronaut()[..., ::-1])
    night = np.full((1024, 1024, 3), 2, np.uint8)
    night[512:, 256:768] = picture
    found = seen(darker(night, stops) if stops else night, models(shared("models")))
    assert ("too dark" in ranks({"it": found, **others})["it"].why) == dark


def test_backs_and_empty_streets_come_last(others: dict[str, FrameObservation], shared: Callable[[str], Path]) -> None:
    """Spectators from behind, cut out of a photograph; a street without people; and a head beyond the frame."""
    files = models(shared("models"))
    ride = cv2.imread(str(shared("data/people/33823288584_1d21cf0a26_k.jpg")))
    found = ranks({
        "backs": seen(np.ascontiguousarray(ride[120:, :344]), files),
        "street": seen(cv2.imread(str(shared("data/people/34501842524_3c858b3080_k.jpg"))), files),
        "dogs": seen(cv2.imread(str(shared("data/people/16004479832_a748d55f21_k.jpg"))), files),
        **others,
    })  # fmt: skip
    assert found["backs"].why == "sharp, but face hidden or turned away"
    assert found["street"].why == "nobody in it" and found["street"].rating <= 2
    assert found["dogs"].why == "head cut off"
    worst = max(found[name].score for name in ("backs", "street", "dogs"))
    assert min(found[name].score for name in list(others)[:2]) > worst


def test_two_rallies_in_one_hall_are_two_moments_and_one_rally_is_not_many(shared: Callable[[str], Path]) -> None:
    """Frames of one rally 0.04 s apart, as single bursts, and another rally before the same stand."""
    files = models(shared("models"))
    names = [f"data/court/{n}.jpg" for n in ("a_29883", "a_29884", "b_29905")]
    found = list(ranks({n: seen(cv2.imread(str(shared(n))), files) for n in names}).values())
    assert found[2].moment not in (found[0].moment, found[1].moment)


def test_the_tilt_is_measured_with_the_people_known(
    shared: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[int] = []
    monkeypatch.setattr(level, "tilt", lambda _, people: told.append(len(people)) or level.Unsure.FEW)
    found = seen(np.ascontiguousarray(skimage.data.astronaut()[..., ::-1]), models(shared("models")))
    assert told == [len(found.people.people)] and told[0] > 0
