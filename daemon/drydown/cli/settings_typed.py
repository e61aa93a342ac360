"""A setting typed on the command line: `balance.magenta=10`."""

from __future__ import annotations

import click

from drydown.api import Value


def typed_setting(text: str, form: str) -> tuple[str, Value]:
    """The setting and its value, which is taken for a truth, a number or a text as it would be in TOML. `form` says what is asked for.

    Raises UsageError.
    """
    key, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not key or not value:
        raise click.UsageError(f"--set takes {form}; found '{text}'")
    if value in ("true", "false"):
        return key, value == "true"
    for kind in (int, float):
        try:
            return key, kind(value)
        except ValueError:
            continue
    return key, value.strip("\"'")
