"""What was probably meant by a misspelt name."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def nearest(word: str, names: Iterable[str]) -> str:
    """The nearest of `names`, or "": capitals, hyphens and underscores count for nothing, a missing unit for little.

    >>> nearest("long_egde_mm", ["long_edge_mm", "margin_mm"])
    'long_edge_mm'
    """
    plain = {_plain(name): name for name in names}
    if (close := plain.get(_plain(word))) is not None:
        return close
    longer = [name for key, name in plain.items() if key.startswith(_plain(word)) and len(word) > 2]
    if len(longer) == 1:
        return longer[0]
    found = get_close_matches(_plain(word), list(plain), n=1, cutoff=0.65)
    return plain[found[0]] if found else ""


def did_you_mean(word: str, names: Iterable[str], otherwise: str = "") -> str:
    """`did you mean strength?`, or `otherwise` where nothing is near."""
    close = nearest(word, names)
    return f"did you mean {close}?" if close else otherwise


def listed(names: Iterable[str], none: str = "none") -> str:
    """`a, b and c`; `none` for nothing."""
    words = list(names)
    if not words:
        return none
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _plain(name: str) -> str:
    return name.casefold().replace("_", "").replace("-", "").replace(" ", "")
