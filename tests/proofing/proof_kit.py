"""A region, its proof on the pearl, and an eye without noise: what the tests of this folder share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np

from drydown.demo.paper import pearl_profile
from drydown.imaging.icc_exact import lab_to_device
from drydown.imaging.pcs import Floats
from drydown.proofing.arithmetic import together
from drydown.proofing.posterior import Judged, Proof
from drydown.proofing.roles import Role

INK_ROLES: dict[str, Role] = {f"balance.{ink}": ink for ink in ("cyan", "magenta", "yellow")}
ROLES: dict[str, Role] = {**INK_ROLES, "tone-lift.lift_L": "lift_L"}
WITH_CONTRAST: dict[str, Role] = {"tone-lift.lift_L": "lift_L", "tone-lift.contrast": "contrast"}
UNTOUCHED = dict.fromkeys(ROLES, 0.0)


@cache
def samples() -> Floats:
    """Codes (90, 3) of skin, near-greys and mid-tones on the pearl."""
    random = np.random.default_rng(5)
    skin = np.stack([random.uniform(45, 80, 30), random.normal(15, 4, 30), random.normal(18, 4, 30)], axis=1)
    greys = np.stack([random.uniform(20, 90, 30), *random.normal(0, 3, (2, 30))], axis=1)
    others = np.stack([random.uniform(30, 70, 30), *random.normal(0, 16, (2, 30))], axis=1)
    Lab = random.permutation(np.concatenate([skin, greys, others]))
    return np.clip(lab_to_device(pearl_profile(), Lab), 0, 1) * 65535


def proof(
    roles: Mapping[str, Role] = ROLES, base: Mapping[str, float] | None = None, **more: object
) -> Proof:
    return Proof(
        icc=pearl_profile(),
        samples=samples(),
        roles=roles,
        base=dict.fromkeys(roles, 0.0) if base is None else base,
        **more,  # type: ignore[arg-type]
    )


def distances(of: Proof, points: Sequence[Mapping[str, float]], error: Sequence[float]) -> Floats:
    """How far patches lie from the wanted look on a printer with this error."""
    places = np.stack([of.arithmetic().place(of.by_role(point)) for point in points])
    return np.asarray(of.looks().distance(together(places, np.array([error], dtype=np.float64)))[0])


def named(points: Sequence[Mapping[str, float]]) -> dict[str, Mapping[str, float]]:
    """Patches by name: five a row, A1 to ..."""
    return {f"{chr(65 + index // 5)}{index % 5 + 1}": point for index, point in enumerate(points)}


def judged(
    of: Proof,
    points: Sequence[Mapping[str, float]],
    error: Sequence[float],
    *,
    best: int = 3,
    still_off: bool = False,
) -> Judged:
    """The best patches as an eye without noise names them."""
    patches = named(points)
    order = np.argsort(distances(of, points, error))[:best]
    return Judged(
        patches=patches, ranking=tuple(list(patches)[index] for index in order), still_off=still_off
    )
