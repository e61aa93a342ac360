"""From one profile to another. The only module that calls an ICC operation of libvips.

libvips guesses: given no profile, a foreign or a damaged one it takes the picture for sRGB and only logs it. So every profile is checked here
first, and what libvips logs while a transform is built counts as a failure. Whole pictures go through libvips (LittleCMS at 16 bits);
single colours, where precision matters more than speed, through `icc_exact`.
"""

from __future__ import annotations

import hashlib
import logging
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Literal

import pyvips

from drydown.api import Intent
from drydown.errors import Refusal
from drydown.imaging.icc import BadProfile, check_source, inspect
from drydown.imaging.icc_exact import device_to_lab, lab_to_device

__all__ = [
    "INTENT_NAMES",
    "compensation",
    "convert",
    "device_to_lab",
    "intent_used",
    "lab_to_device",
    "same_profile",
    "to_screen",
    "to_srgb",
]

#: What ICC.1:2022, 7.2.15 calls the four intents.
INTENT_NAMES: Final[dict[Intent, str]] = {
    "perceptual": "perceptual",
    "relative": "media-relative colorimetric",
    "saturation": "saturation",
    "absolute": "ICC-absolute colorimetric",
}
_INTERPRETATION: Final = {1: "grey16", 3: "rgb16", 4: "cmyk"}
_DEVICES: Final = ("mntr", "prtr", "scnr", "spac")
_SPACES: Final = ("GRAY", "RGB", "CMYK")
_PROFILE: Final = "icc-profile-data"  # libvips' name for an attached profile

#: What libvips says when it lets LittleCMS read a source by its perceptual table, as ICC.1:2022, 9.2 asks (see `_readable_by`).
_NO_GUESS: Final = "fallback to suggested perceptual"
#: Where a header suggests a rendering intent (ICC.1:2022, 7.2).
_HEADER_INTENT: Final = slice(64, 68)


def convert(
    pixels: pyvips.Image,
    icc: bytes,
    to: bytes | Path,
    *,
    intent: Intent,
    black_point_compensation: bool,
) -> pyvips.Image:
    """The picture, 16 bits and without alpha, in the space of another profile; lazy, and still fit for sequential reading.

    `icc`: the profile of the pixels. `to`: the profile wanted, as bytes or by name. A picture already in that profile comes back
    untouched. The result carries no profile: `Frame.icc` is the only truth about colour.

    Raises `Refusal` for a profile that cannot be used or does not fit the channels, TypeError for pixels that are not 16 bits.
    """
    if pixels.format != "ushort":
        raise TypeError(f"pixels are {pixels.format}; convert takes 16 bits a channel (ushort)")
    check_source(icc, channels=pixels.bands)
    target = to.read_bytes() if isinstance(to, Path) else to
    if same_profile(icc, target):
        return pixels
    _check_target(target)
    return _transform(pixels, icc, target, intent, black_point_compensation, depth=16)


def to_srgb(
    pixels: pyvips.Image, icc: bytes, *, intent: Intent = "relative", black_point_compensation: bool = True
) -> pyvips.Image:
    """The picture as 8-bit sRGB (IEC 61966-2-1), for a screen."""
    from drydown.imaging.working import srgb

    return to_screen(pixels, icc, srgb(), intent=intent, black_point_compensation=black_point_compensation)


def to_screen(
    pixels: pyvips.Image, icc: bytes, screen: bytes, *, intent: Intent, black_point_compensation: bool
) -> pyvips.Image:
    """The picture as 8 bits in the space of a screen's profile. Raises `Refusal` for a profile that does not fit the channels."""
    check_source(icc, channels=pixels.bands)
    return _transform(pixels, icc, screen, intent, black_point_compensation, depth=8)


def same_profile(one: bytes, other: bytes) -> bool:
    """Whether two profiles describe the same space: equal but for what a program changes by saving again.

    That is the preferred engine, the date, flags, rendering intent, creator and profile ID of the header (ICC.1:2022, 7.2).
    """
    return one == other or _fingerprint(one) == _fingerprint(other)


def intent_used(to: bytes, intent: Intent) -> Intent:
    """The intent that a target can serve: a table profile without a table for the intent asked has only the perceptual one."""
    return intent if intent in inspect(to).intents_back else "perceptual"


def compensation(to: bytes, intent: Intent, asked: bool) -> tuple[bool, str]:
    """Whether black point compensation takes place, and why where the setting has no say.

    LittleCMS leaves it out of ICC-absolute, and always does it towards a version 4 profile when perceptual or saturation.
    """
    if intent == "absolute":
        return False, "never done with ICC-absolute colorimetric"
    if intent in ("perceptual", "saturation") and to[8] >= 4:
        return True, f"always done with {intent} towards a version 4 profile"
    return asked, ""


def _check_target(icc: bytes) -> None:
    """Raise `Refusal` where a picture cannot be converted into this profile."""
    try:
        info = inspect(icc)
    except BadProfile as fault:
        raise Refusal(f"The profile to convert to cannot be used: {fault}. Install it afresh.") from None
    if info.device_class not in _DEVICES or info.colour_space not in _SPACES or not info.intents_back:
        raise Refusal(
            f"The profile to convert to, “{info.description}”, describes no device that pictures can be converted for "
            f"(class {info.device_class}, {info.colour_space}). Name the profile of a printer and paper."
        )


def _transform(
    pixels: pyvips.Image,
    icc: bytes,
    target: bytes,
    intent: Intent,
    compensate: bool,
    *,
    depth: Literal[8, 16],
) -> pyvips.Image:
    tagged = pixels.copy(interpretation=_INTERPRETATION[pixels.bands])
    tagged.set_type(pyvips.GValue.blob_type, _PROFILE, _readable_by(icc, intent))
    # libvips reads the file while it builds the transform; afterwards it is not needed
    with tempfile.NamedTemporaryFile(suffix=".icc") as file, _nothing_guessed():
        file.write(target)
        file.flush()
        out = tagged.icc_transform(
            file.name,
            embedded=True,
            intent=intent_used(target, intent),
            black_point_compensation=compensate,
            depth=depth,
        )
    plain = out.copy()
    plain.remove(_PROFILE)
    return plain


def _readable_by(icc: bytes, intent: Intent) -> bytes:
    """The source profile as libvips will read it rightly.

    Where a profile has no table for the intent, libvips looks at the intent suggested in its header, and takes the picture for sRGB
    if that has none either. So a profile that must be read by its perceptual table is made to suggest that.
    """
    info = inspect(icc)
    if intent in info.intents:
        return icc
    if "perceptual" not in info.intents:
        raise Refusal(
            f"The picture's profile, “{info.description}”, has no table for {INTENT_NAMES[intent]} and none that could stand in. "
            "Convert the picture to a working space such as sRGB where its colours look right, and export it again."
        )
    changed = bytearray(icc)
    changed[_HEADER_INTENT] = bytes(4)  # perceptual
    return bytes(changed)


@contextmanager
def _nothing_guessed() -> Iterator[None]:
    """Turn what libvips logs while it builds into an error; what is known to be no guess is passed over in silence."""
    doubts: list[str] = []

    def listen(record: logging.LogRecord) -> bool:
        text = record.getMessage()
        harmless = _NO_GUESS in text
        if not harmless:
            doubts.append(text)
        return not harmless

    logger = logging.getLogger("pyvips")
    logger.addFilter(listen)
    try:
        yield
    finally:
        logger.removeFilter(listen)
    if doubts:
        raise Refusal(
            f"The picture's colours cannot be converted in a way that can be trusted ({'; '.join(doubts)}). "
            "Open it where it was made, look at it, and export it again."
        )


def _fingerprint(icc: bytes) -> bytes:
    header = bytearray(icc[:128])
    for start, end in ((4, 8), (24, 36), (44, 48), (64, 68), (80, 100)):
        header[start:end] = bytes(end - start)
    return hashlib.sha256(bytes(header) + icc[128:]).digest()
