"""A picture that is dropped again, by the real program: asked about in a hot folder, never where a command asked for the print."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from tests.e2e.studio import PAGELESS, drydown, make_studio, picture
from tests.e2e.warm import daemon
from tests.service.proof_kit import opened

from drydown.demo.drive import follow
from drydown.jobs.ledger import Arrival, LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.places import Places
from drydown.jobs.states import Question, Stage
from drydown.service.asks import take_files
from drydown.service.reception import Order
from drydown.service.workshop import Workshop

ASKING = PAGELESS.replace('repeated = "print"\n', "")


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio", {"studio.toml": ASKING})


def drop(source: Path, studio: Path, name: str) -> None:
    """Copy a picture into the hot folder `final`, whole at once."""
    aside = studio / "state" / name
    shutil.copyfile(source, aside)
    aside.rename(studio / "hot" / "final" / name)


def followed(studio: Path, jobs: int) -> dict[str, JobRow]:
    rows = follow(studio, jobs, deadline_s=60, show=lambda row: None)
    return {row.source_name: row for row in rows}


def test_of_three_drops_one_is_printed_one_more_when_it_is_approved_and_none_for_the_slip(
    studio: Path, tmp_path: Path
) -> None:
    harbour = picture(tmp_path / "harbour.jpg")
    with daemon(studio):
        drop(harbour, studio, "harbour.jpg")
        first = followed(studio, 1)["harbour.jpg"]
        assert first.state == "completed"
        drop(harbour, studio, "harbour (2).jpg")
        drop(harbour, studio, "slip.jpg")
        rows = followed(studio, 3)
        again, slip = rows["harbour (2).jpg"], rows["slip.jpg"]
        assert [row.question for row in (again, slip)] == [Question.REPEATED] * 2
        assert first.id in again.reason and first.id in slip.reason
        assert "approve the job; if it was a slip, cancel it" in drydown(studio, "show", slip.id).stdout
        assert drydown(studio, "approve", again.id).returncode == 0
        assert drydown(studio, "cancel", slip.id).returncode == 0
        done = drydown(studio, "retry", first.id, "--anyway")
        assert done.returncode == 0, done.stderr
        follow(studio, 4, deadline_s=60, show=lambda row: None)
    with LedgerView.read(Places(studio).ledger) as ledger:
        stages = sorted(row.stage for row in ledger.jobs())
    assert stages == [Stage.CANCELLED, Stage.DONE, Stage.DONE, Stage.DONE]
    assert len(list((studio / "prints" / "final").glob("*.tif"))) == 3
    assert len(list((studio / "originals" / "refused").glob("slip*.jpg"))) == 1


def dropped(workshop: Workshop, job: str, again_of: str = "") -> JobRow:
    """A job of the hot folder `final`, planned and not rendered."""
    taken = workshop.places.root / "hot" / "final" / ".taken" / job
    taken.mkdir(parents=True)
    picture(taken / "a.jpg")
    arrival = Arrival(job=job, hot_folder="final", taken=taken, original="a.jpg", again_of=again_of)
    return workshop.reception.arrived(arrival)


def window(row: JobRow) -> float:
    assert row.spec is not None
    return row.spec.repeat_hours


def test_only_a_drop_is_looked_at_and_not_what_a_command_asked_for(studio: Path, tmp_path: Path) -> None:
    with opened(studio) as workshop:
        first = dropped(workshop, "aaaaaaaa1")
        assert window(first) == 24
        assert window(dropped(workshop, "aaaaaaaa2", again_of=first.id)) == 0
        assert window(workshop.reception.planned(first, anyway=True)) == 0
        (run,) = take_files(workshop, Order("small"), [picture(tmp_path / "a.jpg")])
        assert window(run) == 0


@pytest.mark.parametrize("policy", ["hold", "print", "refuse"])
def test_a_plan_carries_what_the_hot_folder_and_the_daemon_table_say(tmp_path: Path, policy: str) -> None:
    text = PAGELESS.replace('repeated = "print"', f'repeated = "{policy}"') + "repeat_window_hours = 72\n"
    studio = make_studio(tmp_path / "studio", {"studio.toml": text})
    with opened(studio) as workshop:
        row = dropped(workshop, "aaaaaaaa1")
    assert row.spec is not None
    assert (row.spec.repeated, row.spec.repeat_hours) == (policy, 72)
