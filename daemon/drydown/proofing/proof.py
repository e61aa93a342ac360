"""What the program is told of a proof: the region, the settings that are varied, and what a person named on each strip."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from drydown.proofing.arithmetic import Arithmetic, arithmetic
from drydown.proofing.look import Looks, looks
from drydown.proofing.roles import IDENTITY, Role

_CODES: Final = 65535.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Proof:
    """What all strips of one picture and recipe share.

    `samples` (N, 3), codes 0..65535: the region with every varied setting at its identity. `roles`: what each varied key does. `base`: the recipe
    as it stands, by key: what the profile promises for it is the wanted look. `carried`: keys whose base the samples already contain
    (those that only a later strip varies). `hold_lightness`: the balance step's own setting.
    """

    icc: bytes = field(repr=False)
    samples: ArrayLike = field(repr=False)
    roles: Mapping[str, Role]
    base: Mapping[str, float]
    carried: Collection[str] = ()
    hold_lightness: bool = False

    def __post_init__(self) -> None:
        if not self.roles:
            raise ValueError(
                "none of the varied settings is one of tone or balance, so a ranking cannot be read backwards; "
                "choose one patch, or a point between two"
            )
        if self.roles.keys() != self.base.keys():
            raise ValueError(
                f"the base names {sorted(self.base)}, the roles {sorted(self.roles)}; they must be the same"
            )
        if len(set(self.roles.values())) < len(self.roles):
            raise ValueError(
                f"two settings of {sorted(self.roles)} do the same; vary one of them at a time, "
                "or the ranking cannot tell which is meant"
            )

    @property
    def base_by_role(self) -> dict[Role, float]:
        return {self.roles[key]: float(self.base[key]) for key in self.roles}

    def by_role(self, values: Mapping[str, float]) -> dict[Role, float]:
        return {self.roles[key]: float(value) for key, value in values.items() if key in self.roles}

    def arithmetic(self) -> Arithmetic:
        return arithmetic(self.icc, self.base_by_role, hold_lightness=self.hold_lightness)

    def looks(self) -> Looks:
        """The looks of the region; kept, because two strips and their proposal ask for the same."""
        still_to_come = {
            role: IDENTITY[role] if key in self.carried else float(self.base[key])
            for key, role in self.roles.items()
        }
        samples = np.ascontiguousarray(self.samples, dtype=np.float64)
        if samples.ndim != 2 or samples.shape[1] != 3 or not len(samples):
            raise ValueError(
                f"the region's samples have the shape {samples.shape}; three values a sample are needed"
            )
        return _looks(self.icc, samples.tobytes(), tuple(sorted(still_to_come.items())), self.hold_lightness)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A strip and what a person said of it: `ranking` names patches, best first; one, three or any number.

    `still_off`: the best one does not look right either.
    """

    patches: Mapping[str, Mapping[str, float]]
    ranking: tuple[str, ...]
    still_off: bool = False

    def __post_init__(self) -> None:
        unknown = [name for name in self.ranking if name not in self.patches]
        if unknown:
            raise ValueError(
                f"{', '.join(unknown)}: no such patch on this strip; it has {_some(self.patches)}"
            )
        if not self.ranking:
            raise ValueError("no patch was named; name the best, or the best few in order")
        if len(set(self.ranking)) < len(self.ranking):
            raise ValueError(
                f"{' '.join(self.ranking)} names a patch twice; each can stand in one place only"
            )


@lru_cache(maxsize=4)
def _looks(icc: bytes, samples: bytes, base: tuple[tuple[Role, float], ...], hold_lightness: bool) -> Looks:
    values = dict(base)
    model = arithmetic(icc, values, hold_lightness=hold_lightness)
    device = np.clip(np.frombuffer(samples).reshape(-1, 3) / _CODES, 0, 1)
    return looks(
        icc,
        device,
        contrast=values.get("contrast", 1.0),
        excess_cc=model.excess(values),
        turns_contrast=model.turns_contrast,
    )


def _some(patches: Mapping[str, object]) -> str:
    names = list(patches)
    return f"{names[0]} to {names[-1]}" if len(names) > 3 else ", ".join(names)
