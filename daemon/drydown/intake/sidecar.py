"""A picture's own settings: `NAME.toml` beside `NAME.jpg` is taken together with its picture and never on its own.

Two spellings, `photo.jpg.toml` and `photo.toml`. The long one belongs to that picture alone. The short one belongs to the one picture of that
stem that has no long one; where it could belong to two, both pictures wait, because a sheet made with the wrong settings is a lost
sheet. Names are compared in NFC and without case, so that a picture and its settings may come over two systems.
"""

from __future__ import annotations

import unicodedata
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
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
        self._pictures: set[str] = set()
        self._by_stem: defaultdict[str, set[str]] = defaultdict(set)
        for name in names:
            if is_settings(name):
                self._settings[_fold(name[: -len(SUFFIX)])].append(name)
            else:
                self._pictures.add(_fold(name))
                self._by_stem[_fold(_stem(name))].add(_fold(name))

    def of(self, picture: str) -> Pairing:
        """The settings of `picture`, which is one of the names."""
        own, stem = _fold(picture), _fold(_stem(picture))
        long = self._settings.get(own, [])
        short = self._settings.get(stem, []) if stem != own and stem not in self._pictures else []
        if len(long) > 1 or len(short) > 1:
            return Pairing(why=f"several settings files for it: {_listed(long or short)}; keep one")
        rivals = {name for name in self._by_stem[stem] if name not in self._settings}
        if long and short and not rivals:
            return Pairing(why=f"two settings files for it: {_listed(long + short)}; keep one")
        if long:
            return Pairing(long[0])
        if short and len(rivals) > 1:
            wish = shown(f"{picture}{SUFFIX}")
            return Pairing(
                why=f"{shown(short[0])} could belong to several pictures of that name; call it {wish} if it is this one's"
            )
        return Pairing(short[0]) if short else Pairing()

    def is_alone(self, settings: str) -> bool:
        """True for a settings file without a picture."""
        stem = _fold(settings[: -len(SUFFIX)])
        return stem not in self._pictures and stem not in self._by_stem


def _stem(name: str) -> str:
    return PurePath(name).stem


def _fold(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _listed(names: list[str]) -> str:
    return " and ".join(shown(name) for name in names)
