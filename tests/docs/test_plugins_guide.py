"""examples/PLUGINS.md is followed word for word: files are written as it shows them, commands are run, in its order.

The studio is the one that `drydown init` lays out, but for a ninth of the pixels.
"""

from __future__ import annotations

import re
import shlex
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest
from tests.e2e.studio import drydown
from tests.e2e.warm import warm

GUIDE = Path(__file__).parents[2] / "examples" / "PLUGINS.md"
_BLOCK = re.compile(r"^```(\w+) ?(\S*)\n(.*?)^```", re.S | re.M)


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, the file that it is (empty for commands), its text."""

    language: str
    file: str
    text: str


def blocks() -> list[Block]:
    return [Block(*found) for found in _BLOCK.findall(GUIDE.read_text(encoding="utf-8"))]


def run(line: str, studio: Path) -> subprocess.CompletedProcess[str]:
    """A command as it stands there, by the interpreter of the tests; the largest picture of the contract is left to the contract's own tests."""
    words = shlex.split(line)
    python = ["-m", *words] if words[0] == "drydown" else words[1:]
    if "pytest" in words and "-k" not in words:
        python += ["-k", "not very_large"]
    options = f"-p no:cacheprovider --basetemp={studio.parent / 'own'}"  # see tests/own_tests.py
    return warm().python(python, folder=studio, timeout_s=120, more={"PYTEST_ADDOPTS": options})


@pytest.mark.timeout(600)
def test_the_guide_can_be_followed_word_for_word(tmp_path: Path) -> None:
    studio = tmp_path / "my-studio"
    laid_out = run(f"drydown init {studio}", tmp_path)
    assert laid_out.returncode == 0, laid_out.stderr
    stock = studio / "stocks" / "pearl.toml"
    said = stock.read_text(encoding="utf-8")
    assert "\nppi = 360 " in said
    stock.write_text(said.replace("\nppi = 360 ", "\nppi = 120 "), encoding="utf-8")
    done = []
    for block in blocks():
        if block.file:
            path = studio / block.file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(block.text, encoding="utf-8")
            continue
        assert block.language == "sh", (
            f"a block of {block.language} that is no file is not checked by anybody"
        )
        for line in block.text.strip().splitlines():
            made = run(line, studio)
            assert made.returncode == 0, f"{line}\n{made.stdout}\n{made.stderr}"
            done.append(line)
    assert len(done) >= 17
    assert {path.name for path in (studio / "tried").iterdir()} >= {
        "harbour.warm-lights.after.png",
        "in-recipe",
    }
    strips = list((studio / "prints" / "run").glob("*.tif"))
    assert len(strips) == 3, "a strip, a final and a sheet with a line"
    assert "clear-haze" in drydown(studio, "steps").stdout


def test_every_file_that_it_links_to_is_there() -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", GUIDE.read_text(encoding="utf-8")):
        assert (GUIDE.parent / target).is_file(), target
