"""The building stones of an ICC profile, version 2.4: how a number, a text, a curve and a table are laid down in bytes.

Source of every layout: ICC.1:2001-04 (profile version 2.4.0), clause 6.5, tag types. All numbers are big-endian.
It knows nothing of printers or working spaces.
"""

import struct
from dataclasses import dataclass

import numpy as np

from drydown.imaging.pcs import Floats


def s15_fixed16(values: Floats) -> bytes:
    """Numbers of any shape as s15Fixed16Number, in order (5.3.2)."""
    return np.round(np.asarray(values) * 65536).astype(">i4").tobytes()


def u16(values: Floats) -> bytes:
    """Numbers 0..1 of any shape as uInt16Number 0..65535; what lies outside is held at the ends."""
    return np.round(np.clip(values, 0, 1) * 65535).astype(">u2").tobytes()


def xyz_tag(XYZ: Floats) -> bytes:
    """XYZType (6.5.26) of one (3,) value."""
    return b"XYZ " + bytes(4) + s15_fixed16(XYZ)


def matrix_tag(matrix: Floats) -> bytes:
    """s15Fixed16ArrayType (6.5.14) of a (3, 3) matrix, row by row."""
    return b"sf32" + bytes(4) + s15_fixed16(matrix)


def curve_tag(values: Floats) -> bytes:
    """CurveType (6.5.3) through evenly spaced values (N,) 0..1; read by linear interpolation."""
    return b"curv" + struct.pack(">4xI", len(values)) + u16(values)


def text_tag(text: str) -> bytes:
    """TextType (6.5.18). It holds seven-bit ASCII only, so anything else becomes a question mark."""
    return b"text" + bytes(4) + text.encode("ascii", "replace") + b"\0"


def description_tag(text: str) -> bytes:
    """TextDescriptionType (6.5.17): an ASCII name, and the Unicode one where ASCII does not do it justice."""
    ascii_name = text.encode("ascii", "replace") + b"\0"
    unicode_name = b"" if text.isascii() else (text + "\0").encode("utf-16-be")
    return b"".join(
        [
            b"desc" + struct.pack(">4xI", len(ascii_name)) + ascii_name,
            struct.pack(">II", 0, len(unicode_name) // 2) + unicode_name,
            struct.pack(">HB", 0, 0) + bytes(67),  # no script-code name
        ]
    )


def localized_tag(text: str) -> bytes:
    """MultiLocalizedUnicodeType (ICC.1:2004-10, 10.13) of one text, in English: how version 4 writes names."""
    content = text.encode("utf-16-be")
    return b"mluc" + struct.pack(">4xII4sII", 1, 12, b"enUS", len(content), 28) + content


@dataclass(frozen=True, slots=True)
class Lut16:
    """A table with a curve before and after it: input curves, grid, output curves, all 0..1.

    `inputs` is (channels in, entries), `grid` (points, ..., points, channels out) with the first input channel along
    the first axis, `outputs` (channels out, entries).
    """

    inputs: Floats
    grid: Floats
    outputs: Floats

    def tag(self) -> bytes:
        """Lut16Type (6.5.7). Its matrix acts on XYZ only, so it is the unit matrix here."""
        points, channels_in, channels_out = self.grid.shape[0], self.grid.ndim - 1, self.grid.shape[-1]
        if self.grid.shape[:-1] != (points,) * channels_in or len(self.inputs) != channels_in:
            raise ValueError(
                f"a grid of shape {self.grid.shape} with {len(self.inputs)} input curves is no table; "
                "give every input channel as many points and one curve"
            )
        return b"".join(
            [
                b"mft2" + struct.pack(">4xBBBx", channels_in, channels_out, points),
                s15_fixed16(np.eye(3)),
                struct.pack(">HH", self.inputs.shape[1], self.outputs.shape[1]),
                u16(self.inputs) + u16(self.grid) + u16(self.outputs),
            ]
        )

    def read(self, values: Floats) -> Floats:
        """What an engine with floating point and linear interpolation makes of (N, channels in) values 0..1."""
        from scipy.interpolate import RegularGridInterpolator  # 40 MB that no job needs: only for building

        points, channels_in = self.grid.shape[0], self.grid.ndim - 1
        places = np.stack([_look_up(curve, values[:, i]) for i, curve in enumerate(self.inputs)], axis=1)
        between = RegularGridInterpolator((np.linspace(0, 1, points),) * channels_in, self.grid)(places)
        return np.stack([_look_up(curve, between[:, i]) for i, curve in enumerate(self.outputs)], axis=1)


def _look_up(curve: Floats, values: Floats) -> Floats:
    return np.interp(values, np.linspace(0, 1, len(curve)), curve)
