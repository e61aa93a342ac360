"""Choosing by whoever holds the ledger: drying time, the house that plans the next job, and what is remembered."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from tests.service.proof_kit import opened, studio_with_strip

from drydown.errors import Conflict, Exit
from drydown.jobs.requests import Answer
from drydown.service.asks import obey
from drydown.service.choosing import choose
from drydown.service.picks import pick_of, ranking_of
from drydown.service.strips import printed_strip, published_s, steps_changed
from drydown.service.undoing import undo
from drydown.service.workshop import Workshop
from drydown.studio.resolve import resolve


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    return studio_with_strip(tmp_path_factory.mktemp("choosing"))


@pytest.fixture(autouse=True)
def nothing_settled(studio: tuple[Path, str]) -> None:
    (studio[0] / "recipes" / "small.settled.toml").unlink(missing_ok=True)


def after(workshop: Workshop, job: str, minutes: float) -> None:
    """Let the clock stand so many minutes after the strip came out."""
    out = published_s(workshop.desk.publisher.ledger.events(job))
    assert out is not None
    workshop.desk.publisher = replace(workshop.desk.publisher, clock=lambda: out + 60 * minutes)


def pick(workshop: Workshop, job: str, **more: object) -> Answer:
    args = {
        "job": job,
        "patches": ["C2"],
        "said": "C2",
        "settings": {"balance.magenta": -4.0},
        "light": "D50",
    }
    return choose(workshop, args | more)


@pytest.mark.parametrize(("minutes", "warned"), [(29.9, True), (30.1, False), (2000, False)])
def test_only_a_strip_that_had_no_time_to_dry_is_warned_of(
    studio: tuple[Path, str], minutes: float, warned: bool
) -> None:
    with opened(studio[0]) as workshop:
        after(workshop, studio[1], minutes)
        data = pick(workshop, studio[1]).data
    assert data is not None
    assert data["minutes"] == int(minutes)
    assert bool(data["warnings"]) is warned
    if warned:
        assert "look again in 1 min" in data["warnings"][0]


def test_the_next_job_is_planned_by_the_new_values_before_any_file_is_looked_at_again(
    studio: tuple[Path, str],
) -> None:
    with opened(studio[0]) as workshop:
        before = workshop.house
        assert pick(workshop, studio[1]).exit is Exit.OK
        found = resolve(workshop.house.studio, recipe="small").step("balance")
        assert found is not None and found.values()["magenta"] == -4.0
        assert workshop.house.signature == before.signature and workshop.house.changed(), (
            "the next look reads all anew"
        )
        undo(workshop, studio[1])
        found = resolve(workshop.house.studio, recipe="small").step("balance")
        assert found is not None and found.values()["magenta"] == 0.0


def test_what_a_person_wrote_a_moment_ago_counts_for_a_choice(studio: tuple[Path, str]) -> None:
    recipe = studio[0] / "recipes" / "small.toml"
    text = recipe.read_text()
    with opened(studio[0]) as workshop:
        recipe.write_text(text.replace("lift_L = 3.0", "lift_L = 2.0") + "\n# and a longer file\n")
        try:
            _, answer = obey(
                workshop, "choose", {"job": studio[1], "patches": ["C2"], "settings": {"balance.cyan": 1.0}}
            )
            assert answer.exit is Exit.CONFLICT and "tone-lift.lift_L was 3, and is 2 now" in answer.message
            recipe.write_text("stock = ")
            _, answer = obey(
                workshop, "choose", {"job": studio[1], "patches": ["C2"], "settings": {"balance.cyan": 1.0}}
            )
            assert answer.exit is Exit.STUDIO_FAULTY and "recipes/small.toml" in answer.message
        finally:
            recipe.write_text(text)
    assert not (studio[0] / "recipes" / "small.settled.toml").exists()


def test_a_look_at_a_ranking_settles_nothing_and_is_remembered(studio: tuple[Path, str]) -> None:
    job = studio[1]
    with opened(studio[0]) as workshop:
        ledger = workshop.desk.publisher.ledger
        names = ["C2", "B4", "B3"]
        data = pick(workshop, job, patches=names, ranked=True, keep=False, still_off=True).data
        assert (
            data is not None and not data["written"] and data["changes"] == [["balance.magenta", 0.0, -4.0]]
        )
        assert not (studio[0] / "recipes" / "small.settled.toml").exists()
        kept = ranking_of(ledger, job)
        assert kept is not None and (kept.patches, kept.still_off) == (tuple(names), True)


def test_an_undo_brings_the_pick_before_it_back(studio: tuple[Path, str]) -> None:
    job = studio[1]
    with opened(studio[0]) as workshop:
        ledger = workshop.desk.publisher.ledger
        pick(workshop, job)
        pick(workshop, job, patches=["B4"], said="B4", settings={"balance.magenta": 5.0})
        undo(workshop, job)
        kept = pick_of(ledger, job)
        assert kept is not None and kept.values == {"balance.magenta": -4.0}
        undo(workshop, job)
        assert pick_of(ledger, job) is None
        with pytest.raises(Conflict, match="nothing is settled"):
            undo(workshop, job)


def test_a_setting_that_goes_back_to_the_stock_is_no_longer_settled(studio: tuple[Path, str]) -> None:
    with opened(studio[0]) as workshop:
        pick(
            workshop,
            studio[1],
            settings={"sharpen.strength": 0.6, "balance.magenta": 2.0},
            typed=["sharpen.strength"],
        )
        data = pick(workshop, studio[1], settings={}, unset=["sharpen.strength"]).data
        assert data is not None and data["changes"] == [["sharpen.strength", 0.6, None]]
        assert dict(workshop.house.studio.settled["small"].now.values) == {"balance.magenta": 2.0}


def test_only_what_a_person_changed_in_the_recipe_counts_as_a_change(studio: tuple[Path, str]) -> None:
    with opened(studio[0]) as workshop:
        spec = printed_strip(workshop.desk.publisher.ledger.job(studio[1])).spec
        now = resolve(workshop.house.studio, recipe="small")
        assert steps_changed(spec, now, ()) == []
        own = resolve(
            workshop.house.studio, recipe="small", picture={"crop.focus_x": 0.3, "tone-lift.lift_L": 1}
        )
        assert steps_changed(spec, own, ()) == []
        other = spec.model_copy(update={"stock": spec.stock.model_copy(update={"name": "matte"})})
        assert steps_changed(other, now, ()) == ["it was for stock matte, and is for pearl now"]
        tone = next(step for step in spec.steps if step.name == "tone-lift")
        lifted = tone.model_copy(update={"settings": {**tone.settings, "lift_L": 1.0}})
        changed = spec.model_copy(
            update={"steps": tuple(lifted if step is tone else step for step in spec.steps)}
        )
        assert steps_changed(changed, now, ()) == ["tone-lift.lift_L was 1, and is 3 now"]
        assert steps_changed(changed, now, ["tone-lift.lift_L"]) == []
