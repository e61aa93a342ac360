"""The demo's portfolio "Shoreline": which pictures there are, and how each invented scene becomes a file.

Scenes are linear light (`drydown.demo.scenes`); here they are developed, encoded in a profile and written. Two files
are no pictures that can be printed: they show what a refusal looks like.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from drydown.demo.scenes import (
    dunes,
    evening_tide,
    marram,
    moonrise,
    morning_mist,
    old_groyne,
    pebbles,
    scallop,
    surf_from_above,
)
from drydown.demo.scenes.files import PsdLayer, write_psd16, write_tiff16
from drydown.demo.scenes.light import Light, Look, develop, srgb_encode
from drydown.demo.scenes.noise import random_for
from drydown.demo.scenes.primaries import bt2020_to_romm, romm_encode
from drydown.imaging.working import grey_srgb, srgb, wide_gamut

SEED = 7
PPI = 300
"""What the files say of themselves; the recipe decides what is printed."""

_AT_A_TIME = 2
_ORIENTATION = 0x0112


@dataclass(frozen=True)
class DemoPicture:
    """One file of the demo: where it is dropped, what becomes of it, and why it is there."""

    name: str
    hot_folder: Literal["final", "small"]
    expect: Literal["completed", "refused"]
    about: str


PICTURES: tuple[DemoPicture, ...] = (
    DemoPicture(
        "01-evening-tide.tif", "final", "completed", "16-bit TIFF in ROMM RGB, colours no screen shows"
    ),
    DemoPicture("02-dune-crest.jpg", "final", "completed", "portrait, 8-bit JPEG in sRGB, warm neutrals"),
    DemoPicture("03-pebbles.jpg", "small", "completed", "JPEG without a profile, fine texture"),
    DemoPicture("04-morning-mist.png", "final", "completed", "16-bit grey PNG with a grey profile"),
    DemoPicture("05-moonrise.psd", "small", "completed", "16-bit PSD of three layers, deep shadows"),
    DemoPicture("06-marram.jpg", "small", "completed", "JPEG stored on its side, EXIF orientation 6"),
    DemoPicture("07-scallop.png", "small", "completed", "PNG that fades into transparency, skin-like tones"),
    DemoPicture(
        "08-surf-from-above.tif", "small", "completed", "8-bit TIFF, bright foam and clear blue-greens"
    ),
    DemoPicture("09-old-groyne.jpg", "small", "completed", "nearly grey, one long smooth gradient"),
    DemoPicture(
        "10-copy-broke-off.jpg", "final", "refused", "a JPEG of which the last two fifths are missing"
    ),
    DemoPicture("11-shot-list.jpg", "small", "refused", "a list in plain text that someone named .jpg"),
)


def make_pictures(
    into: Path,
    *,
    scale: float = 1.0,
    only: Collection[str] | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[Path]:
    """Compute the pictures (those named in `only`) and write them to the folder `into`, which is made if it is missing.

    `scale` is the part of the full width and height, above 0; the scenes keep their look. `progress` is called in the
    caller's thread with each finished name. Returns the files in the order of `PICTURES`. Raises ValueError on a name
    that is not there and on a scale that is not above 0.
    """
    names = [picture.name for picture in PICTURES]
    unknown = sorted(set(only or ()) - set(names))
    if unknown:
        raise ValueError(f"no demo picture is called {', '.join(unknown)}; there are {', '.join(names)}")
    if not scale > 0:
        raise ValueError(f"scale is {scale}; it must be above 0")
    chosen = names if only is None else [name for name in names if name in only]
    into.mkdir(parents=True, exist_ok=True)
    with ThreadPoolExecutor(_AT_A_TIME) as pool:
        waiting = {pool.submit(_MAKERS[name], into / name, scale): name for name in chosen}
        for done in as_completed(waiting):
            done.result()
            if progress is not None:
                progress(waiting[done])
    return [into / name for name in chosen]


def _size(width: int, height: int, scale: float) -> tuple[int, int]:
    return max(32, round(width * scale)), max(32, round(height * scale))


def _shown(light: Light, look: Look, name: str) -> NDArray[np.uint8]:
    """Developed to 8-bit sRGB."""
    codes = develop(light, look, srgb_encode, bits=8, rng=random_for(SEED, f"grain of {name}"))
    return codes.astype(np.uint8, copy=False)


def _fine(light: Light, look: Look, name: str) -> NDArray[np.uint16]:
    """Developed to 16 bits on sRGB's curve."""
    codes = develop(light, look, srgb_encode, bits=16, rng=random_for(SEED, f"grain of {name}"))
    return codes.astype(np.uint16, copy=False)


def _save_jpeg(
    path: Path, pixels: NDArray[np.uint8], icc: bytes | None, orientation: int | None = None
) -> None:
    more = {}
    if orientation is not None:  # else no block at all: Pillow's empty one is damaged
        more["exif"] = Image.Exif()
        more["exif"][_ORIENTATION] = orientation
    image = Image.fromarray(pixels)
    image.save(path, "JPEG", quality=94, subsampling=0, icc_profile=icc, dpi=(PPI, PPI), **more)


def _evening_tide(path: Path, scale: float) -> None:
    light = evening_tide.render(*_size(3600, 2400, scale), SEED)
    rng = random_for(SEED, "grain of evening tide")
    codes = develop(light, evening_tide.LOOK, romm_encode, bits=16, rng=rng, matrix=bt2020_to_romm())
    write_tiff16(path, codes.astype(np.uint16, copy=False), wide_gamut(), PPI)


def _dune_crest(path: Path, scale: float) -> None:
    _save_jpeg(path, _shown(dunes.render(*_size(2400, 3600, scale), SEED), dunes.LOOK, "dunes"), srgb())


def _pebbles(path: Path, scale: float) -> None:
    _save_jpeg(path, _shown(pebbles.render(*_size(3200, 2400, scale), SEED), pebbles.LOOK, "pebbles"), None)


def _morning_mist(path: Path, scale: float) -> None:
    codes = _fine(morning_mist.render(*_size(3600, 2400, scale), SEED), morning_mist.LOOK, "mist")[..., 0]
    Image.fromarray(codes).save(path, "PNG", icc_profile=grey_srgb(), dpi=(PPI, PPI), compress_level=1)


def _moonrise(path: Path, scale: float) -> None:
    layers = []
    for n, layer in enumerate(moonrise.layers(*_size(2000, 2668, scale), SEED)):
        look = moonrise.LOOK if n == 0 else moonrise.UPPER_LOOK
        alpha = None if layer.cover is None else (layer.cover * 65535 + 0.5).astype(np.uint16)
        layers.append(PsdLayer(layer.name, _fine(layer.light, look, layer.name), alpha))
    write_psd16(path, layers, srgb(), PPI)


def _marram(path: Path, scale: float) -> None:
    upright = _shown(marram.render(*_size(2250, 3000, scale), SEED), marram.LOOK, "marram")
    # Orientation 6: a reader turns what is stored by a quarter clockwise, so it is stored turned the other way.
    _save_jpeg(path, np.ascontiguousarray(np.rot90(upright)), srgb(), orientation=6)


def _scallop(path: Path, scale: float) -> None:
    size = _size(3000, 2400, scale)
    codes = _shown(scallop.render(*size, SEED), scallop.LOOK, "scallop")
    alpha = (scallop.fading(*size, SEED) * 255 + 0.5).astype(np.uint8)
    image = Image.fromarray(np.dstack([codes, alpha]))
    image.save(path, "PNG", icc_profile=srgb(), dpi=(PPI, PPI), compress_level=1)


def _surf(path: Path, scale: float) -> None:
    codes = _shown(surf_from_above.render(*_size(2400, 3200, scale), SEED), surf_from_above.LOOK, "surf")
    Image.fromarray(codes).save(path, "TIFF", icc_profile=srgb(), dpi=(PPI, PPI))


def _old_groyne(path: Path, scale: float) -> None:
    light = old_groyne.render(*_size(3300, 2200, scale), SEED)
    _save_jpeg(path, _shown(light, old_groyne.LOOK, "groyne"), srgb())


def _broken_off(path: Path, scale: float) -> None:
    light = dunes.render(*_size(1200, 1800, scale), SEED + 1)
    whole = io.BytesIO()
    image = Image.fromarray(_shown(light, dunes.LOOK, "broken off"))
    image.save(whole, "JPEG", quality=94, icc_profile=srgb(), dpi=(PPI, PPI))
    data = whole.getvalue()
    scan = data.rfind(b"\xff\xda")  # the head stays whole, or a small copy would be cut within its profile
    path.write_bytes(data[: scan + (len(data) - scan) * 6 // 10])


def _shot_list(path: Path, scale: float) -> None:
    del scale
    path.write_text(
        "Shoreline, what is still to be done\n\n"
        "- the slipway at low water, before six\n"
        "- marram again, with more wind\n"
        "- ask at the harbour about the light\n",
        encoding="utf-8",
    )


_MAKERS: dict[str, Callable[[Path, float], None]] = {
    "01-evening-tide.tif": _evening_tide,
    "02-dune-crest.jpg": _dune_crest,
    "03-pebbles.jpg": _pebbles,
    "04-morning-mist.png": _morning_mist,
    "05-moonrise.psd": _moonrise,
    "06-marram.jpg": _marram,
    "07-scallop.png": _scallop,
    "08-surf-from-above.tif": _surf,
    "09-old-groyne.jpg": _old_groyne,
    "10-copy-broke-off.jpg": _broken_off,
    "11-shot-list.jpg": _shot_list,
}
