"""HEIC by other hands: the pictures in the source archive of pillow-heif, of cameras, telephones and several encoders."""

from __future__ import annotations

from pathlib import Path

import pillow_heif
import pytest
from fetch import pypi_source
from reading import opened

from drydown.errors import Refusal
from drydown.imaging.reading.boxes import items

LARGEST = 800_000  #: bytes of a file: what is above takes seconds and shows nothing more


def pictures(*folders: str) -> list[Path]:
    """The files of these folders of the archive."""
    home = pypi_source("pillow-heif") / "tests/images"
    found = [path for folder in folders for path in sorted((home / folder).glob("*.h*"))]
    return [path for path in found if path.stat().st_size < LARGEST]


def test_every_whole_one_opens_in_its_size(tmp_path: Path) -> None:
    """Also as proof that real encoders keep what is asked of the units of HEVC: that none holds three bytes that look like the start of another."""
    found = pictures("heif", "heif_other", "heif_special")
    assert len(found) > 30
    for path in found:
        told = pillow_heif.open_heif(path)
        picture, seen = opened(path, tmp_path)
        assert seen.shape[:2] == told.size[::-1], path.name
        assert picture.facts["format"] == "HEIC"


def test_damaged_ones_are_refused(tmp_path: Path) -> None:
    found = pictures("heif_corrupted", "heif_truncated")
    assert found
    for path in found:
        with pytest.raises(Refusal):
            opened(path, tmp_path)


def test_depths_of_one_picture_agree(tmp_path: Path) -> None:
    """The same ramp in 8, 10 and 12 bits, grey and in colours: white is white, black is black, the middle in the middle."""
    for path in pictures("heif"):
        if path.name.startswith("L_") and "__128x128" in path.name:
            _, seen = opened(path, tmp_path)
            assert seen.shape[2] == 1
            assert (seen.min(), seen.max()) == (0, 65535), path.name
            assert seen.mean() == pytest.approx(32768, rel=0.005), path.name


def test_a_sector_of_zeros_is_told_in_whichever_tile_it_lies(tmp_path: Path) -> None:
    path = max(pictures("heif_other"), key=lambda path: path.stat().st_size)
    data = path.read_bytes()
    found = items(data)
    places = [found.extents[tile][0] for tile in found.referred(b"dimg", found.primary)]
    damaged = tmp_path / "a.heic"
    places = [(start, end) for start, end in places if end - start > 2048]
    assert len(places) > 20
    for start, end in places[::8]:
        middle = (start + end) // 2
        damaged.write_bytes(data[:middle] + bytes(512) + data[middle + 512 :])
        with pytest.raises(Refusal, match="damaged or not whole"):
            opened(damaged, tmp_path)
