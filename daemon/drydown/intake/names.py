"""Names: how a dropped file's name is shown, what part of it an output may carry, and how a job is called.

A name is bytes that a stranger chose: it may hold line ends, escape sequences, right-to-left marks, or no text at all. Inside the
program it is a `str` as `os.fsdecode` gives it; it is shown only through `shown` and used for outputs only through `safe_stem`.
"""

from __future__ import annotations

import re
import secrets
import unicodedata
from collections.abc import Callable

Name = str | bytes

#: Digits and letters without i, l, o and u: nothing looks like something else, and no words come about.
JOB_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
JOB_LENGTH = 13
_RANDOM_LETTERS = (
    4  #: 20 bits; the other nine letters count milliseconds since 1970 (enough until the year 3084)
)
_JOB = re.compile(f"[{JOB_ALPHABET}]{{{JOB_LENGTH}}}")
#: A suffix with its dot: not the beginning of a name, and not the sentence after `Mr. `.
_SUFFIX = re.compile(r"(?<=.)\.[^\W_]{1,10}\Z", re.DOTALL)
_MISREAD = str.maketrans({"i": "1", "l": "1", "o": "0"})

#: Names that some systems keep for devices, whatever follows the first dot (Microsoft, "Naming Files, Paths, and Namespaces").
_DEVICES = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³")]
)


def text(name: Name) -> str:
    """The name as `str`; bytes that are not UTF-8 become lone surrogates, as `os.fsdecode` does it."""
    return name.decode("utf-8", "surrogateescape") if isinstance(name, bytes) else name


def safe_stem(name: Name, max_bytes: int = 120) -> str:
    """What output names begin with: the name less its last suffix, in NFC, at most `max_bytes` (8 or more) of UTF-8.

    Letters, digits and their marks, `_`, `.` and `-` stay, anything else becomes `_`. It starts with neither dot nor minus, ends with no
    dot, is cut between code points, is no device's name, and never empty. 120 bytes leave room for a job and suffixes in a name of 255.
    """
    stem = unicodedata.normalize("NFC", _SUFFIX.sub("", text(name)))
    stem = "".join(letter if _keeps(letter) else "_" for letter in stem).lstrip(".")
    if stem.split(".", 1)[0].casefold() in _DEVICES:
        stem = f"_{stem}"
    if stem.startswith("-") or (stem and unicodedata.category(stem[0])[0] == "M"):
        stem = f"_{stem[1:]}"
    stem = stem.encode("utf-8")[:max_bytes].decode("utf-8", "ignore").rstrip(".")
    return stem or "picture"


def _keeps(letter: str) -> bool:
    # Marks (vowel signs, Hebrew points) are no `\w` for Python, yet a Hindi or Thai name is unreadable without them.
    return letter in "_.-" or letter.isalnum() or unicodedata.category(letter)[0] == "M"


def job_id(now_s: float, random_bits: Callable[[int], int] = secrets.randbits) -> str:
    """A job's name: 13 letters that sort by time, with 20 random bits; easy to read out and to type.

    `now_s`: wall clock, seconds since 1970. Whoever uses it makes a folder of that name: taken means, ask for another.
    """
    number = (int(now_s * 1000) << (5 * _RANDOM_LETTERS)) | random_bits(5 * _RANDOM_LETTERS)
    return "".join(JOB_ALPHABET[number >> (5 * place) & 31] for place in reversed(range(JOB_LENGTH)))


def is_job_id(name: str) -> bool:
    """True for a name that `job_id` could have made."""
    return _JOB.fullmatch(name) is not None


def typed_job_id(typed: str) -> str:
    """What a person typed, read kindly: capitals, blanks, and i, l, o for 1, 1, 0. May be a beginning; not checked against any job."""
    return typed.strip().lower().translate(_MISREAD)
