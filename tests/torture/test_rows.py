"""The frame of the torture: what a row comes to, and what the whole comes to by it."""

from __future__ import annotations

import sys

import pytest

from tests.torture import __main__ as torture
from tests.torture.row import Outcome, Row

GOOD = Row("good", "", short=lambda seed: Outcome(True, f"{seed} of"), long=lambda _: Outcome(True, "all of"))
BAD = Row("bad", "", short=lambda _: Outcome(False, "1 lost"), long=lambda _: Outcome(True, ""))
ENDS = Row("ends", "", short=lambda _: sys.exit(3), long=lambda _: Outcome(True, ""))
LONG_ONLY = Row("long-only", "", short=None, long=lambda _: Outcome(True, "an hour"))
ELSEWHERE = Row("elsewhere", "", short=GOOD.short, long=GOOD.long, missing=lambda: "no root")


@pytest.mark.parametrize(
    ("rows", "words", "code", "lines"),
    [
        ([GOOD, LONG_ONLY], ["--short", "--seed", "7"], 0, ["seed 7, short form", "ok       good"]),
        ([GOOD, BAD], ["--short"], 1, ["ok       good", "FAILED   bad"]),
        ([BAD, GOOD], ["--short", "good"], 0, ["ok       good"]),
        (
            [ENDS, GOOD],
            ["--short"],
            1,
            ["FAILED   ends", "the row's own process ended with", "ok       good"],
        ),
        ([LONG_ONLY], [], 0, ["ok       long-only", "an hour"]),
        ([ELSEWHERE, GOOD], ["--short"], 0, ["left out elsewhere          no root", "ok       good"]),
        ([ELSEWHERE, GOOD], [], 1, ["left out elsewhere          no root", "ok       good"]),
    ],
)
def test_a_line_a_row_and_an_exit_code_for_all(
    rows: list[Row],
    words: list[str],
    code: int,
    lines: list[str],
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(torture, "rows", lambda: {row.name: row for row in rows})
    monkeypatch.setattr(sys, "argv", ["torture", *words])
    assert torture.main() == code
    said = capfd.readouterr().out
    assert all(line in said for line in lines), said
    assert len(said.splitlines()) == 1 + sum(line.startswith(("ok", "FAILED", "left")) for line in lines)


def test_every_row_says_what_it_proves_and_has_a_name_of_its_own() -> None:
    found = torture.rows()
    assert len(found) >= 14 and all(row.says and name == row.name for name, row in found.items())
