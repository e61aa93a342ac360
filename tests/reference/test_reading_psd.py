"""Thirty-one PSD files from pytoshop's source archive: 8, 16 and 32 bits, groups, masks, effects, text, hidden layers.

The oracle is the flattened picture that each file stores, unpacked by psd-tools. What psd-tools *composes* is another matter and is not used.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import psd_tools
import pytest
from fetch import pypi_source
from reading import opened, refused

#: What is not read, and why.
REFUSED = {"note.psd": "holds no flattened picture, and its layer “Shape 1” is of the kind “shape”"}


def files() -> list[Path]:
    found = sorted((pypi_source("pytoshop") / "tests/psd_files").glob("*.psd"))
    assert len(found) == 31
    return found


def stored(path: Path) -> np.ndarray:
    """The flattened picture's planes as stored, (height, width, channels), scaled to 0..65535."""
    document = psd_tools.PSDImage.open(path)
    header = document._record.header
    planes = document._record.image_data.get_data(header)
    dtype, full = {8: (">u1", 255), 16: (">u2", 65535), 32: (">f4", 1.0)}[header.depth]
    arrays = [np.frombuffer(plane, dtype).reshape(header.height, header.width) for plane in planes]
    return np.stack(arrays, axis=-1).astype(float) * (65535 / full)


def test_every_file_opens_as_it_is_stored_or_is_refused_with_its_reason(tmp_path: Path) -> None:
    depths = set()
    for path in files():
        if path.name in REFUSED:
            assert REFUSED[path.name] in refused(path, tmp_path)
            continue
        picture, seen = opened(path, tmp_path)
        wanted = stored(path)
        colours = 3 if picture.facts["colour"] == "rgb" else 1
        if picture.facts["alpha"]:
            share = seen[:, :, colours:] / 65535
            np.testing.assert_allclose(seen[:, :, colours], wanted[:, :, colours], atol=0.51)
            laid = seen[:, :, :colours] * share + 65535 * (1 - share)  # over white, as it is stored
            assert np.abs(laid - wanted[:, :, :colours]).max() <= 1.0, path.name
        else:
            assert np.abs(seen - wanted[:, :, :colours]).max() <= 0.51, path.name
        depths.add(picture.facts["bits"])
    assert depths == {8, 16, 32}


def test_transparency_is_found_where_the_writer_meant_it(tmp_path: Path) -> None:
    clear = {
        path.name for path in files() if path.name not in REFUSED and opened(path, tmp_path)[0].facts["alpha"]
    }
    assert clear == {
        "broken-groups.psd",
        "gray0.psd",
        "metadata.psd",
        "transparentbg-gimp.psd",
        "transparentbg.psd",
    }


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("combined_larger_than_size.psd", "beyond its 285 bytes"),
        ("psd-large-bytecounts.psd", "4294967295 pixels, more than the format has"),
        ("timeout-1ee28a249896e05b83840ae8140622de8e648ba9.psd", "compressed in an unusual way"),
        ("timeout-c8efc3fded6426986ba867a399791bae544f59bc.psd", "cut off"),
    ],
)
def test_files_that_were_made_to_break_readers_are_refused(name: str, words: str, tmp_path: Path) -> None:
    assert words in refused(pypi_source("pillow") / "Tests/images" / name, tmp_path)
