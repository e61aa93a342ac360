"""Finding plugins: what loads, what fails loudly, what stops the start."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from drydown.discovery import Origin, discover, load, load_as_it_is, source_hash
from drydown.errors import StudioError

BORDER = '''
"""A border."""
from drydown.api import Field, Settings, hookimpl, step

class Border(Settings):
    width_mm: float = Field(default=1.0, ge=0, le=50, description="Width.")

def border(frame, settings, job):
    """Draw a border."""
    return frame

@hookimpl
def drydown_steps():
    return [step(name="{name}", settings=Border, run=border{more})]
'''


def write(folder: Path, file: str, text: str) -> Path:
    path = folder / file
    path.write_text(text, encoding="utf-8")
    return path


def test_the_built_in_steps_come_through_the_door_that_everybody_uses() -> None:
    found = discover()
    expected = {"flatten", "crop", "resample", "convert", "tone-lift", "balance", "sharpen", "final"}
    assert expected <= set(found.offers)
    assert {found.origins[name].module for name in expected} == {"drydown_steps"}
    assert found.problems == ()


def test_a_single_file_in_the_studio_is_a_plugin(tmp_path: Path) -> None:
    file = write(tmp_path, "border.py", BORDER.format(name="border", more=""))
    found = discover(tmp_path)
    origin = found.origins["border"]
    assert found.offers["border"].about == "Draw a border."
    assert origin.file == str(file.resolve())
    assert set(load(origin)) == {"border"}


def test_a_changed_file_has_another_hash(tmp_path: Path) -> None:
    file = write(tmp_path, "border.py", BORDER.format(name="border", more=""))
    before = source_hash(file)
    write(tmp_path, "border.py", BORDER.format(name="border", more="") + "\n# changed\n")
    assert source_hash(file) != before


def changed(old: str, new: str, more: str = "") -> str:
    """The good plugin with one thing wrong."""
    text = BORDER.format(name="border", more=more)
    assert old in text
    return text.replace(old, new)


#: source, what is said, where (a line of broken.py; empty where no line is to blame), the next move
BROKEN: dict[str, tuple[str, str, str, str]] = {
    "a module that is not there": ("import no_such_module_anywhere", "No module named 'no_such_module_anywhere'", "line 1", "pip install no_such_module_anywhere"),
    "a part of ours that is not public": ("\nfrom drydown.secret import x", "drydown.secret", "line 2", "never public"),
    "a name that is not in the interface": ("from drydown.api import Pixels", "ImportError", "line 1", "plugins.off"),
    "no Python": ("x = 1\ndef x(:", "SyntaxError", "line 2", "plugins.off"),
    "indented wrongly": ("if True:\nx = 1", "IndentationError", "line 2", "plugins.off"),
    "it exits": ("\nraise SystemExit(3)", "SystemExit: 3", "line 2", "move that into a function"),
    "it raises": ("x = {}\nx['a']", "KeyError: 'a'", "line 2", "plugins.off"),
    "another interface": (changed("[step(", "[step(", ", api=2"), "written for interface 2, this drydown offers 1", "line 8", "that matches"),
    "a name of no recipe": (BORDER.format(name="Border!", more=""), "'Border!' is none that a recipe can write", "line 8", "joined by hyphens"),
    "an empty name": (BORDER.format(name="", more=""), "'' is none", "line 8", "joined by hyphens"),
    "a reserved setting": (changed("width_mm", "name"), "a setting called name", "line 5", "call it otherwise"),
    "a misspelt hook": (changed("def drydown_steps", "def drydown_step"), "'drydown_step' is not a hook", "line 12", "did you mean drydown_steps?"),
    "a hook of nobody's": (changed("def drydown_steps", "def draw_all"), "'draw_all' is not a hook", "line 12", "the hooks are"),
    "no offer": (changed("[step(", "[dict("), "gave a dict", "line 12", "step(…)"),
    "the function itself": (changed('return [step(name="border", settings=Border, run=border)]', "return [border]"), "gave a function", "line 12", "step(…)"),
    "nothing": (changed("    return [", "    [").replace("[step", "[step"), "NoneType", "line 12", "plugins.off"),
    "an offer alone": (changed("[step(", "step(").replace("border)]", "border)"), "not iterable", "line 12", "plugins.off"),
    "it divides by zero when asked": ("from drydown.api import hookimpl\n@hookimpl\ndef drydown_steps():\n    return 1 / 0", "ZeroDivisionError", "line 4", "plugins.off"),
    "a hook that asks for more": (changed("drydown_steps()", "drydown_steps(jobb)"), "jobb", "", "plugins.off"),
    "too few arguments": (changed("(frame, settings, job)", "(frame, settings)"), "takes (frame, settings)", "line 8", "called with (frame, settings, job)"),
    "too many arguments": (changed("(frame, settings, job)", "(frame, settings, job, more)"), "takes (frame, settings, job, more)", "line 8", "called with"),
    "by name only": (changed("(frame, settings, job)", "(frame, *, settings, job)"), "takes (frame, *, settings, job)", "line 8", "called with"),
    "no function": (changed("run=border", "run=3"), "run of 'border' is a int", "line 12", "give a function"),
    "settings that are no class": (changed("settings=Border", "settings=Border()"), "are no Settings", "line 12", "derive the class"),
    "settings of another kind": (changed("class Border(Settings)", "class Border"), "are no Settings", "line 5", "derive the class"),
    "a setting without type": (changed("width_mm: float = Field(", "width_mm = Field("), "PydanticUserError", "line 5", "plugins.off"),
    "an unknown argument of the offer": (changed("[step(", "[step(", ", reech=2"), "reech", "line 14", "plugins.off"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "says", "where", "next_move"), BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_plugin_is_named_with_place_reason_and_next_move_and_harms_no_other(
    tmp_path: Path, text: str, says: str, where: str, next_move: str
) -> None:
    write(tmp_path, "broken.py", text)
    write(tmp_path, "whole.py", BORDER.format(name="whole", more=""))
    found = discover(tmp_path)
    assert "whole" in found.offers and "crop" in found.offers
    (problem,) = found.problems
    assert problem.offered_by == f"{tmp_path.name}/broken.py"
    assert says in problem.reason and next_move in problem.next_move
    assert problem.place == (f"broken.py {where}" if where else "broken.py")
    assert str(problem).startswith(f"{tmp_path.name}/broken.py failed to load at broken.py")


def test_a_sick_disk_is_not_taken_for_a_broken_plugin(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path, "border.py", BORDER.format(name="border", more=""))

    read = Path.read_bytes

    def sick(path: Path) -> bytes:
        if path.name == "border.py":
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", sick)
    with pytest.raises(OSError, match=r"border\.py"):
        discover(tmp_path)


def test_an_installed_plugin_is_known_by_the_code_that_runs_not_by_what_was_installed_over_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(tmp_path)
    file = write(tmp_path, "border_installed.py", BORDER.format(name="border", more=""))
    origin = Origin("border_installed", "", "border 1.0", "")
    _, ran = load_as_it_is(origin)
    assert ran == source_hash(file)
    file.write_text(file.read_text() + "\n# 1.1\n")
    assert load_as_it_is(origin)[1] == ran != source_hash(file)


def test_two_offers_of_one_name_stop_the_start_and_name_both(tmp_path: Path) -> None:
    write(tmp_path, "mine.py", BORDER.format(name="crop", more=""))
    with pytest.raises(StudioError) as caught:
        discover(tmp_path)
    text = str(caught.value)
    assert "step 'crop'" in text and "mine.py" in text and "drydown" in text and "plugins.off" in text


def test_a_plugin_that_is_left_out_is_not_loaded(tmp_path: Path) -> None:
    write(tmp_path, "mine.py", "raise RuntimeError('loaded')")
    assert discover(tmp_path, off=["mine.py"]).problems == ()


def test_an_origin_with_a_wrong_module_fails_by_its_name() -> None:
    with pytest.raises(ModuleNotFoundError, match="no_such"):
        load(Origin("no_such", "", "nobody 1", ""))


def test_what_is_loaded_is_what_the_file_says_now_though_it_has_the_size_and_time_of_before(
    tmp_path: Path,
) -> None:
    file = write(tmp_path, "border.py", BORDER.format(name="border", more=""))
    origin = discover(tmp_path).origins["border"]
    load(origin)
    before = file.stat()
    write(tmp_path, "border.py", BORDER.format(name="redrob", more=""))
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))
    offers, blake3 = load_as_it_is(origin)
    assert set(offers) == {"redrob"}
    assert blake3 == source_hash(file) != origin.blake3
