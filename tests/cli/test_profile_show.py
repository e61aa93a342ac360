"""`drydown profile show` and `compare`: figures, pictures, and a plain word for every wrong file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drydown.cli import root
from drydown.demo.paper import matte_profile, pearl_profile
from drydown.errors import NotFound
from drydown.imaging.working import srgb


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(root, ["profile", *map(str, args)])


@pytest.fixture
def pearl(tmp_path: Path) -> Path:
    path = tmp_path / "pearl.icc"
    path.write_bytes(pearl_profile())
    return path


def test_the_figures_are_told_and_the_picture_is_drawn(pearl: Path, tmp_path: Path) -> None:
    done = run("show", pearl, "--picture", tmp_path / "gamut.png")
    assert done.exit_code == 0, done.output
    for said in (
        "output (printer)",
        "density 2.10",
        "gamut volume",
        "round trip",
        "missing             none",
    ):
        assert said in done.output
    assert (tmp_path / "gamut.png").read_bytes().startswith(b"\x89PNG")


def test_as_json_every_figure_is_a_number(pearl: Path) -> None:
    said = json.loads(run("show", pearl, "--json").output)
    assert said["volume"] == pytest.approx(494_626, rel=0.02)
    assert said["white"][0] == pytest.approx(95.46, abs=0.05)


def test_two_profiles_are_compared(pearl: Path, tmp_path: Path) -> None:
    (tmp_path / "matte.icc").write_bytes(matte_profile())
    done = run("compare", pearl, tmp_path / "matte.icc", "--picture", tmp_path / "both.svg")
    assert done.exit_code == 0 and "shared" in done.output
    assert "Simulated matte" in (tmp_path / "both.svg").read_text()


def test_wrong_files_are_named_for_what_they_are(pearl: Path, tmp_path: Path) -> None:
    (tmp_path / "text.icc").write_text("no profile " * 20)
    (tmp_path / "half.icc").write_bytes(pearl_profile()[:3000])
    colours = bytearray(srgb())
    colours[12:16] = b"nmcl"
    (tmp_path / "palette.icc").write_bytes(bytes(colours))
    for name, word in (
        ("", "folder"),
        ("text.icc", "no ICC profile"),
        ("half.icc", "bytes"),
        ("palette.icc", "named-colour"),
    ):
        done = run("show", tmp_path / name)
        assert done.exit_code == 2 and word in done.output, done.output
    assert isinstance(run("show", tmp_path / "gone.icc").exception, NotFound)
    assert "png or .svg" in run("show", pearl, "--picture", tmp_path / "gamut.gif").output
