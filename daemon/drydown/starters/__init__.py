"""Plugins to start from: whole, working and tested, written out under a name of the author's choice.

The files beside this one are templates of `string.Template`: `$name` is the plugin's name (`open-shadows`), `$module` the same as Python writes it
(`open_shadows`), `$Class` as a class (`OpenShadows`), `$where` where its tests find it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Final, Literal

from drydown.errors import Conflict

Kind = Literal["step", "sheet-maker", "observer"]
Form = Literal["file", "package"]

NAME: Final = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


def write_plugin(name: str, kind: Kind, form: Form, folder: Path) -> list[Path]:
    """Write a plugin and its tests; answers the files written.

    `form` "file": `folder` is a studio's plugins/; the plugin is one file in it, its tests lie in tests/ below, where the program does not look for plugins.
    "package": a folder of that name is made in `folder`, to be installed with pip. Raises ValueError for a name that a recipe could not write,
    Conflict, having written nothing, where one of the files is there.
    """
    if not NAME.fullmatch(name):
        raise ValueError(f"'{name}' must be lower-case words joined by hyphens, such as open-shadows")
    module = name.replace("-", "_")
    words = {
        "name": name,
        "module": module,
        "Class": "".join(part.capitalize() for part in name.split("-")),
        "kind": kind.replace("-", " "),
        "entry": "drydown.steps",
        "loads": _FROM_PACKAGE if form == "package" else _FROM_FILE,
    }
    made = [
        (folder / where, Template(_text(template)).substitute(words))
        for where, template in _files(name, module, kind, form)
    ]
    there = [path for path, _ in made if path.exists()]
    if there:
        raise Conflict(
            f"{', '.join(map(str, there))} is there already, so nothing was written; choose another name"
        )
    for path, text in made:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text.replace("@MODULE@", module), encoding="utf-8")
    return [path for path, _ in made]


#: How the tests of a plugin find it; @MODULE@ is its name.
_FROM_PACKAGE: Final = "import @MODULE@ as plugin"
_FROM_FILE: Final = """import importlib.util
import sys
from pathlib import Path

# a studio's plugin is a file and no installed module: load it as the program does
_SPEC = importlib.util.spec_from_file_location("@MODULE@", Path(__file__).parents[1] / "@MODULE@.py")
plugin = importlib.util.module_from_spec(_SPEC)
sys.modules["@MODULE@"] = plugin
sys.path.insert(0, str(Path(__file__).parents[1]))  # for the processes that the contract starts
_SPEC.loader.exec_module(plugin)"""


def _files(name: str, module: str, kind: Kind, form: Form) -> Iterator[tuple[str, str]]:
    """Path below the folder, and its template."""
    stem = kind.replace("-", "_")
    if form == "file":
        yield f"{module}.py", f"{stem}.py.txt"
        yield f"tests/test_{module}.py", f"test_{stem}.py.txt"
        return
    yield f"{name}/{module}.py", f"{stem}.py.txt"
    yield f"{name}/tests/test_{module}.py", f"test_{stem}.py.txt"
    yield f"{name}/pyproject.toml", "pyproject.toml.txt"
    yield f"{name}/README.md", "README.md.txt"
    yield f"{name}/LICENSE", "LICENSE.txt"


def _text(template: str) -> str:
    return (files(__name__) / template).read_text(encoding="utf-8")
