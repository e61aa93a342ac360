"""Bugs that somebody might make, as changes of the product's own source, put into a running process and never into a file.

Each says what it replaces in which function; a text that does not stand there exactly once is an error, so a bug cannot die unseen when the code changes.
"""

from __future__ import annotations

import inspect
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any, Literal

from drydown import durable
from drydown.intake import claim
from drydown.jobs import desk, engine, ledger, ledger_file, originals, publish, recovery
from tests.torture import protocol

#: What must catch it: ends at steps of the job line, the order of syncs, or a check of `tests.torture.protocol`.
Catcher = Literal["crash-points", "sync-order", "protocol"]


@dataclass(frozen=True, slots=True)
class Edit:
    """In `module.function` (`Class.method` for methods) each key of `changes` becomes its value."""

    module: ModuleType
    function: str
    changes: Mapping[str, str]

    def apply(self) -> None:
        """Put it into this process. Raises LookupError for a text that does not stand there exactly once."""
        owner: Any = self.module
        *outer, name = self.function.split(".")
        for part in outer:
            owner = getattr(owner, part)
        function = getattr(owner, name)
        source = textwrap.dedent(inspect.getsource(function))
        for old, new in self.changes.items():
            if source.count(old) != 1:
                raise LookupError(
                    f"{self.module.__name__}.{self.function} does not say {old!r} once; mend the bug"
                )
            source = source.replace(old, new)
        made: dict[str, Any] = {}
        code = compile(f"from __future__ import annotations\n{source}", self.function, "exec")
        exec(code, function.__globals__, made)
        setattr(owner, name, made[name])


@dataclass(frozen=True, slots=True)
class Bug:
    """`scenario`: of the job line, for `crash-points`; `check`: name of the one that catches it, for `protocol`."""

    name: str
    catcher: Catcher
    edits: tuple[Edit, ...]
    scenario: str = "printed"
    check: Callable[[Path], None] | None = None

    def apply(self) -> None:
        for edit in self.edits:
            edit.apply()


_RENAME = "durable.rename_durable(_prints(row) / stage_name(row.id), _sheet(row))"
_HAND_OVER = "return self._hand_over(self.ledger.publishing(row.id, self.boot))"
_STAGE_GONE = "if not os.path.lexists(prints / stage_name(row.id)):"

BUGS = (
    Bug(
        "published before the ledger says so",
        "sync-order",  # its end is a question by now, not a second sheet: recovery holds a staged sheet that is gone
        (
            Edit(
                publish,
                "Publisher.publish",
                {
                    _HAND_OVER: f"{_RENAME}; self.ledger.publishing(row.id, self.boot); return self._after_the_rename(row)"
                },
            ),
        ),
    ),
    Bug(
        "made again because the sheet is not there",
        "crash-points",
        (
            Edit(
                publish,
                "Publisher._resume_publishing",
                {
                    _STAGE_GONE: "if not os.path.lexists(_sheet(row)):\n"
                    "        self._hold(row, Question.PLACE, 'It is gone.'); return self.ledger.release(row.id)\n"
                    "    if False:"
                },
            ),
        ),
    ),
    Bug("no adoption", "crash-points", (Edit(recovery, "adopt", {"run.adoptables.values()": "()"}),)),
    Bug(
        "no marker that a sheet was staged",
        "crash-points",
        (Edit(publish, "Publisher.stage", {"if row.taken is not None:": "if False:"}),),
        scenario="ledger lost at the end",
    ),
    Bug(
        "an original removed instead of moved",
        "crash-points",
        (Edit(originals, "_empty", {"if row.copied:": "if True:"}),),
    ),
    Bug(
        "a sheet that is not synced",
        "sync-order",
        (Edit(publish, "Publisher._bring", {"durable.fsync_file(fd)": "pass"}),),
    ),
    Bug(
        "a folder that is not synced",
        "sync-order",
        (Edit(durable, "rename_durable", {"fsync_dir(_parent(dst), dir_fd=dst_dir_fd)": "pass"}),),
    ),
    Bug(
        "the folder left behind is not synced",
        "sync-order",
        (Edit(durable, "rename_durable", {"fsync_dir(_parent(src), dir_fd=src_dir_fd)": "pass"}),),
    ),
    Bug(
        "a write-ahead log that is not synced",
        "sync-order",
        (
            Edit(
                ledger_file,
                "journal_for",
                {'"FULL") if wal_is_safe(version) else ("TRUNCATE", "EXTRA")': '"NORMAL")'},
            ),
            Edit(
                ledger_file,
                "_set_journal",
                {"_SYNCHRONOUS[synchronous]": "(_SYNCHRONOUS | {'NORMAL': 1})[synchronous]"},
            ),
        ),
    ),
    Bug(
        "an attempt counted after its start",
        "sync-order",
        (
            Edit(
                engine,
                "Engine.start_ready",
                {
                    "number = ledger.start(row.id)": "number = row.attempt + 1",
                    "future.add_done_callback": "ledger.start(row.id); future.add_done_callback",
                },
            ),
        ),
    ),
    Bug(
        "claimed without a note",
        "sync-order",
        (Edit(claim, "_move_in", {"record.write(note, job_fd=at.job)": "pass"}),),
    ),
    Bug(
        "a name that replaces another sheet",
        "sync-order",
        (Edit(publish, "Publisher._hand_over", {"_sheet(row))": "_sheet(row), replace=True)"}),),
    ),
    Bug(
        "a power cut taken for a plain end",
        "protocol",
        (
            Edit(
                publish,
                "Publisher._resume_publishing",
                {"if self.boot and row.boot_id == self.boot:": "if True:"},
            ),
        ),
        check=protocol.a_power_cut_is_asked_about,
    ),
    Bug(
        "the answer of an old attempt believed",
        "protocol",
        (Edit(desk, "Desk.conclude", {"row.attempt != result.attempt": "False"}),),
        check=protocol.a_late_answer_changes_nothing,
    ),
    Bug(
        "the staged sheet's hash not looked at",
        "protocol",
        (Edit(publish, "Publisher.staged_is_whole", {"file_hash(staged) == row.sheet_blake3": "True"}),),
        check=protocol.a_cut_sheet_is_not_published,
    ),
    Bug(
        "a failing sync ignored",
        "protocol",
        (
            Edit(
                durable,
                "fsync_file",
                {'_announced("fsync"):': '_announced("fsync"), contextlib.suppress(OSError):'},
            ),
        ),
        check=protocol.a_sheet_that_cannot_be_synced_is_not_published,
    ),
    Bug(
        "a ledger with a wrong letter believed",
        "protocol",
        (Edit(ledger, "Ledger._check_seals", {'seal_of(row) != row["seal"]': "False"}),),
        check=protocol.a_wrong_letter_in_the_ledger_is_noticed,
    ),
)
