from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drydown.intake.settle import Look, Settling

LOOK = Look(ino=7, size=100, mtime_ns=5_000, ctime_ns=5_000)


def test_one_look_is_never_enough_however_old_the_file_says_it_is() -> None:
    settling = Settling(2.0)
    assert not settling.observe("a.jpg", replace(LOOK, mtime_ns=0, ctime_ns=0), now=1e9)


def test_two_equal_looks_a_quiet_time_apart_settle_a_file() -> None:
    settling = Settling(2.0)
    settling.observe("a.jpg", LOOK, now=10.0)
    assert not settling.observe("a.jpg", LOOK, now=11.9)
    assert settling.observe("a.jpg", LOOK, now=12.0)


@pytest.mark.parametrize("field", ["size", "mtime_ns", "ctime_ns", "ino"])
def test_a_file_that_changes_in_any_way_starts_its_quiet_time_over(field: str) -> None:
    settling = Settling(2.0)
    settling.observe("a.jpg", LOOK, now=10.0)
    changed = replace(LOOK, **{field: getattr(LOOK, field) + 1})
    assert not settling.observe("a.jpg", changed, now=12.0)
    assert not settling.observe("a.jpg", changed, now=13.9)
    assert settling.observe("a.jpg", changed, now=14.0)


def test_a_time_stamp_from_2099_or_1970_settles_like_any_other() -> None:
    settling = Settling(2.0)
    for name, year_ns in (("old", 0), ("new", 4_070_908_800 * 10**9)):
        look = replace(LOOK, mtime_ns=year_ns)
        settling.observe(name, look, now=0.0)
        assert settling.observe(name, look, now=2.0)


def test_a_file_that_never_rests_waits_for_an_hour_and_is_still_taken_when_it_rests() -> None:
    settling = Settling(2.0)
    for second in range(3600):
        assert not settling.observe("scan.tif", replace(LOOK, size=second), now=float(second))
    look = replace(LOOK, size=3599)
    seen = settling.seen("scan.tif")
    assert seen is not None and seen.since == 0.0
    assert settling.observe("scan.tif", look, now=3601.0)


def test_a_file_that_replaces_another_of_its_name_has_arrived_when_it_came() -> None:
    settling = Settling(2.0)
    settling.observe("a.jpg", LOOK, now=0.0)
    settling.observe("a.jpg", replace(LOOK, ino=8), now=50.0)
    seen = settling.seen("a.jpg")
    assert seen is not None and seen.since == 50.0


def test_a_file_that_went_away_and_came_back_starts_over() -> None:
    settling = Settling(2.0)
    settling.observe("a.jpg", LOOK, now=0.0)
    settling.observe("b.jpg", LOOK, now=0.0)
    settling.keep_only({"b.jpg"})
    assert not settling.observe("a.jpg", LOOK, now=5.0)
    assert settling.observe("b.jpg", LOOK, now=5.0)


@given(st.lists(st.tuples(st.floats(0.01, 3.0), st.booleans()), min_size=1, max_size=30))
def test_a_file_is_settled_exactly_when_its_last_change_is_a_quiet_time_ago(
    steps: list[tuple[float, bool]],
) -> None:
    settling, now, size, changed_at = Settling(2.0), 0.0, 0, 0.0
    settling.observe("a", replace(LOOK, size=size), now)
    for wait_s, changes in steps:
        now += wait_s
        if changes:
            size, changed_at = size + 1, now
        assert settling.observe("a", replace(LOOK, size=size), now) == (now - changed_at >= 2.0)
