"""Row `seeded-bugs`: the proofs are proved. Each of the bugs in `tests.torture.bugs` must be caught by the row, or the check, that is there for it."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

from drydown import durable
from tests.jobs.crash_kit import in_a_process_killed_at
from tests.torture import crash_points, strace_kit
from tests.torture.bugs import BUGS, Bug
from tests.torture.line_kit import SCENARIOS, Line, Scenario
from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row
from tests.torture.strace_kit import calls
from tests.torture.sync_order import trace_line
from tests.torture.sync_rules import Rules

TIMEOUT_S = 300.0


def after_renames(line: Line, scenario: Scenario, before: Callable[[], None]) -> list[int]:
    """The steps of a run with the bug that come right after a rename: where the folders have just turned, and the ledger has not."""
    names = line.folder.with_name("steps")

    def work() -> None:
        listener = durable.on_step

        def listen(name: str) -> None:
            with names.open("a") as file:
                file.write(f"{name}\n")
            listener(name)

        durable.on_step = listen
        crash_points.run(line, scenario, before=before)

    names.write_text("")
    line.lay_out(scenario)
    in_a_process_killed_at(crash_points.NEVER, work, look=line.look)
    return [number for number, name in enumerate(names.read_text().splitlines(), start=1) if name == "rename"]


def caught_by_ends(line: Line, bug: Bug, *, every: bool) -> str:
    """The first complaint when the program ends at its steps; the short form tries those right after a rename. Empty when there is none."""
    scenario = next(one for one in SCENARIOS if one.name == bug.scenario)
    steps = range(1000) if every else after_renames(line, scenario, bug.apply)
    for step in steps:
        killed, wrong = crash_points.ended_at(line, scenario, step, before=bug.apply)
        if wrong:
            return wrong[0]
        if not killed:
            break
    return ""


def caught_by_trace(folder: Path, bugs: list[Bug]) -> dict[str, str]:
    """For each bug the first violation in its own process's part of one trace; empty where there is none."""
    trace, code = trace_line(folder, *(bug.name for bug in bugs), timeout_s=TIMEOUT_S)
    assert code == 0, f"the traced program ended with {code}"
    with trace.open(encoding="latin-1") as lines:
        found = list(calls(lines))
    caught = {}
    for bug in bugs:
        pid = int((folder / f"{bug.name}.pid").read_text())
        mine = (call for call in found if call.thread == pid)
        caught[bug.name] = next(iter(Rules().violations(mine)), "")
    return caught


def caught_by_check(folder: Path, bug: Bug) -> str:
    """What the bug's own check says, in a process of its own; empty when it says nothing."""
    answer = folder / f"{bug.name}.answer"

    def work() -> None:
        assert bug.check is not None
        bug.apply()
        try:
            bug.check(folder / bug.name)
            answer.write_text("")
        except AssertionError:
            answer.write_text(f"broken: {bug.check.__name__}")

    in_a_process_killed_at(crash_points.NEVER, work, look=crash_points.nothing)
    return answer.read_text()


def caught(bugs: tuple[Bug, ...], *, every: bool) -> dict[str, str]:
    """Name of the bug -> what caught it; empty where nothing did."""
    found: dict[str, str] = {}
    with quick_folder() as folder:
        line = Line(folder / "line")
        for bug in bugs:
            match bug.catcher:
                case "crash-points":
                    found[bug.name] = caught_by_ends(line, bug, every=every)
                case "protocol":
                    found[bug.name] = caught_by_check(folder, bug)
    with tempfile.TemporaryDirectory() as folder_name:
        return found | caught_by_trace(
            Path(folder_name), [bug for bug in bugs if bug.catcher == "sync-order"]
        )


def _form(seed: int, *, every: bool) -> Outcome:
    found = caught(BUGS, every=every)
    for bug in BUGS:
        said = found[bug.name]
        print(f"{'caught' if said else 'MISSED'}  {bug.name}: {bug.catcher}: {said}", file=sys.stderr)
    by = [
        f"{sum(bug.catcher == name for bug in BUGS)} by {name}"
        for name in ("crash-points", "sync-order", "protocol")
    ]
    count = sum(bool(said) for said in found.values())
    return Outcome(count == len(BUGS), f"{count} of {len(BUGS)} bugs caught: {', '.join(by)}")


ROW = Row(
    name="seeded-bugs",
    says="bugs that somebody might make in the protocol are each caught by the proof that is there for them",
    short=partial(_form, every=False),
    long=partial(_form, every=True),
    missing=strace_kit.missing,
)
