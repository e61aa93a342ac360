"""The proofing loop of the demonstration: a strip, a choice between two patches, a narrower strip, a choice, the final.

A person would judge the strips under their light; here the choices are scripted. Everything goes through the program as a person would use it.
"""

from __future__ import annotations

from dataclasses import dataclass

from drydown.demo.hands import Hands
from drydown.jobs.ledger_rows import JobRow

PICTURE = "02-dune-crest"  #: warm neutrals: a cast shows at once
BETWEEN = ("B3", "B4", "0.4")  #: from the recipe as it stands, 0.4 of the way to the patch with more magenta


@dataclass(frozen=True, slots=True)
class Loop:
    """Drives one picture through the loop."""

    hands: Hands

    def run(self) -> list[JobRow]:
        """Strip, strip, final: the three jobs, in order. Raises MachineFault where a command or a job fails."""
        hands = self.hands
        first = hands.drop(PICTURE, "proof")
        hands.command("choose", first.id, "--between", *BETWEEN[:2], "--at", BETWEEN[2])
        hands.command("strip", first.id, "--next")
        second = hands.next_job()
        hands.command("choose", second.id, _beside_the_centre(second))
        return [first, second, hands.drop(PICTURE, "final")]


def _beside_the_centre(strip: JobRow) -> str:
    """The patch next to the centre of a strip: what the script takes for the best."""
    patches = strip.result.record["maker"]["patches"] if strip.result else []
    centre = next(index for index, patch in enumerate(patches) if patch["centre"])
    return str(patches[centre - 1 if centre else 1]["name"])
