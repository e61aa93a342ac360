"""The record of a job, `….job.json`: versioned, and enough to make the sheet again without any ledger. Knows a job, no folders."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from drydown.jobs.ledger_rows import JobRow, iso
from drydown.jobs.names import SUFFIXES, sheet_prefix

if TYPE_CHECKING:
    from drydown.jobs.spec import AttemptResult, JobSpec

RECORD_VERSION = 1
BYTES_MAX = 8 << 20


@dataclass(frozen=True, slots=True)
class Published:
    """One file of a sheet: its kind, its name beside the record, its size and BLAKE3."""

    kind: str
    name: str
    bytes: int
    blake3: str


def as_json(record: JobSpec | AttemptResult) -> str:
    """A plan or a result as text. Unlike pydantic's own writer it keeps paths that are no text."""
    return json.dumps(record.model_dump(mode="json"), ensure_ascii=True)


def record_of(
    row: JobRow,
    *,
    now: float,
    state: str,
    kept: str,
    files: Iterable[Published] | None = None,
    result: AttemptResult | None = None,
) -> dict[str, Any]:
    """The record as plain values.

    `state`: RFC 8011's word, or empty in the record beside the sheet, which is written before the sheet is out. `kept`: where the original is
    put away, as a person would name it. `files`, `result`: of the attempt, where the ledger does not have them yet.
    """
    answered = row.result_data if result is None else result.model_dump(mode="json")
    if files is None:
        files = files_of(row.stem, row.id, answered.get("outputs", ())) if row.sheet_name else ()
    return {
        "record": RECORD_VERSION,
        "job": row.id,
        **({"state": state} if state else {}),
        "reason": row.reason,
        "question": str(row.question),
        "hot_folder": row.hot_folder,
        "original": {
            "name": row.source_name,
            "dropped_hex": "" if row.dropped is None else _hexed(str(row.dropped)),
            "blake3": answered.get("source_blake3", ""),
            "kept": kept,
            "copied": row.copied,
        },
        "again_of": row.again_of,
        "files": [
            {"kind": file.kind, "name": file.name, "bytes": file.bytes, "blake3": file.blake3}
            for file in files
        ],
        "times": {"claimed": iso(row.created), "recorded": iso(now), "claimed_s": row.created},
        "attempt": row.attempt,
        "spec": row.spec_data or None,
        "result": answered or None,
    }


def files_of(stem: str, job: str, outputs: Iterable[Mapping[str, Any]]) -> list[Published]:
    """The published files of an attempt's outputs (`kind`, `bytes`, `blake3`)."""
    prefix = sheet_prefix(stem, job)
    return [
        Published(str(one["kind"]), prefix + SUFFIXES[one["kind"]], int(one["bytes"]), str(one["blake3"]))
        for one in outputs
    ]


def record_bytes(record: dict[str, Any]) -> bytes:
    """The record as a file: readable UTF-8, or plain ASCII where a name in it is no text."""
    try:
        return (json.dumps(record, indent=1, ensure_ascii=False) + "\n").encode()
    except UnicodeEncodeError:
        return (json.dumps(record, indent=1) + "\n").encode("ascii")


def read_record(data: bytes) -> dict[str, Any] | None:
    """A record that this program can read; None for anything else."""
    if len(data) > BYTES_MAX:
        return None
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) and found.get("record") == RECORD_VERSION else None


def _hexed(name: str) -> str:
    return name.encode("utf-8", "surrogateescape").hex()
