"""Everything that is installed and everything that lies in the studio's `plugins/`, by name, and what failed."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import cast

import pluggy

from drydown import api
from drydown.discovery.checking import check, refuse_unknown_hooks
from drydown.discovery.hands import refuse_others_hands
from drydown.discovery.loading import GROUP, Origin, from_source, hash_of, module_hash, new_manager
from drydown.discovery.problems import Problem, problem
from drydown.discovery.tryout import DEADLINE_S, try_out
from drydown.errors import Fault, StudioError, is_machines


@dataclass(frozen=True, slots=True)
class Discovery:
    """What there is to use, by name, and what failed."""

    offers: Mapping[str, api.Offer]
    origins: Mapping[str, Origin]
    problems: tuple[Problem, ...]
    manager: pluggy.PluginManager = field(repr=False)


def discover(
    studio_plugins: Path | None = None, *, off: Iterable[str] = (), deadline_s: float = DEADLINE_S
) -> Discovery:
    """Find every plugin that is installed, and those in `studio_plugins`; `off` names distributions or files to leave out.

    Each but our own is tried in a process of its own first, and is a problem where its import takes longer than `deadline_s`.

    Raises StudioError where two plugins offer one name, naming both; OSError of the machine where a studio's file cannot be read for a sick disk.
    """
    manager = new_manager()
    problems: list[Problem] = []
    origins: dict[str, Origin] = {}  # by plugin name in the manager
    left_out = set(off)
    for name, module, origin in [
        *_installed(problems, left_out, deadline_s),
        *_of_studio(studio_plugins, problems, left_out, deadline_s),
    ]:
        try:
            manager.register(module, name=name)
            refuse_unknown_hooks(module)
        except Exception as error:  # a plugin's own fault must not stop the others
            problems.append(problem(origin.offered_by, error, module))
            if manager.has_plugin(name):
                manager.unregister(name=name)
            continue
        origins[name] = origin
    return _collect(manager, origins, problems)


def _installed(
    problems: list[Problem], off: set[str], deadline_s: float
) -> Iterable[tuple[str, ModuleType, Origin]]:
    for point in sorted(importlib.metadata.entry_points(group=GROUP), key=lambda p: (p.value, p.name)):
        distribution = point.dist.name if point.dist else point.value
        offered_by = f"{distribution} {point.dist.version}" if point.dist else point.value
        if distribution in off:
            continue
        if distribution != api.PROJECT and (
            found := try_out(b"", None, point.module, offered_by, deadline_s=deadline_s)
        ):
            problems.append(found)
            continue
        try:
            module = point.load()
            origin = Origin(module.__name__, "", offered_by, module_hash(module))
        # also a plugin that exits on import, and what is no module with a file
        except (Exception, SystemExit) as error:
            problems.append(problem(offered_by, error))
            continue
        yield f"{distribution}:{point.name}", module, origin


def _of_studio(
    folder: Path | None, problems: list[Problem], off: set[str], deadline_s: float
) -> Iterable[tuple[str, ModuleType, Origin]]:
    if folder is None or not folder.is_dir():
        return
    files = [
        file
        for file in sorted(folder.glob("*.py"))
        if not (file.name.startswith(("_", ".")) or file.name in off or file.stem in off)
    ]
    if files:
        refuse_others_hands(folder, [folder, *folder.glob("__pycache__"), *files])
    for file in files:
        offered_by = f"{folder.name}/{file.name}"
        name = f"drydown_studio_{file.stem}"
        try:
            source = file.read_bytes()
            if found := try_out(source, file, name, offered_by, deadline_s=deadline_s):
                problems.append(found)
                continue
            module = from_source(source, file, name)
        except (Exception, SystemExit) as error:
            if is_machines(error):  # that tells nothing about a plugin: whoever asks, asks again
                raise
            problems.append(problem(offered_by, error))
            continue
        yield offered_by, module, Origin(name, str(file.resolve()), offered_by, hash_of(source, file))


def _collect(
    manager: pluggy.PluginManager, by_plugin: Mapping[str, Origin], problems: list[Problem]
) -> Discovery:
    offers: dict[str, api.Offer] = {}
    origins: dict[str, Origin] = {}
    clashes: list[Fault] = []
    for impl in reversed(manager.hook.drydown_steps.get_hookimpls()):
        origin = by_plugin[impl.plugin_name]
        try:
            made = list(cast(Iterable[api.Offer], impl.function()))
            for offer in made:
                check(offer)
        except (Exception, SystemExit) as error:
            problems.append(problem(origin.offered_by, error, impl.function))
            continue
        for offer in made:
            if offer.name in offers:
                clashes.append(
                    Fault(
                        f"step '{offer.name}'",
                        "",
                        f"is offered twice: by {origins[offer.name].offered_by} and by {origin.offered_by}",
                        f'remove one, or leave it out with plugins.off = ["{_short(origin)}"] in studio.toml',
                    )
                )
                continue
            offers[offer.name] = offer
            origins[offer.name] = origin
    if clashes:
        raise StudioError(clashes)
    return Discovery(MappingProxyType(offers), MappingProxyType(origins), tuple(problems), manager)


def _short(origin: Origin) -> str:
    return Path(origin.file).name if origin.file else origin.offered_by.split()[0]
