"""A share that fails one read and not the next costs no picture its sheet and nobody an attempt: only damage is there at the second look.

Found by `io-errors` (no quota left at the very call in which a decoder opens the picture): its words are those about a damaged file, and the picture was
refused for good.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvips
from tests.e2e.studio import picture
from tests.torture.attempts_kit import Bench, bench

from drydown.imaging.reading import jpeg, png
from drydown.jobs import child
from drydown.jobs.hashing import file_hash
from drydown.jobs.spec import JobSpec


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with bench(tmp_path_factory.mktemp("again") / "studio", {}) as made:
        yield made


def attempted(spec: JobSpec, folder: Path) -> tuple[str, str]:
    """The outcome, and the sheet's hash or the reason why there is none."""
    folder.mkdir()
    result = child.attempt(spec, 1, folder)
    return result.outcome, file_hash(folder / "sheet.tif") if result.outcome == "done" else result.reason


def cannot_open(load: Any, loader: str, path: Path, *rest: Any) -> Any:
    raise pyvips.Error("unable to open for read")


def cannot_read_to_the_end(load: Any, loader: str, path: Path, *rest: Any) -> Any:
    cut = path.with_name(f"cut-{path.name}")
    cut.write_bytes(path.read_bytes())
    os.truncate(cut, path.stat().st_size // 2)
    return load(loader, cut, *rest)


@pytest.mark.parametrize("way", [cannot_open, cannot_read_to_the_end])
@pytest.mark.parametrize(("name", "reader"), [("a.png", png), ("a.jpg", jpeg)])
def test_a_read_that_fails_once_is_no_damage_and_one_that_fails_again_is(
    at: Bench, name: str, reader: Any, way: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spec = at.spec(picture(tmp_path / name, width=300, height=200), "small")
    load, failures = reader.vips_load, [way]

    def failing(*given: Any) -> Any:
        return failures.pop()(load, *given) if failures else load(*given)

    monkeypatch.setattr(reader, "vips_load", failing)
    assert attempted(spec, tmp_path / "once") == attempted(spec, tmp_path / "never")
    failures += [way] * 20
    outcome, reason = attempted(spec, tmp_path / "always")
    assert outcome == "refused" and name in reason
