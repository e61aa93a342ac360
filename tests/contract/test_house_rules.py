"""The rules of the house that a machine can check: import arrows, heavy imports, sizes, the top level."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "daemon" / "drydown"
STEPS = ROOT / "plugins" / "drydown_steps"

#: part -> the parts that it may import; every part may use errors and durable, and showing, which import nothing of ours
ARROWS = {
    "errors": set(),
    "durable": set(),
    "showing": set(),
    "proofing": {"api", "imaging"},
    "measuring": {"api", "imaging"},
    "profiling": {"api", "imaging", "measuring"},
    "api": {"imaging"},  # late, inside two methods of Frame only: see the test below
    "geometry": {"api"},
    "imaging": {"api", "geometry"},
    "studio": {"api"},
    "discovery": {"api"},
    "intake": set(),
    "pages": set(),
    "jobs": {"studio", "imaging", "api", "geometry", "discovery", "proofing", "pages"},
    "service": {"discovery", "studio", "intake", "jobs", "api", "geometry", "proofing"},
    "demo": {"imaging", "studio", "service", "api", "intake", "jobs", "measuring", "profiling"},
    # a recipe under test runs in a job's chain, on the demo's paper
    "testing": {"api", "imaging", "discovery", "jobs", "demo"},
    "cli": {
        "service",
        "studio",
        "discovery",
        "intake",
        "jobs",
        "demo",
        "imaging",
        "api",
        "geometry",
        "cli",
        "proofing",
        "measuring",
        "profiling",
        "pages",
        "starters",
        "testing",
    },
    "starters": set(),
    "__init__": set(),
    "__main__": {"cli"},
}
EVERYBODY_MAY = {"errors", "durable", "showing"}

#: library -> the parts that may import it at all
ONLY = {
    "pyvips": {"imaging", "demo", "testing"},
    "PIL": {"imaging", "demo"},
    "pillow_heif": {"imaging"},
    "psd_tools": {"imaging", "demo"},
    "colour": {"imaging", "demo", "measuring"},
    "scipy": {"imaging", "demo", "proofing", "profiling"},
    "pluggy": {"api", "discovery"},
    "watchdog": {"intake"},
    "click": {"cli"},
    "rich": {"cli"},
    "sqlite3": {"jobs"},
    "tomllib": {"studio"},
    "tomli_w": {"studio"},
    "jinja2": {"pages"},
    "contourpy": {"imaging"},
}
HEAVY = {"pyvips", "PIL", "pillow_heif", "psd_tools", "colour", "scipy", "numpy"}


@cache
def modules() -> list[Path]:
    return sorted([*PACKAGE.rglob("*.py"), *STEPS.rglob("*.py")])


@cache
def tree_of(file: Path) -> ast.Module:
    return ast.parse(file.read_text())


def part_of(file: Path) -> str:
    if file.is_relative_to(STEPS):
        return "drydown_steps"
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(tree: ast.AST, *, module_level: bool = False) -> Iterator[str]:
    """Dotted names imported; with `module_level` only those that importing the file imports."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.expr):  # an import is a statement, and stands in one
            continue
        if module_level and isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            if node.module == "drydown":
                yield from (f"drydown.{alias.name}" for alias in node.names)
        yield from imports(node, module_level=module_level)


def ids(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


def length_of(file: Path) -> int:
    return len(file.read_text().splitlines())


def none_of(faults: Iterable[str]) -> None:
    """All of them at once, a line each."""
    found = list(faults)
    assert not found, "\n".join(found)


def test_imports_follow_the_arrows() -> None:
    none_of(f"{ids(file)} imports {said}" for file in modules() for said in astray(file))


def astray(file: Path) -> Iterator[str]:
    """What it imports against the arrows, each with what it may."""
    part = part_of(file)
    for name in imports(tree_of(file)):
        head, *rest = name.split(".")
        if head == "drydown" and rest and rest[0] != "__version__":
            if part == "drydown_steps":
                if rest[0] not in {"api", "imaging"}:
                    yield f"{name}: steps use the public door only"
            elif rest[0] not in (allowed := ARROWS[part] | EVERYBODY_MAY | {part}):
                yield f"{name}: {part} may import {sorted(allowed)}"
        if head == "drydown_steps" and part != "drydown_steps":
            yield f"{name}: steps are found, never imported"
        if head in ONLY and part not in ONLY[head] | {"drydown_steps"}:
            yield f"{head}: only {sorted(ONLY[head])} may"


def test_nothing_heavy_is_imported_at_module_level_outside_imaging() -> None:
    light = [
        file
        for file in modules()
        if part_of(file) not in {"imaging", "demo", "proofing", "testing", "measuring", "profiling"}
    ]
    none_of(
        f"{ids(file)} imports {name} when it is imported; import it inside the function that needs it"
        for file in light
        for name in imports(tree_of(file), module_level=True)
        if name.split(".")[0] in HEAVY or name.startswith("drydown.imaging")
    )


def test_a_module_keeps_to_its_noun() -> None:
    none_of(
        f"{ids(file)} has {lines} lines: split it by noun"
        for file in modules()
        if (lines := length_of(file)) > 400
    )
    silent = (file for file in modules() if length_of(file) and not ast.get_docstring(tree_of(file)))
    none_of(f"{ids(file)} does not say what it is for" for file in silent)


def test_no_function_is_longer_than_sixty_lines() -> None:
    functions = [
        (f"{ids(file)}: {node.name}", (node.end_lineno or 0) - node.lineno + 1)
        for file in modules()
        for node in ast.walk(tree_of(file))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    ]
    none_of(f"{name} has {length} lines" for name, length in functions if length > 60)


def test_help_loads_no_pixel_library() -> None:
    code = "import sys; from drydown.cli import root; root.main(['--help'], standalone_mode=False); print(*sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    loaded = {name.split(".")[0] for name in out.split()}
    assert not loaded & (HEAVY | {"pydantic", "rich", "watchdog"})


def test_the_top_level_is_the_agreed_one() -> None:
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "daemon",
        "plugins",
        "tests",
        "config",
        "examples",
    }
    allowed |= {"Makefile", "LICENSE", "CHANGELOG.md", ".ci", ".gitignore", ".pre-commit-config.yaml"}
    listed = subprocess.run(
        ["git", "ls-tree", "--name-only", "HEAD"], cwd=ROOT, capture_output=True, text=True
    )
    names = set(listed.stdout.split())
    if listed.returncode or not names:
        pytest.skip("not a git checkout")
    assert names <= allowed
