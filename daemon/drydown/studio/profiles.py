"""Opening the profile of every stock before the first sheet. What opens one is handed in: colour is not this part's business."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from drydown.errors import Fault, Refusal, is_machines
from drydown.studio.stock import StockFile


@dataclass(frozen=True, slots=True)
class ProfileWords:
    """What a stock's profile says of itself."""

    description: str
    major_version: int  #: of ICC.1: 2 or 4
    of_printer: bool = True  #: its class is that of an output device (ICC.1:2022, 7.2.5)


def open_profiles(
    root: Path, stocks: Mapping[str, StockFile], inspect: Callable[[bytes], ProfileWords]
) -> tuple[dict[str, ProfileWords], list[Fault]]:
    """The words of each stock's profile, by stock, and the faults of those that cannot be read or cannot print.

    `inspect` raises Refusal or ValueError for a profile that is damaged or of the wrong kind, with the reason.
    """
    words: dict[str, ProfileWords] = {}
    faults: list[Fault] = []
    for name, stock in stocks.items():
        try:
            words[name] = inspect((root / stock.profile).read_bytes())
        except OSError as error:
            if is_machines(error):
                raise
            reason = f"{stock.profile} cannot be read: {(error.strerror or str(error)).lower()}"
            faults.append(Fault(f"stocks/{name}.toml", "profile", reason))
        except (Refusal, ValueError) as error:
            found = str(error).removeprefix("The stock's profile cannot be used: ").rstrip(".")
            faults.append(Fault(f"stocks/{name}.toml", "profile", f"{stock.profile} cannot be used: {found}"))
    return words, faults
