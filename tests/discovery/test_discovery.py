"""Finding plugins: what loads, what fails loudly, what stops the start."""

from __future__ import annotations

from pathlib import Path

import pytest

from drydown.discovery import Origin, discover, load, source_hash
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


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("import no_such_module_anywhere", "ModuleNotFoundError: No module named 'no_such_module_anywhere'"),
        ("def x(:", "SyntaxError"),
        ("raise SystemExit(3)", "SystemExit: 3"),
        (BORDER.format(name="border", more=", api=2"), "written for interface 2, this drydown offers 1"),
        (BORDER.format(name="Border!", more=""), "must be lower-case words joined by hyphens"),
        (BORDER.format(name="border", more="").replace("width_mm", "name"), "these words are reserved"),
        (
            BORDER.format(name="border", more="").replace("def drydown_steps", "def drydown_step"),
            "not a hook of drydown",
        ),
        (BORDER.format(name="border", more="").replace("[step(", "[dict("), "gave a dict"),
        (
            "from drydown.api import hookimpl\n@hookimpl\ndef drydown_steps():\n    return 1 / 0",
            "ZeroDivisionError",
        ),
        (BORDER.format(name="border", more="").replace("drydown_steps()", "drydown_steps(jobb)"), "jobb"),
    ],
)
def test_a_broken_plugin_is_named_with_its_reason_and_harms_no_other(
    tmp_path: Path, text: str, says: str
) -> None:
    write(tmp_path, "broken.py", text)
    write(tmp_path, "whole.py", BORDER.format(name="whole", more=""))
    found = discover(tmp_path)
    assert "whole" in found.offers and "crop" in found.offers
    (problem,) = found.problems
    assert problem.offered_by == f"{tmp_path.name}/broken.py"
    assert says in problem.reason


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
