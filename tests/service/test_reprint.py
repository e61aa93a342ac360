"""What differs between then and now, each thing by name."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.service.proof_kit import opened, studio_with_strip

from drydown.errors import Exit
from drydown.jobs.spec import JobSpec
from drydown.service.asks import obey
from drydown.service.reprint import ready
from drydown.service.workshop import Workshop


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    return studio_with_strip(tmp_path_factory.mktemp("reprint"))


@pytest.fixture
def workshop(studio: tuple[Path, str]) -> Iterator[Workshop]:
    with opened(studio[0]) as workshop:
        yield workshop


@pytest.fixture
def spec(studio: tuple[Path, str], workshop: Workshop) -> JobSpec:
    found = workshop.desk.publisher.ledger.job(studio[1]).spec
    assert found is not None
    return found


def test_nothing_differs_where_nothing_has_changed(spec: JobSpec, workshop: Workshop) -> None:
    again = ready(spec, workshop.house)
    assert (again.differs, again.cannot) == ((), ())
    assert again.spec == spec


def test_every_version_and_plugin_that_differs_is_named(spec: JobSpec, workshop: Workshop) -> None:
    old = spec.model_copy(
        update={
            "versions": {**spec.versions, "drydown": "0.0.9", "pillow": "1.0", "gone-library": "3.1"},
            "steps": tuple(
                step.model_copy(update={"plugin": step.plugin.model_copy(update={"blake3": "0" * 64})})
                for step in spec.steps
            ),
        }
    )
    again = ready(old, workshop.house)
    assert not again.cannot
    assert f"drydown was 0.0.9, and is {spec.versions['drydown']}" in again.differs
    assert f"pillow was 1.0, and is {spec.versions['pillow']}" in again.differs
    assert "gone-library was 3.1, and is not there" in again.differs
    assert [text for text in again.differs if "has changed" in text] == [
        f"{spec.maker.plugin.offered_by} has changed"
    ], "said once, not for each step"
    assert again.spec.steps == spec.steps and again.spec.versions == spec.versions


def test_settings_that_a_step_does_not_take_any_more_keep_the_sheet_from_being_made(
    spec: JobSpec, workshop: Workshop
) -> None:
    first = spec.steps[1]
    odd = first.model_copy(update={"settings": {**first.settings, "turn_degrees": 2}})
    again = ready(spec.model_copy(update={"steps": (spec.steps[0], odd, *spec.steps[2:])}), workshop.house)
    assert again.cannot == (f"step {first.name} does not take its settings any more (turn_degrees)",)


def test_a_kept_file_that_is_gone_is_named(spec: JobSpec, workshop: Workshop) -> None:
    convert = next(step for step in spec.steps if step.use == "convert")
    imitates = convert.model_copy(
        update={"settings": {**convert.settings, "hard_proof": True, "imitate": "/old/place/0123.icc"}}
    )
    steps = tuple(imitates if step is convert else step for step in spec.steps)
    again = ready(spec.model_copy(update={"steps": steps}), workshop.house)
    assert again.cannot == ("state/profiles/0123.icc, which step convert needs, is gone",)


def test_only_a_completed_job_has_a_sheet_to_make_again(studio: tuple[Path, str], workshop: Workshop) -> None:
    (row,), _ = obey(workshop, "reprint", {"job": studio[1]})
    assert row.spec is not None and row.spec.shown_as == studio[1]
    _, answer = obey(workshop, "reprint", {"job": row.id})
    assert answer.exit is Exit.CONFLICT and "has no sheet to make again" in answer.message
    assert workshop.reception.planned(row).spec == row.spec, "planned again it is still that reprint"
    obey(workshop, "cancel", {"job": row.id})
    _, answer = obey(workshop, "retry", {"job": row.id})
    assert f"drydown reprint {studio[1]}" in answer.message
