"""Offers that stand in for real steps, and a small sound studio to spoil in one place at a time."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from drydown.api import (
    Field,
    Finished,
    Frame,
    Intent,
    Job,
    Offer,
    Render,
    Settings,
    StepOffer,
    sheet_maker,
    step,
)
from drydown.errors import StudioError
from drydown.studio.load import load
from drydown.studio.studio import Studio


class Nothing(Settings):
    pass


class Crop(Settings):
    fit: Literal["fill", "whole"] = "fill"
    focus: tuple[float, float] = (0.5, 0.5)


class Convert(Settings):
    intent: Intent | None = None
    black_point_compensation: bool | None = None
    hard_proof: bool = False


class Lift(Settings):
    lift_L: float = Field(default=0.0, ge=-10, le=10)
    contrast: float = Field(default=1.0, ge=0.8, le=1.25)


class Balance(Settings):
    cyan: float = Field(default=0.0, ge=-50, le=50)
    magenta: float = Field(default=0.0, ge=-50, le=50)
    yellow: float = Field(default=0.0, ge=-50, le=50)


class Sharpen(Settings):
    strength: float | None = Field(default=None, ge=0, le=1)
    radius_mm: float | None = Field(default=None, gt=0, le=1)


class Final(Settings):
    slug: bool = True
    bits: Literal[8, 16] = 16
    form: Literal["sheet", "printable", "picture"] | None = None


class Strip(Settings):
    vary: tuple[str, ...] = ()


def _same(frame: Frame, settings: Settings, job: Job) -> Frame:
    """Change nothing."""
    return frame


def _whole(render: Render, settings: Settings, job: Job) -> Finished:
    """Hand over the picture."""
    return Finished(frame=render())


STEPS: dict[str, type[Settings]] = {
    "flatten": Nothing,
    "crop": Crop,
    "resample": Nothing,
    "convert": Convert,
    "tone-lift": Lift,
    "balance": Balance,
    "sharpen": Sharpen,
}
OFFERS: dict[str, Offer] = {
    **{name: step(name=name, settings=kind, run=_same) for name, kind in STEPS.items()},
    "final": sheet_maker(name="final", settings=Final, run=_whole),
    "test-strip": sheet_maker(name="test-strip", settings=Strip, run=_whole),
}


def offer(name: str, settings: type[Settings]) -> StepOffer[Settings]:
    return step(name=name, settings=settings, run=_same)


STUDIO = """\
[[hot_folder]]
path = "hot/proof"
recipe = "shoreline"
sheet_maker = "test-strip"
sheet = "letter"

[[hot_folder]]
path = "hot/final"
recipe = "shoreline"
sheet_maker = "final"
"""
PEARL = """\
profile = "profiles/pearl.icc"
ppi = 360
sheets = ["letter", "11x17", "13x19"]
lot = "0412"
dry_minutes = 30
unprintable_mm = { top = 3, right = 4, bottom = 5, left = 6 }
[ticket]
quality = "high"
media_type = "photographic-satin"
"""
SHORELINE = """\
stock = "pearl"
sheet = "11x17"
margin_mm = 12.7
light = "D50 500 lx"
[[step]]
use = "flatten"
[[step]]
use = "crop"
[[step]]
use = "resample"
[[step]]
use = "convert"
[[step]]
use = "tone-lift"
lift_L = 3
[[step]]
use = "balance"
[[step]]
use = "sharpen"
strength = 0.4
[final]
slug = true
"""


def lay_out(root: Path, **changed: str) -> Path:
    """A sound studio; `studio`, `pearl` or `shoreline` replace its files, any other name is written as recipes/NAME.toml."""
    for folder in ("stocks", "recipes", "profiles"):
        (root / folder).mkdir(parents=True, exist_ok=True)
    (root / "profiles/pearl.icc").write_bytes(b"a profile")
    (root / "studio.toml").write_text(changed.pop("studio", STUDIO))
    (root / "stocks/pearl.toml").write_text(changed.pop("pearl", PEARL))
    (root / "recipes/shoreline.toml").write_text(changed.pop("shoreline", SHORELINE))
    for name, text in changed.items():
        (root / f"recipes/{name}.toml").write_text(text)
    return root


def opened(root: Path, **changed: str) -> Studio:
    return load(lay_out(root, **changed), OFFERS)


def faults(root: Path, **changed: str) -> list[str]:
    """Every fault of a spoilt studio, as a person reads it."""
    try:
        opened(root, **changed)
    except StudioError as error:
        return [str(fault) for fault in error.faults]
    return []
