"""What the network for finished pictures sees, on the GPU: pictures as cameras finish them, and what is told of noise.

Light falls on a sensor (sensor.py's noise), is demosaiced (bilinear, Malvar's filter, or along the direction in which
colour changes less, as Hirakawa and Parks, "Adaptive homogeneity-directed demosaicing algorithm", IEEE Trans. Image
Process. 14(3), 2005, do it), turned into sRGB by a matrix that parts its colours, smoothed and sharpened, bent by an S
of any strength, made smaller or not, and saved as JPEG of quality 75 to 97. The truth goes the same way without noise.
Some get noise of another kind, even over all brightnesses, after the curve, as scans, films and other programs' files
have it, cut off at black and white; some are no JPEG.

What is told is measured as denoise/picture_noise.py measures it, but against the truth; then it is made wrong, as
`pool` was found to be wrong on such pictures: near at a high ISO, and mostly too low where noise is weak.
"""

from __future__ import annotations

import math
from functools import cache
from random import Random

import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d, conv2d, interpolate, pad, pixel_unshuffle

from pipeline.imaging.learned import told
from tests.training import sensor
from tests.training.web import by_area, scene_of

RIM, CHROMA, MEAN, EVEN, LEAST = 8, 0.10, 0.2, 0.008, 1e-7  # of the loss, as in train.py
# As imaging/denoise/picture_noise.py has them, which needs more than a machine for training may have: what is told is
# measured in luma and colour of light that is stabilised so.
A, B = 1e-3, 4e-6
DEVIATIONS = (1.3, 1.0, 1.4)
MODES = ("web", "web", "web", "full", "full", "file", "file")
OTHERS, LOSSLESS = 0.22, 0.15  # shares of pictures with noise of another kind than a sensor's, and of those no JPEG
FEW = 0.35  # share of pictures told a spectrum as of a small one
_LUMA = (0.299, 0.587, 0.114)  # ITU-R BT.601, as JPEG has it


def _uniform(like: Tensor, low: float, high: float) -> Tensor:
    return low + (high - low) * torch.rand(len(like), 1, 1, 1, device=like.device)


def _normal(like: Tensor) -> Tensor:
    return torch.randn(len(like), 1, 1, 1, device=like.device)


def _chance(like: Tensor, share: float) -> Tensor:
    return torch.rand(len(like), 1, 1, 1, device=like.device) < share


def encoded(light: Tensor) -> Tensor:
    """sRGB (IEC 61966-2-1); straight below zero."""
    return torch.where(light <= 0.0031308, 12.92 * light, 1.055 * light.clamp(min=1e-6) ** (1 / 2.4) - 0.055)


def _slope_encoded(light: Tensor) -> Tensor:
    return torch.where(light <= 0.0031308, 12.92, 1.055 / 2.4 * light.clamp(min=1e-6) ** (1 / 2.4 - 1))


def bent(e: Tensor, s: Tensor) -> Tensor:
    return e * (1 - s) + s * e * e * (3 - 2 * e)


def _unbent(v: Tensor, s: Tensor) -> Tensor:
    e = v.clone()
    for _ in range(6):
        e = (e - (bent(e, s) - v) / ((1 - s) + 6 * s * e * (1 - e)).clamp(min=0.15)).clamp(0, 1)
    return e


@cache
def _places(side: int, device: str) -> Tensor:
    """(3, side, side): 1 where a colour of RGGB has a pixel."""
    y, x = np.mgrid[0:side, 0:side]
    colours = np.array([[0, 1], [1, 2]])[y % 2, x % 2]
    return torch.from_numpy((colours == np.arange(3)[:, None, None]).astype(np.float32)).to(device)


def _kernel(rows: list[list[float]], like: Tensor) -> Tensor:
    return torch.tensor(rows, device=like.device)[None, None]


def _filtered(x: Tensor, rows: list[list[float]]) -> Tensor:
    k = _kernel(rows, x)
    rim = k.shape[-1] // 2, k.shape[-2] // 2
    of = x.reshape(-1, 1, *x.shape[2:])
    return conv2d(pad(of, (rim[0], rim[0], rim[1], rim[1]), mode="reflect"), k).reshape(x.shape)


_CROSS = [[0, 0.25, 0], [0.25, 1, 0.25], [0, 0.25, 0]]
_SQUARE = [[0.25, 0.5, 0.25], [0.5, 1, 0.5], [0.25, 0.5, 0.25]]


def _with_colours(green: Tensor, mosaic: Tensor, where: Tensor) -> Tensor:
    """(B, 1, h, w) green everywhere -> (B, 3, h, w), colour differences bilinear."""
    off = _filtered((mosaic - green) * where[[0, 2]], _SQUARE)
    return torch.cat([green + off[:, :1], green, green + off[:, 1:]], 1)


def demosaiced(mosaic: Tensor, kind: str) -> Tensor:
    """(B, 1, h, w) RGGB, balanced -> (B, 3, h, w)."""
    where = _places(mosaic.shape[-1], str(mosaic.device))
    green = where[1]
    bilinear = _filtered(mosaic * green, _CROSS)
    if kind == "bilinear":
        colours = _filtered(mosaic * where[[0, 2]], _SQUARE)
        return torch.cat([colours[:, :1], bilinear, colours[:, 1:]], 1)
    if kind == "malvar":  # Malvar, He and Cutler, ICASSP 2004: green corrected by half the Laplacian of the own colour
        laplacian = [[0, 0, -1, 0, 0], [0, 0, 0, 0, 0], [-1, 0, 4, 0, -1], [0, 0, 0, 0, 0], [0, 0, -1, 0, 0]]
        own = _filtered(mosaic, [[v / 8 for v in row] for row in laplacian])
        return _with_colours(mosaic * green + (bilinear + own) * (1 - green), mosaic, where)
    candidates, rough = [], []
    for upright in (False, True):
        line = [-0.25, 0.5, 0.5, 0.5, -0.25]
        rows = [[v] for v in line] if upright else [line]
        full = mosaic * green + _filtered(mosaic, rows) * (1 - green)
        rgb = _with_colours(full, mosaic, where)
        chroma = rgb[:, [0, 2]] - rgb[:, 1:2]
        down, across = (
            pad(part.abs().sum(1, keepdim=True), rim, mode="replicate")
            for part, rim in ((chroma[..., 1:, :] - chroma[..., :-1, :], (0, 0, 0, 1)),
                              (chroma[..., 1:] - chroma[..., :-1], (0, 1, 0, 0)))
        )  # fmt: skip
        along, other = (down, across) if upright else (across, down)
        rough.append(avg_pool2d(pad(along + 0.5 * other, (2, 2, 2, 2), mode="reflect"), 5, 1))
        candidates.append(rgb)
    return torch.where(rough[0] <= rough[1], candidates[0], candidates[1])


def _blurred(x: Tensor, sigma: float) -> Tensor:
    radius = max(1, math.ceil(2.5 * sigma))
    line = torch.exp(-0.5 * (torch.arange(-radius, radius + 1) / sigma) ** 2)
    line = (line / line.sum()).tolist()
    return _filtered(_filtered(x, [line]), [[v] for v in line])


@cache
def _jpeg_matrices(device: str) -> tuple[Tensor, Tensor, Tensor]:
    luma = np.array(  # ITU-T T.81, table K.1
        [16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56,
         14, 17, 22, 29, 51, 87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92,
         49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99]).reshape(8, 8)  # fmt: skip
    chroma = np.full((8, 8), 99)
    chroma[:4, :4] = [[17, 18, 24, 47], [18, 21, 26, 66], [24, 26, 56, 99], [47, 66, 99, 99]]  # table K.2
    tables = torch.tensor(np.stack([luma, chroma]), dtype=torch.float32, device=device)
    dct = np.cos((2 * np.arange(8) + 1) * np.arange(8)[:, None] * np.pi / 16)
    dct /= np.linalg.norm(dct, axis=1, keepdims=True)
    full = np.array([_LUMA, (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312)])
    return tables, torch.tensor(dct, dtype=torch.float32, device=device), torch.tensor(
        full, dtype=torch.float32, device=device)  # fmt: skip


def _rounded(plane: Tensor, steps: Tensor) -> Tensor:
    """(B, h, w) codes about 0, steps (B, 8, 8)."""
    dct = _jpeg_matrices(str(plane.device))[1]
    height, width = plane.shape[1:]
    down, across = -height % 8, -width % 8
    whole = pad(plane[:, None], (0, across, 0, down), mode="replicate")[:, 0]
    blocks = whole.unfold(1, 8, 8).unfold(2, 8, 8)  # (B, H/8, W/8, 8, 8)
    q = steps[:, None, None]
    blocks = dct.T @ (torch.round(dct @ blocks @ dct.T / q) * q) @ dct
    return blocks.permute(0, 1, 3, 2, 4).reshape(whole.shape)[:, :height, :width]


def jpeg(v: Tensor, quality: Tensor, halved: bool, shift: tuple[int, int]) -> Tensor:
    """(B, 3, h, w) 0 to 1 -> as read from a JPEG; quality (B, 1, 1, 1) as libjpeg counts; `shift` of its blocks."""
    tables, _, ycc = _jpeg_matrices(str(v.device))
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality)
    steps = torch.floor((tables[None] * scale + 50) / 100).clamp(1, 255)  # (B, 2, 8, 8)
    codes = torch.round(v.clamp(0, 1) * 255)
    codes = torch.roll(codes, shift, (2, 3))
    planes = torch.einsum("kc,bchw->bkhw", ycc, codes)
    luma = _rounded(torch.round(planes[:, 0]) - 128, steps[:, 0]) + 128
    colour = planes[:, 1:]
    if halved:
        colour = avg_pool2d(colour, 2)
    some = [_rounded(torch.round(colour[:, k]), steps[:, 1])[:, None] for k in (0, 1)]
    colour = torch.round(torch.cat(some, 1))
    if halved:
        colour = interpolate(colour, size=v.shape[2:], mode="bilinear", align_corners=False)
    planes = torch.cat([torch.round(luma)[:, None], colour], 1)
    codes = torch.round(torch.einsum("ck,bkhw->bchw", torch.linalg.inv(ycc), planes)).clamp(0, 255)
    return torch.roll(codes, (-shift[0], -shift[1]), (2, 3)) / 255


def _other_noise(like: Tensor, grain: float, unlike: float) -> Tensor:
    """(B, 3, h, w) of unit deviation: white, or `grain` pixels wide; `unlike`  how far colours are from one another."""
    n = torch.randn_like(like)
    n = (1 - unlike) * n[:, :1] + unlike * n
    if grain > 0:
        n = _blurred(n, grain)
    return n / n.std((1, 2, 3), keepdim=True)


def case(step: int, parts: int) -> tuple[str, int, int, Random]:
    """Of a step: what becomes of the pictures, pixels of a picture along a crop's side, and of the sensor."""
    draw = Random(7 * step + 1)
    mode = draw.choice(MODES)
    if mode == "full":
        return mode, round(parts / draw.choice((1.0, 1.0, 1.5, 2.0)) / 2) * 2, parts, draw
    side = 2 * round(parts * draw.choice((1.3, 1.6, 2.0, 2.4, 2.93, 2.93, 2.93, 3.5)) / 2)
    return mode, round(parts * draw.choice((1.0, 1.0, 1.0, 1.4, 2.0)) / 2) * 2, side, draw


def batch(crops: Tensor, step: int, parts: int) -> tuple[Tensor, ...]:
    """(B, 3, S, S) sRGB -> the network's input, the truth and the noisy picture (B, 3, parts, parts) in sRGB, what a
    correction of 1 is worth (B, 1, parts/2, parts/2), and each picture's noise (B,)."""
    mode, _, side, draw = case(step, parts)
    light = sensor.scenes(crops) / sensor.WHITE
    if mode != "full" and draw.random() < 0.4 and light.shape[-1] > parts:
        light = by_area(light, parts)
    scene = scene_of(light.clamp(max=1.6) / 1.6, side) * 1.6
    white = _uniform(light, 0.35, 0.9)  # of saturation
    mixing = torch.zeros(len(light), 3, 3, device=light.device)
    rand = torch.rand(len(light), 3, 2, device=light.device)
    for c in range(3):
        near, far = ((c + 1) % 3, (c + 2) % 3) if c != 1 else (0, 2)
        mixing[:, c, near], mixing[:, c, far] = 0.4 * rand[:, c, 0], 0.18 * rand[:, c, 1]
        mixing[:, c, c] = 1 - mixing[:, c].sum(1)
    gains = sensor.gains_of(light)
    colour = torch.einsum("bkc,bchw->bkhw", mixing, scene)
    mosaic = sensor.mosaic_of((colour * white / gains).clamp(max=1))
    other = _chance(light, OTHERS)
    a, b, rows = (part * ~clean for clean in (_chance(light, 0.07) | other,) for part in sensor.camera_noise(light))
    codes = torch.exp(_uniform(light, math.log(0.8), math.log(16))) / 255 * other
    grain, unlike = draw.choice((0.0, 0.0, draw.uniform(0.4, 1.3))), draw.choice((1.0, draw.random()))
    before = draw.random() < 0.3  # it was made smaller
    lossless = _chance(light, LOSSLESS) | other & _chance(light, 0.35)
    some = a.clamp(min=1e-9)
    noisy = torch.where(a > 0, torch.poisson((mosaic / some).clamp(max=1e6)) * some, mosaic)
    row = torch.randn(len(mosaic), 1, mosaic.shape[2], 1, device=mosaic.device)
    noisy = (noisy + b.sqrt() * torch.randn_like(mosaic) + rows * row).clamp(max=1)
    kind = draw.choice(("bilinear", "malvar", "directed", "directed", "directed"))
    balance = torch.ones_like(mosaic)
    balance[..., 0::2, 0::2], balance[..., 1::2, 1::2] = gains[:, :1], gains[:, 2:]
    back = torch.linalg.inv(mixing)
    s = _uniform(light, 0, 0.9) * _chance(light, 0.8)
    amount = _uniform(light, 0.2, 1.2) * _chance(light, 0.55)
    calm, soft = _chance(light, 0.35).float(), _uniform(light, 0.2, 0.7) * _chance(light, 0.3)
    sigmas = draw.uniform(0.5, 1.2), draw.uniform(0.8, 3.0), draw.uniform(0.5, 0.9)
    quality = torch.floor(torch.where(_chance(light, 0.75), _uniform(light, 88, 98), _uniform(light, 75, 92)))
    halved, in_light = draw.random() < 0.7, draw.random() < 0.4
    shift = (draw.randrange(16), draw.randrange(16))
    found = []
    for one in (noisy, mosaic):
        rgb = demosaiced(one * balance / white, kind)
        v = encoded(torch.einsum("bkc,bchw->bkhw", back, rgb).clamp(0, 1))
        luma = torch.einsum("c,bchw->bhw", torch.tensor(_LUMA, device=v.device), v)[:, None]
        quiet = _blurred(luma, sigmas[2])
        finer = luma + soft * (quiet - luma)
        finer = finer + amount * (finer - _blurred(finer, sigmas[0]))
        off = v - luma
        v = finer + off + calm * (_blurred(off, sigmas[1]) - off)
        v = bent(v.clamp(0, 1), s)
        with_noise = one is noisy
        if with_noise and before:
            v = (v + codes * _other_noise(v, grain, unlike)).clamp(0, 1)
        if mode == "file":
            v = encoded(by_area(sensor.linear(v), parts)) if in_light else by_area(v, parts)
        if with_noise and not before:
            v = (v + codes * _other_noise(v, grain, unlike)).clamp(0, 1)
        v = torch.where(lossless, v, jpeg(v, quality, halved, shift))
        if mode == "web":
            v = encoded(by_area(sensor.linear(v), parts))
        found.append(v)
    taken = draw.uniform(0, 0.6) if draw.random() < 0.2 else 0.0
    if taken:
        found = [_unbent(v, torch.full_like(s, taken)) for v in found]
    inputs, scale, deviation = told_input(found[0], found[1], s - taken, white, a, b, other)
    return inputs, found[1], found[0], scale, deviation


def _planes(v: Tensor) -> Tensor:
    light = sensor.linear(v)
    stable = (2 / A) * (torch.sqrt(A * light.clamp(min=0) + B) - B**0.5)
    mix = torch.tensor(opponent() / np.array(DEVIATIONS), dtype=torch.float32, device=v.device)
    return torch.einsum("kc,bchw->bkhw", mix, stable)


def opponent() -> np.ndarray:
    """(3, 3), orthonormal: luma, two differences."""
    axis = 1 / np.array(DEVIATIONS)
    axis /= np.linalg.norm(axis)
    first = np.array([axis[2], 0.0, -axis[0]])
    first /= np.linalg.norm(first)
    return np.stack([axis, first, np.cross(axis, first)])


def told_input(
    noisy: Tensor, truth: Tensor, s: Tensor, white: Tensor, a: Tensor, b: Tensor, even: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    n = _planes(noisy) - _planes(truth)
    power = []
    for _ in range(told.SCALES):
        half = avg_pool2d(n, 2)
        power.append(n.square().mean((2, 3)) - half.square().mean((2, 3)))
        n = half
    bands = torch.stack(power, 1).clamp(min=1e-9)  # (B, SCALES, 3)
    bands = torch.stack([bands[..., 0], bands[..., 1:].mean(-1)], 2)  # (B, SCALES, 2): luma, colour
    deviation = (noisy - truth).square().mean((1, 2, 3)).sqrt()
    bands = _told_wrongly(bands, deviation)
    total = ((bands[..., 0] + 2 * bands[..., 1]) / 3).sum(1).view(-1, 1, 1, 1)

    def spread(v: Tensor) -> Tensor:
        """Variance in v of the sensor's noise where the picture has v."""
        e = _unbent(v, s)
        x = sensor.linear(e) * white
        slope = ((1 - s) + 6 * s * e * (1 - e)) * _slope_encoded(sensor.linear(e)) / white
        return torch.where(even, 1.0, (a.clamp(min=2e-5) * x + b.clamp(min=1e-9)) * slope.square())

    def usual(v: Tensor) -> Tensor:
        light = sensor.linear(v)
        return (A * light + B) * _slope_encoded(light).square()

    cells = _cell_means(noisy)
    small = _boxed(cells, told.NEAR)
    grey = small.mean(1, keepdim=True).clamp(0, 1)
    tilt = torch.exp(0.5 * _normal(noisy) * (grey - 0.4))
    share = spread(grey)
    share = share / (share / usual(grey)).mean((2, 3), keepdim=True)
    d = (total * share * tilt).clamp(min=1e-10).sqrt()
    numbers = told.numbers(bands[..., 0], bands[..., 1], torch)  # (B, 2 SCALES)
    seen = _differences(pixel_unshuffle(noisy, 2), cells, small, d)
    everywhere = numbers[:, :, None, None].expand(-1, -1, *d.shape[2:])
    return torch.cat([*seen, everywhere], 1), told.worth(d, torch), deviation


def _cell_means(v: Tensor) -> Tensor:
    """(B, C, H, W) -> (B, C, H/2, W/2)."""
    return avg_pool2d(v, 2)


def _boxed(cells: Tensor, side: int) -> Tensor:
    """Means of side x side cells."""
    rim = side // 2
    return avg_pool2d(pad(cells, (rim,) * 4, mode="reflect"), side, 1)


def _soft(x: Tensor) -> Tensor:
    """Deviations, large ones pressed together."""
    return x / (1 + abs(x) / told.SOFT)


def _differences(pixels: Tensor, cells: Tensor, near: Tensor, d: Tensor) -> list[Tensor]:
    """Of a batch, (B, 12 + 3 + 3 + 3 + 1, h, w), as imaging/learned/finished.py makes them of one picture."""
    floor = d.clamp(min=told.LEAST)
    far = _boxed(cells, told.FAR)
    within = pixels - cells.repeat_interleave(4, 1)
    return [
        _soft(within / floor),
        _soft((cells - near) / floor),
        _soft((near - far) / floor),
        cells,
        told.level(d, torch),
    ]


def _told_wrongly(bands: Tensor, deviation: Tensor) -> Tensor:
    count, device = len(bands), bands.device

    def normal(*shape: int) -> Tensor:
        return torch.randn(count, *shape, device=device)

    weak = torch.exp(-((deviation / 0.012) ** 2)).view(-1, 1, 1)
    low = (torch.rand(count, 1, 1, device=device) < 0.25 + 0.5 * weak).float()
    off = 0.15 + 0.35 * normal(1, 1) - low * 1.2 * -torch.log(torch.rand(count, 1, 1, device=device).clamp(min=0.03))
    off = off + 0.15 * normal(told.SCALES, 1).cumsum(1)
    colour = off[..., 0] * 1.2 - 0.4 - 0.6 * weak[..., 0] + 0.5 * normal(1)
    wrong = bands * torch.exp(torch.stack([off[..., 0], colour], 2))
    run = torch.arange(told.SCALES, device=device).view(1, -1)
    # Small pictures have few scales: the coarser are then what the finer lead to, as even as of texture.
    even = torch.softmax(-(0.5 + torch.rand(count, 1, device=device)) * run - 0.15 * normal(told.SCALES), 1)
    of_few = (torch.rand(count, 1, 1, device=device) < FEW).expand_as(wrong)
    smooth = wrong.sum(1, keepdim=True) * even[..., None] * torch.exp(0.1 * normal(told.SCALES, 2))
    wrong = torch.where(of_few, smooth, wrong)
    # Without noise texture is taken for some.
    level = torch.exp(-3.5 + 1.2 * normal(1))
    luma = level * torch.exp(-(1.0 + 0.4 * normal(1)) * run + 0.15 * normal(told.SCALES).cumsum(1))
    texture = torch.stack([luma, luma * torch.exp(-1.0 + 0.7 * normal(1) + 0.1 * normal(told.SCALES))], 2)
    return torch.where(deviation.view(-1, 1, 1) < 1e-4, texture, wrong.maximum(bands.new_full((), 1e-7)))


def loss_of(found: Tensor, wanted: Tensor, noisy: Tensor, scale: Tensor, deviation: Tensor) -> Tensor:
    """As train.loss_of, in sRGB; found  the correction (B, 3, H, W)."""
    worth = scale.repeat_interleave(2, 2).repeat_interleave(2, 3)
    e = (noisy + worth * found - wanted)[..., RIM:-RIM, RIM:-RIM]
    red, green, blue = e.unbind(1)
    chroma = torch.stack([red - green, blue - green], 1)
    square = e.square().mean((1, 2, 3)) + 2 * CHROMA * chroma.square().mean((1, 2, 3))
    mean = e.abs().mean((1, 2, 3)) + 0.7 * chroma.abs().mean((1, 2, 3))
    return (((square + LEAST).sqrt() + MEAN * mean) / (deviation + EVEN).sqrt()).mean()
