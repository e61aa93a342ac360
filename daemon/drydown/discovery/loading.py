"""Loading one plugin: where it came from, exactly enough to load the same code again, and the hash of what was loaded."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.machinery import ModuleSpec, SourceFileLoader
from importlib.util import module_from_spec
from pathlib import Path
from types import ModuleType

import pluggy
from blake3 import blake3

from drydown import api

GROUP = "drydown.steps"  #: the entry-point group, for our own steps as for anybody's


@dataclass(frozen=True, slots=True)
class Origin:
    """Who offers something, exactly enough to load the same code again."""

    module: str
    file: str  #: absolute path of a studio plugin's file; empty for an installed distribution
    offered_by: str  #: `drydown 0.1.0`, or `plugins/border.py`
    blake3: str  #: of the module's source files


def new_manager() -> pluggy.PluginManager:
    """A plugin manager that knows our hooks; made where it is needed, never kept in a module."""
    manager = pluggy.PluginManager(api.PROJECT)
    manager.add_hookspecs(api)
    return manager


def load(origin: Origin) -> dict[str, api.Offer]:
    """Load one plugin again, as in a child process, and return its offers by name. Raises what its import raises."""
    return load_as_it_is(origin)[0]


def load_as_it_is(origin: Origin) -> tuple[dict[str, api.Offer], str]:
    """The same with the hash of what was loaded: it may have changed since `origin` was taken."""
    if origin.file:
        source = Path(origin.file).read_bytes()
        module, blake3_now = (
            from_source(source, Path(origin.file), origin.module),
            hash_of(source, Path(origin.file)),
        )
    else:
        module = importlib.import_module(origin.module)
        blake3_now = module_hash(module)
    return offers_of(module), blake3_now


def offers_of(module: ModuleType) -> dict[str, api.Offer]:
    """What a loaded plugin offers, by name. Raises what its hook raises."""
    manager = new_manager()
    manager.register(module)
    return {offer.name: offer for offers in manager.hook.drydown_steps() for offer in offers}


@cache
def module_hash(module: ModuleType) -> str:
    """BLAKE3 of an installed plugin's source, taken once, at its import: of the code that runs, also after another was installed over it.

    A forked child has it from the starter that imported the module. Raises TypeError for what has no file.
    """
    return source_hash(Path(module.__file__))  # type: ignore[arg-type]  # None raises TypeError


def source_hash(module_file: Path) -> str:
    """BLAKE3 of a module's source: the file, or every Python file below its package."""
    if module_file.name != "__init__.py":
        return hash_of(module_file.read_bytes(), module_file)
    folder = module_file.parent
    return _hash(
        (file.relative_to(folder).as_posix(), file.read_bytes()) for file in sorted(folder.rglob("*.py"))
    )


def hash_of(source: bytes, file: Path) -> str:
    """BLAKE3 of a plugin that is one file, from what was read of it."""
    return _hash([(file.name, source)])


def _hash(files: Iterable[tuple[str, bytes]]) -> str:
    digest = blake3()
    for name, content in files:
        digest.update(name.encode())
        digest.update(content)
    return digest.hexdigest()


def from_source(source: bytes, file: Path, name: str) -> ModuleType:
    """A module from what was read of its file. Raises what its import raises.

    Not by the interpreter's cache of compiled files: that takes a file of the same size, written within the same second, for unchanged, and would run
    code that has another hash than the one we say.
    """
    spec = ModuleSpec(name, SourceFileLoader(name, str(file)), origin=str(file))
    spec.has_location = True
    module = module_from_spec(spec)
    sys.modules[name] = module  # pydantic looks annotations up there
    try:
        exec(compile(source, str(file), "exec", dont_inherit=True), vars(module))  # noqa: S102  that is what a plugin is
    except BaseException:
        del sys.modules[name]
        raise
    return module
