"""Everything that the documents print is true: settings load, commands exist, pictures are there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from drydown.cli import COMMANDS
from drydown.cli.steps_reference import reference
from drydown.discovery import discover
from drydown.errors import Exit
from drydown.studio.load import load
from drydown.studio.resolve import resolve, resolve_hot

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.S | re.M)


def toml_block(start: str) -> str:
    return next(block for block in blocks(README, "toml") if start in block)


def test_the_job_is_told_in_the_first_paragraph() -> None:
    first = README.split("\n\n")[1]
    assert "hot folder" in first and "profile" in first and "ticket" in first


def test_the_proof_folder_and_strip_of_the_readme_work(tmp_path: Path) -> None:
    (tmp_path / "stocks").mkdir()
    (tmp_path / "recipes").mkdir()
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "pearl.icc").write_bytes(b"x")
    (tmp_path / "stocks" / "pearl.toml").write_bytes((ROOT / "config" / "stocks" / "pearl.toml").read_bytes())
    recipe = toml_block("recipes/first.toml") + toml_block("[test-strip]")
    (tmp_path / "recipes" / "first.toml").write_text(recipe, encoding="utf-8")
    (tmp_path / "studio.toml").write_text(toml_block('path = "hot/proof"'), encoding="utf-8")
    studio = load(tmp_path, discover().offers)
    made = resolve_hot(studio, studio.hot_folders[0])
    assert made.maker.use == "test-strip" and made.maker.values()["series"] == "ring-around"


def test_the_recipe_hot_folder_and_picture_file_of_the_readme_work(tmp_path: Path) -> None:
    (tmp_path / "stocks").mkdir()
    (tmp_path / "recipes").mkdir()
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "pearl.icc").write_bytes(b"x")
    (tmp_path / "stocks" / "pearl.toml").write_bytes((ROOT / "config" / "stocks" / "pearl.toml").read_bytes())
    (tmp_path / "recipes" / "first.toml").write_text(toml_block("recipes/first.toml"), encoding="utf-8")
    (tmp_path / "studio.toml").write_text(toml_block("approve = true"), encoding="utf-8")
    studio = load(tmp_path, discover().offers)
    own = tomllib.loads(toml_block("harbour.toml"))
    resolved = resolve(studio, recipe="first", picture=own)
    settings = {step.name: step.values() for step in resolved.steps}
    assert settings["tone-lift"]["lift_L"] == 3.5 and settings["crop"]["focus_x"] == 0.3
    assert resolved.copies == 3
    assert studio.hot_folders[0].approve and studio.hot_folders[0].copies == 2


@pytest.mark.parametrize(
    "line", [line for block in blocks(README, "sh") for line in block.splitlines() if line]
)
def test_every_command_of_the_readme_exists(line: str) -> None:
    program, *rest = line.split()
    if program == "make":
        assert re.search(rf"^{rest[0]}:", (ROOT / "Makefile").read_text(), re.M)
    elif program == "drydown":
        assert rest[0] in COMMANDS or rest == ["--version"]
    elif program == "eval":
        path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
        shell = ["bash", "-ec", f"{line}\ncomplete -p drydown"]
        assert subprocess.run(shell, env=os.environ | {"PATH": path}, capture_output=True).returncode == 0
    else:
        assert program == "cd"


def test_the_exit_codes_are_all_in_the_table() -> None:
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", README, re.M)}
    assert told == {int(code) for code in Exit}


@pytest.mark.parametrize("document", [README, DEVELOPERS])
def test_every_file_that_a_document_links_to_is_there(document: str) -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", document):
        assert (ROOT / target).is_file(), target


def test_every_file_that_the_rules_name_is_there() -> None:
    for target in re.findall(r"`((?:tests|daemon|plugins|config|examples)/[\w/.]+\.\w+)`", DEVELOPERS):
        assert (ROOT / target).is_file(), target


def test_the_page_of_all_settings_is_the_one_that_the_program_prints() -> None:
    page = (ROOT / "examples" / "STEPS.md").read_text(encoding="utf-8")
    built_in = discover()
    assert "\n\n".join(reference(built_in)) + "\n" == page
    for offer in built_in.offers.values():
        assert f"\n## {offer.name}\n" in page
        assert all(f"| `{key}` |" in page for key in offer.settings.model_fields)
