"""What plugins may rely on is written down in `public_api.txt`; a change of it is a decision, made by changing that file too.

`python -m tests.contract.test_public_api` prints the description as it is now.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

from pydantic import BaseModel

from drydown.api import API

DESCRIPTION = Path(__file__).with_name("public_api.txt")
WHOLE = ("drydown.api", "drydown.testing")
#: The modules of imaging that are for everybody; the others serve these, the sheet makers and the profiles, and may change any day.
IMAGING = (
    "alpha",
    "convert",
    "icc_build",
    "icc_exact",
    "lettering",
    "neutral",
    "pcs",
    "sharpen",
    "sheets",
    "tone",
    "working",
)


def described() -> str:
    """A line for every public name: what it is called and what it takes."""
    lines = [f"API {API}"]
    for name in WHOLE:
        module = importlib.import_module(name)
        lines += sorted(
            line for public in module.__all__ for line in _lines(name, public, getattr(module, public))
        )
    for name in IMAGING:
        module = importlib.import_module(f"drydown.imaging.{name}")
        lines += sorted(
            line for public, value in _own(module) for line in _lines(module.__name__, public, value)
        )
    return "\n".join(lines) + "\n"


def _own(module: ModuleType) -> Iterator[tuple[str, object]]:
    """Functions and classes that the module makes, and does not only import."""
    for name, value in vars(module).items():
        made_here = getattr(value, "__module__", "") == module.__name__
        if not name.startswith("_") and made_here and (inspect.isfunction(value) or inspect.isclass(value)):
            yield name, value


def _lines(module: str, name: str, value: object) -> Iterator[str]:
    if not getattr(value, "__module__", "").startswith("drydown"):
        yield f"{module}.{name}"  # another library's, or a plain value
    elif inspect.isclass(value):
        yield f"{module}.{name}({', '.join(_fields(value))})"
        for member, function in vars(value).items():
            if not member.startswith("_") and inspect.isfunction(function):
                yield f"{module}.{name}.{member}({_parameters(function)})"
    else:
        yield f"{module}.{name}({_parameters(value)})"


def _fields(value: type) -> list[str]:
    if dataclasses.is_dataclass(value):
        return [field.name for field in dataclasses.fields(value)]
    if issubclass(value, BaseModel):
        return list(value.model_fields)
    return []


def _parameters(function: object) -> str:
    """Names, in order; `=` where it may be left out, `*` where what follows is by name."""
    try:
        signature = inspect.signature(function)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return "…"
    said, by_name = [], False
    for parameter in signature.parameters.values():
        if parameter.kind is parameter.KEYWORD_ONLY and not by_name:
            said.append("*")
            by_name = True
        star = {parameter.VAR_POSITIONAL: "*", parameter.VAR_KEYWORD: "**"}.get(parameter.kind, "")
        said.append(f"{star}{parameter.name}{'' if parameter.default is parameter.empty else '='}")
    return ", ".join(said)


def test_the_public_surface_is_the_one_written_down() -> None:
    written, found = DESCRIPTION.read_text(encoding="utf-8").splitlines(), described().splitlines()
    gone, new = sorted(set(written) - set(found)), sorted(set(found) - set(written))
    assert not gone and not new, (
        f"gone or changed: {gone}; new: {new}. If that is meant: raise the version, say it in CHANGELOG.md, and write "
        "the file anew with python -m tests.contract.test_public_api > tests/contract/public_api.txt"
    )


if __name__ == "__main__":
    print(described(), end="")
