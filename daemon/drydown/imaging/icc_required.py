"""Which tags a profile must hold by its class, after ICC.1:2022 (profile version 4.4), clause 8; version 2 asks for the same, save `chad`."""

from __future__ import annotations

import struct
from typing import Final

_COMMON: Final = frozenset({"desc", "cprt", "wtpt"})
_MATRIX: Final = frozenset({"rXYZ", "gXYZ", "bXYZ", "rTRC", "gTRC", "bTRC"})
_GREY: Final = frozenset({"kTRC"})
#: class -> the sets of tags, one of which must be there beside the common ones (8.3 to 8.9)
_BY_CLASS: Final[dict[str, tuple[frozenset[str], ...]]] = {
    "scnr": (frozenset({"A2B0"}), _MATRIX, _GREY),
    "mntr": (frozenset({"A2B0", "B2A0"}), _MATRIX, _GREY),
    "prtr": (frozenset({"A2B0", "A2B1", "A2B2", "B2A0", "B2A1", "B2A2", "gamt"}), _GREY),
    "spac": (frozenset({"A2B0", "B2A0"}),),
    "abst": (frozenset({"A2B0"}),),
    "nmcl": (frozenset({"ncl2"}),),
}
_LINK: Final = frozenset({"desc", "cprt", "pseq", "A2B0"})


def tags_in(icc: bytes) -> tuple[str, ...]:
    """The signatures of the tag table, in its order (ICC.1:2022, 7.3). The profile must have passed `icc.inspect`."""
    (count,) = struct.unpack_from(">I", icc, 128)
    return tuple(icc[132 + 12 * n : 136 + 12 * n].decode("latin-1").rstrip(" \0") for n in range(count))


def missing_tags(device_class: str, colour_space: str, tags: tuple[str, ...]) -> tuple[str, ...]:
    """What a profile of this class lacks of the tags that it must hold: of the ways open to it, the one that it comes nearest to.

    A grey profile may hold a curve instead of tables, an RGB one a matrix, where its class allows that.
    """
    have = frozenset(tags)
    if device_class == "link":
        return tuple(sorted(_LINK - have))
    ways = [
        way
        for way in _BY_CLASS.get(device_class, (frozenset(),))
        if not (way == _GREY and colour_space != "GRAY") and not (way == _MATRIX and colour_space != "RGB")
    ]
    return min((tuple(sorted((_COMMON | way) - have)) for way in ways), key=len)
