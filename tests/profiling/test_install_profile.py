"""Putting a profile in the place of another."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from drydown import durable
from drydown.profiling.install import install

TODAY = date(2024, 5, 1)


def test_the_old_profile_is_kept_under_its_date(tmp_path: Path) -> None:
    path = tmp_path / "pearl.icc"
    assert install(b"first", path, today=TODAY) is None
    assert install(b"second", path, today=TODAY) == tmp_path / "pearl.2024-05-01.icc"
    assert install(b"third", path, today=TODAY) == tmp_path / "pearl.2024-05-01-2.icc"
    found = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    assert found == {
        "pearl.icc": b"third",
        "pearl.2024-05-01.icc": b"first",
        "pearl.2024-05-01-2.icc": b"second",
    }


def test_the_same_profile_again_is_not_kept_twice(tmp_path: Path) -> None:
    path = tmp_path / "pearl.icc"
    install(b"first", path, today=TODAY)
    assert install(b"first", path, today=TODAY) is None
    assert [file.name for file in tmp_path.iterdir()] == ["pearl.icc"]


def test_wherever_it_is_stopped_a_whole_profile_stands_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped = 0
    for step in range(100):
        path = tmp_path / f"{step}" / "pearl.icc"
        path.parent.mkdir()
        path.write_bytes(b"old")
        left = [step]

        def power_cut(name: str, left: list[int] = left) -> None:
            if left[0] == 0:
                raise OSError(5, name)
            left[0] -= 1

        monkeypatch.setattr(durable, "on_step", power_cut)
        try:
            install(b"new", path, today=TODAY)
        except OSError:
            stopped += 1
            assert path.read_bytes() in (b"old", b"new")
            if path.read_bytes() == b"new":
                assert (path.parent / "pearl.2024-05-01.icc").read_bytes() == b"old"
        else:
            break
    assert stopped > 6
