"""Colour stated without a profile: code points (ITU-T H.273) of HEIF and PNG, and PNG's gamma and chromaticities.

Where the numbers describe a colour space, a profile is computed from them, so that everything after reading knows profiles only.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from typing import Final

from drydown.imaging import working
from drydown.imaging.icc_build import ChromaticityXY, Transfer, grey_profile, matrix_profile
from drydown.imaging.pcs import Floats
from drydown.imaging.reading.found import Source, Stated

Primaries = tuple[ChromaticityXY, ChromaticityXY, ChromaticityXY]
_SRGB_PRIMARIES: Final[Primaries] = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))

_UNSPECIFIED: Final = 2
#: ITU-T H.273, table 2: primaries, all with white D65.
_PRIMARIES: Final[dict[int, tuple[str, Primaries]]] = {
    1: ("ITU-R BT.709", _SRGB_PRIMARIES),
    9: ("ITU-R BT.2020", ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))),
    12: ("P3 D65, SMPTE EG 432-1", ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))),
}


def _power(exponent: float) -> Transfer:
    def to_light(encoded: Floats) -> Floats:
        return encoded**exponent

    return to_light


#: ITU-T H.273, table 3. A still picture with a camera's curve (1, 6, 14, 15) is meant for an sRGB screen: common practice, no source.
_TRANSFERS: Final[dict[int, tuple[str, Transfer]]] = {
    **dict.fromkeys((1, 2, 6, 13, 14, 15), ("curve of IEC 61966-2-1", working.srgb_to_light)),
    4: ("gamma 2.2", _power(2.2)),
    5: ("gamma 2.8", _power(2.8)),
    8: ("linear light", _power(1.0)),
}
_HDR: Final = {16: "PQ", 18: "HLG"}  # SMPTE ST 2084 and ARIB STD-B67

_PNG_UNIT: Final = 100_000
_SRGB_GAMMA: Final = 45_455  # W3C PNG, third edition, 11.3.2.5
_SRGB_CHROMATICITIES: Final = (31_270, 32_900, 64_000, 33_000, 30_000, 60_000, 15_000, 6_000)
_NEAR: Final = 100  # a thousandth: writers round differently


def srgb(words: str, *, sure: bool) -> Stated:
    """The file says sRGB."""
    return Stated(words, sure, working.srgb, working.grey_srgb)


def oprgb(words: str, *, sure: bool) -> Stated:
    """The file says opRGB (IEC 61966-2-5)."""
    return Stated(words, sure, working.oprgb, partial(_grey, "Grey, gamma 563/256", _power(563 / 256)))


def from_code_points(source: Source, primaries: int, transfer: int) -> Stated | None:
    """What code points say; None where they leave it open.

    Raises `Refusal` for pictures made for a high-dynamic-range screen, whose white is no paper's white, and for unknown primaries.
    """
    if transfer in _HDR:
        raise source.refusal(
            f"is made for a high-dynamic-range screen ({_HDR[transfer]}), and its white is not that of paper",
            "Export it for standard range with a colour profile",
        )
    if primaries == _UNSPECIFIED:
        return None
    if primaries not in _PRIMARIES or transfer not in _TRANSFERS:
        raise source.refusal(
            f"states its colours by code points that are not known here (primaries {primaries}, transfer {transfer})",
            "Export it with a colour profile embedded",
        )
    name, places = _PRIMARIES[primaries]
    curve, to_light = _TRANSFERS[transfer]
    words = f"its colour code points say {name}, {curve}"
    if places == _SRGB_PRIMARIES and to_light is working.srgb_to_light:
        return srgb(words, sure=True)
    return _computed(words, f"{name}, {curve}", places, working.D65_XY, to_light)


def from_gamma(gamma: int, places: tuple[int, ...]) -> Stated | None:
    """PNG's gAMA (encoding exponent) and cHRM (white, red, green, blue as x, y), both times 100,000; 0 and () where missing.

    What equals sRGB within a thousandth is only a hint that it is; anything else is computed.
    """
    if not gamma and not places:
        return None
    same_curve = not gamma or abs(gamma - _SRGB_GAMMA) <= _NEAR
    same_places = not places or all(
        abs(a - b) <= _NEAR for a, b in zip(places, _SRGB_CHROMATICITIES, strict=True)
    )
    if same_curve and same_places:
        return srgb("its gamma and chromaticities are those of sRGB", sure=False)
    xy = [(x / _PNG_UNIT, y / _PNG_UNIT) for x, y in zip(places[::2], places[1::2], strict=True)]
    white = xy[0] if xy else working.D65_XY
    primaries: Primaries = (xy[1], xy[2], xy[3]) if xy else _SRGB_PRIMARIES
    name: str
    to_light: Transfer
    if same_curve:
        name, to_light = "curve of IEC 61966-2-1", working.srgb_to_light
    else:
        name, to_light = f"gamma {_PNG_UNIT / gamma:.3g}", _power(_PNG_UNIT / gamma)
    return _computed(
        "its gamma and chromaticities say so", f"Chromaticities as stated, {name}", primaries, white, to_light
    )


def _computed(
    words: str, description: str, primaries: Primaries, white: ChromaticityXY, to_light: Transfer
) -> Stated:
    build: Callable[[], bytes] = partial(
        matrix_profile, description=description, primaries_xy=primaries, white_xy=white, transfer=to_light
    )
    return Stated(words, True, build, partial(_grey, description, to_light))


@cache
def _grey(description: str, to_light: Transfer) -> bytes:
    return grey_profile(description=f"Grey: {description}", transfer=to_light, white_xy=working.D65_XY)
