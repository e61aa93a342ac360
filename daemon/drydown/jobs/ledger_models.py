"""Long texts of the ledger kept small: each is compressed against an earlier one of its kind, its *model*, from which it mostly differs in a name and a date.

A plan and a result are 3 to 4 kB of JSON each, and those of one recipe are alike: packed they take some 80 and 270 bytes, and come back letter for letter.
zlib (RFC 1950) checks the text and the model that it was packed with, so a damaged one is noticed. What has no good model yet becomes one.
"""

from __future__ import annotations

import sqlite3
import zlib

from drydown.jobs.ledger_rows import Value

WORTH_CHARS = 200  #: shorter texts stay as they are
WELL = 4  #: a good model makes a text at least so many times smaller
MOST = 64  #: models of a kind; a studio has one or two for each recipe
_HEAD = b"\x01"  #: of a packed text; two bytes of its model's number follow, then zlib's


class Models:
    """The models of one ledger, read when they are needed: they never change. Without a table of them nothing is packed."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._known: dict[int, bytes] = {}
        self._of_kind: dict[str, list[int]] = {}  # the one that fitted last comes first

    def forget(self) -> None:
        """A transaction was rolled back, and perhaps a model with it."""
        self._known.clear()
        self._of_kind.clear()

    def pack_all(self, columns: dict[str, Value]) -> None:
        """Pack those of a row's columns that hold long texts."""
        for kind in ("spec", "result"):
            if isinstance(text := columns.get(kind), str):
                columns[kind] = self.pack(kind, text)

    def pack(self, kind: str, text: str) -> str | bytes:
        """The text as it is to be kept; within a transaction."""
        if len(text) < WORTH_CHARS:
            return text
        data, numbers, best = text.encode(), self._numbers(kind), b""
        for number in list(numbers):
            squeezed = _HEAD + number.to_bytes(2, "big") + _squeezed(data, self._model(number))
            if not best or len(squeezed) < len(best):
                best = squeezed
            if len(best) * WELL <= len(data):
                numbers.remove(number)
                numbers.insert(0, number)
                return best
        if len(numbers) < MOST:
            made = self._connection.execute("INSERT INTO model (kind, text) VALUES (?, ?)", (kind, data))
            number = int(made.lastrowid or 0)
            numbers.insert(0, number)
            best = _HEAD + number.to_bytes(2, "big") + _squeezed(data, data)
        return best

    def unpack(self, kept: str | bytes) -> str:
        """The text that was kept. Raises ValueError where it, or its model, is damaged."""
        if isinstance(kept, str):
            return kept
        if kept[:1] != _HEAD:
            raise ValueError("a packed text has another beginning")
        try:
            unsqueezer = zlib.decompressobj(zdict=self._model(int.from_bytes(kept[1:3], "big")))
            return unsqueezer.decompress(kept[3:]).decode()
        except zlib.error as error:
            raise ValueError(f"a packed text is damaged ({error})") from error

    def _numbers(self, kind: str) -> list[int]:
        if kind not in self._of_kind:
            query = "SELECT number FROM model WHERE kind = ? ORDER BY number DESC"
            self._of_kind[kind] = [int(row[0]) for row in self._connection.execute(query, (kind,))]
        return self._of_kind[kind]

    def _model(self, number: int) -> bytes:
        if number not in self._known:
            row = self._connection.execute("SELECT text FROM model WHERE number = ?", (number,)).fetchone()
            if row is None:
                raise ValueError(f"the model {number} of a packed text is missing")
            self._known[number] = bytes(row[0])
        return self._known[number]


def _squeezed(text: bytes, model: bytes) -> bytes:
    squeezer = zlib.compressobj(9, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_DEFAULT_STRATEGY, model)
    return squeezer.compress(text) + squeezer.flush()
