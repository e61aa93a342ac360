"""`drydown profile chart`, `verify` and `history`, as a person runs them."""

from __future__ import annotations

import io
import json
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pytest
from tests.e2e.studio import STOCK, make_studio

from drydown.cli import main
from drydown.demo.paper import pearl_model
from drydown.measuring.measurement import Condition, Measurement
from drydown.measuring.reference import Reference, read_reference
from drydown.measuring.writer import cgats_text


@dataclass(frozen=True)
class Done:
    returncode: int
    stdout: str
    stderr: str


def drydown(studio: Path, *args: str) -> Done:
    """The command line from its first line to its exit code, in this process: starting one each time would take minutes."""
    out, err = io.StringIO(), io.StringIO()
    argv = ["drydown", "--studio", str(studio), *args]
    with (
        patch.object(sys, "argv", argv),
        redirect_stdout(out),
        redirect_stderr(err),
        pytest.raises(SystemExit) as ended,
    ):
        main()
    code = ended.value.code
    assert isinstance(code, int)
    return Done(code, out.getvalue(), err.getvalue())


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = make_studio(
        tmp_path_factory.mktemp("profile") / "studio",
        {
            "stocks/pearl.toml": STOCK.replace(
                "dry_minutes", 'measurement = "M1"\ncure_hours = 24\ndry_minutes'
            )
        },
    )
    done = drydown(
        root, "profile", "chart", "pearl", "--sheet", "letter", "--patches", "60", "--patch-mm", "20"
    )
    assert done.returncode == 0, done.stderr
    return root


@pytest.fixture(scope="module")
def reference(studio: Path) -> Reference:
    return read_reference(studio / "charts/pearl-letter-60-1/reference.txt")


def readings(reference: Reference, *, lighter: float = 0.0) -> Measurement:
    lab = pearl_model().lab(reference.device) + np.array([lighter, 0, 0])
    return Measurement(
        ids=reference.ids,
        places=reference.places,
        lines=(0,) * len(lab),
        space="RGB",
        device=reference.device,
        lab=lab,
        given="lab",
        condition=Condition(mode="M1", backing="white"),
    )


def file(studio: Path, measurement: Measurement, name: str = "read.txt") -> str:
    (studio / name).write_text(cgats_text(measurement), encoding="utf-8")
    return str(studio / name)


def test_a_chart_is_a_folder_of_pages_reference_and_ticket(studio: Path, reference: Reference) -> None:
    folder = studio / "charts/pearl-letter-60-1"
    names = sorted(path.name for path in folder.iterdir())
    assert names[0] == "pearl-letter-60-1-page-1.tif" and names[-2:] == ["reference.txt", "ticket.txt"]
    ticket = (folder / "ticket.txt").read_text()
    assert "Quality: high" in ticket and "Cure before measuring: 24 hours" in ticket
    assert "Measure in the mode (ISO 13655): M1" in ticket
    assert "off in driver and system: the file holds device values and no" in ticket
    assert max(map(len, ticket.splitlines())) <= 72
    assert reference.space == "RGB" and len(reference.device) >= 75
    again = drydown(studio, "profile", "chart", "pearl", "--sheet", "letter", "--patches", "60")
    assert again.returncode == 5 and "is there already" in again.stderr
    assert not list(folder.parent.glob("*.part"))


def test_verifying_says_the_verdict_and_keeps_it(studio: Path, reference: Reference) -> None:
    good = drydown(studio, "profile", "verify", "pearl", file(studio, readings(reference)))
    assert good.returncode == 0, good.stderr
    assert good.stdout.startswith("pearl: passed") and "greys in a*b*" in good.stdout
    worse = drydown(
        studio, "profile", "verify", "pearl", file(studio, readings(reference, lighter=4)), "--json"
    )
    assert worse.returncode == 1
    report = json.loads(worse.stdout)
    assert report["passed"] is False and report["checks"][0]["found"] > 1.5
    kept = drydown(studio, "profile", "history", "pearl", "--plot", str(studio / "drift.svg"))
    assert [("NOT passed" in line) for line in kept.stdout.splitlines()[:2]] == [False, True]
    assert (studio / "drift.svg").read_text().startswith("<svg")


def test_bad_readings_leave_nothing_behind(studio: Path, reference: Reference) -> None:
    drydown(studio, "profile", "verify", "pearl", file(studio, readings(reference)))
    before = drydown(studio, "profile", "history", "pearl").stdout
    good = readings(reference)
    for wrong, message in (
        (replace(good, lab=good.lab[::-1]), "read in another order"),
        (replace(good, condition=Condition(mode="M2")), "mode M2, the profile with M1"),
    ):
        done = drydown(studio, "profile", "verify", "pearl", file(studio, wrong, "wrong.txt"))
        assert done.returncode == 3 and message in done.stderr and "Traceback" not in done.stderr
    assert drydown(studio, "profile", "history", "pearl").stdout == before


def test_readings_without_device_values_ask_for_the_reference_and_then_work(
    studio: Path, reference: Reference
) -> None:
    good = readings(reference)
    bare = file(studio, replace(good, space="", device=np.zeros((len(good), 0))), "bare.txt")
    asked = drydown(studio, "profile", "verify", "pearl", bare, "--dry-run")
    assert asked.returncode == 3 and "--chart" in asked.stderr
    chart = str(studio / "charts/pearl-letter-60-1/reference.txt")
    other = file(
        studio, replace(good, condition=Condition(mode="M2"), lab=good.lab + np.array([0, 0, 3])), "m2.txt"
    )
    done = drydown(studio, "profile", "verify", "pearl", bare, "--chart", chart, "--also", other, "--dry-run")
    assert done.returncode == 0, done.stderr
    assert "brightener           3.00" in done.stdout


def test_an_unknown_stock_and_a_missing_file_are_said(studio: Path) -> None:
    for args in (
        ("chart", "none"),
        ("verify", "none", "x.txt"),
        ("verify", "pearl", "x.txt"),
        ("history", "none"),
    ):
        done = drydown(studio, "profile", *args)
        assert done.returncode == 4 and "Traceback" not in done.stderr, done.stderr
