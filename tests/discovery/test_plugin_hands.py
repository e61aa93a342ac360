"""A studio's plugin runs as the daemon does: it is loaded only from where nobody else may write."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drydown.discovery import discover
from drydown.errors import StudioError

PLUGIN = """
from drydown.api import Settings, hookimpl, step

class Nothing(Settings):
    pass

@hookimpl
def drydown_steps():
    return [step(name="own", settings=Nothing, run=lambda frame, settings, job: frame)]
"""


@pytest.fixture
def plugins(tmp_path: Path) -> Path:
    folder = tmp_path / "plugins"
    folder.mkdir(mode=0o755)
    (folder / "own.py").write_text(PLUGIN)
    (folder / "own.py").chmod(0o644)
    return folder


def test_a_folder_of_ones_own_is_loaded(plugins: Path) -> None:
    assert "own" in discover(plugins).offers
    plugins.chmod(0o700)
    (plugins / "own.py").chmod(0o400)
    assert "own" in discover(plugins).offers


@pytest.mark.parametrize(
    ("name", "mode"), [(".", 0o775), (".", 0o1777), ("own.py", 0o664), ("own.py", 0o646)]
)
def test_what_others_may_write_is_not_loaded_and_the_next_move_is_told(
    plugins: Path, name: str, mode: int
) -> None:
    (plugins / name).chmod(mode)
    with pytest.raises(StudioError) as error:
        discover(plugins)
    (fault,) = error.value.faults
    assert fault.file == ("plugins" if name == "." else "plugins/own.py")
    assert f"mode {mode:04o}" in fault.reason
    assert fault.guess == f"chmod go-w {(plugins / name).resolve()}"
    (plugins / name).chmod(mode & ~0o022)
    assert "own" in discover(plugins).offers


def test_every_path_is_told_at_once_also_the_folder_of_compiled_files(plugins: Path) -> None:
    (plugins / "__pycache__").mkdir(exist_ok=True)
    for path in (plugins, plugins / "__pycache__", plugins / "own.py"):
        path.chmod(0o777)
    with pytest.raises(StudioError) as error:
        discover(plugins)
    assert [fault.file for fault in error.value.faults] == [
        "plugins",
        "plugins/__pycache__",
        "plugins/own.py",
    ]


def test_another_users_plugin_is_not_loaded(plugins: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if os.geteuid() == 0:
        os.chown(plugins / "own.py", 12345, -1)
        other = 12345
    else:  # the same seen from the other side: the files are another's than the daemon's
        other = os.geteuid()
        monkeypatch.setattr(os, "geteuid", lambda: other + 1)
    with pytest.raises(StudioError, match=rf"plugins/own.py: belongs to another user \(number {other}\)"):
        discover(plugins)


def test_a_file_that_is_left_out_does_not_count(plugins: Path) -> None:
    (plugins / "own.py").chmod(0o666)
    assert "own" not in discover(plugins, off=["own.py"]).offers


def test_an_empty_folder_may_be_anybodys(tmp_path: Path) -> None:
    (tmp_path / "plugins").mkdir()
    (tmp_path / "plugins").chmod(0o777)
    assert discover(tmp_path / "plugins").problems == ()
