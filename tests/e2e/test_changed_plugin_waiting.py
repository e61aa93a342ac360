"""A plugin file is changed while pictures wait, by the real daemon: each waiting job is held and says why; none is printed without the step."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

from drydown.demo.drive import follow
from drydown.discovery import source_hash
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.places import Places
from tests.e2e.studio import PAGELESS, RECIPE, drydown, make_studio, picture
from tests.e2e.warm import daemon

GATED = '''"""A step that waits until a gate is opened."""

import time
from pathlib import Path

from drydown.api import Field, Settings, hookimpl, step


class Veil(Settings):
    amount: float = Field(default=0.1, ge=0, le=1, description="How much.")


def veil(frame, settings, job, /):
    """Lay a veil."""
    (job.scratch / "at-the-gate").touch()
    while not (Path(__file__).parent / "gate").exists():
        time.sleep(0.02)
    return frame


@hookimpl
def drydown_steps():
    return [step(name="veil", settings=Veil, run=veil)]
'''


def wait_for(is_so: Callable[[], object]) -> None:
    end = time.monotonic() + 60
    while not is_so():
        assert time.monotonic() < end, "waited 60 s for nothing"
        time.sleep(0.05)


def planned(studio: Path) -> int:
    """How many jobs have their plan."""
    with LedgerView.read(Places(studio).ledger) as ledger:
        return sum(bool(row.spec_data) for row in ledger.jobs())


def test_jobs_that_wait_are_held_when_their_settings_no_longer_fit_and_go_on_once_they_do(
    tmp_path: Path,
) -> None:
    recipe = f'{RECIPE}\n[[step]]\nuse = "veil"\namount = 0.5\n'
    studio = make_studio(
        tmp_path / "studio",
        {
            "studio.toml": PAGELESS.replace("jobs_at_once = 2", "jobs_at_once = 1"),
            "recipes/small.toml": recipe,
            "plugins/veil.py": GATED,
        },
    )
    with daemon(studio):
        for number in range(3):
            picture(tmp_path / f"p{number}.jpg", seed=number).rename(
                studio / "hot" / "final" / f"p{number}.jpg"
            )
        wait_for(lambda: planned(studio) == 3 and [*(studio / "state" / "work").glob("*/*/at-the-gate")])
        (studio / "plugins" / "veil.py").write_text(GATED.replace("le=1,", "le=0.3,"))
        (studio / "plugins" / "gate").touch()
        rows = follow(studio, 3, deadline_s=60, show=lambda row: None)
        assert sorted(row.state for row in rows) == ["completed", "pending-held", "pending-held"]
        held = [row for row in rows if row.state == "pending-held"]
        for row in held:
            assert "plugins/veil.py" in row.reason and "veil.py line 9" in row.reason
            assert "amount" in row.reason and "retry the job" in row.reason
        assert len(list((studio / "prints" / "final").glob("*.tif"))) == 1
        (studio / "recipes" / "small.toml").write_text(recipe.replace("0.5", "0.2"))
        wait_for(lambda: "were read again" in (studio / "state" / "daemon.log").read_text())
        for row in held:
            assert drydown(studio, "retry", row.id).returncode == 0
        rows = follow(studio, 3, deadline_s=60, show=lambda row: None)
        assert [row.state for row in rows] == ["completed"] * 3, [row.reason for row in rows]
    veil = source_hash(studio / "plugins" / "veil.py")
    for row in held:
        (record,) = (studio / "prints" / "final").glob(f"*{row.id}.job.json")
        steps = json.loads(record.read_text())["spec"]["steps"]
        assert [(step["plugin"]["blake3"], step["settings"]) for step in steps if step["use"] == "veil"] == [
            (veil, {"amount": 0.2})
        ]
