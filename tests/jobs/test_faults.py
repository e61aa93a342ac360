"""What an exception means: the picture, the machine, or a defect."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from drydown.errors import Hold, MachineFault, Refusal, StepCrashed, is_machines
from drydown.jobs import faults
from drydown.jobs.faults import in_a_child, sort_fault
from drydown.jobs.plan import _keep
from drydown.studio.toml_file import read_toml

MACHINES = ("ENOSPC", "EDQUOT", "EROFS", "EIO", "ESTALE", "EBUSY", "ENOMEM", "EMFILE", "ENFILE")


def system(name: str) -> OSError:
    number = getattr(errno, name)
    return OSError(number, os.strerror(number))


def in_a_step(cause: BaseException) -> StepCrashed:
    """The error as the chain hands it on."""
    try:
        raise StepCrashed("border", "a studio", str(cause)) from cause
    except StepCrashed as error:
        return error


@pytest.mark.parametrize("name", MACHINES)
def test_the_machines_errors_are_the_machines_wherever_they_are_raised(name: str) -> None:
    assert is_machines(system(name))
    assert sort_fault(system(name)).outcome == "machine"
    assert sort_fault(in_a_step(system(name))).outcome == "machine", "no step is to blame for a full disk"


@pytest.mark.parametrize("name", MACHINES[:6])
def test_a_librarys_words_for_them_are_known(name: str) -> None:
    said = RuntimeError(f"wtiff: write failed\nsystem error: {system(name).strerror}")
    assert sort_fault(said).outcome == "machine"


def test_no_memory_is_the_machines_too() -> None:
    assert sort_fault(MemoryError()).outcome == sort_fault(in_a_step(MemoryError())).outcome == "machine"
    assert sort_fault(MachineFault("a share went away")).outcome == "machine"


SHORTAGES = (
    MemoryError(),
    MemoryError("Unable to allocate 256. TiB"),
    OSError(errno.ENOMEM, os.strerror(errno.ENOMEM)),
    RuntimeError("VipsImage: out of memory --- size == 90000MB"),
    StepCrashed("border", "a studio", "MemoryError"),
)
SHORTAGES[-1].__cause__ = MemoryError()


@pytest.mark.parametrize("error", SHORTAGES, ids=repr)
@pytest.mark.parametrize(
    ("available", "outcome"), [("8000000", "crashed"), ("100000", "machine"), ("", "machine")]
)
def test_a_child_that_wants_more_memory_than_its_own_limit_is_charged_unless_the_machine_is_short(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, error: Exception, available: str, outcome: str
) -> None:
    told = tmp_path / "meminfo"
    if available:
        told.write_text(f"MemTotal:  9000000 kB\nMemAvailable:  {available} kB\n")
    monkeypatch.setattr(faults, "_MEMINFO", told)
    found = in_a_child(error)
    assert found.outcome == outcome
    assert found.culprit == ("border" if outcome == "crashed" and isinstance(error, StepCrashed) else "")


def test_a_full_disk_is_no_want_of_memory_whatever_the_file_is_called() -> None:
    assert (
        in_a_child(OSError(errno.ENOSPC, "No space left on device", "out of memory.tif")).outcome == "machine"
    )
    assert in_a_child(MachineFault("out of memory")).outcome == "machine"


def test_other_errors_of_the_system_are_a_defect_with_its_culprit() -> None:
    for name in ("EACCES", "ENOENT", "EINVAL"):
        assert not is_machines(system(name))
        assert sort_fault(system(name)).outcome == "crashed"
        found = sort_fault(in_a_step(system(name)))
        assert (found.outcome, found.culprit) == ("crashed", "border")


def test_a_refusal_and_a_hold_are_the_pictures() -> None:
    assert sort_fault(Refusal("It is cut off.")).outcome == "refused"
    assert sort_fault(Hold("It has no profile.")).outcome == "held"


def test_a_file_that_the_machine_cannot_read_is_no_fault_of_whoever_wrote_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def sick(path: Path) -> bytes:
        raise system("ESTALE")

    monkeypatch.setattr(Path, "read_bytes", sick)
    with pytest.raises(OSError, match=r"(?i)stale"):
        read_toml(tmp_path / "studio.toml", "studio.toml")
    with pytest.raises(OSError, match=r"(?i)stale"):
        _keep(tmp_path / "paper.icc", tmp_path)
