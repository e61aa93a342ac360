"""`recipes/*.toml`: an ordered chain of steps with their settings, for one stock and sheet."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field, field_validator

from drydown.api import EdgesMm
from drydown.studio.base import FileModel, Filled
from drydown.studio.stock import BORDERLESS

Side = Literal["left", "right", "top", "bottom"]
Leaf = Literal["single", "recto", "verso"]

#: Keys of a `[[step]]` table that are the recipe's own, not the step's settings.
RESERVED = ("use", "name")
_MIRRORED: dict[Side, Side] = {"left": "right", "right": "left", "top": "top", "bottom": "bottom"}


class RecipeHead(FileModel):
    """What stands above the first `[[step]]`."""

    stock: Filled = Field(description="Name of a file in stocks/, without .toml.")
    sheet: Filled = Field(description="The sheet that this recipe is for: one that the stock keeps.")
    margin_mm: float = Field(default=12.7, gt=0, le=500, description="Bare paper round the picture, mm.")
    binding_mm: float | None = Field(
        default=None, gt=0, le=500, description="Replaces the margin on the binding side, mm."
    )
    binding_side: Side = Field(default="left", description="Which side binds, of the picture seen upright.")
    leaf: Leaf = Field(
        default="single", description="verso mirrors the binding side, for the back of a leaf."
    )
    viewing_mm: float = Field(
        default=400,
        ge=100,
        le=20_000,
        description="Viewing distance, mm: scales sharpening and the least source ppi.",
    )
    light: str = Field(
        default="", max_length=60, description='The light it is judged under, such as "D50 500 lx".'
    )
    untagged: Literal["srgb", "hold"] = Field(
        default="srgb",
        description="What a picture without a profile is taken for: sRGB, or held for a person.",
    )

    @field_validator("margin_mm", "binding_mm", mode="before")
    @classmethod
    def _no_borderless(cls, value: object) -> object:
        if isinstance(value, int | float) and not isinstance(value, bool) and value == 0:
            raise ValueError(f"{BORDERLESS}; give a margin, print on a larger sheet and trim")
        return value

    def margins_mm(self) -> EdgesMm:
        """Bare paper round the picture seen upright: the binding replaces the margin on its side, and a verso mirrors that side.

        >>> RecipeHead(stock="pearl", sheet="11x17", margin_mm=10, binding_mm=25, leaf="verso").margins_mm()
        EdgesMm(top=10.0, right=25.0, bottom=10.0, left=10.0)
        """
        edges = dict.fromkeys(_MIRRORED, float(self.margin_mm))
        if self.binding_mm is not None:
            edges[self.bound_side()] = float(self.binding_mm)
        return EdgesMm(**edges)

    def bound_side(self) -> Side:
        """The side that binds, `leaf` applied."""
        return _MIRRORED[self.binding_side] if self.leaf == "verso" else self.binding_side


class RecipeStep(FileModel):
    """One `[[step]]`, as written: `written` holds its settings without the defaults."""

    name: str
    use: str
    written: dict[str, Any]


class Recipe(RecipeHead):
    """A whole recipe, as written. `tables` holds the sheet makers' tables by their names."""

    name: str
    steps: tuple[RecipeStep, ...]
    tables: dict[str, dict[str, Any]] = Field(default_factory=dict)

    @property
    def file(self) -> str:
        """Its path below the studio."""
        return f"recipes/{self.name}.toml"

    def step(self, name: str) -> RecipeStep | None:
        """The step of this name."""
        return next((step for step in self.steps if step.name == name), None)
