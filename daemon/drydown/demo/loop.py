"""The proofing loop of the demonstration: a strip, a choice between two patches, a narrower strip, a choice, the final.

A person would judge the strips under their light; here the choices are scripted. Everything goes through the program as a person would use it.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drydown.demo.drive import follow
from drydown.errors import MachineFault
from drydown.jobs.ledger_rows import JobRow

PICTURE = "02-dune-crest"  #: warm neutrals: a cast shows at once
BETWEEN = ("B3", "B4", "0.4")  #: from the recipe as it stands, 0.4 of the way to the patch with more magenta


@dataclass(frozen=True, slots=True)
class Loop:
    """Drives one picture through the loop. `say` gets what is done and what the program answers."""

    root: Path
    done: int  #: jobs there were before
    deadline_s: float
    say: Callable[[str], None]
    show: Callable[[JobRow], None]

    def run(self) -> list[JobRow]:
        """Strip, strip, final: the three jobs, in order. Raises MachineFault where a command or a job fails."""
        first = self._dropped("proof", 1)
        self._command("choose", first.id, "--between", *BETWEEN[:2], "--at", BETWEEN[2])
        self._command("strip", first.id, "--next")
        second = self._last(2)
        self._command("choose", second.id, _beside_the_centre(second))
        return [first, second, self._dropped("final", 3)]

    def _dropped(self, hot_folder: str, number: int) -> JobRow:
        original = next((self.root / "originals" / "done").glob(f"{PICTURE}__*[!n]"))
        aside = self.root / "state" / f"{PICTURE}{original.suffix}"
        shutil.copyfile(original, aside)
        self.say(f"dropping {aside.name} into hot/{hot_folder}")
        aside.rename(self.root / "hot" / hot_folder / aside.name)
        return self._last(number)

    def _last(self, number: int) -> JobRow:
        rows = follow(self.root, self.done + number, deadline_s=self.deadline_s, show=self.show)
        if rows[-1].state != "completed":
            raise MachineFault(f"{rows[-1].source_name} is {rows[-1].state}: {rows[-1].reason}")
        return rows[-1]

    def _command(self, *words: str) -> None:
        self.say(f"$ drydown {' '.join(words)}")
        command = [sys.executable, "-m", "drydown", "--studio", str(self.root), *words]
        made = subprocess.run(command, capture_output=True, text=True, timeout=self.deadline_s)
        for line in made.stdout.strip().splitlines():
            self.say(f"  {line}")
        if made.returncode:
            raise MachineFault(f"drydown {words[0]} ended with {made.returncode}: {made.stderr.strip()}")


def _beside_the_centre(strip: JobRow) -> str:
    """The patch next to the centre of a strip: what the script takes for the best."""
    patches = strip.result.record["maker"]["patches"] if strip.result else []
    centre = next(index for index, patch in enumerate(patches) if patch["centre"])
    return str(patches[centre - 1 if centre else 1]["name"])
