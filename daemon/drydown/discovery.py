"""Finding plugins: installed distributions (entry points) and files in the studio's own `plugins/` folder.

Everything found is an `Offer` with its `Origin`; everything that failed is a `Problem` that names who, where and why. A plugin that fails to load
switches off the recipes that need it, never silently; two offers of one name stop the start. The only importer of pluggy besides `api`.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import importlib.util
import inspect
import re
import sys
import traceback
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import cast

import pluggy
from blake3 import blake3

from drydown import api
from drydown.errors import Fault, StudioError

GROUP = "drydown.steps"  #: the entry-point group, for our own steps as for anybody's
_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


@dataclass(frozen=True, slots=True)
class Origin:
    """Who offers something, exactly enough to load the same code again."""

    module: str
    file: str  #: absolute path of a studio plugin's file; empty for an installed distribution
    offered_by: str  #: `drydown 0.1.0`, or `plugins/border.py`
    blake3: str  #: of the module's source files


@dataclass(frozen=True, slots=True)
class Problem:
    """A plugin that could not be used: who, why, and where in its source."""

    offered_by: str
    reason: str
    place: str = ""  #: file and line, where known
    next_move: str = ""  #: what a person can do about it

    def __str__(self) -> str:
        at = f" at {self.place}" if self.place else ""
        return f"{self.offered_by} failed to load{at}: {self.reason}" + (
            f"; {self.next_move}" if self.next_move else ""
        )


@dataclass(frozen=True, slots=True)
class Discovery:
    """What there is to use, by name, and what failed."""

    offers: Mapping[str, api.Offer]
    origins: Mapping[str, Origin]
    problems: tuple[Problem, ...]
    manager: pluggy.PluginManager = field(repr=False)


def new_manager() -> pluggy.PluginManager:
    """A plugin manager that knows our hooks; made where it is needed, never kept in a module."""
    manager = pluggy.PluginManager(api.PROJECT)
    manager.add_hookspecs(api)
    return manager


def discover(studio_plugins: Path | None = None, *, off: Iterable[str] = ()) -> Discovery:
    """Find every plugin that is installed, and those in `studio_plugins`; `off` names distributions or files to leave out.

    Raises StudioError where two plugins offer one name, naming both.
    """
    manager = new_manager()
    problems: list[Problem] = []
    origins: dict[str, Origin] = {}  # by plugin name in the manager
    left_out = set(off)
    for name, module, origin in [
        *_installed(problems, left_out),
        *_of_studio(studio_plugins, problems, left_out),
    ]:
        try:
            manager.register(module, name=name)
            _refuse_unknown_hooks(module)
        except Exception as error:  # a plugin's own fault must not stop the others
            problems.append(_problem(origin.offered_by, error, module))
            if manager.has_plugin(name):
                manager.unregister(name=name)
            continue
        origins[name] = origin
    return _collect(manager, origins, problems)


def load(origin: Origin) -> dict[str, api.Offer]:
    """Load one plugin again, as in a child process, and return its offers by name. Raises what its import raises."""
    module = (
        _from_file(Path(origin.file), origin.module)
        if origin.file
        else importlib.import_module(origin.module)
    )
    manager = new_manager()
    manager.register(module)
    return {offer.name: offer for offers in manager.hook.drydown_steps() for offer in offers}


def source_hash(module_file: Path) -> str:
    """BLAKE3 of a module's source: the file, or every Python file below its package."""
    files = sorted(module_file.parent.rglob("*.py")) if module_file.name == "__init__.py" else [module_file]
    digest = blake3()
    for file in files:
        digest.update(file.relative_to(module_file.parent).as_posix().encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()


def _installed(problems: list[Problem], off: set[str]) -> Iterable[tuple[str, ModuleType, Origin]]:
    for point in sorted(importlib.metadata.entry_points(group=GROUP), key=lambda p: (p.value, p.name)):
        distribution = point.dist.name if point.dist else point.value
        offered_by = f"{distribution} {point.dist.version}" if point.dist else point.value
        if distribution in off:
            continue
        try:
            module = point.load()
        except (Exception, SystemExit) as error:  # also a plugin that exits on import
            problems.append(_problem(offered_by, error))
            continue
        file = Path(module.__file__)
        yield (
            f"{distribution}:{point.name}",
            module,
            Origin(module.__name__, "", offered_by, source_hash(file)),
        )


def _of_studio(
    folder: Path | None, problems: list[Problem], off: set[str]
) -> Iterable[tuple[str, ModuleType, Origin]]:
    if folder is None or not folder.is_dir():
        return
    for file in sorted(folder.glob("*.py")):
        if file.name.startswith(("_", ".")) or file.name in off or file.stem in off:
            continue
        offered_by = f"{folder.name}/{file.name}"
        name = f"drydown_studio_{file.stem}"
        try:
            module = _from_file(file, name)
        except (Exception, SystemExit) as error:
            problems.append(_problem(offered_by, error))
            continue
        yield offered_by, module, Origin(name, str(file.resolve()), offered_by, source_hash(file))


def _from_file(file: Path, name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, file)
    if spec is None or spec.loader is None:
        raise ImportError(f"{file} is not a Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # pydantic looks annotations up there
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module


def _refuse_unknown_hooks(module: ModuleType) -> None:
    """A misspelt hook would never be called, and nobody would know."""
    known = sorted(name for name in vars(api) if name.startswith("drydown_"))
    for name, value in vars(module).items():
        marked = getattr(value, f"{api.PROJECT}_impl", None)
        if marked and (called := marked.get("specname") or name) not in known:
            near = get_close_matches(called, known, 1)
            guess = f"did you mean {near[0]}?" if near else f"the hooks are {', '.join(known)}"
            raise BadPlugin(f"'{called}' is not a hook of drydown", guess, value)


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
                _check(offer)
        except Exception as error:
            problems.append(_problem(origin.offered_by, error, impl.function))
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


def _check(offer: object) -> None:
    """Raises BadPlugin for what no recipe could use."""
    if not isinstance(offer, api.StepOffer | api.SheetOffer):
        raise BadPlugin(
            f"drydown_steps gave a {type(offer).__name__}", "make offers with step(…) or sheet_maker(…)"
        )
    if not _NAME.fullmatch(offer.name):
        raise BadPlugin(
            f"the name '{offer.name}' is none that a recipe can write",
            "use lower-case words joined by hyphens",
            offer.run,
        )
    if offer.api != api.API:
        raise BadPlugin(
            f"'{offer.name}' is written for interface {offer.api}, this drydown offers {api.API}",
            "install a version of the plugin, or of drydown, that matches",
            offer.run,
        )
    if not (isinstance(offer.settings, type) and issubclass(offer.settings, api.Settings)):
        raise BadPlugin(
            f"the settings of '{offer.name}' are no Settings",
            "derive the class from drydown.api.Settings",
            offer.settings,
        )
    taken = {"use", "name"} & set(offer.settings.model_fields)
    if taken:
        raise BadPlugin(
            f"'{offer.name}' has a setting called {', '.join(sorted(taken))}",
            "these words are reserved in recipes; call it otherwise",
            offer.settings,
        )
    _check_function(offer)


def _check_function(offer: api.Offer) -> None:
    """Called wrongly it would fail at the first picture; better now."""
    first = "frame" if isinstance(offer, api.StepOffer) else "render"
    if not callable(offer.run):
        raise BadPlugin(
            f"run of '{offer.name}' is a {type(offer.run).__name__}",
            f"give a function ({first}, settings, job)",
        )
    try:
        inspect.signature(offer.run).bind(None, None, None)
    except TypeError:
        takes = f"{offer.name} takes {inspect.signature(offer.run)}"
        raise BadPlugin(
            f"the function of {takes}", f"it is called with ({first}, settings, job)", offer.run
        ) from None
    except ValueError:  # one written in C says nothing of itself
        return


class BadPlugin(Exception):
    """A plugin that loads and cannot be used. `about`: the thing in its source that is wrong, where one is."""

    def __init__(self, reason: str, next_move: str, about: object = None) -> None:
        super().__init__(reason)
        self.next_move, self.about = next_move, about


def _problem(offered_by: str, error: BaseException, about: object = None) -> Problem:
    """A failure as a person reads it. `about`: what in the plugin's source was being looked at, for where the error itself does not say."""
    if isinstance(error, BadPlugin):
        return Problem(offered_by, str(error), _line_of(error.about) or _line_of(about), error.next_move)
    place = _where(error) or _line_of(about)
    return Problem(offered_by, f"{type(error).__name__}: {error}", place, _next_move(error, offered_by))


def _next_move(error: BaseException, offered_by: str) -> str:
    if isinstance(error, ModuleNotFoundError) and error.name:
        if error.name.split(".")[0] == api.PROJECT:
            return "that part of drydown is gone or was never public; examples/PLUGINS.md says what is"
        return f"install it where drydown runs: pip install {error.name.split('.')[0]}"
    if isinstance(error, SystemExit):
        return "a plugin must not end the program when it is imported; move that into a function"
    return f'mend it, or leave it out with plugins.off = ["{offered_by.split("/")[-1].split()[0]}"] in studio.toml'


def _line_of(thing: object) -> str:
    """File and line of a function, class or module; empty where it has none."""
    if isinstance(thing, ModuleType):
        return Path(thing.__file__ or "").name
    try:
        file, (_, line) = inspect.getsourcefile(thing), inspect.getsourcelines(thing)  # type: ignore[arg-type]
    except (TypeError, OSError):
        return ""
    return f"{Path(file or '').name} line {line}"


def _where(error: BaseException) -> str:
    """The last place outside this program and the interpreter's import machinery where it came up."""
    if isinstance(error, SyntaxError) and error.filename:
        return f"{Path(error.filename).name} line {error.lineno}"
    frames = [frame for frame in traceback.extract_tb(error.__traceback__) if _is_a_plugins(frame.filename)]
    return f"{Path(frames[-1].filename).name} line {frames[-1].lineno}" if frames else ""


def _is_a_plugins(file: str) -> bool:
    path = Path(file)
    helps = {"pluggy", "pydantic"} & set(path.parts)
    return not file.startswith("<") and not helps and not path.is_relative_to(Path(__file__).parent)
