"""From a checked TIFF page to lazy pixels: which way libtiff is asked, and what libvips must not do by itself.

Plain kinds are read from the file as it is. The rare ones go through a copy in the scratch folder with a few bytes replaced, or with
directories added: signed CIELab, premultiplied alpha, planes in tiles, grey with extra planes.
"""

from __future__ import annotations

import struct
import tempfile
from collections.abc import Mapping
from pathlib import Path

import pyvips

from drydown.imaging.guard import ALLOWED, collected_warnings
from drydown.imaging.reading import tiff_page as tiff
from drydown.imaging.reading.float import float_to_sixteen
from drydown.imaging.reading.found import CHANNELS, Access, Colour, Source, copy_bytes
from drydown.imaging.reading.lab import lab_to_rgb
from drydown.imaging.reading.loaded import sixteen, unmultiplied, vips_load, with_alpha
from drydown.imaging.reading.tiff_make import LONG, LONG8, SHORT, Entry, directory_bytes, entry, header_bytes
from drydown.imaging.reading.tiff_page import Page, Tag


def load_page(
    source: Source, page: Page, number: int, colour: Colour, alpha: int | None, access: Access
) -> pyvips.Image:
    """16-bit colours and alpha of page `number`. `alpha`: the band that is transparency."""
    colours = CHANNELS[colour]
    lab = page.photometry in (tiff.CIE_LAB, tiff.ICC_LAB)
    associated = alpha is not None and page.extra[alpha - colours] == tiff.ASSOCIATED
    planes = page.samples if page.split else 0
    path = _path(source, page, associated)

    def opened(way: Access) -> pyvips.Image:
        if planes:
            first, *others = [_strictly(path, way, plane) for plane in range(planes)]
            return first.bandjoin(others) if others else first
        return _strictly(path, way, number)

    stored = float_to_sixteen(source, opened, access) if page.sample_format == tiff.FLOAT else opened(access)
    if planes and page.photometry == tiff.WHITE_IS_ZERO:
        stored = stored[0].invert().bandjoin(stored[1:])
    plane = None if alpha is None else sixteen(stored[alpha], 16)
    if lab:
        return with_alpha(
            lab_to_rgb(stored[0:3], "CIELab" if page.photometry == tiff.CIE_LAB else "ICCLab"), plane
        )
    whole = with_alpha(sixteen(stored[0:colours] if stored.bands > colours else stored, 16), plane)
    return unmultiplied(whole, (0.0,) * colours) if associated else whole


def _strictly(path: Path, access: Access, page: int) -> pyvips.Image:
    """Open so that warnings fail, unless the file's directory itself is warned about without harm.

    libvips fails a read for any remark of libtiff's, a page number of the wrong length too. Where all remarks on opening are on the list, the pixels
    are read with errors failing; warnings still reach the log, where the guard hears them.
    """
    # libtiff's own limit (50 MB for a strip or a tag) is met by any layered picture, and by one packed as a single strip
    with collected_warnings() as said:
        pixels = vips_load("tiffload", path, access, page=page, unlimited=True)
    harmless = [any(pattern.search(text) for pattern in ALLOWED) for text in said]
    if said and all(harmless):
        return vips_load("tiffload", path, access, page=page, unlimited=True, fail_on="error")
    return pixels


def _path(source: Source, page: Page, associated: bool) -> Path:
    """The file itself, or a copy in which libvips finds the page as it is stored."""
    if page.split:
        return _one_page_a_plane(source, page)
    patches: dict[int, bytes] = {}
    if page.apart and page.samples == 1:
        # one plane is as good as chunky, and libvips makes white of all of it at 1 bit
        patches |= _patch(page, Tag.PLANAR, 0, tiff.CHUNKY)
    if page.photometry == tiff.CIE_LAB:
        # libvips refuses 8-bit CIELab and halves the lightness of 16-bit; ICCLab it hands over as stored
        patches |= _patch(page, Tag.PHOTOMETRY, 0, tiff.ICC_LAB)
    if associated:
        # its own division rounds down, and takes the wrong band where there are more than one
        for index in range(len(page.extra)):
            patches |= _patch(page, Tag.EXTRA_SAMPLES, index, tiff.UNSPECIFIED)
    return _patched(source, patches) if patches else source.path


def _patch(page: Page, tag: int, index: int, value: int) -> dict[int, bytes]:
    """Bytes to be put in place of one number of a BYTE, SHORT or LONG tag."""
    field = page.directory.tags[tag]
    each = field.bytes // field.count
    code = {1: "B", 2: "H", 4: "I"}[each]
    return {field.place + index * each: struct.pack(page.directory.order + code, value)}


def _patched(source: Source, patches: Mapping[int, bytes]) -> Path:
    with tempfile.NamedTemporaryFile(dir=source.scratch, suffix=".tif", delete=False) as copy:
        copy_bytes(source, copy)
        for place, content in patches.items():
            copy.seek(place)
            copy.write(content)
    return Path(copy.name)


def _one_page_a_plane(source: Source, page: Page) -> Path:
    """Each plane gets a directory of its own, behind a copy of the file."""
    order, big = page.directory.order, page.directory.big
    with tempfile.NamedTemporaryFile(dir=source.scratch, suffix=".tif", delete=False) as copy:
        copy_bytes(source, copy)
        copy.write(bytes(copy.tell() % 2))  # directories begin at even places (TIFF 6.0, p. 13)
        first = place = copy.tell()
        for plane in range(page.samples):
            entries = _plane_entries(page, plane)
            size = len(directory_bytes(entries, order=order, big=big, place=place, following=0))
            size += size % 2
            following = 0 if plane == page.samples - 1 else place + size
            copy.write(
                directory_bytes(entries, order=order, big=big, place=place, following=following).ljust(
                    size, b"\0"
                )
            )
            place += size
        copy.seek(0)
        copy.write(header_bytes(order=order, big=big, first=first))
    return Path(copy.name)


def _plane_entries(page: Page, plane: int) -> list[Entry]:
    """The page's directory for one of its planes, as grey."""
    count = page.parts // page.samples
    part = slice(plane * count, (plane + 1) * count)
    places = LONG8 if page.directory.big else LONG
    entries = [
        entry(Tag.WIDTH, LONG, page.width),
        entry(Tag.LENGTH, LONG, page.height),
        entry(Tag.BITS, SHORT, page.bits),
        entry(Tag.COMPRESSION, SHORT, page.compression),
        entry(Tag.PHOTOMETRY, SHORT, tiff.BLACK_IS_ZERO),
        entry(Tag.SAMPLES, SHORT, 1),
        entry(Tag.SAMPLE_FORMAT, SHORT, page.sample_format),
        (int(Tag.TILE_OFFSETS if page.tiled else Tag.STRIP_OFFSETS), places, page.offsets[part]),
        (int(Tag.TILE_BYTES if page.tiled else Tag.STRIP_BYTES), places, page.counts[part]),
    ]
    if page.tiled:
        entries += [entry(Tag.TILE_WIDTH, LONG, page.part[0]), entry(Tag.TILE_LENGTH, LONG, page.part[1])]
    else:
        entries.append(entry(Tag.ROWS_PER_STRIP, LONG, page.part[1]))
    if page.predictor != 1:
        entries.append(entry(Tag.PREDICTOR, SHORT, page.predictor))
    return entries
