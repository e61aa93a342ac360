"""AVIF and HEIC: pictures in a HEIF container (ISO 23008-12). libvips reads AV1, pillow-heif HEVC; turning and mirroring is done by both.

The container is checked here first: cut, moving, high dynamic range. EXIF's orientation is not applied, because HEIF says that
`irot` and `imir` count (ISO 23008-12, 6.5.10), and libheif has applied those.
"""

from __future__ import annotations

import struct
from typing import Any, Final

import pyvips

from drydown.errors import Refusal, is_machines
from drydown.imaging.guard import in_short
from drydown.imaging.reading import boxes, hevc
from drydown.imaging.reading.exif import read_exif
from drydown.imaging.reading.found import Access, Colour, Found, Source, Stated
from drydown.imaging.reading.loaded import sixteen, unmultiplied, vips_load, with_alpha
from drydown.imaging.reading.stated import from_code_points
from drydown.showing import shown

_CODECS: Final = {b"av01": "AVIF", b"hvc1": "HEIC"}
_DERIVED: Final = (b"grid", b"iden", b"iovl")
_MOVING_BRANDS: Final = {b"avis", b"msf1", b"hevc", b"hevx"}
_AGAIN: Final = "Export it as a TIFF of 16 bits with its colour profile embedded"


def examine(source: Source) -> Found:
    """Check an AVIF or HEIC and say what it holds. Raises `Refusal`."""
    try:
        items = boxes.items(source.data)
        if items.moving or (items.brands and items.brands[0] in _MOVING_BRANDS):
            raise source.refusal("is a moving picture", "Export the one picture that is meant")
        tiles = _coded(source, items)
        codec = items.types[tiles[0]]
        _check_data(source, items, tiles)
    except boxes.BadBoxes as fault:
        raise source.cut(str(fault)) from None
    properties = dict(reversed(items.properties_of(items.primary)))
    inherited = dict(reversed(items.properties_of(tiles[0])))
    width, height = _size(
        source, properties | {b"ispe": properties.get(b"ispe", inherited.get(b"ispe", b""))}
    )
    bits = max(properties.get(b"pixi", inherited.get(b"pixi", b"\0\0\0\0\x01\x08"))[5:] or b"\x08")
    icc, stated = _colour(source, items, tiles[0])
    colour: Colour = "grey" if _is_grey(properties, inherited) else "rgb"
    premultiplied = bool(items.referred(b"prem", items.primary))
    is_avif = codec == b"av01"
    exif = read_exif(_exif(source, items))

    def load(access: Access) -> pyvips.Image:
        pixels = _load_av1(source, access) if is_avif else _load_hevc(source)
        if colour == "grey" and pixels.bands > 2:  # libheif makes three equal channels of one
            pixels = with_alpha(pixels[0], pixels[3] if pixels.bands == 4 else None)
        if premultiplied and pixels.bands in (2, 4):
            return unmultiplied(pixels, (0.0,) * (pixels.bands - 1))
        return pixels

    return Found(
        format=_CODECS[codec],
        width=width,
        height=height,
        bits=bits,
        colour=colour,
        load=load,
        icc=icc,
        stated=stated or exif.stated,
    )


def _coded(source: Source, items: boxes.Items) -> tuple[int, ...]:
    """The coded items behind the primary one: itself, or the tiles of a grid."""
    wanted: tuple[int, ...] = (items.primary,)
    for _ in range(4):  # a grid of identities is as deep as it gets
        if not wanted or items.types.get(wanted[0]) not in _DERIVED:
            break
        wanted = tuple(tile for item in wanted for tile in items.referred(b"dimg", item))
    kind = items.types.get(wanted[0], b"") if wanted else b""
    if kind not in _CODECS:
        raise source.refusal(
            f"is a HEIF file whose picture is coded in a way that is not read here ({shown(kind.strip()) or 'none'})",
            _AGAIN,
        )
    return wanted


def _check_data(source: Source, items: boxes.Items, tiles: tuple[int, ...]) -> None:
    """Every coded item must have its data, and must not end in zeros; those of HEVC must be whole units."""
    source.check_tail()
    for item in tiles:
        parts = items.extents.get(item)
        if not parts:
            raise boxes.BadBoxes(f"item {item} has no data")
        source.check_coded_end(parts[-1][1])
    _check_units(source, items, [item for item in tiles if items.types.get(item) == b"hvc1"])


def _check_units(source: Source, items: boxes.Items, tiles: list[int]) -> None:
    """HEVC's decoder conceals what is missing, so the units are looked at here. A grid may use one tile in many places."""
    # where the units of a tile lie, and of how many bytes their lengths are
    found: dict[tuple[tuple[int, int], ...], int] = {}
    for item in tiles:
        setup = dict(items.properties_of(item)).get(b"hvcC", b"")
        if len(setup) < 22:
            raise boxes.BadBoxes(f"item {item} does not say how it is coded")
        found[tuple(items.extents[item])] = (setup[21] & 3) + 1
    if sum(end - start for parts in found for start, end in parts) > source.size:
        raise boxes.BadBoxes("its tiles lie upon each other")
    for parts, length_bytes in found.items():
        coded = b"".join(source.data[start:end] for start, end in parts)
        if not hevc.is_whole(coded, length_bytes=length_bytes):
            raise source.cut("a part of its picture data is missing or was overwritten")


def _size(source: Source, properties: dict[bytes, bytes]) -> tuple[int, int]:
    """Width and height as they will lie: `ispe` is before `irot` (ISO 23008-12, 6.5.3 and 6.5.10)."""
    place = properties.get(b"ispe", b"")
    if len(place) < 12:
        raise source.cut("its picture states no size")
    width, height = struct.unpack_from(">II", place, 4)
    quarter = properties.get(b"irot", b"\0")[:1]
    return (height, width) if quarter and quarter[0] & 1 else (width, height)


def _is_grey(*owners: dict[bytes, bytes]) -> bool:
    """Monochrome by `pixi` (one channel) or by the codec's own configuration (AV1-ISOBMFF 2.3.3; ISO 14496-15, 8.3.3.1)."""
    for properties in owners:
        if b"pixi" in properties and len(properties[b"pixi"]) > 4:
            return properties[b"pixi"][4] == 1
        if len(properties.get(b"av1C", b"")) > 2:
            return bool(properties[b"av1C"][2] & 0x10)
        if len(properties.get(b"hvcC", b"")) > 16:
            return properties[b"hvcC"][16] & 3 == 0
    return False


def _colour(source: Source, items: boxes.Items, tile: int) -> tuple[bytes | None, Stated | None]:
    """The profile, or else the code points (ISO 23008-12, 6.5.5); of the primary item, or else of its first tile."""
    stated = None
    for owner in (items.primary, tile):
        colours = [content for name, content in items.properties_of(owner) if name == b"colr"]
        for content in colours:
            if content[:4] in (b"prof", b"rICC"):
                return content[4:], None
        for content in colours:
            if content[:4] == b"nclx" and len(content) >= 10 and stated is None:
                primaries, transfer = struct.unpack_from(">HH", content, 4)
                stated = from_code_points(source, primaries, transfer)
    return None, stated


def _exif(source: Source, items: boxes.Items) -> bytes | None:
    """The EXIF item, after its own offset of four bytes (ISO 23008-12, A.2.1); only for its colour space."""
    for item, kind in items.types.items():
        if kind == b"Exif" and items.extents.get(item):
            start, end = items.extents[item][0]
            block = bytes(source.data[start:end])
            if len(block) > 4:
                return block[4 + int.from_bytes(block[:4], "big") :]
    return None


def _load_av1(source: Source, access: Access) -> pyvips.Image:
    pixels = vips_load("heifload", source.path, access)
    bits = int(pixels.get("bits-per-sample")) if pixels.get_typeof("bits-per-sample") else 8
    return sixteen(pixels, bits)


def _load_hevc(source: Source) -> pyvips.Image:
    """Decode into memory, which libheif does anyway, and map without a copy: rows may be padded to a stride."""
    import pillow_heif

    try:
        opened: Any = pillow_heif.open_heif(source.path, convert_hdr_to_8bit=False)
        picture = opened[opened.primary_index]
        data, mode, stride = picture.data, picture.mode, picture.stride
        width, height = picture.size
        bits = int(picture.info.get("bit_depth", 8))
    except (OSError, ValueError, EOFError, RuntimeError, SyntaxError, IndexError) as fault:
        if is_machines(fault):
            raise
        raise Refusal(f"{source.name} could not be decoded ({in_short(fault)}). {_AGAIN}.") from None
    bands = {"L": 1, "I": 1, "LA": 2, "RGB": 3, "RGBA": 4, "RGBa": 4}[mode.split(";")[0]]
    bytes_each = 2 if mode.endswith("16") else 1
    padded = stride // (bands * bytes_each)
    pixels = pyvips.Image.new_from_memory(
        data, padded, height, bands, "ushort" if bytes_each == 2 else "uchar"
    )
    return sixteen(pixels.crop(0, 0, width, height), bits)
