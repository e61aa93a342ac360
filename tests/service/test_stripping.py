"""Strips that a command asks for: one at a time for one picture, planned again without losing what was asked."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.e2e.shelf import Shelf
from tests.e2e.studio import STOCK, picture
from tests.service.proof_kit import opened, printed, studio_with_strip

from drydown.errors import Exit
from drydown.service.asks import obey
from drydown.service.stripping import own_settings

POINTS = [{"balance.magenta": 2.0}, {"balance.magenta": -2.0}]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    return Shelf(tmp_path_factory.mktemp("stripping"))


@pytest.fixture
def studio(shelf: Shelf) -> tuple[Path, str]:
    job = shelf.job("strip", lambda: studio_with_strip(shelf.here)[1])
    return shelf.here / "studio", job


def ask_next(job: str, points: object = POINTS) -> dict[str, object]:
    return {"jobs": [job], "next": True, "points": json.dumps(points)}


def test_a_second_strip_of_one_picture_waits_for_the_first_to_be_judged(studio: tuple[Path, str]) -> None:
    root, job = studio
    with opened(root) as workshop:
        (first,), answer = obey(workshop, "strip", ask_next(job))
        assert answer.exit is Exit.OK and first.state == "pending"
        for args in (ask_next(job), {"jobs": [job]}):
            rows, answer = obey(workshop, "strip", args)
            assert not rows and answer.exit is Exit.CONFLICT
            assert f"a strip of job {job} is under way already (job {first.id}, pending)" in answer.message
        assert len(workshop.desk.publisher.ledger.live()) == 1
        obey(workshop, "cancel", {"job": first.id})
        _, answer = obey(workshop, "strip", ask_next(job))
        assert answer.exit is Exit.OK


def test_a_next_strip_that_is_planned_again_still_has_its_points(studio: tuple[Path, str]) -> None:
    root, job = studio
    with opened(root) as workshop:
        (row,), _ = obey(workshop, "strip", ask_next(job))
        again = workshop.reception.planned(row)
        assert again.spec is not None and row.spec is not None
        assert again.spec.maker.settings["points"] == POINTS
        assert (again.spec.stem, again.spec.asked) == ("harbour", {"test-strip": {"points": POINTS}})
        assert again.spec == row.spec


def test_what_cannot_be_planned_is_said_before_anything_is_copied(studio: tuple[Path, str]) -> None:
    root, job = studio
    with opened(root) as workshop:
        for args, says in (
            (ask_next(job, [{"magenta": 2.0}]), "names no setting"),
            ({"jobs": [job], "sheet": "13x19"}, "13x19"),
            ({"jobs": ["nothere1"]}, "no job"),
            ({"jobs": [f"{number:08d}" for number in range(7)]}, "no job"),
        ):
            rows, answer = obey(workshop, "strip", args)
            assert not rows and answer.exit is not Exit.OK and says in answer.message
        (root / "profiles" / "pearl.icc").unlink()
        _, answer = obey(workshop, "strip", ask_next(job))
        assert "profiles/pearl.icc" in answer.message
        taken = workshop.places.copies
        assert not taken.exists() or not list(taken.iterdir())


def test_a_strip_of_a_final_is_made_on_the_sheet_of_the_proof_folder(
    studio: tuple[Path, str], tmp_path: Path
) -> None:
    root, _ = studio
    final = printed(root, picture(tmp_path / "dunes.tif", seed=4, width=900, height=600), "--maker", "final")
    with opened(root) as workshop:
        (row,), _ = obey(workshop, "strip", {"jobs": [final]})
        assert row.spec is not None and row.hot_folder == "proof"
        assert (row.spec.maker.use, row.spec.sheet.name, row.spec.final_sheet.name) == (
            "test-strip",
            "letter",
            "4x6",
        )
        obey(workshop, "cancel", {"job": row.id})
        (row,), _ = obey(workshop, "strip", {"jobs": [final], "sheet": "4x6"})
        assert row.spec is not None and (row.hot_folder, row.spec.sheet.name) == ("run", "4x6")


def test_a_group_whose_pictures_have_gone_or_changed_is_refused_by_name(
    studio: tuple[Path, str], tmp_path: Path
) -> None:
    root, job = studio
    (root / "stocks" / "pearl.toml").write_text("refeed = true\n" + STOCK)
    source = picture(tmp_path / "dunes.tif", seed=4, width=900, height=600)
    other = printed(root, source, "--maker", "final")
    picture(source, seed=5)
    with opened(root) as workshop:
        _, answer = obey(workshop, "strip", {"jobs": [job, other]})
        assert (
            answer.exit is Exit.CONFLICT
            and f"no longer the picture that job {other} was made from" in answer.message
        )
        source.unlink()
        _, answer = obey(workshop, "strip", {"jobs": [job, other]})
        assert answer.exit is Exit.NOT_FOUND and f"the original of job {other}" in answer.message


def test_only_what_a_picture_brought_along_is_its_own(studio: tuple[Path, str], tmp_path: Path) -> None:
    root, _ = studio
    source = picture(tmp_path / "dunes.tif", seed=4, width=900, height=600)
    (tmp_path / "dunes.toml").write_text("copies = 2\n[crop]\nfocus_y = 0.1\n[test-strip]\npatches = 7\n")
    job = printed(root, source)
    with opened(root) as workshop:
        spec = workshop.desk.publisher.ledger.job(job).spec
        assert spec is not None
        assert own_settings(spec) == {"crop": {"focus_y": 0.1}, "test-strip": {"patches": 7}}
        (row,), _ = obey(workshop, "strip", ask_next(job))
        assert row.spec is not None
        assert own_settings(row.spec) == {"crop": {"focus_y": 0.1}, "test-strip": {"patches": 7}}
