"""What counts as lost, against LittleCMS's gamut alarm as its own program `tificc` raises it: with that alarm's rule, not ours.

The alarm marks a colour that comes back from the printer's tables more than 5 units of CIE 1976 away, without black point compensation. Ours are
other figures (see `imaging.gamut_loss`); here only the plumbing is checked: profiles read, tables walked, colours compared.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import tifffile

from drydown.demo.paper import matte_profile, pearl_profile
from drydown.imaging.icc_exact import device_to_lab, lab_to_device
from drydown.imaging.working import oprgb, srgb, wide_gamut

pytestmark = pytest.mark.reference

ALARM_DELTA_E = 5.0
SIDE = 400
SEED = 11


@pytest.fixture(scope="module")
def tificc() -> str:
    found = shutil.which("tificc")
    if found is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(
            "reference missing: tificc (Debian package liblcms2-utils)"
        )
    return str(found)


def a_picture() -> np.ndarray:
    """Smooth colours of every kind, 16 bits (400, 400, 3)."""
    dice = np.random.default_rng(SEED)
    coarse = dice.random((13, 13, 3))
    at = np.linspace(0, 11.999, SIDE)
    low, part = at.astype(int), at - at.astype(int)
    rows = coarse[low] * (1 - part)[:, None, None] + coarse[low + 1] * part[:, None, None]
    smooth = rows[:, low] * (1 - part)[None, :, None] + rows[:, low + 1] * part[None, :, None]
    return np.round(smooth * 65535).astype(np.uint16)


def distance(source: bytes, printer: bytes, values: np.ndarray) -> np.ndarray:
    """ΔE*ab between the picture's colours and what device-from-Lab and back makes of them, media-relative, nothing compensated."""
    wished = device_to_lab(source, values.reshape(-1, 3) / 65535)
    back = device_to_lab(printer, np.clip(lab_to_device(printer, wished), 0, 1))
    return np.linalg.norm(wished - back, axis=1)


@pytest.mark.parametrize("printer", [pearl_profile, matte_profile], ids=["pearl", "matte"])
@pytest.mark.parametrize("source", [srgb, oprgb, wide_gamut], ids=["srgb", "oprgb", "romm"])
def test_the_alarm_marks_the_same_pixels(tificc: str, tmp_path: Path, source, printer) -> None:
    """At most 2 % of the pixels differ, and 0.3 % once those within a unit of the alarm's threshold are left out."""
    values = a_picture()
    picture, marked = tmp_path / "picture.tif", tmp_path / "marked.tif"
    tifffile.imwrite(picture, values, photometric="rgb")
    (tmp_path / "source.icc").write_bytes(source())
    (tmp_path / "printer.icc").write_bytes(printer())
    # proofing towards the printer, shown in the source's own space; alarm colours are grey by default, so unmarked pixels are told by their change
    ways = {}
    for name, more in (("plain", []), ("alarm", ["-g"])):
        command = [tificc, "-i", str(tmp_path / "source.icc"), "-o", str(tmp_path / "source.icc")]
        command += [
            "-p",
            str(tmp_path / "printer.icc"),
            "-t1",
            "-m1",
            "-w16",
            *more,
            str(picture),
            str(marked),
        ]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
        assert done.returncode == 0, done.stderr
        ways[name] = tifffile.imread(marked).astype(int)
    alarm = (ways["plain"] != ways["alarm"]).any(axis=-1).ravel()
    far = distance(source(), printer(), values)
    ours = far > ALARM_DELTA_E
    sure = (far < ALARM_DELTA_E - 1) | (far > ALARM_DELTA_E + 1)
    differ, differ_sure = (alarm != ours).mean(), (alarm != ours)[sure].mean()
    print(
        f"seed {SEED}: alarm {alarm.mean():.2%}, ours {ours.mean():.2%}, differ {differ:.2%}, without 4 to 6 {differ_sure:.3%}"
    )
    assert 0.05 < alarm.mean() < 0.95
    assert differ <= 0.02
    assert differ_sure <= 0.003
