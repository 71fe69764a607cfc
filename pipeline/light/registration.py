"""How far the picture moved between two frames of a burst: a hand, a pan, a zoom.

Each surface must be compared with itself, because its light is what matters. So a motion is judged by how much of
the frame then differs from the reference by nothing but a smooth change of light; edges only propose candidates. A
player whom the camera follows stands still in the frame while the hall moves: edges alone would follow the player.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from pipeline.imaging.robust import biweight, reweighted, ridge
from pipeline.light.gain_map import basis
from pipeline.types import F32, F64


@dataclass(frozen=True)
class RegistrationConstants:
    """How the motion between frames is found. Pixels are those of the small pictures.

    No published values exist. Chosen by trial on drawn bursts that move and stand still: `pytest
    tests/light/test_registration.py tests/light/test_flicker.py`. That each one matters: `pytest
    tests/test_constants.py`.
    """

    fine: float = 0.8  # pixels, blur of the edges that propose motions
    blur: float = 5.0  # pixels; slower changes than this are light, not things
    limit: float = 2.5  # standard deviations at which edges are cut off, so that few strong ones do not rule
    peaks: int = 4  # of the phase correlation, that are tried
    whitening: float = 0.8  # power of the spectrum that is divided out: 1 is pure phase, 0 plain correlation
    tile: int = 6  # pixels
    scale: float = 0.045  # stops by which a tile may miss the smooth change of light and still count by half
    covered: float = 0.5  # least share of a tile that both frames show
    overlap: float = 0.25  # least share of the tiles
    overlap_power: float = 0.25  # by which a small overlap counts less
    ridge: float = 0.5  # tiles' worth of trust that light does not slope
    gain: float = (
        0.03  # by which a motion must explain more than none, one that turns more than one that does not: most
    )
    # bursts are shot with a quiet hand
    jump: float = 0.25  # of the width between two frames: no pan goes further, only a person in front of the lens
    good: float = 0.62  # of the frame explained: no need to look for a zoom
    ground_blur: float = 1.0  # pixels, before the last step of part of a pixel
    light_blur: float = 12.0  # pixels, of what light may do there
    most_rest: float = 0.5  # stops, beyond which a pixel shows another thing
    most_slope: float = 1.0  # stops a pixel; steeper edges bend between pixels
    outlier: float = 2.5  # median distances, beyond which a pixel has no say (biweight)
    # Pixels that an edge may be off and have a say, step by step. The median distance is that of walls that show hardly
    # an edge: by it alone all edges are outliers, and a frame stays up to half a pixel off.
    reach: tuple[float, ...] = (1.0, 0.7, 0.5, 0.35, 0.25, 0.25)


REGISTRATION = RegistrationConstants()


@dataclass(frozen=True)
class Motion:
    """Where a point of the reference is in the frame, u and v being pixels right of and below the centre:

    u' = (scale * u - roll * v + dx) / w, v' = (roll * u + scale * v + dy) / w, w = 1 - keystone * (u, v): what a camera
    that turns about its lens and zooms does to a picture (Hartley and Zisserman, Multiple View Geometry, 2004,
    section 8.4, for small angles).

    dx, dy in pixels of the pictures; roll in radians; keystone in 1 / pixels. explained: the part of the frame, 0 to 1,
    that differs from the reference by a smooth change of light only.
    """

    dx: float = 0.0
    dy: float = 0.0
    scale: float = 1.0
    explained: float = 1.0
    roll: float = 0.0
    keystone: tuple[float, float] = (0.0, 0.0)

    @property
    def still(self) -> bool:
        """Whether nothing moved."""
        return self.dx == 0 and self.dy == 0 and self.scale == 1 and not self.turns

    @property
    def turns(self) -> bool:
        """Whether there is more than a shift and a zoom."""
        return self.roll != 0 or any(self.keystone)

    def homography(self, height: int, width: int) -> F64:
        """(3, 3) from reference to frame coordinates."""
        centre = np.array([[1, 0, (width - 1) / 2], [0, 1, (height - 1) / 2], [0, 0, 1]])
        s, r, (p, q) = self.scale, self.roll, self.keystone
        about = np.array([[s, -r, self.dx], [r, s, self.dy], [-p, -q, 1]])
        return np.asarray(centre @ about @ np.linalg.inv(centre))

    def of_smaller(self, by: float) -> Motion:
        """The same between pictures whose pixels are `by` times as large."""
        p, q = self.keystone
        return replace(self, dx=self.dx / by, dy=self.dy / by, keystone=(p * by, q * by))

    def matrix(self, height: int, width: int) -> F64:
        """(2, 3) affine from reference to frame coordinates, for shifts and zooms."""
        cx, cy, s = (width - 1) / 2, (height - 1) / 2, self.scale
        return np.array([[s, 0, cx - s * cx + self.dx], [0, s, cy - s * cy + self.dy]])


def farthest(motions: Sequence[Motion], height: int, width: int) -> float:
    """Pixels by which a corner of the reference moves in any frame, the most of all; 0 where there are no frames."""
    corners = np.array([[x, y, 1.0] for x in (0, width - 1) for y in (0, height - 1)]).T
    there = [one.homography(height, width) @ corners for one in motions]
    return max((float(np.hypot(*(t[:2] / t[2] - corners[:2])).max()) for t in there), default=0.0)


def warp(picture: F32, motion: Motion, back: bool = False, sharp: bool = False) -> F32:
    """A frame brought to the reference's place, or (back) the reference to the frame's; NaN where unknown.

    sharp: by cubic interpolation, where no unknown pixel is near. Linear interpolation blurs a frame that moved and not
    one that stood still, which at the border of light and dark looks like another light.
    """
    import cv2

    if motion.still:
        return picture
    if sharp:
        return _sharp(picture, motion, back)
    height, width = picture.shape[:2]
    flags = cv2.INTER_LINEAR | (0 if back else cv2.WARP_INVERSE_MAP)
    size = (width, height)
    if motion.turns:
        turned = cv2.warpPerspective(
            picture, motion.homography(height, width), size, flags=flags, borderValue=(np.nan,) * 3
        )
        return np.asarray(turned, dtype=np.float32)
    moved = cv2.warpAffine(picture, motion.matrix(height, width), size, flags=flags, borderValue=(np.nan,) * 3)
    return np.asarray(moved, dtype=np.float32)


def _sharp(picture: F32, motion: Motion, back: bool) -> F32:
    import cv2

    height, width = picture.shape[:2]
    linear = warp(picture, motion, back)
    flags = 0 if back else cv2.WARP_INVERSE_MAP
    matrix, size = motion.homography(height, width), (width, height)
    unknown = np.asarray(~np.isfinite(picture).all(axis=2), dtype=np.float32)
    cubic = cv2.warpPerspective(
        np.asarray(np.nan_to_num(picture)), matrix, size, flags=flags | cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    near = cv2.warpPerspective(unknown, matrix, size, flags=flags | cv2.INTER_LINEAR, borderValue=1.0)
    near = cv2.dilate(near, np.ones((5, 5), np.uint8))  # cubic interpolation takes two pixels to each side
    # No darker than a quarter of the linear: beside a lamp the cubic swings below zero.
    return np.asarray(np.where(near[..., None] > 0, linear, np.maximum(cubic, linear / 4)), dtype=np.float32)


def over_the_burst(
    each: Mapping[int, F64], motions: Sequence[Motion], tiles: tuple[int, int], tile: float
) -> list[F64]:
    """(T, 3) for each frame the mean of what frames have at a place, over those that show it, there; at least 1.

    each: of some frames, by their number; motions: of all, in pixels; tile: pixels.
    """
    small = [one.of_smaller(tile) for one in motions]
    total, count = np.zeros((*tiles, 3)), np.zeros((*tiles, 3))
    for index, one in each.items():
        there = warp(one.reshape(*tiles, 3).astype(np.float32), small[index])
        seen = np.isfinite(there)
        total += np.where(seen, there, 0)
        count += seen
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)
    back = [warp(mean, one, back=True).reshape(-1, 3) for one in small]
    return [np.asarray(np.where(np.isfinite(b), np.maximum(b, 1.0), 1.0), dtype=np.float64) for b in back]


def motions(pictures: Sequence[F32], reference: int) -> list[Motion]:
    """The motion of each frame against the frame `reference`.

    pictures: (H, W, 3) log2 of the proxies, rows along the sensor, NaN where unusable. Frames are taken from the
    reference outwards, so that each starts from its neighbour's motion: a pan or a zoom goes on.
    """
    found = [Motion()] * len(pictures)
    edges = [_edges(p) for p in pictures]
    for order in (range(reference + 1, len(pictures)), range(reference - 1, -1, -1)):
        before, earlier = Motion(), Motion()
        for index in order:
            step = Motion(
                2 * before.dx - earlier.dx, 2 * before.dy - earlier.dy, float(before.scale**2 / earlier.scale)
            )
            found[index] = _motion(pictures[reference], pictures[index], edges[reference], edges[index], (before, step))
            before, earlier = found[index], before
    return found


def _motion(reference: F32, frame: F32, edges: F32, frame_edges: F32, guesses: Sequence[Motion]) -> Motion:
    still = replace(Motion(), explained=_explained(reference, frame, Motion()))
    best = still
    candidates = [g for g in guesses if not g.still]
    candidates += _proposed(edges, frame_edges, 1.0)
    reach = REGISTRATION.jump * reference.shape[1]

    def near(motion: Motion) -> bool:
        return any(np.hypot(motion.dx - g.dx, motion.dy - g.dy) <= reach for g in (Motion(), *guesses))

    best = _best(reference, frame, [c for c in candidates if near(c)], best)
    if best.explained < REGISTRATION.good:
        around = {best.scale, *(g.scale for g in guesses)}
        scales = {round(s * f, 4) for s in around for f in (0.93, 0.965, 1.035, 1.07)}
        zooms = [m for s in sorted(scales) for m in _proposed(edges, frame_edges, s)[:2]]
        best = _best(reference, frame, [z for z in zooms if near(z)], best)
        if best.scale != 1:
            finer = [replace(best, scale=best.scale * f) for f in (0.985, 0.9925, 1.0075, 1.015)]
            best = _best(reference, frame, finer, best)
    # A part of a pixel costs a still hand as much as `gain`, and proposals are whole pixels.
    quiet = _best(reference, frame, [_refined(reference, frame, still)], still)
    if best.explained > quiet.explained + REGISTRATION.gain:
        best = _best(reference, frame, [_refined(reference, frame, best)], best)
    else:
        best = quiet
    turned = _best(reference, frame, [_refined(reference, frame, best, turns=True)], best)
    return turned if turned.explained > best.explained + REGISTRATION.gain else best


def _refined(reference: F32, frame: F32, motion: Motion, turns: bool = False) -> Motion:
    """To parts of a pixel: robust Gauss-Newton steps (Lucas and Kanade 1981) on what light does not explain.

    turns: also roll, zoom and keystone, as of a camera that is panned by hand or on a tripod that is not level
    """
    import cv2

    height, width = reference.shape[:2]
    ground = cv2.GaussianBlur(np.nan_to_num(reference[..., 1], nan=-6.0), (0, 0), REGISTRATION.ground_blur)
    gy, gx = np.gradient(ground)
    y, x = np.mgrid[0:height, 0:width]
    half = width / 2
    # Places in half widths, so that each unknown is in pixels, at the sides of the frame.
    u, v = ((x - half) / half, (y - height / 2) / half) if turns else (x - half, y - height / 2)
    away = gx * u + gy * v
    slopes = np.stack([gx, gy, away, gy * u - gx * v, away * u, away * v], axis=-1)
    use = 6 if turns else 3 if motion.scale != 1 else 2
    slope = np.hypot(gx, gy)
    for reach in REGISTRATION.reach:
        moved = warp(frame, motion)[..., 1] - reference[..., 1]
        known = np.isfinite(moved)
        rest = cv2.GaussianBlur(np.where(known, moved, 0).astype(np.float32), (0, 0), REGISTRATION.ground_blur)
        rest = rest - cv2.GaussianBlur(rest, (0, 0), REGISTRATION.light_blur)  # less what light may do
        strong = known & (np.abs(rest) < REGISTRATION.most_rest) & (slope < REGISTRATION.most_slope)
        a, b = slopes[strong][:, :use].astype(np.float64), rest[strong].astype(np.float64)
        if len(b) < 50:
            return motion
        limit = REGISTRATION.outlier * float(np.median(np.abs(b))) + 1e-3 + reach * slope[strong]
        step = np.clip(-ridge(a, b, biweight(b / limit), 1e-2 * np.eye(use)), -1.0, 1.0).tolist()
        if turns:
            (p, q), (more_p, more_q) = motion.keystone, (v / half**2 for v in step[4:])
            motion = replace(
                motion, scale=motion.scale + step[2] / half, roll=motion.roll + step[3] / half,
                keystone=(p + more_p, q + more_q),
            )  # fmt: skip
        elif use == 3:
            motion = replace(motion, scale=motion.scale * (1 + step[2]))
        motion = replace(motion, dx=motion.dx + step[0], dy=motion.dy + step[1])
    return motion


def _best(reference: F32, frame: F32, candidates: Sequence[Motion], best: Motion) -> Motion:
    for candidate in candidates:
        explained = _explained(reference, frame, candidate)
        if explained > best.explained:
            best = replace(candidate, explained=explained)
    return best


def _edges(picture: F32) -> F32:
    """Log luminance less its blur, limited, so that light does not count and few strong edges do not rule."""
    import cv2

    known = picture[..., 1][np.isfinite(picture[..., 1])]
    logs = np.nan_to_num(picture[..., 1], nan=float(np.median(known)) if known.size else 0.0)
    high = cv2.GaussianBlur(logs, (0, 0), REGISTRATION.fine) - cv2.GaussianBlur(logs, (0, 0), REGISTRATION.blur)
    scale = float(np.sqrt(np.mean(high * high))) + 1e-6
    return np.asarray(np.clip(high / scale, -REGISTRATION.limit, REGISTRATION.limit), dtype=np.float32)


@lru_cache(maxsize=4)
def _window(height: int, width: int) -> F32:
    import cv2

    return np.asarray(cv2.createHanningWindow((width, height), cv2.CV_32F), dtype=np.float32)


def _proposed(edges: F32, frame_edges: F32, scale: float) -> list[Motion]:
    """Translations at the highest peaks of the phase correlation (Kuglin and Hines 1975), the highest first."""
    import cv2

    height, width = edges.shape
    if scale != 1:
        frame_edges = cv2.warpAffine(
            frame_edges, Motion(scale=scale).matrix(height, width), (width, height), flags=cv2.WARP_INVERSE_MAP | 1
        ).astype(np.float32)
    window = _window(height, width)
    cross = np.conj(np.fft.rfft2(edges * window)) * np.fft.rfft2(frame_edges * window)
    surface = np.fft.irfft2(cross / (np.abs(cross) ** REGISTRATION.whitening + 1e-9), s=edges.shape)
    found = []
    for _ in range(REGISTRATION.peaks):
        y, x = np.unravel_index(int(np.argmax(surface)), surface.shape)
        dy = (int(y) + height // 2) % height - height // 2
        dx = (int(x) + width // 2) % width - width // 2
        found.append(Motion(dx * scale, dy * scale, scale))
        surface[np.ix_(np.arange(y - 3, y + 4) % height, np.arange(x - 3, x + 4) % width)] = -np.inf
    return found


@lru_cache(maxsize=8)
def _slopes(rows: int, columns: int) -> F64:
    """(rows * columns, 2) what light may do besides bands along the rows: a slope across, and its change down."""
    v, u = basis(rows, 1), basis(columns, 1)
    return np.stack([np.outer(v[:, 0], u[:, 1]).ravel(), np.outer(v[:, 1], u[:, 1]).ravel()], axis=1)


def _explained(reference: F32, frame: F32, motion: Motion) -> float:
    """The part of the frame that the motion and a smooth change of light explain; small overlaps count less."""
    import cv2

    ratio = warp(frame, motion) - reference
    height, width = ratio.shape[:2]
    tiles = (max(2, height // REGISTRATION.tile), max(2, width // REGISTRATION.tile))
    known = np.isfinite(ratio[..., 1])
    share = cv2.resize(known.astype(np.float32), (tiles[1], tiles[0]), interpolation=cv2.INTER_AREA).ravel()
    filled = np.where(known[..., None], ratio, 0).astype(np.float32)
    means = cv2.resize(filled, (tiles[1], tiles[0]), interpolation=cv2.INTER_AREA).reshape(-1, 3)
    enough = share > REGISTRATION.covered
    overlap = float(enough.mean())
    if overlap < REGISTRATION.overlap or enough.sum() < 12:
        return -1.0
    y = means.astype(np.float64) / np.maximum(share, 0.5)[:, None]
    y[~enough] = np.nan
    rows = y.reshape(*tiles, 3)
    rows = rows - _row_medians(rows)
    rows = rows - _row_slopes(rows)
    rows = rows - _row_medians(rows)
    y, x = rows.reshape(-1, 3)[enough], _slopes(*tiles)[enough]

    def weigh(fit: F64, scale: float) -> F64:
        return np.asarray(
            1 / (1 + (np.sqrt(((y - x @ fit) ** 2).mean(axis=1)) / (REGISTRATION.scale * scale)) ** 2) ** 2
        )

    start = np.zeros((x.shape[1], 3))
    _, weight = reweighted(
        lambda w: ridge(x, y, w, REGISTRATION.ridge * np.eye(x.shape[1])), weigh, start, (4.0, 2.0, 1.0)
    )
    return float(weight.mean() * overlap**REGISTRATION.overlap_power)


def _row_slopes(values: F64) -> F64:
    """(R, C, 3) what each row's own slope across, fitted robustly, explains: the lamps of the two sides flicker
    apart."""
    u = basis(values.shape[1], 1)[None, :, 1:]
    known = np.isfinite(values)
    y = np.where(known, values, 0.0)

    def weigh(slope: F64, scale: float) -> F64:
        distance = np.sqrt(((y - slope * u) ** 2).mean(axis=2, keepdims=True)) / (REGISTRATION.scale * scale)
        return np.asarray(known / (1 + distance**2) ** 2)

    def solve(weight: F64) -> F64:
        across = (weight * u * y).sum(axis=1, keepdims=True)
        return np.asarray(across / ((weight * u * u).sum(axis=1, keepdims=True) + REGISTRATION.ridge))

    slope, _ = reweighted(solve, weigh, np.zeros((len(y), 1, y.shape[2])), (8.0, 4.0, 2.0, 1.0, 1.0))
    return np.asarray(slope * u)


def _row_medians(values: F64) -> F64:
    """(R, 1, C) medians over the columns, the whole picture's where a row has too little."""
    order = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(values).sum(axis=1, keepdims=True)
    middle = np.take_along_axis(order, np.maximum((count - 1) // 2, 0), axis=1)
    whole = np.nanmedian(values.reshape(-1, values.shape[-1]), axis=0)
    return np.asarray(np.where(count >= 4, middle, whole))
