"""Reading one TOML file, so that whatever is wrong with it is a `Fault` with a line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from drydown.errors import Fault, is_machines

_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")

#: What most often stands behind a parser's words.
_HINTS = (
    ("Cannot overwrite a value", "this key stands twice"),
    ("Cannot declare", "this table stands twice; a repeated table has two brackets, like [[step]]"),
    ("Invalid value", "text stands in quotes; true, false and numbers do not"),
    ("Unescaped '\\'", "write paths with forward slashes"),
    ("Illegal character '\\n'", "the closing quote is missing"),
    ("Expected ']", "the closing bracket is missing"),
)


def read_toml(path: Path, file: str) -> dict[str, Any] | Fault:
    """The file's tables, or the fault that keeps it from being read. `file` is its name as a person would say it.

    Raises OSError where the machine is at fault, not the file.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        return Fault(file, f"byte {error.start + 1}", "is not UTF-8 text", "save the file as UTF-8")
    except OSError as error:
        if is_machines(error):  # the file has no fault that a person could mend in it
            raise
        return Fault(file, "", f"cannot be read: {(error.strerror or str(error)).lower()}")
    return parse_toml(text, file)


def parse_toml(text: str, file: str) -> dict[str, Any] | Fault:
    """The same from text."""
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        return _syntax(str(error), file)
    except RecursionError:
        return Fault(file, "", "cannot be read: it is nested too deeply")
    except ValueError:  # Python's own limit on the digits of a number
        return Fault(file, "", "cannot be read: a number in it is too long")


def _syntax(message: str, file: str) -> Fault:
    place = ""
    if at := _AT.search(message):
        place = f"line {at[1]}, column {at[2]}" if at[1] else "end of the file"
        message = message[: at.start()]
    guess = next((hint for start, hint in _HINTS if message.startswith(start)), "")
    return Fault(file, place, f"not TOML: {message[:1].lower()}{message[1:]}", guess)
