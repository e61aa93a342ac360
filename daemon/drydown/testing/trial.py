"""One step on one picture, as its author wants to see it: before, after and difference, how long it takes, how much memory, by how much it changes what."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyvips

from drydown.api import Frame, Note
from drydown.imaging.convert import to_srgb
from drydown.imaging.icc_exact import device_to_lab
from drydown.imaging.pcs import Floats
from drydown.testing.memory import Watch

LONG_EDGE_PX: Final = 1000
DETAIL_PX: Final = 480  #: side of each half of the detail, at 100 %
GAIN: Final = 4  #: how much the difference is spread about mid-grey
_SAMPLES: Final = 5_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """What came of it. Seconds and memory are the step's own: with it, less without it."""

    before: Frame
    after: Frame
    seconds: float
    processor_s: float  #: of all cores together; on a busy machine this tells about the step, and `seconds` about the machine
    memory_mb: float
    mean_dE: (
        float | None
    )  #: CIEDE2000 between before and after, from the reduced pictures; None where their sizes differ
    worst_dE: float | None  #: its 99th percentile
    files: tuple[Path, ...]
    notes: tuple[Note, ...]


def trial(before: Frame, step: Callable[[Frame], Frame], into: Path, name: str) -> Trial:
    """Run `step` and write `NAME.before.png`, `.after.png`, `.difference.png` and `.detail.png` into a folder that is there.

    Time is taken by evaluating with the step and without it, because calling one evaluates nothing: so `before` lies in memory (`in_memory`), or its
    decoder is timed along. Raises what the step raises.
    """
    clocks = (time.perf_counter, time.process_time)
    first = [clock() for clock in clocks]
    small = _small(before)
    second = [clock() for clock in clocks]
    with Watch() as watch:
        after = step(before)
        made = _small(after)
    third = [clock() for clock in clocks]
    seconds, processor_s = (max(c - b - (b - a), 0.0) for a, b, c in zip(first, second, third, strict=True))
    same_size = (small.width, small.height) == (made.width, made.height)
    with ThreadPoolExecutor() as pool:  # to convert or to compress a picture takes one core
        (old, old_piece), (new, new_piece) = pool.map(_seen, (small, made), (before, after))
        pictures = {"before": old, "after": new, "detail": _side_by_side(old_piece, new_piece)}
        if same_size:
            pictures["difference"] = (128 + GAIN * (new.cast("float") - old)).cast("uchar")
        files = tuple(into / f"{name}.{what}.png" for what in pictures)
        saving = pool.map(_save, pictures.values(), files)
        mean_dE, worst_dE = _apart(small, made) if same_size else (None, None)
        list(saving)  # raises what saving raised
    return Trial(
        before=before,
        after=after,
        seconds=seconds,
        processor_s=processor_s,
        memory_mb=watch.peak_mb,
        mean_dE=mean_dE,
        worst_dE=worst_dE,
        files=files,
        notes=after.notes[len(before.notes) :],
    )


def in_memory(frame: Frame) -> Frame:
    """The frame with its pixels worked out, once."""
    return frame.with_(pixels=frame.pixels.copy_memory())


def _small(frame: Frame) -> Frame:
    """Evaluated whole, reduced by a whole number."""
    times = max(1, round(max(frame.width, frame.height) / LONG_EDGE_PX))
    pixels = frame.pixels.shrink(times, times) if times > 1 else frame.pixels
    return frame.with_(pixels=pixels.copy_memory())


def _shown(frame: Frame) -> pyvips.Image:
    """8 bits in sRGB; a picture without profile as if it were."""
    pixels = frame.pixels.flatten(background=[65535]) if frame.pixels.hasalpha() else frame.pixels
    if frame.icc is None:
        return (pixels / 257).cast("uchar")
    return to_srgb(pixels, frame.icc, intent="relative", black_point_compensation=True)


def _save(picture: pyvips.Image, file: Path) -> None:
    picture.copy(interpretation="srgb" if picture.bands > 1 else "b-w").pngsave(str(file), compression=1)


def _seen(small: Frame, whole: Frame) -> tuple[pyvips.Image, pyvips.Image]:
    """The reduced picture and the middle of the whole one at 100 %, for the eye: by one transform, because to make one takes longer than it works."""
    width, height = min(DETAIL_PX, whole.width), min(DETAIL_PX, whole.height)
    piece = whole.pixels.crop((whole.width - width) // 2, (whole.height - height) // 2, width, height)
    both = small.pixels.join(piece.copy_memory(), "vertical", expand=True)
    shown = _shown(small.with_(pixels=both)).copy_memory()
    return shown.crop(0, 0, small.width, small.height), shown.crop(0, small.height, width, height)


def _side_by_side(*halves: pyvips.Image) -> pyvips.Image:
    bands = max(half.bands for half in halves)
    return pyvips.Image.arrayjoin(
        [half if half.bands == bands else half.colourspace("srgb") for half in halves], shim=8
    )


def _apart(before: Frame, after: Frame) -> tuple[float | None, float | None]:
    """Mean and 99th percentile of CIEDE2000 over a sample; None where colours are not known."""
    Lab = [_lab(frame) for frame in (before, after)]
    if Lab[0] is None or Lab[1] is None:
        return None, None
    from drydown.imaging.difference import ciede2000

    apart = np.sort(ciede2000(Lab[0], Lab[1]))
    # the nearest of the sample; np.percentile loads masked arrays, which takes longer than all the rest of this
    return float(apart.mean()), float(apart[round(0.99 * (len(apart) - 1))])


def _lab(frame: Frame) -> Floats | None:
    if frame.icc is None or frame.pixels.hasalpha():
        return None
    pixels = frame.pixels
    codes: np.ndarray[Any, Any] = np.ndarray(
        (pixels.height * pixels.width, pixels.bands), np.uint16, pixels.write_to_memory()
    )
    few = codes[np.linspace(0, len(codes) - 1, min(_SAMPLES, len(codes))).astype(int)]
    return device_to_lab(frame.icc, few / 65535)
