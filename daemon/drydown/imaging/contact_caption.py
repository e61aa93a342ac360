"""The type of a contact sheet: what stands below a picture, broken into lines so that nothing of it is lost.

Knows millimetres and letters, no pictures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from drydown.imaging.lettering import SEPARATOR, width_mm

NAME_CAP_MM: Final = (
    1.9  #: height of capitals of a picture's name; read at arm's length (common practice, no source)
)
FACT_CAP_MM: Final = 1.5  #: of what is said about it: a little below the slug's 1.6
WHY_CAPS_MM: Final = (1.5, 1.3, 1.1)  #: of a reason in an empty frame: the first in which it fits
LEADING: Final = 1.9  #: from one base line to the next, by the height of capitals
NUMBER_GAP_MM: Final = 2.0
CLEAR_MM: Final = 2.2  #: from the picture down to the capitals of its name
DESCENT: Final = 0.35  #: what hangs below a base line, by the height of capitals
_AFTER: Final = " -_.,;/"  # a word that is too long is broken after one of these, where there is one
_FIRST_LOOK: Final = 24  # letters
_WORTH: Final = 0.6  # but not where that leaves a line emptier than this


@dataclass(frozen=True, slots=True)
class Text:
    """One line of type: its words, the height of its capitals, and where its base line starts, in mm from the upper left corner of its block."""

    words: str
    cap_mm: float
    left_mm: float
    base_mm: float
    loud: bool = True  #: names; what is said about them is printed lighter


@dataclass(frozen=True, slots=True)
class Caption:
    """Lines of type and the height that they take, from the picture's lower edge on."""

    lines: tuple[Text, ...]
    height_mm: float


def caption(number: str, name: str, facts: Sequence[str], *, room_mm: float) -> Caption:
    """Number and name, and below them what is said about the picture; all of it, however many lines it takes."""
    indent = width_mm(number, NAME_CAP_MM) + NUMBER_GAP_MM if number else 0.0
    lines: list[Text] = []
    base = CLEAR_MM + NAME_CAP_MM
    if number:
        lines.append(Text(number, NAME_CAP_MM, 0.0, base, loud=False))
    for words in broken(name, cap_mm=NAME_CAP_MM, room_mm=room_mm - indent):
        lines.append(Text(words, NAME_CAP_MM, indent, base))
        base += LEADING * NAME_CAP_MM
    base += (FACT_CAP_MM - NAME_CAP_MM) * 0.6
    for words in flowing(facts, cap_mm=FACT_CAP_MM, room_mm=room_mm - indent):
        lines.append(Text(words, FACT_CAP_MM, indent, base, loud=False))
        base += LEADING * FACT_CAP_MM
    last = lines[-1]
    return Caption(tuple(lines), last.base_mm + DESCENT * last.cap_mm)


def reason(text: str, *, room_mm: float, height_mm: float) -> Caption:
    """Why a frame is empty, in the largest type in which it fits the frame; in the smallest it is cut with an ellipsis where it must be."""
    for cap in WHY_CAPS_MM:
        found = broken(text, cap_mm=cap, room_mm=room_mm)
        most = max(1, int((height_mm - cap * (1 + DESCENT)) / (cap * LEADING) + 1e-9) + 1)
        if len(found) <= most:
            break
    else:
        found = [*found[: most - 1], _ended(found[most - 1], cap_mm=cap, room_mm=room_mm)]
    lines = tuple(Text(words, cap, 0.0, cap * (1 + n * LEADING), loud=False) for n, words in enumerate(found))
    return Caption(lines, cap * (1 + (len(lines) - 1) * LEADING + DESCENT))


def broken(text: str, *, cap_mm: float, room_mm: float) -> list[str]:
    """The text in lines of at most `room_mm`: at its spaces, and inside a word that is longer than a line."""
    lines: list[str] = []
    rest = " ".join(text.split())
    while rest:
        count = _fitting(rest, cap_mm, room_mm)
        if count == len(rest):
            return [*lines, rest]
        at = _break_at(rest, count)
        lines.append(rest[:at].rstrip())
        rest = rest[at:].lstrip()
    return lines or [""]


def flowing(parts: Sequence[str], *, cap_mm: float, room_mm: float) -> list[str]:
    """Parts joined by a dot, as many in a line as find room; none is torn apart unless it is longer than a line."""
    lines: list[str] = []
    for part in (part for part in parts if part):
        longer = f"{lines[-1]}{SEPARATOR}{part}" if lines else part
        if width_mm(longer, cap_mm) <= room_mm:
            lines[-1:] = [longer]
        else:
            lines += broken(part, cap_mm=cap_mm, room_mm=room_mm)
    return lines


def _fitting(text: str, cap_mm: float, room_mm: float) -> int:
    """How many of its first letters find room; at least one. Looks at little more than these, since measuring takes the square of the length."""
    low, high = 1, min(_FIRST_LOOK, len(text))
    while high < len(text) and width_mm(text[:high], cap_mm) <= room_mm:
        low, high = high, min(2 * high, len(text))
    while low < high:
        middle = (low + high + 1) // 2
        if width_mm(text[:middle], cap_mm) <= room_mm:
            low = middle
        else:
            high = middle - 1
    return low


def _break_at(text: str, count: int) -> int:
    """Where to break so that at most `count` letters stay: after a word, else after a mark that joins, else anywhere."""
    space = text.rfind(" ", 0, count + 1)
    if space > 0:
        return space
    join = max(text.rfind(mark, 0, count) for mark in _AFTER) + 1
    return join if join >= _WORTH * count else count


def _ended(line: str, *, cap_mm: float, room_mm: float) -> str:
    while line and width_mm(f"{line} ...", cap_mm) > room_mm:
        line = line[:-1].rstrip()
    return f"{line} ..."
