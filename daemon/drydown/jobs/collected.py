"""Sheets that were taken away after they were published, and those of them that come back.

Whoever prints takes a sheet out of its folder; a power cut may undo that, and the sheet would be taken a second time. So its going is made
durable and remembered, and after a restart of the machine a sheet that is there again is set aside. What is *not* there never counts for
anything else: only the ledger and the staging name say what was published.
"""

from __future__ import annotations

import os

from drydown import durable
from drydown.jobs.joblog import JobLog
from drydown.jobs.ledger import Ledger
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.names import AGAIN
from drydown.jobs.places import has_marker, make_folders


def notice_collected(ledger: Ledger, *, limit: int = 5000) -> list[JobRow]:
    """Remember which of the newest published sheets are gone by now. To be called now and then. Raises OSError, MachineFault."""
    gone: dict[str, JobRow] = {}
    for row in ledger.sheets_out(collected=False, limit=limit):
        sheet = row.sheet
        if sheet is not None and has_marker(sheet.parent) and not os.path.lexists(sheet):
            gone[row.id] = row
    for folder in {row.prints for row in gone.values() if row.prints is not None}:
        durable.fsync_dir(folder)
    return [ledger.collected(job) for job in gone]


def take_back(ledger: Ledger, log: JobLog) -> tuple[int, bool]:
    """After a restart of the machine: set sheets that were taken away and are there again aside. How many, and whether every folder could be looked into."""
    count, whole = 0, True
    for row in ledger.sheets_out(collected=True):
        if (sheet := row.sheet) is None:
            continue
        try:
            if not has_marker(sheet.parent):
                whole = False  # offline: asked again at the next start
            elif os.path.lexists(sheet):
                aside = sheet.parent / AGAIN
                make_folders(aside)
                durable.rename_durable(sheet, aside / sheet.name, replace=True)
                count += 1
        except OSError as error:
            whole = False
            log.write("a sheet that came back was not set aside", row.id, reason=str(error))
    return count, whole
