"""The parts that ICC profiles are made of, read into functions: tone curves, matrices and grids.

Types `curv`, `para`, `mft1`, `mft2`, `mAB ` and `mBA ` of ICC.1:2022, section 10. Everything runs from 0..1 to 0..1 in double
precision; what the numbers mean in a connection space is the caller's affair.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import prod
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Stage = Callable[[Floats], Floats]

_PARAMETERS: Final = (
    1,
    3,
    4,
    5,
    7,
)  # how many numbers each function type of `para` has (ICC.1:2022, table 68)


@dataclass(frozen=True, slots=True, eq=False)
class Lut:
    """A chain of stages, each (N, channels) to (N, channels). `legacy`: Lab is encoded as in version 2 (only `mft2`)."""

    stages: tuple[Stage, ...]
    legacy: bool

    def apply(self, values: Floats) -> Floats:
        """Encoded values (N, in) to encoded values (N, out), clipped to 0..1 between the stages as a table clips."""
        for stage in self.stages:
            values = stage(np.clip(values, 0, 1))
        return np.clip(values, 0, 1)


def number(data: bytes, at: int) -> int:
    """uInt32Number."""
    return int.from_bytes(data[at : at + 4], "big")


def fixed(data: bytes, at: int, count: int) -> Floats:
    """`count` numbers of s15Fixed16."""
    return np.frombuffer(data, ">i4", count, at) / 65536.0


def xyz_number(tag: bytes) -> Floats:
    """The first XYZ triple of an `XYZ ` tag."""
    return fixed(tag, 8, 3)


def lut(tag: bytes, *, from_lab: bool) -> Lut:
    """A table tag as a chain of stages. Raises ValueError for a type that is none of the four.

    The grid is interpolated as LittleCMS does, so that a colour worked out here and a pixel meet the same surface: in tetrahedra over the
    last three channels (straight lines over any before), but linear in all three where the grid starts from Lab (`from_lab`).
    """
    kind = tag[:4]
    if kind in (b"mft1", b"mft2"):
        return _old_table(tag, bits=8 if kind == b"mft1" else 16, tetrahedral=not from_lab)
    if kind in (b"mAB ", b"mBA "):
        return _new_table(tag, from_device=kind == b"mAB ", tetrahedral=not from_lab)
    raise ValueError(f"a table of type '{kind.decode('latin-1')}' is not one of mft1, mft2, mAB and mBA")


def curve_at(data: bytes, at: int) -> tuple[Stage, int]:
    """The curve that stands at a place, and its length in bytes (without padding)."""
    kind = data[at : at + 4]
    if kind == b"curv":
        count = number(data, at + 8)
        if count == 0:
            return _same, 12
        values = np.frombuffer(data, ">u2", count, at + 12).astype(np.float64)
        if count == 1:
            return partial(_power, gamma=float(values[0]) / 256), 14
        return partial(_sampled, samples=values / 65535), 12 + 2 * count
    if kind == b"para":
        which = int.from_bytes(data[at + 8 : at + 10], "big")
        if which >= len(_PARAMETERS):
            raise ValueError(f"parametric curve of the unknown type {which}")
        count = _PARAMETERS[which]
        return partial(_parametric, which=which, p=fixed(data, at + 12, count)), 12 + 4 * count
    raise ValueError(f"a curve of type '{kind.decode('latin-1')}' is neither curv nor para")


def _same(x: Floats) -> Floats:
    return x


def _power(x: Floats, *, gamma: float) -> Floats:
    return np.asarray(np.clip(x, 0, None) ** gamma)


def _sampled(x: Floats, *, samples: Floats) -> Floats:
    return np.interp(x, np.linspace(0, 1, len(samples)), samples)


def _parametric(x: Floats, *, which: int, p: Floats) -> Floats:
    """Function types 0 to 4 of ICC.1:2022, table 68, all written as the last: (aX+b)^g + e from d on, cX + f below."""
    g = p[0]
    a, b = (p[1], p[2]) if which else (1.0, 0.0)
    c = p[3] if which >= 3 else 0.0
    e = f = 0.0
    if which == 2:
        e = f = p[3]
    if which == 4:
        e, f = p[5], p[6]
    if which == 0:
        edge = -np.inf
    elif which <= 2:
        edge = -b / a
    else:
        edge = p[4]
    curved = np.clip(a * x + b, 0, None) ** g + e
    return np.where(x >= edge, curved, c * x + f)


def _each(values: Floats, *, curves: tuple[Stage, ...]) -> Floats:
    return np.stack([curve(values[:, k]) for k, curve in enumerate(curves)], axis=1)


def _linear(values: Floats, *, matrix: Floats, offset: Floats) -> Floats:
    return np.asarray(values @ matrix.T + offset)


def _grid(values: Floats, *, table: Floats, tetrahedral: bool) -> Floats:
    """Interpolate (N, C) in a table (g1, …, gC, out)."""
    channels = values.shape[1]
    size = np.array(table.shape[:channels])
    place = np.clip(values, 0, 1) * (size - 1)
    base = np.minimum(place.astype(np.int64), np.maximum(size - 2, 0))
    # how many rows further the next node lies along each channel; of a single node it is the same one
    steps = np.where(size > 1, np.append(np.cumprod(size[:0:-1])[::-1], 1), 0)
    straight = max(channels - 3, 0) if tetrahedral else channels
    return _cell(place - base, base @ steps, table.reshape(-1, table.shape[-1]), steps, straight=straight)


def _cell(
    fraction: Floats, row: NDArray[np.int64], rows: Floats, steps: NDArray[np.int64], *, straight: int
) -> Floats:
    """One cell from its lowest corner, a `row` of the table: straight lines along so many channels, tetrahedra over those that are left."""
    if straight:
        near = _cell(fraction[:, 1:], row, rows, steps[1:], straight=straight - 1)
        far = _cell(fraction[:, 1:], row + steps[0], rows, steps[1:], straight=straight - 1)
        share = fraction[:, :1]
        return np.asarray(near * (1 - share) + far * share)
    if not fraction.shape[1]:
        return rows.take(row, axis=0)
    order = np.argsort(-fraction, axis=1, kind="stable")
    falling = np.take_along_axis(fraction, order, axis=1)
    ones, zeros = np.ones((len(fraction), 1)), np.zeros((len(fraction), 1))
    weights = np.concatenate([ones, falling], axis=1) - np.concatenate([falling, zeros], axis=1)
    total = weights[:, :1] * rows.take(row, axis=0)
    for which, channel in enumerate(order.T, start=1):
        row = row + steps[channel]
        total += weights[:, which : which + 1] * rows.take(row, axis=0)
    return np.asarray(total)


def _old_table(tag: bytes, *, bits: int, tetrahedral: bool) -> Lut:
    """`lut8Type` and `lut16Type`. Their matrix counts only where the table starts from XYZ; it is the identity everywhere else."""
    inputs, outputs, points = tag[8], tag[9], tag[10]
    kind = np.dtype(">u2" if bits == 16 else "u1")
    entries, exits, at = 256, 256, 48
    if bits == 16:
        entries, exits = (int.from_bytes(tag[k : k + 2], "big") for k in (48, 50))
        at = 52
    counts = (inputs * entries, points**inputs * outputs, outputs * exits)
    numbers = np.frombuffer(tag, kind, sum(counts), at).astype(np.float64) / (2**bits - 1)
    before, cells, after = np.split(numbers, np.cumsum(counts)[:-1])
    stages: list[Stage] = []
    matrix = fixed(tag, 12, 9).reshape(3, 3)
    if inputs == 3 and not np.array_equal(matrix, np.eye(3)):
        stages.append(partial(_linear, matrix=matrix, offset=np.zeros(3)))
    return Lut(
        (
            *stages,
            partial(_each, curves=_samples(before, inputs)),
            partial(_grid, table=cells.reshape(*(points,) * inputs, outputs), tetrahedral=tetrahedral),
            partial(_each, curves=_samples(after, outputs)),
        ),
        legacy=bits == 16,
    )


def _samples(numbers: Floats, channels: int) -> tuple[Stage, ...]:
    return tuple(partial(_sampled, samples=row) for row in numbers.reshape(channels, -1))


def _new_table(tag: bytes, *, from_device: bool, tetrahedral: bool) -> Lut:
    """`lutAToBType` (A curves, grid, M curves, matrix, B curves) and `lutBToAType`, the same backwards."""
    inputs, outputs = tag[8], tag[9]
    b_at, matrix_at, m_at, grid_at, a_at = (number(tag, place) for place in range(12, 32, 4))
    device, pcs = (inputs, outputs) if from_device else (outputs, inputs)
    chain: list[Stage] = []
    if a_at:
        chain.append(partial(_each, curves=_curves(tag, a_at, device)))
    if grid_at:
        chain.append(partial(_grid, table=_new_grid(tag, grid_at, inputs, outputs), tetrahedral=tetrahedral))
    if m_at:
        chain.append(partial(_each, curves=_curves(tag, m_at, pcs)))
    if matrix_at:
        values = fixed(tag, matrix_at, 12)
        chain.append(partial(_linear, matrix=values[:9].reshape(3, 3), offset=values[9:]))
    if b_at:
        chain.append(partial(_each, curves=_curves(tag, b_at, pcs)))
    return Lut(tuple(chain if from_device else reversed(chain)), legacy=False)


def _new_grid(tag: bytes, at: int, inputs: int, outputs: int) -> Floats:
    sizes = tuple(tag[at : at + inputs])
    kind = np.dtype("u1" if tag[at + 16] == 1 else ">u2")
    values = np.frombuffer(tag, kind, prod(sizes) * outputs, at + 20).astype(np.float64)
    return np.asarray(values / (255 if tag[at + 16] == 1 else 65535)).reshape(*sizes, outputs)


def _curves(tag: bytes, at: int, count: int) -> tuple[Stage, ...]:
    curves = []
    for _ in range(count):
        curve, length = curve_at(tag, at)
        curves.append(curve)
        at += (length + 3) // 4 * 4
    return tuple(curves)
