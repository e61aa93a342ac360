"""A picture's own settings: `NAME.toml` beside `NAME.jpg` is taken together with its picture and never on its own.

Two spellings, `photo.jpg.toml` and `photo.toml`. The long one belongs to that picture alone. The short one belongs to the one picture of that
stem that has no long one; where it could belong to two, both pictures wait, because a sheet made with the wrong settings is a lost
sheet. Names are compared in NFC and without case, so that a picture and its settings may come over two systems. Only where pictures differ in
nothing else does the exact spelling count: `a.jpg.toml` beside `A.jpg` and `a.jpg` belongs to the latter, `a.JPG.toml` makes both wait.
"""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import islice
from pathlib import PurePath

from drydown.showing import shown

SUFFIX = ".toml"


def is_settings(name: str) -> bool:
    """True when the name is that of a settings file, whatever stands beside it."""
    return name.lower().endswith(SUFFIX)


@dataclass(frozen=True, slots=True)
class Pairing:
    """`settings` is the file to take along, if any; `why`, when not empty, is why the picture must wait."""

    settings: str | None = None
    why: str = ""


class Neighbours:
    """The names of one folder, ready to be asked which settings belong to which picture."""

    def __init__(self, names: Iterable[str]) -> None:
        self._settings: defaultdict[str, list[str]] = defaultdict(list)
        self._pictures: defaultdict[str, list[str]] = defaultdict(list)
        self._by_stem: defaultdict[str, list[str]] = defaultdict(list)
        for name in names:
            if is_settings(name):
                self._settings[_fold(_base(name))].append(name)
            else:
                self._pictures[_fold(name)].append(name)
                self._by_stem[_fold(_stem(name))].append(name)

    def of(self, picture: str) -> Pairing:
        """The settings of `picture`, which is one of the names."""
        long, short = self._long(picture), self._short(picture)
        if len(long) > 1 or len(short) > 1:
            return Pairing(why=f"several settings files for it: {_listed(long or short)}; keep one")
        takers = self._takers(short[0]) if short else []
        if long and short and not takers:
            return Pairing(why=f"two settings files for it: {_listed(long + short)}; keep one")
        if long:
            takers = [one for one in self._twins(picture) if long[0] in self._long(one)]
        settings = next(iter(long or short), None)
        if settings is not None and len(takers) > 1:
            wish = shown(f"{picture}{SUFFIX}")
            return Pairing(
                why=f"{shown(settings)} could belong to several pictures of that name; call it {wish} if it is this one's"
            )
        return Pairing(settings)

    def is_alone(self, settings: str) -> bool:
        """True for a settings file without a picture."""
        stem = _fold(_base(settings))
        return stem not in self._pictures and stem not in self._by_stem

    def _takers(self, short: str) -> list[str]:
        """Pictures without settings of their whole name that these could belong to; at most two, for there may be thousands."""
        stem = _fold(_base(short))
        may = (one for one in self._by_stem[stem] if short in self._short(one) and not self._long(one))
        return list(islice(may, 2))

    def _long(self, picture: str) -> list[str]:
        return self._spelt(picture, str)

    def _short(self, picture: str) -> list[str]:
        """None where the stem is a picture's whole name: they are that one's."""
        return self._spelt(picture, _stem) if _fold(_stem(picture)) not in self._pictures else []

    def _spelt(self, picture: str, spelling: Callable[[str], str]) -> list[str]:
        """The settings files of a spelling that may be this picture's: not those that a twin spells exactly and this one does not."""
        exact, twins = spelling(picture), {spelling(one) for one in self._twins(picture)}
        return [
            name
            for name in self._settings.get(_fold(exact), ())
            if _base(name) == exact or _base(name) not in twins
        ]

    def _twins(self, picture: str) -> list[str]:
        """The pictures whose names differ in case or accents' encoding only, this one among them."""
        return self._pictures[_fold(picture)]


def _base(settings: str) -> str:
    return settings[: -len(SUFFIX)]


def _stem(name: str) -> str:
    return PurePath(name).stem


def _fold(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _listed(names: list[str]) -> str:
    return " and ".join(shown(name) for name in names)
