"""What is measured of one frame: who and what is in it, how sharp each is, and how the hall is tilted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging import level
from pipeline.imaging.blank import Blank, blank, blown_out
from pipeline.imaging.geometry import Box, pixels_inside, row_to_box
from pipeline.imaging.sharpness import Detail, edges, sharpness
from pipeline.people.belonging import rise
from pipeline.people.detect import SURE, find, picture_for_detection
from pipeline.people.eyes import contrast_of, eyes_of
from pipeline.people.heads import UNKNOWN, hints_of
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.moments import look_of
from pipeline.people.quality import Face, Quality, quality_of
from pipeline.people.subject import Subject
from pipeline.people.things.sticks import reach_with_sticks
from pipeline.people.tracking import Observation
from pipeline.store.packing import LARGEST, take
from pipeline.types import F32, F64, Image


@dataclass(frozen=True)
class ObservationRules:
    """What of a frame is measured. Parts of a person are shares of the box; chosen by eye on photographs."""

    small_edge: int = 160  # pixels of the longer side of the picture by which the camera's turn is measured
    smallest: int = 16  # and of its shorter side at least
    most: int = 40  # people, and faces, that are measured; a stand full of spectators has no end
    most_balls: int = 8
    middle: float = 0.2  # of the frame on each side left out of the part whose sharpness counts where nobody is found
    around: float = 0.02  # of the frame, outside of people, in which its brightness is measured at least
    brightest: float = 0.25  # share of that, the brightest, that counts
    highlights: float = 0.05  # and of people: skin and lines of kit that catch the light, whatever most of it is
    clipped: float = 0.98  # of saturation, from which a channel is clipped; two make a pixel burnt (imaging.blank)
    head: float = 0.6  # of a person's box from its top, in which the middle of the face lies, also of a bust
    # Certainty of a face on an enlarged head, up to which none is to be seen, and from which one may be. Far apart: of
    # one turned head it moves by 0.1 and more with a pixel of the box or another jersey, and a score by 3 points then.
    hint_from: float = 0.1
    hint_to: float = 0.5
    # The part of a person's box that shows the jersey: the middle of it, from the shoulders to the hips.
    jersey_side: float = 0.25
    jersey_top: float = 0.18
    jersey_bottom: float = 0.5
    # The part whose sharpness is the person's: the box without its rim, where the background shows.
    rim_side: float = 0.12
    rim_top: float = 0.04
    rim_bottom: float = 0.1


RULES = ObservationRules()
UNTOLD = -1.0
_BEYOND = 10.0  # sides of a frame that a box in it may reach out of it; more was not measured


@dataclass(frozen=True)
class FrameObservation:
    """Who and what is in a frame, how sharp and how bright it is.

    has_models  whether there was a model file to find people, and one to find faces
    sharpness   of the middle of the frame; clipped  share of its pixels
    lit         how bright what is around the people in it is, fractions of saturation, see brightness_around
    people_lit  how bright the brightest of the people is, likewise; 0 without anybody
    tilt        of the hall, or why it cannot be measured
    eyes        (M,) how well those of each face are seen, 0 to 1, and how dark they are; see people.eyes
    hints       (N,) of each person, and where a face may be missed; see people.heads
    edges       (N,) how sharp the edges of each person are, see imaging.sharpness; UNTOLD where there are too few
    middle_edges  those of the middle of the frame
    blank       whether the frame shows next to nothing
    """

    people: Observation
    has_models: tuple[bool, bool]
    sharpness: float
    lit: float
    clipped: float
    tilt: level.Tilt | level.Unsure
    eyes: F32 = field(default_factory=lambda: np.zeros(0, np.float32))
    eye_contrast: F32 = field(default_factory=lambda: np.zeros(0, np.float32))
    hints: F32 = field(default_factory=lambda: np.zeros(0, np.float32))
    missed: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    edges: F32 = field(default_factory=lambda: np.zeros(0, np.float32))
    middle_edges: float = UNTOLD
    people_lit: float = 0.0
    blank: Blank = Blank.NO

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        people, tilt = self.people, self.tilt
        return {
            "models": np.array(self.has_models),
            "size": np.array([*people.size, people.told_in]),
            "people": people.people,
            "reach": people.reach,
            "faces": people.faces,
            "balls": people.balls,
            "rackets": people.rackets,
            "animals": people.animals,
            "carriers": people.carriers,
            "sharp": people.sharp,
            "jersey_colour": people.jersey_colour,
            "clipped": people.clipped,
            "frame": np.array([self.sharpness, self.lit, self.clipped, self.middle_edges, self.people_lit]),
            "small": people.small,
            "eyes": self.eyes,
            "eye_contrast": self.eye_contrast,
            "hints": self.hints,
            "missed": self.missed,
            "edges": self.edges,
            "blank": np.array([self.blank]),
            "tilt": np.array([np.nan, tilt] if isinstance(tilt, level.Unsure) else [tilt.degrees, tilt.certainty]),
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> FrameObservation:
        """What `as_arrays` gave. Raises ValueError for what it cannot have given."""
        rows, columns, told_in = (int(n) for n in take(arrays, "size", np.int64, (3,), 0, LARGEST))
        found = take(arrays, "people", np.float32, (None, 5), -_BEYOND, _BEYOND)
        count, small = len(found), take(arrays, "small", np.uint8, (None, None), 0, 255)
        drawn = 0 < min(small.shape) <= max(small.shape) <= RULES.small_edge
        if count > RULES.most or not drawn or not min(rows, columns):
            raise ValueError("more people, or a larger picture, than is kept")
        people = Observation(
            people=found,
            reach=take(arrays, "reach", np.float32, (count, 5), -_BEYOND, _BEYOND),
            sharp=take(arrays, "sharp", np.float32, (count,), -LARGEST, LARGEST),
            jersey_colour=take(arrays, "jersey_colour", np.float32, (count, 3), 0, 255),
            faces=take(arrays, "faces", np.float32, (None, 9), -_BEYOND, _BEYOND),
            balls=take(arrays, "balls", np.float32, (None, 5), -_BEYOND, _BEYOND),
            rackets=take(arrays, "rackets", np.float32, (None, 5), -_BEYOND, _BEYOND),
            animals=take(arrays, "animals", np.float32, (None, 5), -_BEYOND, _BEYOND),
            carriers=take(arrays, "carriers", np.float32, (None, 5), -_BEYOND, _BEYOND),
            small=small,
            size=(rows, columns),
            clipped=take(arrays, "clipped", np.float32, (count,), 0, 1),
            told_in=told_in,
        )
        values = take(arrays, "frame", np.float64, (5,), -LARGEST, LARGEST)
        sharp, lit, clipped, middle, people_lit = (float(v) for v in values)
        person_model, face_model = (bool(v) for v in take(arrays, "models", np.bool_, (2,), 0, 1))
        tilted = take(arrays, "tilt", np.float64, (2,), -LARGEST, LARGEST, may_be_nan=True)
        degrees, certainty = (float(v) for v in tilted)
        tilt = level.Tilt(degrees, certainty) if np.isfinite(degrees) else level.Unsure(int(certainty))
        nothing = Blank(int(take(arrays, "blank", np.int64, (1,), 0, max(Blank))[0]))
        return cls(
            people,
            (person_model, face_model),
            sharp,
            lit,
            clipped,
            tilt,
            eyes=take(arrays, "eyes", np.float32, (None,), 0, 1),
            eye_contrast=take(arrays, "eye_contrast", np.float32, (None,), 0, 1),
            hints=take(arrays, "hints", np.float32, (count,), 0, 1),
            missed=take(arrays, "missed", np.bool_, (count,), 0, 1),
            edges=take(arrays, "edges", np.float32, (count,), UNTOLD, 1),
            middle_edges=middle,
            people_lit=people_lit,
            blank=nothing,
        )

    def assessed(self, subject: Subject | None) -> Quality:
        """What ranking compares, of one frame."""
        face = self._face_of(subject)
        row = None if subject is None else subject.row
        edges = float(self.edges[row]) if row is not None and row < len(self.edges) else UNTOLD
        return quality_of(
            subject,
            self.sharpness,
            self.lit,
            self.clipped,
            not self.has_models[0],
            face=face,
            edges=None if edges == UNTOLD else edges,
            middle_edges=None if self.middle_edges == UNTOLD else self.middle_edges,
            anybody=bool((self.people.people[:, 4] >= SURE.person).any()),
            look=look_of(self.people.small, None if subject is None else subject.box),
            blank=self.blank,
            people_level=self.people_lit,
        )

    def _face_of(self, subject: Subject | None) -> Face:
        """What is known of the subject's face, also of a close one that fills much of the box, and at a closer look."""
        if subject is None or subject.row is None or len(self.eyes) != len(self.people.faces):
            return Face()
        looked = subject.row < len(self.hints) and self.hints[subject.row] < UNKNOWN
        closer = float(self.hints[subject.row]) if looked else 0.0
        known = looked and not self.missed[subject.row : subject.row + 1].any()
        none = 1 - rise(closer, RULES.hint_from, RULES.hint_to) if known else 0.0
        box, faces = subject.box, self.people.faces
        x, y = (faces[:, 0] + faces[:, 2]) / 2, (faces[:, 1] + faces[:, 3]) / 2
        high = box.y0 + RULES.head * (box.y1 - box.y0)
        over = (y > subject.whole.y0) & (faces[:, 3] > box.y0)  # a box may end below the forehead
        own = np.flatnonzero((x > box.x0) & (x < box.x1) & over & (y < high))
        if not len(own):
            return Face(closer, looked=looked, none=none)
        best = own[faces[own, 4].argmax()]
        contrast = float(self.eye_contrast[best]) if len(self.eye_contrast) == len(faces) else None
        x0, y0, x1, y1 = (float(v) for v in faces[best, :4])
        beside = min(x0, 1 - x1) / max(x1 - x0, 1e-6)
        return Face(
            max(float(faces[best, 4]), closer), float(self.eyes[best]), contrast, True, none,
            tall=y1 - y0, beside=beside, above=y0 / max(y1 - y0, 1e-6),
        )  # fmt: skip


def observe(
    image: Image, balance: F64, detail: Detail | None, models: ModelFiles, full_size: tuple[int, int]
) -> FrameObservation:
    """Measure an upright camera-linear picture of a frame.

    balance    (3,) multipliers of the camera's channels; detail  finer luma for sharpness, None where there is none
    full_size  (height, width) of the frame in pixels

    Raises ValueError where a model file cannot be read.
    """
    import cv2

    picture = picture_for_detection(image.pixels, balance, image.to_working)
    found = find(picture, models.person, models.face)
    people = found.people[: RULES.most]
    height, width = picture.shape[:2]
    scale = RULES.small_edge / max(height, width)
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    small = (max(RULES.smallest, round(width * scale)), max(RULES.smallest, round(height * scale)))
    sharp = [sharpness(detail, _inner(p)) if detail is not None else 0.0 for p in people]
    torsos = [_part(picture, _torso(p)) for p in people]
    clipped = blown_out(np.asarray(image.pixels / image.saturation, dtype=np.float32), RULES.clipped)
    burnt = [float(_part(clipped, row_to_box(p)).mean()) for p in people]
    observation = Observation(
        people=people,
        reach=reach_with_sticks(np.asarray(grey, dtype=np.uint8), people, found.reach[: RULES.most]),
        sharp=np.array(sharp, np.float32),
        jersey_colour=np.array([p.reshape(-1, 3).mean(axis=0) for p in torsos], np.float32).reshape(-1, 3),
        faces=found.faces[: RULES.most],
        balls=found.balls[: RULES.most_balls],
        rackets=found.rackets[: RULES.most_balls],
        animals=found.animals[: RULES.most_balls],
        carriers=found.carriers[: RULES.most_balls],
        small=np.asarray(cv2.resize(grey, small, interpolation=cv2.INTER_AREA), dtype=np.uint8),
        size=full_size,
        clipped=np.array(burnt, np.float32),
        told_in=0 if detail is None else detail.luma.shape[0],
    )
    low, high = RULES.middle, 1 - RULES.middle
    middle = Box(low, low, high, high)
    no_hints = np.full(len(people), UNKNOWN, np.float32), np.zeros(len(people), np.bool_)
    model = models.face
    hints, missed = no_hints if model is None else hints_of(str(model), picture, people, observation.faces)
    return FrameObservation(
        observation,
        has_models=(models.person is not None, models.face is not None),
        sharpness=0.0 if detail is None else sharpness(detail, middle),
        lit=brightness_around(image.pixels, people),
        people_lit=brightness_of(image.pixels, people),
        clipped=float(clipped.mean()),
        tilt=level.tilt(np.asarray(grey, dtype=np.float32) / np.float32(255), found.people),
        eyes=eyes_of(np.asarray(grey), observation.faces),
        eye_contrast=contrast_of(np.asarray(grey), observation.faces),
        hints=hints,
        missed=missed,
        edges=np.array([_edges(detail, _inner(p)) for p in people], np.float32),
        middle_edges=_edges(detail, middle),
        blank=blank(image),
    )


def _edges(detail: Detail | None, box: Box) -> float:
    found = None if detail is None else edges(detail, box)
    return UNTOLD if found is None else found


def brightness_around(pixels: F32, people: F32) -> float:
    """The mean of the brightest quarter of what is around `people` (N, 5) in a linear picture (H, W, 3): how well it is
    exposed must depend on nobody's skin or kit. Of the whole picture where next to nothing is around them.

    The brightest, since a floor, lines and walls are there in most views, and a dark stand behind them comes and goes.
    """
    light, around = pixels.mean(axis=2), ~_within(pixels, people)
    return _brightest(light[around] if around.mean() >= RULES.around else light.ravel(), RULES.brightest)


def brightness_of(pixels: F32, people: F32) -> float:
    """The mean of the highlights of `people` (N, 5) in a linear picture (H, W, 3); 0 without anybody. It tells only
    whether light fell on them at all where all around is black."""
    values = pixels.mean(axis=2)[_within(pixels, people)]
    return _brightest(values, RULES.highlights) if len(values) else 0.0


def _within(pixels: F32, people: F32) -> NDArray[np.bool_]:
    """(H, W) where the boxes of people are."""
    found = np.zeros(pixels.shape[:2], np.bool_)
    for person in people:
        _part(found, row_to_box(person))[...] = True
    return found


def _brightest(values: F32, share: float) -> float:
    """The mean of such a share of the values, the largest."""
    first = min(int(len(values) * (1 - share)), len(values) - 1)
    return float(np.partition(values, first)[first:].mean())


def _torso(p: NDArray[np.float32]) -> Box:
    """The part of a person's box that shows the jersey."""
    wide, tall = p[2] - p[0], p[3] - p[1]
    side, top, bottom = RULES.jersey_side, RULES.jersey_top, RULES.jersey_bottom
    corners = (p[0] + side * wide, p[1] + top * tall, p[2] - side * wide, p[1] + bottom * tall)
    return row_to_box(np.array(corners))


def _inner(person: NDArray[np.float32]) -> Box:
    """A person's box without its rim, where the background shows."""
    x0, y0, x1, y1 = (float(v) for v in person[:4])
    wide, tall = x1 - x0, y1 - y0
    side = RULES.rim_side
    return Box(x0 + side * wide, y0 + RULES.rim_top * tall, x1 - side * wide, y1 - RULES.rim_bottom * tall)


def _part(pixels: NDArray[Any], box: Box) -> NDArray[Any]:
    """The pixels of a box in fractions, at least one."""
    x0, y0, x1, y1 = pixels_inside(box, *pixels.shape[:2])
    return pixels[y0:y1, x0:x1]
