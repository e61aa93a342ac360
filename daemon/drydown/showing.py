"""How a name that a stranger chose is shown: one line, no effects, nothing hidden. Knows letters, nothing else.

A file's name may hold line ends, escape sequences, right-to-left marks, or no text at all. Inside the program it is a `str` as `os.fsdecode` gives it.
"""

from __future__ import annotations

import unicodedata
from typing import Any

#: Unicode's general categories of what a terminal or a page would obey or hide rather than show.
HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def shown(name: str | bytes) -> str:
    r"""The name as it may be printed, logged or put on a page.

    Control characters, line and paragraph ends, format characters (right-to-left marks, zero-width ones) and unassigned ones are
    escaped (`\n`, `\x1b`, `\u202e`); a byte that is not text shows as `\xff`, a backslash as two.
    """
    text = name.decode("utf-8", "surrogateescape") if isinstance(name, bytes) else name
    return "".join(shown_letter(letter) for letter in text)


def shown_apart(name: bytes) -> str:
    """The name as it may be printed where that is another text; empty where it can be shown as it is."""
    text = shown(name)
    return text if text.encode() != name else ""


def harmless(value: Any) -> Any:
    """A JSON value of somebody who is not trusted, its texts as they may be printed. What is escaped already stays as it is: backslashes are left alone."""
    match value:
        case str():
            return "".join(letter if letter == "\\" else shown_letter(letter) for letter in value)
        case list() | tuple():
            return type(value)(harmless(one) for one in value)
        case dict():
            return {harmless(key): harmless(one) for key, one in value.items()}
    return value


def shown_letter(letter: str) -> str:
    """One letter, escaped where it would hide or act."""
    if letter == "\\":
        return r"\\"
    if unicodedata.category(letter) not in HIDDEN:
        return letter
    code = ord(letter)
    if 0xDC80 <= code <= 0xDCFF:  # what surrogateescape makes of a byte that is not text
        return f"\\x{code - 0xDC00:02x}"
    return f"\\u{code:04x}" if 0xD800 <= code <= 0xDFFF else letter.encode("unicode_escape").decode("ascii")
