"""What `profile build` and `profile verify` both take: a stock, and the readings of a chart that was printed on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drydown.cli import completing
from drydown.errors import Fault, NotFound

if TYPE_CHECKING:
    from drydown.measuring.measurement import Condition, Measurement
    from drydown.studio.stock import StockFile
    from drydown.studio.studio import Studio


def stock_and_readings(command: Callable[..., Any]) -> Callable[..., Any]:
    """Gives a command its arguments `stock` and `measured` and its option `reference`."""
    chart = click.option(
        "--chart",
        "reference",
        type=click.Path(path_type=Path),
        help="The chart's reference, where the readings hold no device values.",
    )
    measured = click.argument("measured", nargs=-1, required=True, type=click.Path(path_type=Path))
    return click.argument("stock", shell_complete=completing.stocks)(measured(chart(command)))


def stock_of(root: Path, name: str) -> tuple[Studio, StockFile]:
    """The studio as it can be read, and one of its stocks. Raises NotFound with the names that there are."""
    from drydown.service.house import open_house

    studio = open_house(root, strict=False).studio
    if name not in studio.stocks:
        raise NotFound(f"no stock is called {name}; there are {', '.join(studio.stocks)}")
    return studio, studio.stocks[name]


def readings_of(measured: Sequence[Path], reference: Path | None) -> Measurement:
    """The readings with device values: their own, or the reference's."""
    from drydown.measuring.measurement import BadMeasurement
    from drydown.measuring.reader import read_cgats
    from drydown.measuring.reference import joined, read_reference
    from drydown.measuring.together import together

    readings = together([read_cgats(file) for file in measured])
    if reference is not None:
        return joined(readings, read_reference(reference))
    if not readings.space:
        guess = "name the chart's reference: --chart charts/NAME/reference.txt"
        raise BadMeasurement([Fault(readings.source, "", "it holds no device values", guess)])
    return readings


def condition_of(file: StockFile, icc: bytes) -> Condition:
    """How the profile was measured: as the stock states it, else as the readings inside the profile do."""
    from drydown.measuring.measurement import Condition
    from drydown.measuring.targ import condition_in

    inside = condition_in(icc)
    return Condition(mode=file.measurement or inside.mode, backing=file.backing or inside.backing)
