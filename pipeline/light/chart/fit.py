"""Reading a 24-patch chart, and the white balance and colour matrix of the light it stands in."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.imaging.colour import LUMINANCE, delta_e_2000, to_lab
from pipeline.imaging.robust import weighted_median
from pipeline.light.chart.find import CHART
from pipeline.light.chart.values import GREYS, LINEAR, NAMES, half_side, likeness, mapped, places, to_area
from pipeline.types import F32, F64


@dataclass(frozen=True)
class ReadConstants:
    """When a chart can be read, and how. Chosen by trial on drawn and real charts: `pytest tests/light/test_chart.py`.
    That each one matters: `pytest tests/test_constants.py`."""

    inner: float = 0.7  # of a patch's sides is measured: half of its area, clear of blur and of corners a little off
    shown: float = 0.5  # of the patches' sides must be in the frame: a chart cut by less is still read
    smallest: float = 6.0  # pixels from one patch to the next
    full: float = 0.97  # of saturation, from which a pixel is clipped
    clipped: float = 0.02  # share of a patch that may be clipped
    most_clipped: int = 4  # patches that may be
    scatter: float = 0.3  # relative scatter beyond noise of a patch half covered; noisy black patches reach 0.1
    dark: float = 0.03  # largest relative error of the mean of neutral 5
    outlier: float = 3.5  # robust deviations from the median, beyond which a pixel does not count


READ = ReadConstants()


@dataclass(frozen=True)
class FitConstants:
    """What a fit of a chart weighs against what. CIEDE2000, or CIELAB weighted as by CIE94.

    The pulls were chosen by trial on seven lamps at ISO 3200 to 12800: three times more or less moves no median by 0.1.
    The rest as said beside it: `pytest tests/light/test_chart.py`. That each one matters:
    `pytest tests/test_constants.py`.
    """

    fewest: int = 14  # patches: 9 unknowns from 3 values each, with some to spare for patches that are wrong
    skin: float = 3.0  # weight of the two skin patches: people look at skin first (common practice, no source)
    # Row norms against the camera's own matrix, as which noise grows; above 1.5, which costs as much as 1.2 stops of
    # ISO, each bit must pay for itself in colour (mercury reaches 1.7). With no limit at all the 95th percentile of the
    # errors gains 0.3 CIEDE2000 over seven lamps of CIE 15:2018.
    most_noise: float = 1.5
    noise_room: float = 0.05  # before that limit, where the pull begins
    noise_pull: float = 30.0
    matrix_pull: float = 1.3
    gradient_pull: float = 15.0
    soft: float = 10.0  # at which a single patch begins to count less (soft L1)
    evaluations: int = 60
    # CIEDE2000 beyond which the chart, its place or the light is not what we think. Under twelve measured lamps an
    # array camera is left with 4 and 12, a layered one in noise with 9 and 22, real cameras of the 1990s with 4 and 17;
    # a hand over one patch leaves 2 to 5 and 22 to 43, which is more than three times the median.
    median: float = 10.0
    worst: float = 20.0
    worst_of_median: float = 3.0


FIT = FitConstants()
_NORMAL = 1.4826  # deviation of a normal distribution over its median absolute deviation


@dataclass(frozen=True)
class Chart:
    """A chart as it was photographed; patches row by row from dark skin, as in values.NAMES.

    corners  (4, 2) fractions (x, y) of the upright frame, clockwise from dark skin
    patches  (24, 3) mean linear camera colour of the inner half of each patch, unbalanced
    clipped  (24,) share of its pixels, 0 to 1, of which a channel is clipped
    scatter  (24,) within the patch beyond noise, relative to its mean: shading, glare, dirt, a finger
    """

    corners: F64
    patches: F64
    clipped: F64
    scatter: F64

    @property
    def weights(self) -> F64:
        """(24,) 1 for a patch that may decide about colour, 0 for one that is clipped or not of one colour."""
        return ((self.clipped <= READ.clipped) & (self.scatter <= READ.scatter)).astype(np.float64)


def read_chart(pixels: F32, saturation: F64, corners: F64, given: bool = True) -> Chart:
    """Measure the chart whose patch area has these `corners`, from find_chart or a person.

    pixels (H, W, 3) linear camera colour; saturation (3,) in the same units; given: a person gave the corners. Raises
    ValueError, worded for the photographer, where the chart cannot be trusted: cut, too small, too dark, clipped, or
    not where the corners are.
    """
    height, width = pixels.shape[:2]
    corners = np.asarray(corners, dtype=np.float64)
    plane = corners * [width, height]
    area = 0.5 * (np.roll(plane[:, 0], 1) * plane[:, 1] - np.roll(plane[:, 1], 1) * plane[:, 0]).sum()
    turns = [_cross(plane[(i + 1) % 4] - plane[i], plane[(i + 2) % 4] - plane[(i + 1) % 4]) for i in range(4)]
    if not all(turn > 0 for turn in turns):
        raise ValueError(
            "the corners do not go round a chart: give them clockwise as seen in the picture, from the dark-skin patch"
        )
    middles = _inside(plane, READ.shown)
    if (middles < 0).any() or (middles > [width, height]).any():
        raise ValueError("the chart is cut by the edge of the frame: use a reference frame that shows all 24 patches")
    if np.sqrt(area / 24) < READ.smallest:
        raise ValueError(
            f"the chart is too small: its patches are {np.sqrt(area / 24):.0f} pixels wide in the reduced picture, and "
            f"{READ.smallest:.0f} are needed; go closer or zoom in"
        )
    read = [_patch(pixels, saturation, quad) for quad in _inside(plane, READ.inner)]
    patches = np.array([r[0] for r in read])
    clipped, scatter, error = (np.array([r[i] for r in read]) for i in (1, 2, 3))
    if clipped[18] > READ.clipped:
        raise ValueError("the white patch of the chart is clipped: use a reference frame with less exposure")
    if (clipped > READ.clipped).sum() > READ.most_clipped:
        raise ValueError(
            f"{(clipped > READ.clipped).sum()} patches of the chart are clipped: use a frame with less exposure"
        )
    # Green decides: under sodium blue has next to no signal in the best of exposures.
    if not (error[21] < READ.dark * patches[21, 1]):
        raise ValueError("the chart is too dark to read through the noise: use a reference frame with more exposure")
    like = likeness(patches)
    if like < CHART.like and not given:
        raise ValueError(
            "what looks like a 24-patch chart is there, but its colours cannot be read surely (small, covered, unsharp "
            "or shiny?); give its four corners, or a patch"
        )
    if like < CHART.like:
        raise ValueError(_misplaced(pixels, saturation, plane, like))
    return Chart(corners, patches, clipped, scatter)


def _patch(pixels: F32, saturation: F64, quad: F64) -> tuple[F64, float, float, float]:
    """Inside a quad (4, 2): robust mean (3,), clipped share, relative scatter beyond noise, error of green's mean."""
    x0, y0 = np.maximum(np.floor(quad.min(axis=0)).astype(int), 0)
    x1, y1 = np.maximum(np.ceil(quad.max(axis=0)).astype(int), [x0 + 1, y0 + 1])
    part = pixels[y0:y1, x0:x1].astype(np.float64)
    mask = np.zeros(part.shape[:2], dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.round((quad - 0.5 - [x0, y0]) * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    inside = mask > 0
    values = part[inside]
    clipped = float((values > READ.full * saturation).any(axis=1).mean())
    middle = np.median(values, axis=0)
    scatter = _NORMAL * np.median(np.abs(values - middle), axis=0) + 1e-9
    kept = (np.abs(values - middle) < READ.outlier * scatter).all(axis=1)
    mean = values[kept].mean(axis=0)
    # Noise from neighbouring pixels, shading from the means of the four quarters of the patch.
    green = part[..., 1]
    both = inside[:, 1:] & inside[:, :-1]
    noise = (
        float(np.sqrt(0.5 * np.mean((green[:, 1:] - green[:, :-1])[both] ** 2))) if both.any() else float(scatter[1])
    )
    y, x = np.nonzero(inside)
    quarter = 2 * (y > y.mean()) + (x > x.mean())
    counts = np.bincount(quarter, minlength=4)
    means = np.bincount(quarter, values[:, 1], 4) / np.maximum(counts, 1)
    beyond = means[counts > 0].var() - noise**2 / max(counts.min(), 1)
    uneven = float(np.sqrt(max(beyond, 0.0)) / max(mean[1], 1e-6))
    return mean, clipped, uneven, noise / np.sqrt(len(values))


def _inside(plane: F64, share: float) -> F64:
    """(24, 4, 2) outlines of the inner `share` of the patches' sides, for corners (4, 2) of the patch area; pixels."""
    outline = places()[:, None] + share * half_side() * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return mapped(to_area(plane), outline.reshape(-1, 2)).reshape(24, 4, 2)


def _misplaced(pixels: F32, saturation: F64, plane: F64, like: float) -> str:
    """Why the colours inside the corners are not a chart's; another first corner is tried before the blame."""
    for first in (1, 2, 3):
        quads = _inside(np.roll(plane, -first, axis=0), READ.inner)
        if likeness(np.array([_patch(pixels, saturation, quad)[0] for quad in quads])) > max(like, CHART.like):
            return (
                "the corners do not start at the dark-skin patch: give the same four corners clockwise, beginning with "
                f"the {('second', 'third', 'fourth')[first - 1]} of those given"
            )
    return (
        "the corners do not fit a 24-patch chart: the colours inside them are not its colours; give the outer corners "
        "of the outer patches, clockwise from the dark-skin patch, and let nothing cover the chart"
    )


def _cross(a: F64, b: F64) -> float:
    return float(a[0] * b[1] - a[1] * b[0])


def neutral_of(chart: Chart) -> F64:
    """Camera R, G, B (3,) of a perfect white under the chart's light, pooled over its unclipped grey patches.

    Each of neutral 8 to neutral 3.5 gives a white, weighted by its brightness; the median decides, so that one
    soiled or shiny patch does not. Raises ValueError where all four are clipped.
    """
    index = np.arange(24)[GREYS]
    index = index[chart.clipped[index] <= READ.clipped]
    if index.size == 0:
        raise ValueError("all grey patches of the chart are clipped: use a reference frame with less exposure")
    # The greys are not quite neutral (x of neutral 3.5 is 1 % low). A camera's channels are wider than Rec. 709's
    # and see about half of it: 0.4 to 0.6 for the two cameras of colour-science under eleven lamps.
    luminance = LINEAR[index] @ LUMINANCE
    expected = luminance[:, None] * np.sqrt(LINEAR[index] / luminance[:, None])
    whites = np.maximum(chart.patches[index], 1e-9) / expected
    ratios = np.log(whites[:, [0, 2]] / whites[:, 1:2])
    log_rg, log_bg = (weighted_median(ratios[:, i], np.sqrt(luminance), interpolated=True) for i in (0, 1))
    level = weighted_median(whites[:, 1], np.sqrt(luminance), interpolated=True)
    return np.asarray(level * np.exp(np.array([log_rg, 0.0, log_bg])))


@dataclass(frozen=True)
class Fit:
    """Colour of one light.

    gains     (3,) white balance multipliers, green = 1
    matrix    (3, 3) balanced camera colour -> linear Rec. 709 (D65); rows sum to 1
    exposure  factor that brings the chart to its published brightness
    gradient  (2,) natural-log change of the light over the chart, along its rows and down its columns
    median, worst  CIEDE2000 of the patches after the fit
    noise     (3,) row norms against those of the camera's own matrix
    refusal   why the fit must not be used, or ""
    """

    gains: F64
    matrix: F64
    exposure: float
    gradient: F64
    median: float
    worst: float
    noise: F64
    refusal: str


def fit_matrix(patches: F64, to_working: F64, weights: F64 | None = None) -> Fit:
    """Fit a white-preserving matrix to a chart of 24 patches (24, 3), linear camera colour under the light.

    to_working (3, 3) is the camera's own matrix for balanced colour; `weights` (24,) are Chart.weights,
    None for all 1. Free are the matrix (six numbers, its rows sum to 1), the exposure and a straight
    log gradient of the light. The residuals are CIELAB differences with the chroma weights of CIE94 (CIE 116-1995),
    which CIEDE2000 follows closely and smoothly; a soft L1 loss lets single patches be wrong. The matrix is drawn
    to `to_working`, strongly where it would raise noise. Its shape is Finlayson, Mackiewicz and Hurlbert's "Color
    correction using root-polynomial regression" (IEEE Trans. Image Process. 24(5), 2015) at degree 1.
    Raises ValueError where no grey patch can give the balance, or fewer than 14 patches are left.
    """
    weight = np.ones(24) if weights is None else np.asarray(weights, dtype=np.float64)
    if (weight > 0).sum() < FIT.fewest:
        raise ValueError("too few patches of the chart can be read: the others are clipped, covered or out of place")
    gains = _balance(patches, to_working, weight)
    balanced = patches * gains
    across = places() - 0.5
    greys = np.arange(24)[GREYS]
    usable = greys[weight[greys] > 0]
    level = float(np.median((LINEAR[usable] @ LUMINANCE) / balanced[usable, 1]))
    from scipy.optimize import least_squares

    target = to_lab(LINEAR)
    norms = np.sqrt((to_working**2).sum(axis=1))
    pull = np.sqrt(weight)
    pull[:2] *= np.sqrt(FIT.skin)

    def unpack(p: F64) -> tuple[F64, F64]:
        matrix = to_working.copy()
        matrix[:, :2] += p[:6].reshape(3, 2)
        matrix[:, 2] -= p[:6].reshape(3, 2).sum(axis=1)
        light = level * np.exp(p[6] + across @ p[7:9])
        return matrix, (balanced * light[:, None]) @ matrix.T

    def residuals(p: F64) -> F64:
        matrix, colours = unpack(p)
        delta = _cie94(to_lab(colours), target) * pull[:, None]
        change = FIT.matrix_pull * ((matrix - to_working) / norms[:, None]).ravel()
        noise = np.sqrt((matrix**2).sum(axis=1)) / norms
        noisy = FIT.noise_pull * np.maximum(noise - FIT.most_noise + FIT.noise_room, 0)
        return np.concatenate([delta.ravel(), change, noisy, FIT.gradient_pull * p[7:9]])

    solved = least_squares(residuals, np.zeros(9), loss="soft_l1", f_scale=FIT.soft, max_nfev=FIT.evaluations)
    matrix, colours = unpack(solved.x)
    matrix[:, 2] = 1 - matrix[:, 0] - matrix[:, 1]
    errors = np.where(weight > 0, delta_e_2000(to_lab(colours), target), 0.0)
    median, worst = float(np.median(errors[weight > 0])), float(errors.max())
    return Fit(
        gains=gains,
        matrix=matrix,
        exposure=level * float(np.exp(solved.x[6])),
        gradient=solved.x[7:9],
        median=median,
        worst=worst,
        noise=np.sqrt((matrix**2).sum(axis=1)) / norms,
        refusal=_refusal(median, worst, NAMES[int(errors.argmax())]),
    )


def _refusal(median: float, worst: float, name: str) -> str:
    if median > FIT.median:
        return (
            f"the chart's patches stay CIEDE2000 {median:.1f} (median) from the published colours: it is another "
            "chart, it has faded, or light shines on it"
        )
    if worst > max(FIT.worst, FIT.worst_of_median * median):
        return (
            f"the {name} patch of the chart stays CIEDE2000 {worst:.1f} from its published colour: something covers it "
            "or shines on it"
        )
    return ""


def _balance(patches: F64, to_working: F64, weight: F64) -> F64:
    """(3,) multipliers from neutral 8 to neutral 3.5, allowing for the slight colour they are published with."""
    greys = np.arange(24)[GREYS]
    greys = greys[weight[greys] > 0]
    if greys.size == 0 or not (patches[greys] > 0).all():
        raise ValueError("the grey patches of the chart cannot be read: they are clipped, covered or too dark")
    expected = LINEAR[greys] @ np.linalg.inv(to_working).T
    whites = np.log(patches[greys] / expected)
    pull = np.sqrt(expected[:, 1])
    log = np.array([np.average(whites[:, i] - whites[:, 1], weights=pull) for i in range(3)])
    return np.asarray(np.exp(-log))


def _cie94(lab: F64, target: F64) -> F64:
    """(N, 3) weighted differences in lightness, chroma and hue; their norm is CIE94's difference, graphic arts."""
    chroma = np.hypot(target[:, 1], target[:, 2])
    unit = target[:, 1:] / np.maximum(chroma, 1e-9)[:, None]
    delta = lab - target
    along = (delta[:, 1:] * unit).sum(axis=1)
    beside = delta[:, 1] * unit[:, 1] - delta[:, 2] * unit[:, 0]
    return np.stack([delta[:, 0], along / (1 + 0.045 * chroma), beside / (1 + 0.015 * chroma)], axis=1)
