"""What a paper cannot hold of a picture: how far each colour that was wished for lies from the one that will print.

Wished for is the picture's own Lab, media-relative, with its black brought to the paper's where the conversion does that. Printed is Lab-from-device of
the device values as the conversion leaves them: lift, balance and sharpening come after and are wishes, not loss. Worked out exactly (`icc_exact`)
on a sample of pixels, which is stated with the figures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt
import pyvips

from drydown.api import Intent
from drydown.imaging.black_point import black_L, compensated
from drydown.imaging.convert import INTENT_NAMES, compensation, convert, intent_used
from drydown.imaging.difference import ciede2000
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.pcs import Floats

THRESHOLDS: Final = (
    1.0,
    3.0,
    6.0,
)  #: ΔE00 that shares are told for: just seen, seen, plain (common practice, no source)
SAMPLE_PX: Final = (
    25_000  #: pixels looked at: a share of 5 % is then known to about 0.15 % (one standard error)
)
RECOMMEND_SHARE: Final = 5.0  #: per cent of the picture beyond ΔE00 3 from which perceptual is worth a look
_TABLES_DIFFER: Final = 1.0  #: ΔE00, 95th percentile, from which two intents count as different
_OWN_COLOURS: Final = 3_000
_RANGE: Final = (
    0.5,
    99.5,
)  #: percentiles that stand for a picture's darkest and lightest: single pixels do not count
Colours = npt.NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Share:
    """One part of the loss in units of CIELAB: mean with its sign (printed less wished; None for hue), mean and 95th percentile of its size."""

    shift: float | None
    mean: float
    p95: float


@dataclass(frozen=True, slots=True)
class Loss:
    """The loss of one picture by one intent. Differences are ΔE00; `beyond` is per cent of the pixels by threshold."""

    intent: Intent
    compensated: bool
    beyond: Mapping[float, float]
    mean: float
    p95: float
    lightness: Share
    chroma: Share
    hue: Share
    range_before: tuple[float, float]  #: L* wished for, darkest and lightest
    range_after: tuple[float, float]  #: L* printed


@dataclass(frozen=True, slots=True, eq=False)
class LossMap:
    """ΔE00 (height, width) of the job's own conversion, its figures and those of the other intents, and the profile's own round-trip error."""

    dE00: Floats
    used: Loss
    others: tuple[Loss, ...]
    own_mean: float
    own_p95: float
    tables_differ: bool
    wished_L: Floats  #: (N,) L* of the sample as wished for

    @property
    def sampled(self) -> int:
        """Pixels looked at."""
        return len(self.wished_L)

    @property
    def by_intent(self) -> tuple[Loss, ...]:
        """The job's own first."""
        return (self.used, *self.others)


def loss_map(
    source: pyvips.Image,
    source_icc: bytes,
    printed: pyvips.Image,
    icc: bytes,
    *,
    intent: Intent,
    black_point_compensation: bool,
    sample_px: int = SAMPLE_PX,
) -> LossMap:
    """The loss between a picture just before its conversion and just after (16 bits, the same size, no alpha).

    `intent`, `black_point_compensation`: as the conversion was asked for. "absolute" compares ICC-absolute. Raises ValueError where a profile has no way
    to Lab or the sizes differ, Refusal where a profile does not fit the channels.
    """
    if (source.width, source.height) != (printed.width, printed.height):
        raise ValueError(
            f"{source.width} x {source.height} pixels were converted to {printed.width} x {printed.height}"
        )
    wished_values, shape = _sample(source, sample_px)
    device, _ = _sample(printed, sample_px)
    lookup = _Lookup(source_icc, icc, device_to_lab(source_icc, wished_values / 65535), intent == "absolute")
    used = intent_used(icc, intent)
    done, _ = compensation(icc, used, black_point_compensation)
    mine, dE00, wished, Lab = lookup.loss(used, done, device / 65535)
    others, differ = [], False
    small = pyvips.Image.new_from_memory(wished_values.tobytes(), shape[1], shape[0], source.bands, "ushort")
    for other in ("perceptual", "relative"):
        if other == used or intent_used(icc, other) != other or intent == "absolute":
            continue
        done, _ = compensation(icc, other, black_point_compensation)
        made = convert(small, source_icc, icc, intent=other, black_point_compensation=done)
        loss, _, _, Lab_other = lookup.loss(other, done, _values(made) / 65535)
        others.append(loss)
        differ |= bool(np.percentile(ciede2000(Lab, Lab_other), 95) > _TABLES_DIFFER)
    own_mean, own_p95 = own_error(icc)
    return LossMap(dE00.reshape(shape), mine, tuple(others), own_mean, own_p95, differ, wished[:, 0])


@dataclass(frozen=True, slots=True, eq=False)
class _Lookup:
    """One picture against one paper."""

    source_icc: bytes
    icc: bytes
    source_Lab: Floats
    absolute: bool

    def loss(self, intent: Intent, done: bool, device: Floats) -> tuple[Loss, Floats, Floats, Floats]:
        """The figures, ΔE00 by pixel, and Lab wished for and printed."""
        wished = self.source_Lab
        if done:
            wished = compensated(wished, from_L=black_L(self.source_icc), to_L=black_L(self.icc))
        printed = device_to_lab(self.icc, device, intent="absolute" if self.absolute else "relative")
        dE00 = ciede2000(wished, printed)
        return figures(wished, printed, dE00, intent=intent, compensated=done), dE00, wished, printed


def figures(wished: Floats, printed: Floats, dE00: Floats, *, intent: Intent, compensated: bool) -> Loss:
    """The figures of CIELAB (N, 3) wished for and printed, and their ΔE00 (N,)."""
    dL = printed[:, 0] - wished[:, 0]
    C_wished, C_printed = (np.hypot(Lab[:, 1], Lab[:, 2]) for Lab in (wished, printed))
    dC = C_printed - C_wished
    # CIE 15:2004, 8.2.2.2: what of the a*b* distance is not chroma is hue
    dab2 = ((printed[:, 1:] - wished[:, 1:]) ** 2).sum(axis=1)
    dH = np.sqrt(np.maximum(dab2 - dC**2, 0))
    return Loss(
        intent=intent,
        compensated=compensated,
        beyond={limit: float((dE00 > limit).mean() * 100) for limit in THRESHOLDS},
        mean=float(dE00.mean()),
        p95=float(np.percentile(dE00, 95)),
        lightness=_share(dL),
        chroma=_share(dC),
        hue=Share(None, float(dH.mean()), float(np.percentile(dH, 95))),
        range_before=_ends(wished[:, 0]),
        range_after=_ends(printed[:, 0]),
    )


@lru_cache(maxsize=8)
def own_error(icc: bytes, intent: Intent = "relative") -> tuple[float, float]:
    """The profile's own round-trip error: ΔE00, mean and 95th percentile, of device values' Lab through device-from-Lab and back.

    All of these colours are in gamut, so what differs is the tables' doing. Raises ValueError where the profile has no way back.
    """
    channels = 3 if icc[16:20] == b"RGB " else 4 if icc[16:20] == b"CMYK" else 1
    device = np.random.default_rng(5).random((_OWN_COLOURS, channels))
    Lab = device_to_lab(icc, device, intent=intent)
    again = device_to_lab(icc, np.clip(lab_to_device(icc, Lab, intent=intent), 0, 1), intent=intent)
    dE00 = ciede2000(Lab, again)
    return float(dE00.mean()), float(np.percentile(dE00, 95))


def recommendation(found: LossMap) -> str:
    """What the figures advise about the intent, in a sentence or two."""
    used, share = found.used, found.used.beyond[3.0]
    if used.intent == "perceptual":
        plain = next((loss for loss in found.others if loss.intent == "relative"), None)
        if plain is not None and plain.beyond[3.0] <= RECOMMEND_SHARE:
            return (
                f"Media-relative colorimetric would do: by it {plain.beyond[3.0]:.1f} % of this picture lies beyond ΔE00 3, "
                f"and every colour that the paper can hold stays as it is."
            )
        if plain is None or not found.tables_differ:
            return f"By this profile perceptual and media-relative colorimetric do the same; {share:.1f} % of this picture lies beyond ΔE00 3."
        return f"Stay with perceptual: by media-relative colorimetric {plain.beyond[3.0]:.1f} % of this picture would lie beyond ΔE00 3."
    if share <= RECOMMEND_SHARE:
        return f"Stay with {INTENT_NAMES[used.intent]}: {share:.1f} % of this picture lies beyond ΔE00 3, and up to {RECOMMEND_SHARE:g} % is little."
    perceptual = next((loss for loss in found.others if loss.intent == "perceptual"), None)
    lost = f"{share:.1f} % of this picture lies beyond ΔE00 3"
    if perceptual is None or not found.tables_differ:
        return f"{lost}, and this profile's perceptual table does the same: another paper would, or less colour in the picture."
    return (
        f'{lost}: try intent = "perceptual" on one test strip. It gives up differences between colours more gently, and moves the whole picture for it '
        f"(mean ΔE00 {perceptual.mean:.1f} instead of {used.mean:.1f}; beyond 3: {perceptual.beyond[3.0]:.1f} %)."
    )


def _share(change: Floats) -> Share:
    size = np.abs(change)
    return Share(float(change.mean()), float(size.mean()), float(np.percentile(size, 95)))


def _ends(L: Floats) -> tuple[float, float]:
    low, high = np.percentile(L, _RANGE)
    return float(low), float(high)


def _sample(pixels: pyvips.Image, most: int) -> tuple[Colours, tuple[int, int]]:
    """Every n-th pixel each way, so that at most about `most` are left: values (N, bands) and (height, width)."""
    apart = max(1, int(np.ceil(np.sqrt(pixels.width * pixels.height / most))))
    across, down = min(apart, pixels.width), min(apart, pixels.height)
    few = pixels.subsample(across, down) if apart > 1 else pixels
    return _values(few), (few.height, few.width)


def _values(pixels: pyvips.Image) -> Colours:
    """The pixels as (N, bands)."""
    return np.ndarray((pixels.height * pixels.width, pixels.bands), np.uint16, pixels.write_to_memory())
