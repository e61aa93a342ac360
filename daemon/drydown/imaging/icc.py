"""Looks at ICC profiles before anything is done with them.

libvips takes a missing, damaged or foreign profile for sRGB without a word, so every check is ours: the header, the class, the
colour space against the channels, the tag table, and then whether LittleCMS can open it and make white lighter than black with it.
It converts no picture.
"""

from __future__ import annotations

import hashlib
import io
import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

from PIL import Image, ImageCms

from drydown.api import Intent
from drydown.errors import Refusal
from drydown.showing import shown

LIMIT_BYTES: Final = 8 * 1024 * 1024  #: the largest profiles in use are near 3 MB
_HEADER_BYTES: Final = 128
_TAG_ENTRY_BYTES: Final = 12
_TAG_LIMIT: Final = 200  # ICC.1:2022 defines fewer than 70

_INTENTS: Final[tuple[Intent, ...]] = ("perceptual", "relative", "saturation", "absolute")  # in ICC.1's order
#: Profile classes of ICC.1:2022, 7.2.7.
_CLASSES: Final = {
    "scnr": "an input profile",
    "mntr": "a display profile",
    "prtr": "an output profile",
    "link": "a device link",
    "spac": "a colour space profile",
    "abst": "an abstract profile",
    "nmcl": "a named-colour profile",
}
#: Colour spaces of ICC.1:2022, 7.2.8 that a picture here may be in, with their channels and Pillow's mode.
_SPACES: Final = {"GRAY": (1, "L"), "RGB": (3, "RGB"), "CMYK": (4, "CMYK"), "Lab": (3, "LAB")}
_PLAIN: Final = {1: "grey", 3: "RGB", 4: "CMYK"}
_SPACE_OF: Final = {1: "GRAY", 3: "RGB", 4: "CMYK"}

_NO_OPTIMISATION: Final = (
    0x0100  # cmsFLAGS_NOOPTIMIZE: no table is computed ahead, which keeps a check under a millisecond
)
_LEAST_SPAN_L: Final = 20.0  # L* between a profile's white and black; newsprint has about 45


class BadProfile(ValueError):
    """These bytes are no usable ICC profile. The text is a reason in lower case without a full stop."""


@dataclass(frozen=True, slots=True)
class ProfileInfo:
    """What a profile says of itself. Signatures are stripped of their padding (`RGB`, not `RGB `)."""

    device_class: str  #: scnr, mntr, prtr, link, spac, abst, nmcl
    colour_space: str  #: of the device: GRAY, RGB, CMYK, Lab…
    pcs: str  #: profile connection space: XYZ or Lab (another device's space in a link)
    version: str  #: `2.4`, `4.3`
    description: str
    size: int  #: bytes, as the header states them
    channels: int  #: of the device; 0 where the space is none that a picture here may be in
    white_XYZ: tuple[float, float, float] | None
    #: media white point, Y of the perfect diffuser = 1
    intents: tuple[Intent, ...]  #: that it serves from the device to the PCS
    intents_back: tuple[Intent, ...]  #: that it serves from the PCS to the device


@lru_cache(maxsize=32)
def inspect(icc: bytes) -> ProfileInfo:
    """Read and check a profile of any class. Under a millisecond; the same bytes are looked at once.

    Raises `BadProfile` with the reason: size, header (ICC.1:2022, 7.2), tag table (7.3), or LittleCMS cannot open it.
    """
    size = _check_header(icc)
    _check_tag_table(icc, size)
    try:
        profile: Any = ImageCms.ImageCmsProfile(io.BytesIO(icc)).profile
        description, white = profile.profile_description, profile.media_white_point
    except (OSError, ImageCms.PyCMSError, ValueError) as fault:
        raise BadProfile(f"the colour engine cannot open it ({fault})") from None
    space = _signature(icc, 16)
    return ProfileInfo(
        device_class=_signature(icc, 12),
        colour_space=space,
        pcs=_signature(icc, 20),
        version=f"{icc[8]}.{icc[9] >> 4}",
        description=_printable(description) or "without a name",
        size=size,
        channels=_SPACES.get(space, (0, ""))[0],
        white_XYZ=white[0] if white else None,
        intents=_served(profile, ImageCms.Direction.INPUT),
        intents_back=_served(profile, ImageCms.Direction.OUTPUT),
    )


def check_source(icc: bytes, *, channels: int) -> ProfileInfo:
    """Check the profile that a picture of `channels` colour channels (1, 3 or 4) brings with it.

    Raises `Refusal` with a whole sentence where it is damaged, of a class that describes no picture, or of another colour space.
    """
    try:
        info = inspect(icc)
        _check_class(info)
        if info.channels != channels or info.colour_space != _SPACE_OF.get(channels):
            raise BadProfile(
                f"it is a profile for {info.colour_space or 'an unknown colour space'}, and the picture is {_PLAIN.get(channels, f'of {channels} channels')}"
            )
        _try_out(icc)
    except BadProfile as fault:
        raise Refusal(
            f"The picture's embedded colour profile cannot be used: {fault}. "
            "Convert the picture to a working space such as sRGB where its colours look right, and export it again."
        ) from None
    return info


def sums_up(icc: bytes) -> bool:
    """Whether a profile's own check sum fits it, where it has one: MD5 with flags, intent and the sum itself taken as zero (ICC.1:2022, 7.2.18).

    A sum that does not fit is no proof of damage: programs that change a name forget it.
    """
    (size,) = struct.unpack_from(">I", icc)
    said = icc[84:100]
    if not any(said):
        return True
    plain = bytearray(icc[:size])
    for start, end in ((44, 48), (64, 68), (84, 100)):
        plain[start:end] = bytes(end - start)
    return hashlib.md5(plain, usedforsecurity=False).digest() == said


def check_output(icc: bytes) -> ProfileInfo:
    """Check a stock's profile: an RGB device with a way from the PCS.

    Raises `Refusal` with a whole sentence. A CMYK printer profile is refused for now: the drivers that these sheets go to take RGB.
    """
    try:
        info = inspect(icc)
        _check_class(info)
        if info.colour_space == "CMYK":
            raise BadProfile(
                f"“{info.description}” is for a CMYK press or raster processor, and sheets are made in RGB, which is what a printer driver takes"
            )
        if info.colour_space != "RGB":
            raise BadProfile(f"“{info.description}” is for {info.colour_space}, and sheets are made in RGB")
        if info.device_class == "scnr" or not info.intents_back:
            raise BadProfile(f"“{info.description}” has no way from colours back to its device")
        _try_out(icc)
    except BadProfile as fault:
        raise Refusal(
            f"The stock's profile cannot be used: {fault}. Name the RGB profile that was made for this paper on this printer."
        ) from None
    return info


def _check_header(icc: bytes) -> int:
    """Raises `BadProfile`; returns the size that the header states."""
    if len(icc) < _HEADER_BYTES + 4:
        raise BadProfile(f"it has {len(icc)} bytes, and the header alone takes {_HEADER_BYTES}")
    if len(icc) > LIMIT_BYTES:
        raise BadProfile(f"it has {len(icc) / 1e6:.1f} MB, and {LIMIT_BYTES / 1e6:.1f} MB is the limit")
    if icc[36:40] != b"acsp":
        raise BadProfile("it is no ICC profile (the signature 'acsp' is missing)")
    (size,) = struct.unpack_from(">I", icc)
    if size > len(icc):
        raise BadProfile(f"it is cut off: {len(icc)} bytes of {size}")
    if size < _HEADER_BYTES + 4:
        raise BadProfile(f"its header states a size of {size} bytes, less than the header itself")
    if not 1 <= icc[8] <= 4:
        raise BadProfile(f"it is of ICC version {icc[8]}, and versions 2 to 4 are known")
    if _signature(icc, 12) not in _CLASSES:
        raise BadProfile(f"its class {_printable(_signature(icc, 12))!r} is unknown")
    return int(size)


def _check_tag_table(icc: bytes, size: int) -> None:
    """Every tag must lie between the tag table and the end. Tags may share their data (ICC.1:2022, 7.3.1)."""
    (count,) = struct.unpack_from(">I", icc, _HEADER_BYTES)
    first = _HEADER_BYTES + 4 + _TAG_ENTRY_BYTES * count
    if not 1 <= count <= _TAG_LIMIT or first > size:
        raise BadProfile(f"its tag table is damaged ({count} tags in {size} bytes)")
    for place in range(_HEADER_BYTES + 4, first, _TAG_ENTRY_BYTES):
        offset, length = struct.unpack_from(">II", icc, place + 4)
        if offset < first or length < 8 or offset + length > size:
            raise BadProfile(
                f"its tag {_printable(_signature(icc, place))!r} lies at {offset} with {length} bytes, outside its {size} bytes"
            )


def _check_class(info: ProfileInfo) -> None:
    """A picture's or a printer's profile describes a device or a colour space; the others are recipes or palettes."""
    if info.device_class in ("link", "abst", "nmcl"):
        raise BadProfile(
            f"“{info.description}” is {_CLASSES[info.device_class]}, which describes no device and no picture's colours"
        )
    if info.pcs not in ("XYZ", "Lab"):
        raise BadProfile(f"its connection space {info.pcs!r} is neither XYZ nor Lab")


@lru_cache(maxsize=32)
def _try_out(icc: bytes) -> None:
    """Build a transform to Lab and look at white and black: bytes that only look like a profile fail here."""
    space = _signature(icc, 16)
    mode = _SPACES[space][1]
    try:
        transform = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(icc)),
            ImageCms.createProfile("LAB"),
            mode,
            "LAB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            flags=ImageCms.Flags(_NO_OPTIMISATION),
        )
        ends = Image.new(mode, (2, 1))
        ends.putpixel(
            (0 if space == "CMYK" else 1, 0), (255,) * _SPACES[space][0] if space != "GRAY" else 255
        )
        seen = ImageCms.applyTransform(ends, transform)
    except (OSError, ImageCms.PyCMSError, ValueError) as fault:
        raise BadProfile(f"the colour engine cannot convert with it ({fault})") from None
    if seen is None:
        raise BadProfile("the colour engine cannot convert with it")
    black, white = (float(seen.getpixel((x, 0))[0]) / 2.55 for x in (0, 1))  # type: ignore[index]
    if white - black < _LEAST_SPAN_L:
        raise BadProfile(
            f"its white has L* {white:.0f} and its black L* {black:.0f}: its curves or tables are damaged"
        )


def _served(profile: Any, direction: ImageCms.Direction) -> tuple[Intent, ...]:
    return tuple(
        intent for number, intent in enumerate(_INTENTS) if profile.is_intent_supported(number, direction)
    )


def _signature(icc: bytes, place: int) -> str:
    """Four letters, as they may stand in a sentence: a damaged profile has any bytes there."""
    return shown(icc[place : place + 4].rstrip(b" \0"))


def _printable(text: str | None) -> str:
    return "".join(c for c in (text or "") if c.isprintable()).strip()[:200]
