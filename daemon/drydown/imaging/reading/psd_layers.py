"""Puts together the layers of a PSD that holds no flattened picture, at its own depth, with psd-tools.

Only where that is sure: psd-tools leaves out what it does not know, with a line in a log or none. So a list says what it does exactly, and a
file with anything else that is visible is refused. It holds whole arrays, so there is a limit of size.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pyvips

from drydown.errors import Refusal
from drydown.imaging.guard import in_short, strict_warnings
from drydown.imaging.reading.found import Source
from drydown.imaging.reading.loaded import FULL
from drydown.imaging.reading.psd_parts import CMYK, GREY, RGB, Parts

#: psd-tools takes about 120 bytes a pixel (measured with two layers of 12 megapixels at 16 bits): 3 GB at this size.
LIMIT_PX: Final = 25_000_000
_KINDS: Final = frozenset({"pixel", "group", "type", "smartobject"})
#: Blend modes whose formula needs one channel at a time (ISO 32000-2, 11.3.5.2, and its relatives).
# fmt: off
_BLENDS: Final = frozenset({
    "PASS_THROUGH", "NORMAL", "MULTIPLY", "SCREEN", "OVERLAY", "DARKEN", "LIGHTEN", "COLOR_DODGE",
    "COLOR_BURN", "HARD_LIGHT", "SOFT_LIGHT", "DIFFERENCE", "EXCLUSION", "LINEAR_DODGE", "LINEAR_BURN",
})
# fmt: on
_FULL_RANGE: Final = (0, 65535)
_ADVICE: Final = (
    "Save it with a flattened picture inside, or export a TIFF of 16 bits with its colour profile embedded"
)


def check_layers(source: Source, parts: Parts) -> None:
    """Refuse by the header what cannot be put together here. Raises `Refusal`."""
    if parts.mode not in (GREY, RGB, CMYK) or parts.bits not in (8, 16):
        raise source.refusal(
            "holds no flattened picture, and its layers are neither grey, RGB nor CMYK at 8 or 16 bits",
            _ADVICE,
        )
    if parts.width * parts.height > LIMIT_PX:
        raise source.refusal(
            f"holds no flattened picture, and {parts.width:,} x {parts.height:,} pixels of layers are too many to put together here",
            _ADVICE,
        )


def composed(source: Source, parts: Parts) -> pyvips.Image:
    """Colours and alpha (`ushort`) of the visible layers. Raises `Refusal` where the result would not be sure."""
    import psd_tools
    from psd_tools.composite import composite

    with strict_warnings("psd_tools", what=source.name, python_warnings=True):
        try:
            document: Any = psd_tools.PSDImage.open(source.path)
            _check_sure(source, document)
            colours, _, alpha = composite(document, color=1.0, alpha=0.0, force=True)
        except Refusal:
            raise
        except Exception as fault:  # a parser of hostile bytes raises anything
            raise source.refusal(
                f"has layers that could not be put together ({in_short(fault)})", _ADVICE
            ) from fault
    stored = 4 if parts.mode == CMYK else 3 if parts.mode == RGB else 1
    if colours.shape != (parts.height, parts.width, stored):
        raise source.refusal(f"has layers that came out as {colours.shape}", _ADVICE)
    if parts.mode == CMYK:
        colours = 1.0 - colours  # stored as light, printed as ink
    planes = colours if float(alpha.min()) > 1.0 - 0.5 / FULL else np.concatenate([colours, alpha], axis=2)
    deep = np.rint(np.clip(planes, 0.0, 1.0) * FULL).astype(np.uint16)
    return pyvips.Image.new_from_memory(
        np.ascontiguousarray(deep).data, parts.width, parts.height, deep.shape[2], "ushort"
    )


def _check_sure(source: Source, document: Any) -> None:
    for layer in document.descendants():
        if layer.is_visible() and (reason := _unsure(layer)):
            name = "".join(c for c in str(layer.name) if c.isprintable())[:60]
            raise source.refusal(
                f"holds no flattened picture, and its layer “{name}” {reason}, which cannot be worked out here as it looked in the editor",
                _ADVICE,
            )


def _unsure(layer: Any) -> str:
    """Why a layer cannot be put together faithfully; empty where it can."""
    if layer.kind not in _KINDS:
        return f"is of the kind “{layer.kind}”"
    if layer.blend_mode.name not in _BLENDS:
        return f"blends by “{layer.blend_mode.name.lower().replace('_', ' ')}”"
    if layer.has_effects():
        return "has effects"
    if layer.has_vector_mask():
        return "has a vector mask"
    feather = layer.mask.parameters.user_mask_feather if layer.mask and layer.mask.parameters else None
    if feather:
        return "has a feathered mask"
    ranges = (
        layer._record.blending_ranges
    )  # psd-tools has no public name for them, and leaves them out without a word
    pairs = [
        *(ranges.composite_ranges or ()),
        *(pair for channel in ranges.channel_ranges or () for pair in channel),
    ]
    if any(tuple(pair) != _FULL_RANGE for pair in pairs):
        return "blends only in a range of tones"
    return ""
