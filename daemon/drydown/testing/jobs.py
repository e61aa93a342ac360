"""A job to test with: an invented stock on letter, its profile computed when a step first asks for it."""

from __future__ import annotations

import atexit
import shutil
from dataclasses import fields, replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from drydown.api import EdgesMm, Job, Sheet, SizeMm, Stock


def paper_profile() -> bytes:
    """ICC output profile of the demonstration's pearl paper, RGB; computed in about a second, once in a process."""
    from drydown.demo.paper import pearl_profile

    return pearl_profile()


class _Invented(Stock):
    """Computes its profile, and writes it where `profile` points, when somebody looks: most steps never do, and it takes longer than they."""

    __slots__ = ()

    def __getattribute__(self, name: str) -> Any:
        found = super().__getattribute__(name)
        if name == "icc" and not found:
            return paper_profile()
        if name == "profile" and not super().__getattribute__("icc") and not found.exists():
            found.write_bytes(self.icc)
        return found


def a_job(scratch: Path | None = None, **changes: Any) -> Job:
    """A job that prints on letter at 360 ppi. `changes`: fields of `Job`, or of its `Stock`, such as `viewing_mm=800, lot="0412"`.

    `scratch` is where a step may leave files; without one all such jobs share a temporary folder that goes with the process. Raises TypeError for a field that neither has.
    """
    folder = _scratch() if scratch is None else scratch
    stock: dict[str, Any] = {
        "name": "pearl",
        "profile": folder / "pearl.icc",
        "icc": b"",
        "ppi": 360.0,
        "ticket": {"media_type": "photographic-satin", "quality": "high"},
        "lot": "0412",
    }
    of_job = {field.name for field in fields(Job)}
    own = {key: value for key, value in changes.items() if key in of_job}
    of_stock = {key: value for key, value in changes.items() if key not in of_job}
    given: Stock | None = own.pop("stock", None)
    letter = Sheet(name="letter", size=SizeMm(215.9, 279.4), pwg="na_letter_8.5x11in")
    job = Job(
        id="1m7test0000aa",
        source=Path("picture.tif"),
        scratch=folder,
        stock=replace(given, **of_stock) if given else _Invented(**stock | of_stock),
        sheet=letter,
        final_sheet=letter,
        margins_mm=EdgesMm(12.7, 12.7, 12.7, 12.7),
        recipe="test",
        made="2026-05-14T10:31:07+02:00",
    )
    return replace(job, **own)


@cache
def _scratch() -> Path:
    folder = Path(mkdtemp(prefix="drydown-test-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder
