"""Which versions of the libraries that work out the pixels are at work here."""

from __future__ import annotations

from importlib.metadata import version

import pyvips
from PIL import features


def libraries() -> list[str]:
    """Name and version of each, a line a family. The LittleCMS inside libvips has no way to tell its own."""
    libvips = ".".join(str(pyvips.version(part)) for part in range(3))
    cms, faces = features.version("littlecms2"), features.version("freetype2")
    return [
        f"libvips {libvips}, pyvips {version('pyvips')}",
        f"LittleCMS {cms} and FreeType {faces} of Pillow {version('pillow')}",
        f"NumPy {version('numpy')}, SciPy {version('scipy')}",
    ]
