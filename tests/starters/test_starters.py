"""Plugins to start from: each kind in each form works as it is written, and its own tests pass."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import get_args

import pytest
from tests.own_tests import own_tests

from drydown.discovery import discover
from drydown.errors import Conflict
from drydown.starters import Form, Kind, write_plugin

KINDS = get_args(Kind)


@pytest.mark.parametrize("form", get_args(Form))
@pytest.mark.parametrize("kind", KINDS)
def test_its_own_tests_pass(kind: Kind, form: Form, tmp_path: Path) -> None:
    written = write_plugin("open-shadows", kind, form, tmp_path)
    (tests,) = (path for path in written if path.name.startswith("test_"))
    done = own_tests(tmp_path / "open-shadows" if form == "package" else tmp_path, str(tests))
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.usefixtures("forked_tries")
@pytest.mark.parametrize("kind", ["step", "sheet-maker"])
def test_a_file_is_found_in_the_studios_plugins_and_its_tests_are_not_taken_for_one(
    kind: Kind, tmp_path: Path
) -> None:
    write_plugin("warm-grey", kind, "file", tmp_path)
    found = discover(tmp_path)
    assert "warm-grey" in found.offers and not found.problems
    assert found.origins["warm-grey"].offered_by.endswith("/warm_grey.py")


@pytest.mark.parametrize("kind", KINDS)
def test_a_package_says_where_drydown_finds_it(kind: Kind, tmp_path: Path) -> None:
    write_plugin("warm-grey", kind, "package", tmp_path)
    project = tomllib.loads((tmp_path / "warm-grey" / "pyproject.toml").read_text())
    assert project["project"]["entry-points"]["drydown.steps"] == {"warm-grey": "warm_grey"}
    assert {"LICENSE", "README.md", "warm_grey.py"} <= {
        path.name for path in (tmp_path / "warm-grey").iterdir()
    }


def test_no_placeholder_is_left(tmp_path: Path) -> None:
    for kind in KINDS:
        for path in write_plugin(f"a-{kind}", kind, "package", tmp_path):
            assert "$" not in path.read_text() and "@MODULE@" not in path.read_text(), path


@pytest.mark.parametrize("name", ["Border", "a b", "9th", "x_y", "", "-a"])
def test_a_name_that_no_recipe_could_write_is_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="lower-case words"):
        write_plugin(name, "step", "file", tmp_path)


def test_nothing_that_is_there_is_written_over(tmp_path: Path) -> None:
    (tmp_path / "border.py").write_text("mine")
    with pytest.raises(Conflict, match="nothing was written"):
        write_plugin("border", "step", "file", tmp_path)
    assert (tmp_path / "border.py").read_text() == "mine" and not (tmp_path / "tests").exists()
