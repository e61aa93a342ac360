"""`drydown profile build`, as a person runs it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.cli.test_profile_measuring import drydown
from tests.e2e.studio import STOCK, make_studio
from tests.profiling.profiling_kit import ROW, chart, spoiled

from drydown.demo.paper import pearl_model
from drydown.imaging.difference import ciede2000
from drydown.imaging.icc import inspect
from drydown.imaging.icc_exact import device_to_lab
from drydown.measuring.measurement import Measurement
from drydown.measuring.targ import readings_in
from drydown.measuring.writer import cgats_text


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    stock = STOCK.replace("dry_minutes", 'measurement = "M1"\ndry_minutes')
    return make_studio(tmp_path_factory.mktemp("build") / "studio", {"stocks/pearl.toml": stock})


def written(folder: Path, read: Measurement) -> Path:
    file = folder / "measured.txt"
    file.write_text(cgats_text(read), encoding="utf-8")
    return file


def test_a_build_installs_a_profile_and_keeps_the_old_one(studio: Path, tmp_path: Path) -> None:
    profile, stock = studio / "profiles/pearl.icc", studio / "stocks/pearl.toml"
    old, by_hand = profile.read_bytes(), stock.read_bytes()
    measured = written(tmp_path, chart())
    done = drydown(studio, "profile", "build", "pearl", str(measured), "--install")
    assert done.returncode == 0, done.stderr
    assert "held back" in done.stdout
    kept = [file for file in profile.parent.iterdir() if file != profile and file.read_bytes() == old]
    assert len(kept) == 1
    assert kept[0].name in done.stdout
    assert stock.read_bytes() == by_hand
    icc = profile.read_bytes()
    unseen = np.random.default_rng(1).random((500, 3))
    away = ciede2000(device_to_lab(icc, unseen, intent="absolute"), pearl_model().lab(unseen))
    assert away.mean() < 0.5
    inside = readings_in(icc)
    assert inside is not None
    np.testing.assert_allclose(inside.lab, chart().lab, atol=1e-3)
    assert inside.condition.mode == "M1"


def test_a_build_aside_touches_nothing_of_the_studio(studio: Path, tmp_path: Path) -> None:
    before = {file: file.read_bytes() for file in (studio / "profiles").iterdir()}
    out = tmp_path / "new.icc"
    measured = written(tmp_path, chart())
    done = drydown(
        studio, "profile", "build", "pearl", str(measured), "--out", str(out), "--version", "4", "--json"
    )
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert said["stock"] == "pearl"
    assert said["held_back"]["mean"] < 1
    assert inspect(out.read_bytes()).version.startswith("4")
    assert {file: file.read_bytes() for file in (studio / "profiles").iterdir()} == before


@pytest.mark.parametrize(
    ("read", "says"),
    [
        pytest.param(spoiled(chart(), slice(3 * ROW, 4 * ROW)), "row 1D: it was mis-read", id="mis-read row"),
        pytest.param(chart().of(np.arange(90)), "a profile needs 125", id="too few"),
        pytest.param(
            replace(chart(), condition=replace(chart().condition, mode="M2")), "M1", id="other mode"
        ),
    ],
)
def test_a_refused_build_leaves_no_file(studio: Path, tmp_path: Path, read: Measurement, says: str) -> None:
    before = {file: file.read_bytes() for file in (studio / "profiles").iterdir()}
    done = drydown(studio, "profile", "build", "pearl", str(written(tmp_path, read)), "--install")
    assert done.returncode == 3
    assert says in done.stderr
    assert {file: file.read_bytes() for file in (studio / "profiles").iterdir()} == before


def test_out_and_install_exclude_each_other(studio: Path, tmp_path: Path) -> None:
    done = drydown(
        studio, "profile", "build", "pearl", "x.txt", "--install", "--out", str(tmp_path / "y.icc")
    )
    assert done.returncode == 2
    assert "give one of them" in done.stderr


@pytest.mark.parametrize("out", ["nowhere/new.icc", "."])
def test_an_out_that_cannot_be_written_is_said_before_anything_is_built(
    studio: Path, tmp_path: Path, out: str
) -> None:
    measured = written(tmp_path, chart())
    done = drydown(studio, "profile", "build", "pearl", str(measured), "--out", str(tmp_path / out))
    assert done.returncode == 2
    assert "no folder" in done.stderr or "is a directory" in done.stderr
