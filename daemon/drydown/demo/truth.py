"""Is the profile still true? A chart, its readings, the verdict, a profile built from them, and a final printed with it.

The printer and the instrument are simulated; everything else goes through the program as a person would use it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyvips

from drydown.demo.hands import Hands
from drydown.demo.loop import PICTURE
from drydown.demo.measurements import PATCHES, read_chart
from drydown.demo.paper import pearl_model
from drydown.imaging.difference import ciede2000
from drydown.imaging.pcs import Floats, media_relative
from drydown.jobs.ledger_rows import JobRow
from drydown.measuring.reference import read_reference

NOISE: Final = 0.3  #: ΔE*ab over three axes: a usual hand-held instrument
SEED: Final = 7
GAMUT: Final = "charts/pearl-gamut.png"
_EVERY: Final = 9  #: so many pixels across and down, one is compared
_GREY_C: Final = 5.0  #: C* below which a printed colour counts as a grey


@dataclass(frozen=True, slots=True)
class Truth:
    """Proves the pearl's profile, then replaces it. `patches`: different colours on the chart."""

    hands: Hands
    patches: int = PATCHES

    def run(self, before: JobRow) -> JobRow:
        """The picture of the final `before`, printed again with the built profile. Raises MachineFault where a command or the job fails."""
        hands = self.hands
        hands.command("profile", "chart", "pearl", "--sheet", "letter", "--patches", str(self.patches))
        measured, reference = self._measured()
        hands.command("profile", "verify", "pearl", measured, "--chart", reference)
        hands.command("profile", "build", "pearl", measured, "--chart", reference, "--install")
        hands.command("profile", "show", "profiles/pearl.icc", "--picture", GAMUT)
        hands.say("What was settled was judged on the old profile and is left out, as the new ticket says")
        after = hands.drop(PICTURE, "final")
        if before.sheet and after.sheet:
            hands.say(finals_apart(Path(before.sheet), Path(after.sheet)))
        return after

    def _measured(self) -> tuple[str, str]:
        """The readings of the chart that was just made, and its reference, as seen from the studio."""
        root = self.hands.root
        (folder,) = (root / "charts").iterdir()
        chart, measured = folder / "reference.txt", folder / "measured.txt"
        readings = read_chart(read_reference(chart), NOISE, SEED)
        measured.write_bytes(readings.text)
        self.hands.say(
            f"printed by the simulated pearl; {len(readings)} patches read with a noise of ΔE {NOISE:g}: {measured.name}"
        )
        return str(measured.relative_to(root)), str(chart.relative_to(root))


def finals_apart(before: Path, after: Path) -> str:
    """How far two finals of one picture lie apart once the simulated pearl has printed them, in words. Bare paper is not counted."""
    first, second = _device(before), _device(after)
    inked = (first.min(axis=1) < 1) | (second.min(axis=1) < 1)
    one, other = _printed(first[inked]), _printed(second[inked])
    apart, greys = ciede2000(one, other), np.hypot(one[:, 1], one[:, 2]) < _GREY_C
    said = f"95 of 100 places within ΔE00 {np.percentile(apart, 95):.2f}"
    if greys.any():
        said += (
            f", of its greys ({greys.mean():.0%} of the picture) within {np.percentile(apart[greys], 95):.2f}"
        )
    return f"Both finals on the simulated pearl: {said}"


def _device(sheet: Path) -> Floats:
    pixels = pyvips.Image.new_from_file(str(sheet)).subsample(_EVERY, _EVERY).numpy()
    return np.asarray(pixels.reshape(-1, 3) / 65535)


def _printed(device: Floats) -> Floats:
    return media_relative(pearl_model().lab(device), pearl_model().lab(np.ones((1, 3)))[0])
