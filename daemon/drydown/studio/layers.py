"""Laying values over each other: the recipe, what was settled, and a picture's own file, the later over the earlier, each value with its origin."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from drydown.api import Offer, Settings, SheetOffer
from drydown.errors import Fault
from drydown.studio.base import FileModel
from drydown.studio.faults import shown, validate
from drydown.studio.guess import did_you_mean, listed
from drydown.studio.paths import made_absolute, missing_files
from drydown.studio.recipe import RESERVED, Recipe
from drydown.studio.recipe_file import PICTURE_KEYS
from drydown.studio.settled import SettledFile

Origin = Literal["recipe", "settled", "picture", "verification"]
#: Name of a step or sheet maker -> its settings, as written.
Layer = dict[str, dict[str, Any]]


class PictureHead(FileModel):
    """What a picture's own file says besides settings of steps."""

    copies: int | None = Field(default=None, ge=1, le=999, description="Copies to print.")
    edition: str | None = Field(default=None, max_length=40, description='Edition number, such as "3/25".')
    untagged: Literal["srgb", "hold"] | None = Field(
        default=None, description="What this picture is taken for where it has no profile."
    )
    sheet: str | None = Field(
        default=None,
        description="Another sheet of the stock: this picture is cropped for it and printed on it.",
    )


@dataclass(slots=True)
class PictureFile:
    """A picture's own file, taken apart."""

    head: PictureHead = field(default_factory=PictureHead)
    layer: Layer = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Complete:
    """The settings of one step or sheet maker, defaults included, and where those come from that are not defaults."""

    name: str  #: its name in the recipe
    use: str  #: the name of its offer
    settings: Settings
    origin: Mapping[str, Origin]

    def values(self) -> dict[str, Any]:
        """The settings as JSON values."""
        return self.settings.model_dump(mode="json")


def complete(
    name: str,
    use: str,
    offer: Offer,
    layers: Iterable[tuple[Origin, Mapping[str, Any]]],
    *,
    file: str,
    root: Path,
) -> Complete | list[Fault]:
    """Lay the layers over each other and check the whole. `file` is the one to name in faults: that of the last layer.

    Paths among the settings are below `root`, the studio, and absolute in the answer.
    """
    merged: dict[str, Any] = {}
    origin: dict[str, Origin] = {}
    for source, written in layers:
        merged.update(written)
        origin.update(dict.fromkeys(written, source))
    settings, faults = validate(offer.settings, merged, file=file, place=name)
    if settings is None:
        return faults
    if missing := missing_files(settings, root, file=file, place=name):
        return missing
    return Complete(name, use, made_absolute(settings, root), origin)


def settled_layer(settled: SettledFile) -> Layer:
    """`{"balance.magenta": 5}` as `{"balance": {"magenta": 5}}`."""
    layer: Layer = {}
    for key, value in settled.now.values.items():
        name, _, setting = key.partition(".")
        layer.setdefault(name, {})[setting] = value
    return layer


def settled_faults(
    recipe: Recipe, settled: SettledFile, offers: Mapping[str, Offer], *, file: str, root: Path
) -> list[Fault]:
    """Settled values for steps that the recipe has no longer, or that its steps do not take."""
    faults: list[Fault] = []
    for name, written in settled_layer(settled).items():
        step = recipe.step(name)
        if step is None:
            keys = listed(f"{name}.{setting}" for setting in written)
            guess = "put the step back, or move this file away"
            faults.append(Fault(file, keys, f"recipe {recipe.name} has no step called '{name}'", guess))
        elif (offer := offers.get(step.use)) is not None:
            bare: list[tuple[Origin, Mapping[str, Any]]] = [("recipe", step.written)]
            if isinstance(complete(name, step.use, offer, bare, file=file, root=root), list):
                continue  # the recipe's own fault, and told there
            found = complete(name, step.use, offer, [*bare, ("settled", written)], file=file, root=root)
            faults += found if isinstance(found, list) else []
    return faults


def picture_file(
    picture: Mapping[str, Any], recipe: Recipe, offers: Mapping[str, Offer], *, file: str
) -> PictureFile:
    """Take a picture's own file apart: `[tone-lift]` tables, `tone-lift.lift_L = 4`, `"tone-lift.lift_L" = 4`, and its head."""
    read = PictureFile()
    head = {key: value for key, value in picture.items() if key in PICTURE_KEYS}
    model, faults = validate(PictureHead, head, file=file)
    read.head = model or PictureHead()
    read.faults += faults
    makers = [name for name, offer in offers.items() if isinstance(offer, SheetOffer)]
    names = [*(step.name for step in recipe.steps), *makers]
    for key, value in picture.items():
        if key in PICTURE_KEYS:
            continue
        name, dot, setting = key.partition(".")
        if name not in names:
            guess = did_you_mean(
                name, names, _setting_guess(key, recipe, offers) or f"it has {listed(names)}"
            )
            read.faults.append(Fault(file, key, f"recipe {recipe.name} has no step called '{name}'", guess))
        elif dot:
            read.layer.setdefault(name, {})[setting] = value
        elif not isinstance(value, dict):
            guess = f"write [{name}] and its settings below"
            read.faults.append(Fault(file, key, f"must be a table; found {shown(value)}", guess))
        else:
            read.layer.setdefault(name, {}).update(value)
    for name, written in read.layer.items():
        for key in [key for key in written if key in RESERVED]:
            reason = "cannot be set for one picture"
            read.faults.append(Fault(file, f"{name}: {key}", reason, "the chain is the recipe's"))
            del written[key]
    return read


def _setting_guess(key: str, recipe: Recipe, offers: Mapping[str, Offer]) -> str:
    """A setting written without its step: `lift_L` -> `did you mean tone-lift.lift_L?`."""
    having = [
        step.name
        for step in recipe.steps
        if (offer := offers.get(step.use)) is not None and key in offer.settings.model_fields
    ]
    return f"did you mean {' or '.join(f'{name}.{key}' for name in having)}?" if having else ""
