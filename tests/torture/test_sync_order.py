"""The short form of the row `sync-order`, and its rules themselves: each kind of fault that is put into a trace is found."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.torture.strace_kit import calls, missing
from tests.torture.sync_order import judged, trace_line
from tests.torture.sync_rules import Rules

pytestmark = pytest.mark.skipif(bool(missing()), reason=missing())

Lines = list[str]


@pytest.fixture(scope="module")
def trace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The job line once, as the kernel saw it."""
    folder = tmp_path_factory.mktemp("line")
    trace, code = trace_line(folder, "printed", timeout_s=100)
    assert code == 0
    return trace


@pytest.fixture(scope="module")
def lines(trace: Path) -> Lines:
    """What its last process did: the traced run, without the one that only warms up."""
    with trace.open(encoding="latin-1") as file:
        found = file.readlines()
    last = (trace.parent / "printed.pid").read_text()
    return [line for line in found if line.startswith(f"{last} ")]


def wrong(lines: Lines) -> list[str]:
    return list(Rules().violations(calls(lines)))


def first(lines: Lines, pattern: str, *, after: int = 0) -> int:
    """The first line that matches."""
    return next(number for number in range(after, len(lines)) if re.search(pattern, lines[number]))


def without(*patterns: str) -> Callable[[Lines], Lines]:
    """The trace as if the last of these, each looked for after the one before, had never been asked for."""

    def doctor(lines: Lines) -> Lines:
        at = -1
        for pattern in patterns:
            at = first(lines, pattern, after=at + 1)
        return lines[:at] + lines[at + 1 :]

    return doctor


def earlier(what: str, than: str) -> Callable[[Lines], Lines]:
    """The trace as if `what` had been done just before `than`."""

    def doctor(lines: Lines) -> Lines:
        at = first(lines, what)
        rest = lines[:at] + lines[at + 1 :]
        before = first(rest, than)
        return [*rest[:before], lines[at], *rest[before:]]

    return doctor


def changed(pattern: str, old: str, new: str) -> Callable[[Lines], Lines]:
    """The first line that matches, with `old` replaced."""

    def doctor(lines: Lines) -> Lines:
        at = first(lines, pattern)
        assert re.search(old, lines[at])
        return [*lines[:at], re.sub(old, new, lines[at]), *lines[at + 1 :]]

    return doctor


def synced_again(lines: Lines) -> Lines:
    """A sync that failed, asked for once more, and then it says yes."""
    at = first(lines, SHEET_SYNC)
    return [*lines[:at], lines[at].replace("= 0", "= -1 EIO (Input/output error)"), *lines[at:]]


def removed(lines: Lines) -> Lines:
    """An original unlinked after its sheet is out."""
    at = first(lines, PUT_AWAY)
    path = re.search(r'"([^"]*\.jpg)"', lines[at])
    assert path is not None
    pid = lines[at].split()[0]
    return [*lines[:at], f'{pid} unlink("{path[1]}") = 0\n', *lines[at + 1 :]]


SHEET_SYNC = r"fsync\(\d+<.*/1/sheet\.tif>"
STAGED = r"rename\(.*sheet\.tif.*\.stage-"
PUBLISHED = r"renameat2\(.*\.stage-.*\.tif"
PRINTS_SYNC = r"fsync\(\d+<[^>]*/prints/final>"
LEDGER_SYNC = r"fdatasync\(\d+<[^>]*/ledger\.db>"
JOURNAL_SYNC = r"fdatasync\(\d+<[^>]*/ledger\.db-(journal|wal)>"
CLAIMED = r'renameat2\(\d+<[^>]*/hot/final>, "[abc]\.jpg"'
PUT_AWAY = r"renameat2\(.*/\.taken/.*\.jpg.*/originals/done/"
FAULTS = {
    "content not synced": (without(SHEET_SYNC), "gets its name before its content is synced"),
    "staged, folder not synced": (without(STAGED, PRINTS_SYNC), "prints/final is not synced after the rename"),
    "published, folder not synced": (without(PUBLISHED, PRINTS_SYNC), "the ledger is written while"),
    "claimed, new folder not synced": (without(CLAIMED, r"fsync\(\d+<[^>]*/\.taken/\w+>"), "is not synced after the rename"),
    "claimed, hot folder not synced": (without(CLAIMED, r"fsync\(\d+<[^>]*/hot/final>"), "is not synced after the rename"),
    "claimed folder's own name not synced": (without(r"mkdirat\(", r"fsync\(\d+<[^>]*/\.taken>"), "is not synced after"),
    "claimed before its note": (without(r'renameat?\(.*"\.job\.json"'), "before its note lies there"),
    "no marker": (without(r"rename\(.*/\.staged\""), "without a marker"),
    "published too early": (earlier(PUBLISHED, r"rename\(.*/\.staged\""), "published before the ledger says so"),
    "put away too early": (earlier(PUT_AWAY, PUBLISHED), "put away before the ledger says"),
    "begun too early": (earlier(r'mkdir\("[^"]*/state/work/\w+/1".*= 0', CLAIMED), "begins before the ledger counts it"),
    "a sync failed": (changed(SHEET_SYNC, r"= 0$", "= -1 EIO (Input/output error)"), "though its sync had failed"),
    "a sync asked again": (synced_again, "the second answer is not to be believed"),
    "a replacing rename": (changed(PUBLISHED, "RENAME_NOREPLACE", "0"), "would replace another sheet"),
    "an original removed": (removed, "an original is only ever moved"),
}  # fmt: skip


def test_the_job_line_reaches_the_disk_in_the_order_that_a_power_cut_asks_for(trace: Path) -> None:
    published, found = judged(trace)
    assert published >= 3 and not found


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_in_the_order_is_found(lines: Lines, fault: str) -> None:
    doctor, said = FAULTS[fault]
    assert not wrong(lines)
    found = wrong(doctor(lines))
    assert any(said in one for one in found), found


def test_a_commit_that_is_not_synced_does_not_count(lines: Lines) -> None:
    for sync in (LEDGER_SYNC, JOURNAL_SYNC):
        silent = [line for line in lines if not re.search(sync, line)]
        assert len(silent) < len(lines)
        assert any("before the ledger says so for good" in one for one in wrong(silent))


def test_calls_that_were_interrupted_names_that_are_bytes_and_open_folders_are_read_as_they_are() -> None:
    found = list(
        calls(
            [
                "7 fsync(5</a/b> <unfinished ...>\n",
                '8 renameat(3</a>, "n\\303\\244me.jpg", AT_FDCWD</c>, "/d/e\\"f") = 0\n',
                "7 <... fsync resumed>) = -1 EIO (Input/output error)\n",
                '7 write(4</a/log>, "one\\n", 4) = 4\n',
                "7 fsync(5</a/never> <unfinished ...>\n",
            ]
        )
    )
    assert [(call.name, call.error) for call in found] == [("renameat", ""), ("fsync", "EIO"), ("write", "")]
    assert found[0].paths == ("/a/n\xc3\xa4me.jpg", '/d/e"f')
    assert (found[1].paths, found[2].paths, found[2].text) == (("/a/b",), ("/a/log",), "one\n")


def test_what_the_ledger_has_said_stays_said_while_it_says_more(lines: Lines) -> None:
    """Of two jobs at once, one's attempt begins while the other's commit is under way."""
    begins = first(lines, r'mkdir(at)?\(.*/state/work/[0-9a-z]+/\d+"')
    more = next(
        line
        for line in reversed(lines[:begins])
        if re.search(r"pwrite64\(.*ledger\.db(-wal|-journal)?>", line)
    )
    assert wrong([*lines[:begins], more, *lines[begins:]]) == []
