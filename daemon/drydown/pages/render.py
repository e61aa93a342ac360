"""From values to one HTML file: the templates, and what a page is allowed to do.

Everything that is put in is escaped. The page may show the pictures that it holds and use the one style sheet that it holds, named by its
hash; scripts, requests and frames are forbidden by its own policy (Content Security Policy Level 3, W3C).
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from drydown.showing import shown

if TYPE_CHECKING:
    from jinja2 import Environment


def html(template: str, **values: Any) -> str:
    """The page `template` makes of `values`. Raises jinja2's errors for a template that asks for what is not there."""
    style = _text("style.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )
    return _environment().get_template(template).render(style=style, policy=policy, **values)


def warm() -> None:
    """Load what a job's page needs, so that a process forked from this one need not: templates, style sheet."""
    _text("style.css")
    _environment().get_template("job.html")


def data_uri(jpeg: bytes) -> str:
    """A JPEG as an address that holds it (RFC 2397)."""
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")


def plain(value: object) -> str:
    """A setting's value in words: nothing hidden in it, `not set` for None, at most three decimals."""
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{round(value, 3):g}"
    if isinstance(value, list | tuple):
        return ", ".join(plain(part) for part in value)
    if isinstance(value, dict):
        return ", ".join(f"{shown(str(key))} {plain(part)}" for key, part in value.items())
    return shown(str(value))


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("drydown.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"plain": plain, "data_uri": data_uri}
    return environment


@cache
def _text(name: str) -> str:
    return (resources.files("drydown.pages") / "templates" / name).read_text(encoding="utf-8")
