"""The demonstration's way of a profile, by the real program: chart, readings, verdict, build, and a final with either."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from subprocess import CompletedProcess
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import pyvips
from tests.e2e.studio import STOCK, make_studio, paper, picture
from tests.e2e.warm import daemon, warm

from drydown.demo import hands
from drydown.demo.drive import follow
from drydown.demo.hands import Hands
from drydown.demo.loop import PICTURE
from drydown.demo.truth import GAMUT, Truth, finals_apart


def sheet(path: Path, level: int) -> Path:
    """Bare paper, and a grey field within."""
    pixels = np.full((180, 180, 3), 65535, np.uint16)
    pixels[45:135, 45:135] = level
    pyvips.Image.new_from_array(pixels).copy(interpretation="rgb16").write_to_file(str(path))
    return path


def test_finals_are_compared_where_ink_lies(tmp_path: Path) -> None:
    one = sheet(tmp_path / "one.tif", 30000)
    assert "95 of 100 places within ΔE00 0.00" in finals_apart(one, one)
    said = finals_apart(one, sheet(tmp_path / "other.tif", 33000))
    found = re.search(r"within ΔE00 ([\d.]+)", said)
    assert found and float(found[1]) > 2, said


def forked(command: list[str], *, cwd: Path, timeout: float, **given: Any) -> CompletedProcess[str]:
    """A command of the hands, without its second of imports where it draws no picture: that takes a loader that children are denied."""
    if "--picture" in command:
        return subprocess.run(command, cwd=cwd, timeout=timeout, **given)
    return warm().python(command[1:], folder=cwd, timeout_s=timeout)


def test_a_profile_is_proven_replaced_and_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hands, "subprocess", SimpleNamespace(run=forked))
    root = make_studio(
        tmp_path / "studio", {"stocks/pearl.toml": STOCK.replace("ppi", 'measurement = "M1"\nppi')}
    )
    told: list[str] = []
    dropped = picture(tmp_path / f"{PICTURE}.tif", width=900, height=600)
    with daemon(root):
        dropped.rename(root / "hot" / "final" / dropped.name)
        (first,) = follow(root, 1, deadline_s=60, show=lambda row: None)
        last = Truth(Hands(root, 1, 120, told.append, lambda row: None), patches=150).run(first)
    assert last.state == "completed" and last.id != first.id
    said = "\n".join(told)
    assert "pearl: passed" in said
    assert "$ drydown profile build pearl charts/" in said
    profiles = {file.name: file.read_bytes() for file in (root / "profiles").iterdir()}
    assert len(profiles) == 2 and profiles.pop("pearl.icc") != paper()
    assert list(profiles.values()) == [paper()]
    assert pyvips.Image.new_from_file(str(root / GAMUT)).width > 500
    found = re.search(r"within ΔE00 ([\d.]+)", told[-1])
    assert found and 0 < float(found[1]) <= 2, said
