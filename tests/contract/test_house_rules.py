"""The rules of the house that a machine can check: import arrows, heavy imports, sizes, the top level."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
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


def modules() -> list[Path]:
    return sorted([*PACKAGE.rglob("*.py"), *STEPS.rglob("*.py")])


def part_of(file: Path) -> str:
    if file.is_relative_to(STEPS):
        return "drydown_steps"
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(tree: ast.AST, *, module_level: bool = False) -> Iterator[str]:
    """Dotted names imported; with `module_level` only those that importing the file imports."""
    for node in ast.iter_child_nodes(tree):
        if module_level and isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
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


@pytest.mark.parametrize("file", modules(), ids=ids)
def test_imports_follow_the_arrows(file: Path) -> None:
    part = part_of(file)
    for name in imports(ast.parse(file.read_text())):
        head, *rest = name.split(".")
        if head == "drydown" and rest and rest[0] != "__version__":
            target = rest[0]
            if part == "drydown_steps":
                assert target in {"api", "imaging"}, (
                    f"{ids(file)} imports {name}: steps use the public door only"
                )
            else:
                allowed = ARROWS[part] | EVERYBODY_MAY | {part}
                assert target in allowed, f"{ids(file)} imports {name}: {part} may import {sorted(allowed)}"
        if head == "drydown_steps":
            assert part == "drydown_steps", f"{ids(file)} imports {name}: steps are found, never imported"
        if head in ONLY and part != "drydown_steps":
            assert part in ONLY[head], f"{ids(file)} imports {head}: only {sorted(ONLY[head])} may"


@pytest.mark.parametrize("file", modules(), ids=ids)
def test_nothing_heavy_is_imported_at_module_level_outside_imaging(file: Path) -> None:
    if part_of(file) in {"imaging", "demo", "proofing", "testing", "measuring", "profiling"}:
        return
    heads = {name.split(".")[0] for name in imports(ast.parse(file.read_text()), module_level=True)}
    assert not heads & HEAVY
    late = {
        n for n in imports(ast.parse(file.read_text()), module_level=True) if n.startswith("drydown.imaging")
    }
    assert not late, (
        f"{ids(file)} imports {late} when it is imported; import it inside the function that needs it"
    )


@pytest.mark.parametrize("file", modules(), ids=ids)
def test_a_module_keeps_to_its_noun(file: Path) -> None:
    text = file.read_text()
    assert len(text.splitlines()) <= 400, f"{ids(file)} has grown past 400 lines: split it by noun"
    if text.strip():
        assert ast.get_docstring(ast.parse(text)), f"{ids(file)} does not say what it is for"


@pytest.mark.parametrize("file", modules(), ids=ids)
def test_no_function_is_longer_than_sixty_lines(file: Path) -> None:
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = (node.end_lineno or 0) - node.lineno + 1
            assert length <= 60, f"{ids(file)}: {node.name} has {length} lines"


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
