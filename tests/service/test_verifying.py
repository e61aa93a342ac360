"""The last verification of a stock's profile decides how wide its first strip reaches, and nothing but that very profile counts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.e2e.studio import make_studio, picture
from tests.service.proof_kit import opened

from drydown.errors import Exit
from drydown.jobs import requests
from drydown.jobs.ledger_view import LedgerView
from drydown.service.asks import obey
from drydown.service.verifying import with_verdict
from drydown.service.workshop import Workshop
from drydown.studio.resolve import Resolved, resolve
from drydown.studio.settled import hash_file


@pytest.fixture
def workshop(tmp_path: Path) -> Iterator[Workshop]:
    with opened(make_studio(tmp_path / "studio")) as found:
        yield found


def strip_of(workshop: Workshop, **written: object) -> Resolved:
    picture = {"test-strip": written} if written else None
    return resolve(workshop.house.studio, recipe="small", maker="test-strip", sheet="letter", picture=picture)


def told(workshop: Workshop, resolved: Resolved) -> bool:
    found = with_verdict(resolved, workshop.desk.publisher.ledger)
    return bool(found.maker.values()["verified"])


def note(workshop: Workshop, *, passed: bool, comparable: bool = True, profile: str = "") -> Exit:
    own = hash_file(workshop.house.studio.profile("pearl"))
    report = {"passed": passed, "comparable": comparable, "profile_blake3": profile or own}
    _, answer = obey(workshop, "verified", {"stock": "pearl", "report": json.dumps(report)})
    return answer.exit


def test_a_passed_verification_of_this_profile_is_told_to_the_strip(workshop: Workshop) -> None:
    assert not told(workshop, strip_of(workshop))
    assert note(workshop, passed=True) is Exit.OK
    found = with_verdict(strip_of(workshop), workshop.desk.publisher.ledger)
    assert found.maker.values()["verified"] is True and found.maker.origin["verified"] == "verification"


def test_a_strip_that_is_planned_after_it_starts_with_the_small_step(
    workshop: Workshop, tmp_path: Path
) -> None:
    asked = {
        "recipe": "small",
        "sheet_maker": "test-strip",
        "sheet": "letter",
        "files": [str(picture(tmp_path / "a.tif"))],
    }
    (before,), _ = obey(workshop, "run", asked)
    note(workshop, passed=True)
    (after,), _ = obey(workshop, "run", asked)
    assert before.spec is not None and before.spec.maker.settings["verified"] is False
    assert after.spec is not None and after.spec.maker.settings["verified"] is True
    assert after.spec.maker.origin["verified"] == "verification"


def test_the_last_one_counts(workshop: Workshop) -> None:
    note(workshop, passed=True)
    note(workshop, passed=False)
    assert not told(workshop, strip_of(workshop))
    note(workshop, passed=True)
    note(workshop, passed=False, comparable=False)  # across ISO 13655 modes it says nothing
    assert told(workshop, strip_of(workshop))


def test_another_profiles_verification_and_a_changed_file_count_for_nothing(workshop: Workshop) -> None:
    note(workshop, passed=True, profile="0" * 64)
    assert not told(workshop, strip_of(workshop))
    note(workshop, passed=True)
    profile = workshop.house.studio.profile("pearl")
    profile.write_bytes(profile.read_bytes() + b"\0")
    assert not told(workshop, strip_of(workshop))


def test_what_a_person_has_written_stays_and_finals_are_left_alone(workshop: Workshop) -> None:
    note(workshop, passed=True)
    assert not told(workshop, strip_of(workshop, verified=False))
    final = resolve(workshop.house.studio, recipe="small")
    assert with_verdict(final, workshop.desk.publisher.ledger) is final


def test_history_is_appended_and_read_without_writing(workshop: Workshop) -> None:
    note(workshop, passed=True)
    note(workshop, passed=False)
    with LedgerView.read(workshop.places.ledger) as view:
        rows = view.verifications("pearl")
        assert [row.passed for row in rows] == [True, False] and rows[0].stock == "pearl"
        assert rows[0].time <= rows[1].time and view.verifications("matte") == []
        assert view.jobs() == []


def test_an_unknown_stock_is_refused(workshop: Workshop) -> None:
    _, answer = obey(workshop, "verified", {"stock": "none", "report": "{}"})
    assert answer.exit is Exit.NOT_FOUND and workshop.desk.publisher.ledger.verifications("none") == []


def test_the_daemon_understands_the_request(tmp_path: Path) -> None:
    name = requests.ask(tmp_path, "verified", {"stock": "pearl", "report": "{}"}, now=0)
    taken = requests.take(tmp_path, name, now=1)
    assert taken is not None and taken.args == {"stock": "pearl", "report": "{}"}
    with pytest.raises(requests.BadRequest):
        requests.ask(tmp_path, "verified", {"stock": "pearl"}, now=0)
