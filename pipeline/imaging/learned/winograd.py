"""Convolutions of pictures with many channels, on one thread, by machine vectors.

3x3 convolutions are Winograd's F(4x4, 3x3) (Lavin and Gray, "Fast Algorithms for Convolutional Neural Networks",
CVPR 2016): 36 products of matrices for sixteen pixels, a quarter of the multiplications. A picture of n channels is
(h + 2, w + 2, n), the channels of a pixel side by side, within a border of zeros; n a multiple of LANES,
h and w of 4 (network.py).
A sum runs over its terms in one order, so processors of other vectors give the same bytes if they multiply and add in
one instruction, as nearly all do. Importing this loads numba.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils, config
from numba.core.codegen import get_host_cpu_features
from numba.extending import intrinsic
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.types import F32

# What numba compiles for, by which it keeps what it has compiled: the processor's, or those that a person tells it, as
# for a home of unlike machines. "" where LLVM does not know.
_TOLD = config.CPU_FEATURES  # type: ignore[attr-defined]
_WIDE = "+avx512f" in (get_host_cpu_features() if _TOLD is None else _TOLD).split(",")  # type: ignore[no-untyped-call]
LANES = 16 if _WIDE else 8  # floats of a machine vector; a processor of narrower ones takes two of them
# Registers hold rows x panels sums, and what is multiplied into them.
_ROWS, _PANELS, _FEW = (12, 2, 6) if _WIDE else (6, 2, 3)
_TILES = 24  # of 4x4 pixels that are worked on at a time: what they hold stays near the processor
_LINE = 160  # floats between the rows of a matrix; no less than the channels, and no power of two
_PLANE = _TILES * _LINE + 16  # floats between the 36 matrices, which are not to fall on the same lines of a cache
ROOM = 36 * _PLANE + _ROWS * _LINE  # floats that `v` and `m` below hold
LEAK = 0.1  # slope below zero of the units (tests/training/network.py)
PLAIN, LEAKY, ADDED = 0, 1, 2  # what becomes of a convolution: kept, through the units, added to what is there

_FLOAT, _INT = ir.FloatType(), ir.IntType(64)
_VECTOR = ir.VectorType(_FLOAT, LANES)
_KERNEL = np.array(  # G of the paper
    [[6, 0, 0], [-4, -4, -4], [-4, 4, -4], [1, 2, 4], [1, -2, 4], [0, 0, 24]]
) / 24  # fmt: skip


def packed_3x3(weight: NDArray[Any]) -> F32:
    """(K, C, 3, 3) -> what `convolve` takes as u."""
    units, channels = weight.shape[:2]
    rows = weight.transpose(2, 3, 1, 0).reshape(3, -1).astype(np.float64)
    points = _KERNEL @ (_KERNEL @ rows).reshape(6, 3, -1)
    return packed(points.reshape(36, channels, units))


def packed(matrices: NDArray[Any]) -> F32:
    """(P, C, K) -> flat, of each matrix all rows of its first LANES columns, then of the next."""
    count, rows, columns = matrices.shape
    whole = np.pad(matrices, ((0, 0), (0, 0), (0, -columns % LANES)))
    return np.ascontiguousarray(whole.reshape(count, rows, -1, LANES).transpose(0, 2, 1, 3), dtype=np.float32).ravel()


class _Code:
    """LLVM code of vectors; the arguments of the function it stands in are arrays of float32, and whole numbers."""

    def __init__(self, context: Any, builder: Any, signature: Any, arguments: Any) -> None:
        self.builder, self.context, self.signature, self.arguments = builder, context, signature, arguments
        of = ir.FunctionType(_VECTOR, [_VECTOR] * 3)
        name = f"llvm.fmuladd.v{LANES}f32"
        self.fused = cgutils.get_or_insert_function(builder.module, of, name)  # type: ignore[no-untyped-call]

    def data(self, index: int) -> Any:
        return self.context.make_array(self.signature.args[index])(
            self.context, self.builder, self.arguments[index]
        ).data

    def at(self, place: Any, *steps: tuple[int, Any]) -> Any:
        """place + the sum of count * stride."""
        for count, stride in steps:
            place = self.builder.add(place, self.builder.mul(ir.Constant(_INT, count), stride))
        return place

    def load(self, data: Any, place: Any) -> Any:
        found = self.builder.load(self._vectors(data, place))
        found.align = 4
        return found

    def store(self, value: Any, data: Any, place: Any) -> None:
        self.builder.store(value, self._vectors(data, place)).align = 4

    def _vectors(self, data: Any, place: Any) -> Any:
        return self.builder.bitcast(self.builder.gep(data, [place]), _VECTOR.as_pointer())

    def same(self, value: float) -> Any:
        return ir.Constant(_VECTOR, [ir.Constant(_FLOAT, float(np.float32(value)))] * LANES)

    def spread(self, data: Any, place: Any) -> Any:
        """The float there, in every lane."""
        none = ir.Constant(_VECTOR, ir.Undefined)
        first = ir.Constant(ir.IntType(32), 0)
        lanes = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [first] * LANES)
        one = self.builder.insert_element(none, self.builder.load(self.builder.gep(data, [place])), first)
        return self.builder.shuffle_vector(one, none, lanes)

    def plus(self, value: Any, other: Any) -> Any:
        return self.builder.fadd(value, other)

    def minus(self, value: Any, other: Any) -> Any:
        return self.builder.fsub(value, other)

    def times_plus(self, value: Any, factor: float, more: Any) -> Any:
        return self.multiply_add(value, self.same(factor), more)

    def multiply_add(self, value: Any, other: Any, more: Any) -> Any:
        return self.builder.call(self.fused, [value, other, more])

    def fence(self) -> None:
        """Nothing is loaded earlier than it stands: the compiler would else run out of registers."""
        nothing = ir.FunctionType(ir.VoidType(), [])
        self.builder.call(ir.InlineAsm(nothing, "", "~{memory}", side_effect=True), [])

    def loop(self, count: Any, step: int, body: Callable[[Any, list[Any]], list[Any]], start: list[Any]) -> list[Any]:
        """From 0 to below count, at least once; body takes and gives the values that go from turn to turn."""
        build = self.builder
        before, inside, after = build.block, build.append_basic_block("turn"), build.append_basic_block("after")
        build.branch(inside)
        build.position_at_end(inside)
        index = build.phi(_INT)
        index.add_incoming(ir.Constant(_INT, 0), before)
        carried = [build.phi(value.type) for value in start]
        for one, value in zip(carried, start, strict=True):
            one.add_incoming(value, before)
        values = body(index, carried)
        following = build.add(index, ir.Constant(_INT, step))
        index.add_incoming(following, build.block)
        for one, value in zip(carried, values, strict=True):
            one.add_incoming(value, build.block)
        build.cbranch(build.icmp_signed("<", following, count), inside, after)
        build.position_at_end(after)
        return values


def _inlined(code: Callable[[_Code], None], kinds: str) -> Any:
    """For numba; kinds: a letter for each argument, a for an array of float32, i for a whole number."""
    arrays = [kind == "a" for kind in kinds]

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        code(_Code(context, builder, signature, arguments))
        return context.get_dummy_value()

    def typed(*given: Any) -> tuple[Any, Any]:
        named = [one if array else types.intp for one, array in zip(given, arrays, strict=True)]
        return types.void(*named), generate

    names = ", ".join(f"x{index}" for index in range(len(kinds)))  # numba counts the arguments
    return intrinsic(eval(f"lambda context, {names}: typed({names})", {"typed": typed}))


def _product(rows: int, panels: int) -> Any:
    """c = a b of `rows` rows and `panels` panels: a at, plane, parts, b at, panel, c at, k.

    a is of `parts` matrices side by side, `plane` floats apart, each of k columns; panel  floats of a panel of b.
    """

    def code(by: _Code) -> None:
        _, at, plane, parts, _, bt, panel, _, ct, k = by.arguments
        build, a, b, c = by.builder, by.data(0), by.data(4), by.data(7)
        columns = [build.gep(b, [by.at(bt, (j, panel))]) for j in range(panels)]

        def part(index: Any, sums: list[Any]) -> list[Any]:
            first, begun = build.gep(a, [build.add(at, build.mul(index, plane))]), build.mul(index, k)

            def term(i: Any, sums: list[Any]) -> list[Any]:
                row = build.mul(build.add(begun, i), ir.Constant(_INT, LANES))
                other = [by.load(column, row) for column in columns]
                here, new = build.gep(first, [i]), []
                for r in range(rows):
                    value = by.spread(here, ir.Constant(_INT, r * _LINE))
                    new += [by.multiply_add(value, other[j], sums[r * panels + j]) for j in range(panels)]
                    if r % 4 == 3:
                        by.fence()
                return new

            return by.loop(k, 1, term, sums)

        sums = by.loop(parts, 1, part, [by.same(0)] * (rows * panels))
        for r in range(rows):
            for j in range(panels):
                by.store(sums[r * panels + j], c, build.add(ct, ir.Constant(_INT, r * _LINE + j * LANES)))

    return _inlined(code, "aiiiaiiaii")


def _by_b(by: _Code, d: list[Any]) -> list[Any]:
    """B transposed of the paper, times d of six."""
    even, odd = by.times_plus(d[2], -4, d[4]), by.times_plus(d[1], -4, d[3])
    near, far = by.minus(d[4], d[2]), by.minus(d[3], d[1])
    return [
        by.times_plus(d[0], 4, by.times_plus(d[2], -5, d[4])),
        by.plus(even, odd), by.minus(even, odd),
        by.times_plus(far, 2, near), by.times_plus(far, -2, near),
        by.times_plus(d[1], 4, by.times_plus(d[3], -5, d[5])),
    ]  # fmt: skip


def _by_a(by: _Code, m: list[Any]) -> list[Any]:
    """A transposed of the paper, times m of six."""
    one, two = by.plus(m[1], m[2]), by.minus(m[1], m[2])
    three, four = by.plus(m[3], m[4]), by.minus(m[3], m[4])
    return [
        by.plus(by.plus(m[0], one), three), by.times_plus(four, 2, two), by.times_plus(three, 4, one),
        by.plus(by.times_plus(four, 8, two), m[5]),
    ]  # fmt: skip


def _to_points(by: _Code) -> None:
    """x at, row, n, v at: six by six pixels from x on, `row` floats between rows, to one row of 36 matrices."""
    _, at, row, n, _, vt = by.arguments
    build, x, v, plane = by.builder, by.data(0), by.data(4), ir.Constant(_INT, _PLANE)

    def some(channel: Any, _: list[Any]) -> list[Any]:
        columns = [
            _by_b(by, [by.load(x, build.add(channel, by.at(at, (i, row), (j, n)))) for i in range(6)]) for j in range(6)
        ]
        for i in range(6):
            for j, value in enumerate(_by_b(by, [column[i] for column in columns])):
                by.store(value, v, build.add(channel, by.at(vt, (6 * i + j, plane))))
        return []

    by.loop(n, LANES, some, [])


def _from_points(how: int) -> Any:
    """m at, bias, x at, row, n: a row of 36 matrices to four by four pixels from x on."""

    def code(by: _Code) -> None:
        _, mt, _, _, at, row, n = by.arguments
        build, m, bias, x, plane = by.builder, by.data(0), by.data(2), by.data(3), ir.Constant(_INT, _PLANE)

        def some(channel: Any, _: list[Any]) -> list[Any]:
            columns = [
                _by_a(by, [by.load(m, build.add(channel, by.at(mt, (6 * i + j, plane)))) for i in range(6)])
                for j in range(6)
            ]
            more = by.load(bias, channel)
            for i in range(4):
                for j, value in enumerate(_by_a(by, [column[i] for column in columns])):
                    place = build.add(channel, by.at(at, (i, row), (j, n)))
                    found = by.plus(value, more)
                    if how == LEAKY:
                        low = build.fmul(found, by.same(LEAK))
                        found = build.select(build.fcmp_ordered(">", found, low), found, low)
                    elif how == ADDED:
                        found = by.plus(found, by.load(x, place))
                    by.store(found, x, place)
            return []

        by.loop(n, LANES, some, [])

    return _inlined(code, "aiaaiii")


_product_2, _product_1 = _product(_ROWS, _PANELS), _product(_ROWS, 1)
_few_2, _few_1 = _product(_FEW, _PANELS), _product(_FEW, 1)
_points_of = _inlined(_to_points, "aiiiai")
_plain, _leaky, _added = (_from_points(how) for how in (PLAIN, LEAKY, ADDED))


@compiled()
def _multiply(
    a: F32, at: int, plane: int, parts: int, rows: int, b: F32, bt: int, k: int, n: int, c: F32, ct: int
) -> None:
    """c = a b: a of `rows` rows, of `parts` matrices side by side of k columns each; b packed, n columns."""
    panel = parts * k * LANES
    for j in range(0, n, 2 * LANES):
        two, here = j + LANES < n, bt + j * parts * k
        i = 0
        while i < rows:
            if rows - i > _FEW:
                if two:
                    _product_2(a, at + i * _LINE, plane, parts, b, here, panel, c, ct + i * _LINE + j, k)
                else:
                    _product_1(a, at + i * _LINE, plane, parts, b, here, panel, c, ct + i * _LINE + j, k)
                i += _ROWS
            else:
                if two:
                    _few_2(a, at + i * _LINE, plane, parts, b, here, panel, c, ct + i * _LINE + j, k)
                else:
                    _few_1(a, at + i * _LINE, plane, parts, b, here, panel, c, ct + i * _LINE + j, k)
                i += _FEW


@compiled()
def convolve(
    x: F32, top: int, left: int, wide: int, k: int, u: F32, bias: F32, out: F32, to: int, aside: int, how: int,
    v: F32, m: F32,
) -> None:  # fmt: skip
    """Four rows of a 3x3 convolution, `wide` pixels: of x from (top, left) on, to (to, aside) of `out`.

    Places do not count the border; k  channels of x that are not zero; u  of `packed_3x3`; bias (n,).
    """
    nx, n = x.shape[2], out.shape[2]
    row, line = x.shape[1] * nx, out.shape[1] * n
    for first in range(0, wide, 4 * _TILES):
        count = min(_TILES, (wide - first + 3) // 4)
        for t in range(count):
            _points_of(x, top * row + (left + first + 4 * t) * nx, row, nx, v, t * _LINE)
        for point in range(36):
            _multiply(v, point * _PLANE, 0, 1, count, u, point * k * n, k, n, m, point * _PLANE)
        for t in range(count):
            at = (to + 1) * line + (aside + first + 4 * t + 1) * n
            if how == PLAIN:
                _plain(m, t * _LINE, bias, out, at, line, n)
            elif how == LEAKY:
                _leaky(m, t * _LINE, bias, out, at, line, n)
            else:
                _added(m, t * _LINE, bias, out, at, line, n)


@compiled()
def halve(x: F32, height: int, width: int, u: F32, bias: F32, out: F32, v: F32, m: F32) -> None:
    """A 2x2 convolution of stride 2, to `out` of this size; u  of `packed`, a pixel's four one below the other."""
    nx, n = x.shape[2], out.shape[2]
    for i in range(1, height + 1):
        for first in range(1, width + 1, _TILES):
            count = min(_TILES, width + 1 - first)
            for t in range(count):
                for q in range(4):
                    pixel = x[2 * i - 1 + q // 2, 2 * (first + t) - 1 + q % 2]
                    line = v[q * _PLANE + t * _LINE : q * _PLANE + t * _LINE + nx]
                    for c in range(nx):  # by slices it takes thrice the time
                        line[c] = pixel[c]
            _multiply(v, 0, _PLANE, 4, count, u, 0, nx, n, m, 0)
            for t in range(count):
                made, line = out[i, first + t], m[t * _LINE : t * _LINE + n]
                for c in range(n):
                    made[c] = line[c] + bias[c]


@compiled()
def widen(
    x: F32, top: int, left: int, low: int, right: int, u: F32, bias: F32, out: F32, v: F32, m: F32
) -> None:  # fmt: skip
    """Add a 1x1 convolution of x, at rows [top, low) and columns [left, right), to the four pixels of each in `out`."""
    nx, n = x.shape[2], out.shape[2]
    for i in range(top + 1, low + 1):
        for first in range(left + 1, right + 1, _TILES):
            count = min(_TILES, right + 1 - first)
            for t in range(count):
                pixel, line = x[i, first + t], v[t * _LINE : t * _LINE + nx]
                for c in range(nx):
                    line[c] = pixel[c]
            _multiply(v, 0, 0, 1, count, u, 0, nx, n, m, 0)
            for t in range(count):
                line = m[t * _LINE : t * _LINE + n]
                for q in range(4):
                    made = out[2 * i - 1 + q // 2, 2 * (first + t) - 1 + q % 2]
                    for c in range(n):
                        made[c] += line[c] + bias[c]
