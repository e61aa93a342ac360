"""A small studio on the demonstration's paper, and the real program run on it."""

from __future__ import annotations

import functools
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pyvips

from drydown.demo.paper import pearl_profile
from drydown.demo.scenario import lay_out
from drydown.imaging.working import srgb
from tests.e2e.warm import warm
from tests.small_studio import DAEMON, HOT_FOLDERS, TO_PAPER, recipe, steps

STUDIO = HOT_FOLDERS + DAEMON + "deadline_s = 60\n"
#: Without pages, which take as long as a small sheet: for tests that look at none. Further text of the last table may follow.
PAGELESS = f"[pages]\nmake = false\n{STUDIO}"

STOCK = """
profile = "profiles/pearl.icc"
ppi = 100
sheets = ["letter", "4x6"]
unprintable_mm = { top = 3, right = 3, bottom = 3, left = 3 }
dry_minutes = 30
[ticket]
media_type = "photographic-satin"
quality = "high"
"""

RECIPE = recipe(*TO_PAPER, "tone-lift") + "lift_L = 3.0\n" + steps("balance", "sharpen")


@functools.cache
def paper() -> bytes:
    """The demonstration's profile, computed once."""
    return pearl_profile()


def make_studio(root: Path, files: Mapping[str, str] | None = None) -> Path:
    """A studio in `root` that makes no pages; `files` replaces or adds files by their path."""
    lay_out(root, paper())
    for name in ("stocks", "recipes"):
        for file in (root / name).iterdir():
            file.unlink()
    written = {"studio.toml": PAGELESS, "stocks/pearl.toml": STOCK, "recipes/small.toml": RECIPE} | dict(
        files or {}
    )
    for name, text in written.items():
        (root / name).write_text(text, encoding="utf-8")
    return root


def picture(
    path: Path, *, seed: int = 1, width: int = 600, height: int = 400, icc: bytes | None = None
) -> Path:
    """A small picture with gradients and texture; JPEG or TIFF or PNG by its name."""
    path.write_bytes(_drawn(path.suffix, seed, width, height, srgb() if icc is None else icc))
    return path


@functools.lru_cache(maxsize=32)
def _drawn(suffix: str, seed: int, width: int, height: int, icc: bytes) -> bytes:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width]
    base = np.stack([x / width, y / height, 0.5 + 0.3 * np.sin((x + y) / 40)], axis=2)
    array = np.clip(base * 200 + 20 + rng.normal(0, 3, base.shape), 0, 255).astype(np.uint8)
    image = pyvips.Image.new_from_array(array).copy(interpretation="srgb").copy()
    if icc:
        image.set_type(pyvips.GValue.blob_type, "icc-profile-data", icc)
    return bytes(image.write_to_buffer(suffix))


def drydown(
    root: Path, *args: str, timeout_s: float = 120, fresh: bool = False
) -> subprocess.CompletedProcess[str]:
    """The command line, as a person runs it; `fresh`: in a new interpreter that has imported nothing yet, at a second's cost."""
    command = ["--studio", str(root), *args]
    if not fresh:
        return warm().run(command, timeout_s=timeout_s)
    command = [sys.executable, "-m", "drydown", *command]
    return subprocess.run(command, capture_output=True, text=True, timeout=timeout_s)
