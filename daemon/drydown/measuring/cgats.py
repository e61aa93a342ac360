"""The keyword text of ISO 28178 (CGATS): lines to tables of words, with every fault of form. What the fields mean is `columns.py`'s."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path

from drydown.errors import Fault, NotFound
from drydown.showing import shown

_WORD = re.compile(r'"((?:[^"]|"")*)"|([^\s"#]+)|(#.*)|(")')
_SHOWN_LINES = 4
#: What stands alone on a line and is no identifier of the format.
_MARKS = ("BEGIN_DATA_FORMAT", "END_DATA_FORMAT", "BEGIN_DATA", "END_DATA")


@dataclass(slots=True)
class Table:
    """One table: keywords in upper case, the names of its fields in upper case, its rows of words with their lines."""

    keywords: dict[str, str] = field(default_factory=dict)
    fields: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    starts: int = 1  #: line on which its data begin


class _Part(Enum):
    KEYWORDS = "the keywords"
    FORMAT = "BEGIN_DATA_FORMAT"
    DATA = "BEGIN_DATA"


def said_lines(lines: Sequence[int]) -> str:
    """Lines as a person reads them.

    >>> said_lines([3]), said_lines([3, 4, 5]), said_lines(range(10, 50))
    ('line 3', 'lines 3, 4 and 5', 'lines 10, 11, 12, 13 and 36 more')
    """
    first = [str(line) for line in lines[:_SHOWN_LINES]]
    if len(lines) == 1:
        return f"line {first[0]}"
    left = len(lines) - _SHOWN_LINES
    if left > 0:
        return f"lines {', '.join(first)} and {left} more"
    return f"lines {', '.join(first[:-1])} and {first[-1]}"


def decoded(data: bytes, source: str) -> tuple[str, list[Fault]]:
    """The text of a file: UTF-8, UTF-16 with its mark, else Latin-1; or why it is none."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return data.decode("utf-16"), []
        except UnicodeDecodeError:
            return "", [
                Fault(source, "", "it begins as UTF-16 text and does not go on so", "export it again")
            ]
    data = data.rstrip(b"\0")  # a profile's text tag ends with one
    if b"\0" in data:
        return "", [Fault(source, "", "this is no text", "export the readings as CGATS (ISO 28178) text")]
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    if text.lstrip()[:1] == "<":
        return "", [Fault(source, "", "this is XML or HTML", "export the readings as CGATS (ISO 28178) text")]
    if not text.strip():
        return "", [Fault(source, "", "the file is empty", "export the readings again")]
    return text, []


class _Reader:
    """Walks the lines once; keeps what it found and what was wrong."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.tables: list[Table] = []
        self.faults: list[Fault] = []
        self._now = Table()
        self._part = _Part.KEYWORDS
        self._opened = 0
        self._has_data = False

    def fault(self, line: int, reason: str, guess: str = "") -> None:
        self.faults.append(Fault(self.source, f"line {line}" if line else "", reason, guess))

    def words(self, text: str, line: int) -> list[str]:
        found = []
        for match in _WORD.finditer(text):
            quoted, plain, comment, stray = match.groups()
            if comment:
                break
            if stray:
                self.fault(line, "a quotation mark is opened and not closed")
                break
            found.append(quoted.replace('""', '"') if quoted is not None else plain)
        return found

    def take(self, text: str, line: int) -> None:
        words = self.words(text, line)
        if not words:
            return
        head = words[0].upper()
        if head in _MARKS and len(words) == 1:
            self._mark(head, line)
        elif self._part is _Part.FORMAT:
            self._now.fields += [word.upper() for word in words]
        elif self._part is _Part.DATA:
            self._now.rows.append(words)
            self._now.lines.append(line)
        elif len(words) > 1 and head != "KEYWORD":
            value = " ".join(words[1:])
            before = self._now.keywords.get(head)
            self._now.keywords[head] = f"{before}; {value}" if before else value

    def _mark(self, mark: str, line: int) -> None:
        begins = mark.startswith("BEGIN")
        if begins and self._part is not _Part.KEYWORDS:
            self.fault(line, f"{mark} comes before the end of {self._part.value} (line {self._opened})")
        wanted = {"END_DATA_FORMAT": _Part.FORMAT, "END_DATA": _Part.DATA}.get(mark)
        if wanted and self._part is not wanted:
            self.fault(line, f"{mark} without {wanted.value} before it")
            return
        self._opened = line
        if mark == "BEGIN_DATA_FORMAT":
            self._part, self._now.fields = _Part.FORMAT, []
        elif mark == "BEGIN_DATA":
            self._part, self._now.starts = _Part.DATA, line
            if not self._now.fields:
                self.fault(line, "the data begin without a format: BEGIN_DATA_FORMAT names no fields")
        else:
            self._part = _Part.KEYWORDS
            if mark == "END_DATA":
                self._close()

    def _close(self) -> None:
        self.tables.append(self._now)
        # a further table without a format of its own keeps the one before it (ISO 28178)
        self._now = Table(fields=list(self._now.fields))

    def end(self) -> None:
        if self._part is not _Part.KEYWORDS:
            mark = "END_DATA" if self._part is _Part.DATA else "END_DATA_FORMAT"
            self.fault(0, f"it ends without {mark}: the file is cut off", "export or copy it again")
            if self._part is _Part.DATA:
                self._close()
        elif not self.tables:
            what = (
                "it names fields and holds no data"
                if self._now.fields
                else "this is not CGATS text: BEGIN_DATA_FORMAT and BEGIN_DATA are missing"
            )
            self.fault(0, what, "export the readings as CGATS (ISO 28178) text")


def need_file(path: Path, what: str) -> None:
    """Raises NotFound where `path` is no file to read."""
    if path.is_dir():
        raise NotFound(f"{shown(str(path))} is a folder; name the file in it that holds {what}")
    if not path.is_file():
        raise NotFound(f"there is no file {shown(str(path))}; {what} were asked for")


def tables(data: bytes, source: str) -> tuple[list[Table], list[Fault]]:
    """Every table of a file, and every fault of form. Words are unquoted, comments are gone."""
    text, faults = decoded(data, source)
    if faults:
        return [], faults
    reader = _Reader(source)
    for number, line in enumerate(text.splitlines(), 1):
        reader.take(line, number)
    reader.end()
    found = reader.faults
    if not found:
        for table in reader.tables:
            found += _counts(table, source)
    return reader.tables, found


def _counts(table: Table, source: str) -> list[Fault]:
    """Faults of number: fields against the format, rows against what is stated, names that come twice."""
    faults = []
    twice = sorted({name for name in table.fields if table.fields.count(name) > 1} - _MAY_REPEAT)
    if twice:
        faults.append(Fault(source, "BEGIN_DATA_FORMAT", f"it names {', '.join(map(shown, twice))} twice"))
    wrong = [line for line, row in zip(table.lines, table.rows, strict=True) if len(row) != len(table.fields)]
    if wrong:
        first = table.rows[table.lines.index(wrong[0])]
        faults.append(
            Fault(
                source,
                said_lines(wrong),
                f"{len(first)} values where the format names {len(table.fields)} fields",
            )
        )
    for keyword, count, what in (
        ("NUMBER_OF_FIELDS", len(table.fields), "fields"),
        ("NUMBER_OF_SETS", len(table.rows), "rows of data"),
    ):
        stated = table.keywords.get(keyword)
        if stated is None:
            continue
        if not stated.isdecimal() or len(stated) > 9:
            faults.append(Fault(source, keyword, f'"{shown(stated)}" is no number'))
        elif int(stated) != count:
            faults.append(
                Fault(
                    source,
                    keyword,
                    f"{stated} are stated, the file holds {count} {what}",
                    "export or copy it again",
                )
            )
    if not table.rows:
        faults.append(Fault(source, f"line {table.starts}", "the table holds no rows of data"))
    return faults


#: Fields that ISO 28178 lets come once a wavelength.
_MAY_REPEAT = frozenset({"SPECTRAL_NM", "SPECTRAL_PCT", "SPECTRAL_DEC", "STRING"})
