"""`drydown --version`, and what TAB completes, by the real program."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest
import pyvips
from PIL import features
from tests.e2e.studio import drydown, make_studio, picture


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = make_studio(tmp_path_factory.mktemp("completed") / "studio")
    assert drydown(root, "new-plugin", "open-shadows").returncode == 0
    assert drydown(root, "run", "small", str(picture(root.parent / "harbour.jpg"))).returncode == 0
    return root


def completed(studio: Path, typed: str) -> list[str]:
    """What the shell is given after this, the last word unfinished; without studio where it is empty."""
    words = f"drydown --studio {studio} {typed}"
    asked = {"COMP_WORDS": words, "COMP_CWORD": str(len(words.split(" ")) - 1)}
    environment = os.environ | asked | {"_DRYDOWN_COMPLETE": "bash_complete"}
    done = subprocess.run(
        [str(Path(sys.executable).parent / "drydown")], env=environment, capture_output=True, text=True
    )
    assert done.returncode == 0 and not done.stderr, done.stderr
    return [line.partition(",")[2] for line in done.stdout.splitlines() if line]


def test_the_versions_of_what_works_out_the_pixels_and_of_the_plugins_are_told(studio: Path) -> None:
    told = drydown(studio, "--version").stdout.splitlines()
    assert told[0].startswith(f"drydown {version('drydown')}, Python 3")
    assert f"libvips {'.'.join(str(pyvips.version(part)) for part in range(3))}" in told[1]
    assert f"LittleCMS {features.version('littlecms2')}" in told[2]
    assert told[-1] == "plugin plugins/open_shadows.py: open-shadows"
    assert any(line.startswith(f"plugin drydown {version('drydown')}: flatten, ") for line in told)


def test_a_studio_that_is_none_is_told_instead_of_versions(tmp_path: Path) -> None:
    asked = drydown(tmp_path, "--version")
    assert asked.returncode == 4 and "drydown init" in asked.stderr


def test_recipes_steps_stocks_and_jobs_of_the_studio_are_completed(studio: Path) -> None:
    assert completed(studio, "run sm") == ["small"]
    assert completed(studio, "steps open") == ["open-shadows"]
    assert completed(studio, "try te") == ["test-strip"]
    assert completed(studio, "profile chart p") == ["pearl"]
    (job,) = completed(studio, "show ")
    assert job in drydown(studio, "jobs").stdout
    assert completed(studio, f"retry {job[:4]}") == [job]


def test_where_there_is_no_studio_nothing_is_completed_and_nothing_said(tmp_path: Path) -> None:
    assert completed(tmp_path, "run ") == completed(tmp_path, "show ") == []
    assert completed(tmp_path, "reprin") == ["reprint"]


def test_the_shells_own_scripts_are_given() -> None:
    for shell, word in (
        ("bash", "complete -o"),
        ("zsh", "#compdef drydown"),
        ("fish", "complete --no-files"),
    ):
        environment = os.environ | {"_DRYDOWN_COMPLETE": f"{shell}_source"}
        command = [str(Path(sys.executable).parent / "drydown")]
        done = subprocess.run(command, env=environment, capture_output=True, text=True)
        assert word in done.stdout, shell
