"""Ways from one profile to another at 16 bits, beside the product's: what else LittleCMS can do, asked through libvips or directly.

libvips lets LittleCMS bake every conversion into a grid of 33 points a channel. A way of our own hands it such a grid ready made, in a profile of
nothing but that grid: at 33 points the baking then finds our nodes again and keeps them; a source that says of itself that its
greys are straight in light is not baked at all (LittleCMS, cmsCreateExtendedTransform: gamma below 1.6), so that a finer grid counts.
"""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, cast

import imagecodecs
import numpy as np
import pyvips
from numpy.typing import NDArray
from scipy.sparse import csr_matrix, identity
from scipy.sparse.linalg import cg

from drydown.imaging.convert import convert
from drydown.imaging.icc_build import Transfer, printer_profile_bytes
from drydown.imaging.icc_tags import Lut16
from drydown.imaging.pcs import D50_XYZ

Floats = NDArray[np.float64]
Codes = NDArray[np.uint16]
Run = Callable[[Codes], Codes]

BAKED = 33  # points a channel that LittleCMS takes for three channels by itself
FLAGS = imagecodecs.CMS.FLAGS
_WIDTH = 1000
_ALL = np.linspace(0, 1, 65536)
_GREY = 32896 / 65535  # a* = b* = 0 in version 4's Lab
_FIT_SAMPLES = 300_000
_HOLD = 0.02  # pulls nodes that no sample came near to where the baking would put them; about a fiftieth of a sample's weight


@dataclass(frozen=True, eq=False)
class Pair:
    """A working space with its transfer curve, and the profile of a paper. Always media-relative with black point compensation."""

    source: bytes
    to_light: Transfer
    paper: bytes


#: What stands in a grid: the pair, the curve before it (65536,) 0..1, points a channel -> device values (points ** 3, 3), 0..1.
Nodes = Callable[[Pair, Floats, int], Floats]


def littlecms(pair: Pair, flags: int = 0) -> Run:
    """LittleCMS called directly."""

    def run(codes: Codes) -> Codes:
        out = imagecodecs.cms_transform(
            codes[None],
            pair.source,
            pair.paper,
            colorspace="rgb",
            outcolorspace="rgb",
            outdtype="uint16",
            intent=1,
            flags=int(FLAGS.NOCACHE | FLAGS.BLACKPOINTCOMPENSATION) | flags,
        )
        return cast(Codes, np.asarray(out)[0])

    return run


def exact(pair: Pair) -> Run:
    """Nothing baked: every colour through curves, matrix and table (cmsFLAGS_NOOPTIMIZE, 0x0100)."""
    return littlecms(pair, int(FLAGS.NOOPTIMIZE))


def default(pair: Pair) -> Run:
    """The product's."""
    return partial(
        _lazily,
        build=lambda pixels: convert(
            pixels, pair.source, pair.paper, intent="relative", black_point_compensation=True
        ),
    )


def split(pair: Pair, pcs: str) -> Run:
    """In two steps with libvips' own connection space in floating point between them, black compensated in the second."""

    def build(pixels: pyvips.Image) -> pyvips.Image:
        half = _tagged(pixels, pair.source).icc_import(embedded=True, pcs=pcs, intent="relative")
        with tempfile.NamedTemporaryFile(suffix=".icc") as file:
            Path(file.name).write_bytes(pair.paper)
            return half.icc_export(
                output_profile=file.name, pcs=pcs, intent="relative", black_point_compensation=True, depth=16
            )

    return partial(_lazily, build=build)


def own(
    pair: Pair, *, points: int = BAKED, baked: bool = True, curve: float = 0.0, nodes: Nodes | None = None
) -> Run:
    """A grid of our own behind one curve: `curve` is the root taken of light (0: the codes as they are), `nodes` what stands in the grid.

    What is baked keeps only 33 points. Without the baking a finer grid counts, and every pixel goes through floating point.
    """
    shape = _ALL if curve == 0 else _rooted(pair.to_light(_ALL), curve)
    icc, sink = _carrying((nodes or sampled)(pair, shape, points), points, baked), _sink()
    table = np.rint(shape * 65535).astype(np.uint16)
    lut = pyvips.Image.new_from_memory(table.data, len(table), 1, 1, "ushort")

    def build(pixels: pyvips.Image) -> pyvips.Image:
        shaped = pixels if curve == 0 else pixels.maplut(lut)
        with tempfile.NamedTemporaryFile(suffix=".icc") as file:
            Path(file.name).write_bytes(sink)
            return _tagged(shaped, icc).icc_transform(file.name, embedded=True, intent="perceptual", depth=16)

    return partial(_lazily, build=build)


def sampled(pair: Pair, shape: Floats, points: int) -> Floats:
    """What baking does: the exact device value (points ** 3, 3), 0..1, at every node."""
    axis = _codes_at(shape, np.linspace(0, 1, points))
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    return exact(pair)(np.ascontiguousarray(grid)) / 65535


def moved(pair: Pair, shape: Floats, points: int) -> Floats:
    """Nodes moved against the bend that they show, so that a straight line between two misses by less on either side.

    A parabola would be met best in the mean of squares by a twelfth of the second difference; a sixteenth did best here.
    """
    nodes = sampled(pair, shape, points).reshape(points, points, points, 3)
    better = nodes.copy()
    for axis in range(3):
        bend = np.diff(nodes, 2, axis=axis)
        inner = tuple(slice(1, -1) if k == axis else slice(None) for k in range(3))
        better[inner] -= bend / 16
    better[-1, -1, -1] = 1  # bare paper
    return np.asarray(np.clip(better, 0, 1).reshape(-1, 3))


def fitted(pair: Pair, shape: Floats, points: int) -> Floats:
    """Nodes that miss colours *between* them least, in the mean of squares: half are of the whole cube, the rest crowd about its greys."""
    dice = np.random.default_rng(0)
    cube = dice.random((_FIT_SAMPLES, 3))
    near = cube[_FIT_SAMPLES // 2 :]
    near[:] = np.clip(near[:, :1] + dice.normal(0, 0.15, near.shape), 0, 1)
    greys = dice.random((_FIT_SAMPLES // 20, 1)).repeat(3, axis=1)
    codes = _codes_at(shape, np.concatenate([cube, greys]))
    weights = tetrahedral(shape[codes], points)
    nodes = sampled(pair, shape, points)
    missing = exact(pair)(codes) / 65535 - weights @ nodes
    normal = weights.T @ weights + _HOLD * identity(points**3)
    better = nodes + np.stack(
        [cg(normal, weights.T @ missing[:, k], rtol=1e-3, maxiter=60)[0] for k in range(3)], axis=1
    )
    better[-1] = 1  # bare paper
    return np.asarray(np.clip(better, 0, 1))


def _lazily(codes: Codes, *, build: Callable[[pyvips.Image], pyvips.Image]) -> Codes:
    pixels = pyvips.Image.new_from_memory(codes.data, _WIDTH, len(codes) // _WIDTH, 3, "ushort")
    return np.frombuffer(build(pixels).write_to_memory(), np.uint16).reshape(-1, 3)


def _tagged(pixels: pyvips.Image, icc: bytes) -> pyvips.Image:
    tagged = pixels.copy(interpretation="rgb16")
    tagged.set_type(pyvips.GValue.blob_type, "icc-profile-data", icc)
    return tagged


def _rooted(light: Floats, root: float) -> Floats:
    """A root of light that starts with a finite slope; with 3 it is close to L*."""
    toe = 0.004
    curve = (light + toe) ** (1 / root)
    return np.asarray((curve - curve[0]) / (curve[-1] - curve[0]))


def _codes_at(shape: Floats, places: Floats) -> Codes:
    return np.rint(np.interp(places, shape, _ALL) * 65535).astype(np.uint16)


def tetrahedral(places: Floats, points: int) -> csr_matrix:
    """The share (N, points ** 3) of every node in a colour (N, 3), 0..1: four corners of the cell, as LittleCMS takes them."""
    at = places * (points - 1)
    base = np.minimum(at.astype(np.int64), points - 2)
    order = np.argsort(base - at, axis=1, kind="stable")
    falling = np.take_along_axis(at - base, order, axis=1)
    rows = len(places)
    shares = np.hstack([np.ones((rows, 1)), falling]) - np.hstack([falling, np.zeros((rows, 1))])
    stride = np.array([points**2, points, 1])
    corners = (base @ stride)[:, None] + np.hstack(
        [np.zeros((rows, 1), np.int64), np.cumsum(stride[order], axis=1)]
    )
    return csr_matrix(
        (shares.ravel(), corners.ravel(), np.arange(0, 4 * rows + 1, 4)), shape=(rows, points**3)
    )


@dataclass(frozen=True)
class _Bare:
    """A table of a grid and nothing around it, or of nothing at all (`lutAToBType`, `lutBToAType`; ICC.1:2004-10, 10.10 and 10.11)."""

    kind: bytes
    grid: Floats | None = None

    def tag(self) -> bytes:
        head = self.kind + bytes(4) + bytes([3, 3, 0, 0])
        if self.grid is None:
            return head + bytes(20)
        size = bytes(self.grid.shape[:3]) + bytes(13) + bytes([2, 0, 0, 0])  # two bytes a number
        return (
            head
            + struct.pack(">5I", 0, 0, 0, 32, 0)
            + size
            + np.rint(self.grid * 65535).astype(">u2").tobytes()
        )


def _carrying(nodes: Floats, points: int, baked: bool) -> bytes:
    """A source whose perceptual table gives our device values where Lab should stand; its relative one says whether to bake."""
    tables = {"A2B0": _Bare(b"mAB ", nodes.reshape(points, points, points, 3))}
    if not baked:
        light = np.linspace(0, 1, BAKED)
        L = np.where(light > 216 / 24389, 116 * np.cbrt(light) - 16, light * 24389 / 27) / 100
        straight = np.full((BAKED,) * 3 + (3,), _GREY)
        straight[..., 0] = L[None, :, None]
        tables["A2B1"] = _Bare(b"mAB ", straight)
    return _profile(tables)


def _sink() -> bytes:
    """A target that hands on what it is given."""
    return _profile({"B2A0": _Bare(b"mBA "), "A2B0": _Bare(b"mAB ")})


def _profile(tables: dict[str, _Bare]) -> bytes:
    as_tables = cast(dict[str, Lut16], cast(Any, tables))  # only their `tag()` is asked for
    return printer_profile_bytes(description="carrier", paper_XYZ=D50_XYZ, tables=as_tables, version=4)
