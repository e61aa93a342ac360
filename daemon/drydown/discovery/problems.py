"""What is wrong with a plugin, as a person reads it: who, where in the source, why, and the next move."""

from __future__ import annotations

import inspect
import traceback
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from drydown import api

_OURS = Path(__file__).parents[1]


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


class BadPlugin(Exception):
    """A plugin that loads and cannot be used. `about`: the thing in its source that is wrong, where one is."""

    def __init__(self, reason: str, next_move: str, about: object = None) -> None:
        super().__init__(reason)
        self.next_move, self.about = next_move, about


def problem(offered_by: str, error: BaseException, about: object = None) -> Problem:
    """A failure as a person reads it. `about`: what in the plugin's source was being looked at, for where the error itself does not say."""
    if isinstance(error, BadPlugin):
        return Problem(offered_by, str(error), line_of(error.about) or line_of(about), error.next_move)
    place = where(error) or line_of(about)
    said = ": ".join(part for part in (type(error).__name__, str(error)) if part)
    return Problem(offered_by, said, place, _next_move(error, offered_by))


def leave_out(offered_by: str) -> str:
    """The move that is always open."""
    return f'leave it out with plugins.off = ["{offered_by.split("/")[-1].split()[0]}"] in studio.toml'


def _next_move(error: BaseException, offered_by: str) -> str:
    if isinstance(error, ModuleNotFoundError) and error.name:
        if error.name.split(".")[0] == api.PROJECT:
            return "that part of drydown is gone or was never public; examples/PLUGINS.md says what is"
        return f"install it where drydown runs: pip install {error.name.split('.')[0]}"
    if not isinstance(error, Exception):  # SystemExit, KeyboardInterrupt
        return "a plugin must not end the program when it is imported; move that into a function"
    return f"mend it, or {leave_out(offered_by)}"


def line_of(thing: object) -> str:
    """File and line of a function, class or module; empty where it has none."""
    if isinstance(thing, ModuleType):
        return Path(thing.__file__ or "").name
    try:
        file, (_, line) = inspect.getsourcefile(thing), inspect.getsourcelines(thing)  # type: ignore[arg-type]
    except (TypeError, OSError):
        return ""
    return f"{Path(file or '').name} line {line}"


def where(error: BaseException) -> str:
    """The last place outside this program and the interpreter's import machinery where it came up."""
    if isinstance(error, SyntaxError) and error.filename:
        return f"{Path(error.filename).name} line {error.lineno}"
    frames = [frame for frame in traceback.extract_tb(error.__traceback__) if _is_a_plugins(frame.filename)]
    return f"{Path(frames[-1].filename).name} line {frames[-1].lineno}" if frames else ""


def _is_a_plugins(file: str) -> bool:
    path = Path(file)
    helps = {"pluggy", "pydantic"} & set(path.parts)
    return not file.startswith("<") and not helps and not path.is_relative_to(_OURS)
