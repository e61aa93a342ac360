"""What the contract is tried on: an offer with settings, and what it says of itself beyond the offer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from drydown.api import Offer

MEMORY_MB: Final = 700  #: what a process may take for a picture of 100 megapixels; held whole it would be 600 MB, and with one copy 1,200


@dataclass(frozen=True, slots=True)
class Case:
    """An offer and settings under which it does something.

    `changes_profile`, `changes_channels`: it may; else both must stay. `prepared`: it stands after `convert`, so the pictures that it gets are in the
    stock's profile. `megapixels`: the largest picture that it is tried on. `picture`: what it is shown, a name of `PICTURES`.
    """

    offer: Offer
    settings: Mapping[str, Any] = field(default_factory=dict)
    changes_profile: bool = False
    changes_channels: bool = False
    prepared: bool = False
    megapixels: int = 100
    picture: str = "photograph"

    def __str__(self) -> str:
        said = ", ".join(f"{key}={value}" for key, value in self.settings.items())
        return f"{self.offer.name}({said})"
