"""`split-tone`: black and white with one tint in the shadows and another in the lights, as two toners would leave it.

It stands where `convert` has not been yet: the picture becomes lightness, each lightness gets its colour in CIELAB, and the paper's own profile
brings that colour onto paper like any other.
"""

from __future__ import annotations

from functools import lru_cache

from drydown.api import Field, Frame, Hold, Job, Note, Settings, hookimpl, step

_CODES = 65536
_FADES_BELOW = 0.08  # density: a toner works on silver, and bare paper has none


class SplitTone(Settings):
    """Two tints as CIELAB a* (red against green) and b* (yellow against blue); 0 and 0 are a neutral."""

    shadow_a: float = Field(
        default=1.5, ge=-20, le=20, description="a* of the shadows; positive is towards red."
    )
    shadow_b: float = Field(
        default=-4.0, ge=-20, le=20, description="b* of the shadows; negative is towards blue."
    )
    light_a: float = Field(default=1.0, ge=-20, le=20, description="a* of the lights.")
    light_b: float = Field(
        default=6.0, ge=-20, le=20, description="b* of the lights; positive is towards yellow."
    )
    meet_density: float = Field(
        default=0.6,
        gt=0.1,
        le=2,
        description="The density above paper at which both tints weigh the same; 0.74 is mid-grey, L* 50.",
    )


def split_tone(frame: Frame, settings: SplitTone, job: Job, /) -> Frame:
    """Make it black and white, and tint shadows and lights apart by density."""
    from drydown.imaging.convert import convert, same_profile
    from drydown.imaging.working import wide_gamut

    if frame.icc is None or frame.pixels.hasalpha():
        raise Hold(
            "Split toning needs a picture with a profile and without transparency. Put flatten before it."
        )
    if same_profile(frame.icc, job.stock.icc):
        raise Hold(
            "Split toning stands before convert, so that the paper's profile carries the tints. Move it up in the recipe."
        )
    lightness = convert(
        frame.pixels, frame.icc, _lightness(), intent="relative", black_point_compensation=False
    )
    return frame.with_(
        pixels=lightness.maplut(_table(settings)).copy(interpretation="rgb16"),
        icc=wide_gamut(),
        note=Note(
            f"shadows a* {settings.shadow_a:+.1f} b* {settings.shadow_b:+.1f}, lights a* {settings.light_a:+.1f} b* {settings.light_b:+.1f}",
            figures=settings.model_dump(),
        ),
    )


def tints(L_star, settings: SplitTone):
    """a* and b* (n, 2) for each lightness (n,), 0..100. The shadows' weight is D² / (D² + m²), D the density above paper (ours; no source)."""
    import numpy as np

    light = np.where(L_star > 8, ((L_star + 16) / 116) ** 3, L_star * 27 / 24389)  # CIE 15: Y of L*
    density = -np.log10(np.maximum(light, 1e-4))
    shadows = density**2 / (density**2 + settings.meet_density**2)
    tint = np.outer(shadows, (settings.shadow_a, settings.shadow_b)) + np.outer(
        1 - shadows, (settings.light_a, settings.light_b)
    )
    return tint * np.minimum(density / _FADES_BELOW, 1)[:, np.newaxis]


@lru_cache(maxsize=1)
def _lightness() -> bytes:
    """A grey profile whose codes are L* in even steps."""
    import numpy as np

    from drydown.imaging.icc_build import grey_profile

    def light(encoded):
        L_star = np.asarray(encoded) * 100
        return np.where(L_star > 8, ((L_star + 16) / 116) ** 3, L_star * 27 / 24389)

    return grey_profile(description="L* in even steps", transfer=light, white_xy=(0.3457, 0.3585))


@lru_cache(maxsize=32)
def _table(settings: SplitTone):
    """The colour of each of 65,536 lightnesses, as a table that libvips looks up."""
    import numpy as np
    import pyvips

    from drydown.imaging.icc_exact import lab_to_device
    from drydown.imaging.working import wide_gamut

    L_star = np.linspace(0, 100, _CODES)
    few = np.linspace(
        0, 100, 1025
    )  # the colours lie on a smooth line: worked out at 1,025 places, straight between
    device = lab_to_device(wide_gamut(), np.column_stack([few, tints(few, settings)]), intent="relative")
    codes = np.stack([np.interp(L_star, few, device[:, k]) for k in range(3)], axis=1)
    codes = np.round(np.clip(codes, 0, 1) * (_CODES - 1)).astype(np.uint16)
    codes[0], codes[-1] = 0, _CODES - 1
    return pyvips.Image.new_from_memory(codes.tobytes(), _CODES, 1, 3, "ushort").copy(interpretation="rgb16")


OFFER = step(name="split-tone", settings=SplitTone, run=split_tone)


@hookimpl
def drydown_steps():
    """Offer the step to recipes."""
    return [OFFER]
