"""Row `large-pictures`: each built-in step on a picture of 100 megapixels, as the plugin contract tries anybody's."""

from __future__ import annotations

import tempfile
from pathlib import Path

from drydown.testing.cases import MEMORY_MB
from drydown.testing.large import peak_mb
from tests.steps.step_cases import STEPS
from tests.torture.row import Outcome, Row, tell


def _every_step(seed: int) -> Outcome:
    wrong, peaks_mb = list[str](), list[float]()
    with tempfile.TemporaryDirectory() as folder:
        for case in STEPS:
            try:
                peaks_mb.append(peak_mb(case, Path(folder)))
            except AssertionError as error:
                wrong.append(f"{case}: {error}")
                continue
            if peaks_mb[-1] > MEMORY_MB:
                wrong.append(f"{case}: {peaks_mb[-1]:.0f} MB")
    tell(wrong)
    figures = f"{len(STEPS)} steps on 100 megapixels (600 MB): at most {max(peaks_mb, default=0):.0f} of {MEMORY_MB} MB; {len(wrong)} wrong"
    return Outcome(not wrong, figures)


ROW = Row(
    name="large-pictures",
    says="a picture of 100 megapixels through every built-in step in bounded memory",
    short=_every_step,
    long=_every_step,
)
