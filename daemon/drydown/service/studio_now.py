"""The studio's files at this moment, and settled values that count from this moment on: between two looks of a running daemon."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from drydown.service.workshop import Workshop
from drydown.studio.load import load
from drydown.studio.settled import SettledFile
from drydown.studio.studio import Studio


def studio_now(workshop: Workshop) -> Studio:
    """The studio's files as they are at this moment. Raises StudioError with every fault."""
    house = workshop.house
    if not house.changed():
        return house.studio
    return load(workshop.places.root, house.discovery.offers, house.discovery.problems)


def from_now_on(workshop: Workshop, settled: Mapping[str, SettledFile | None]) -> None:
    """The next job is planned by these values; None: by the bare recipe. The house keeps its old signature, so that the next look reads every file anew."""
    house = workshop.house
    now = {**house.studio.settled, **settled}
    kept = {name: one for name, one in now.items() if one is not None}
    workshop.house = replace(house, studio=replace(house.studio, settled=kept))
