"""What a person does in the demonstration: drops a picture, types a command, waits for the sheet."""

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


@dataclass(slots=True)
class Hands:
    """Everything goes through the program. `say` gets what is done and what the program answers."""

    root: Path
    jobs: int  #: that there are by now
    deadline_s: float
    say: Callable[[str], None]
    show: Callable[[JobRow], None]

    def drop(self, picture: str, hot_folder: str) -> JobRow:
        """Drop a picture, that was printed before, into a hot folder again. Raises MachineFault where its job fails."""
        original = next((self.root / "originals" / "done").glob(f"{picture}__*[!n]"))
        aside = self.root / "state" / f"{picture}{original.suffix}"
        shutil.copyfile(original, aside)
        self.say(f"dropping {aside.name} into hot/{hot_folder}")
        aside.rename(self.root / "hot" / hot_folder / aside.name)
        return self.next_job()

    def next_job(self) -> JobRow:
        """The one job more than there were, once it is done. Raises MachineFault where it fails."""
        self.jobs += 1
        row = follow(self.root, self.jobs, deadline_s=self.deadline_s, show=self.show)[-1]
        if row.state != "completed":
            raise MachineFault(f"{row.source_name} is {row.state}: {row.reason}")
        return row

    def command(self, *words: str) -> None:
        """Run `drydown WORDS` within the studio. Raises MachineFault where it fails."""
        self.say(f"$ drydown {' '.join(words)}")
        command = [sys.executable, "-m", "drydown", "--studio", str(self.root), *words]
        made = subprocess.run(
            command, cwd=self.root, capture_output=True, text=True, timeout=self.deadline_s, check=False
        )
        for line in made.stdout.strip().splitlines():
            self.say(f"  {line}")
        if made.returncode:
            raise MachineFault(f"drydown {words[0]} ended with {made.returncode}: {made.stderr.strip()}")
