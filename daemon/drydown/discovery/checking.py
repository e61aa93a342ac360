"""Whether what a plugin offers can be used: its hooks, names, interface, settings and functions."""

from __future__ import annotations

import inspect
import re
from difflib import get_close_matches
from types import ModuleType

from drydown import api
from drydown.discovery.problems import BadPlugin

_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


def refuse_unknown_hooks(module: ModuleType) -> None:
    """A misspelt hook would never be called, and nobody would know."""
    known = sorted(name for name in vars(api) if name.startswith("drydown_"))
    for name, value in vars(module).items():
        marked = getattr(value, f"{api.PROJECT}_impl", None)
        if marked and (called := marked.get("specname") or name) not in known:
            near = get_close_matches(called, known, 1)
            guess = f"did you mean {near[0]}?" if near else f"the hooks are {', '.join(known)}"
            raise BadPlugin(f"'{called}' is not a hook of drydown", guess, value)


def check(offer: object) -> None:
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
