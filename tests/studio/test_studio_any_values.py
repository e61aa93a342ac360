"""Whatever stands in the files, loading ends in a studio or in faults for a person, never in a traceback."""

from __future__ import annotations

import tempfile
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st
from studio_kit import OFFERS, PEARL, SHORELINE, STUDIO, lay_out

from drydown.errors import Hold, StudioError
from drydown.studio.explain import explain
from drydown.studio.load import load
from drydown.studio.resolve import resolve

FILES = {"studio.toml": STUDIO, "stocks/pearl.toml": PEARL, "recipes/shoreline.toml": SHORELINE}
SCALARS = st.one_of(
    st.booleans(),
    st.integers(-(2**40), 2**40),
    st.floats(),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12),
    st.dates(),
    st.sampled_from(
        ["pearl", "shoreline", "final", "sharpen", "letter", "A3+", ".", "hot/proof", "prints", "a\0b"]
    ),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text("abcdeou_-. ", max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)


def places(data: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every place of a file that can be spoilt."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield (*path, key)
        yield from places(value, (*path, key))


PLACES = [(file, path) for file, text in FILES.items() for path in places(tomllib.loads(text))]


def spoilt(root: Path, changes: list[tuple[tuple[str, tuple[str | int, ...]], str, Any]]) -> Path:
    """A sound studio with some values replaced, removed or joined by an unknown key."""
    lay_out(root)
    files = {file: tomllib.loads(text) for file, text in FILES.items()}
    for (file, path), how, value in changes:
        place: Any = files[file]
        try:
            for part in path[:-1]:
                place = place[part]
            if isinstance(place, dict) and not isinstance(path[-1], str):
                continue
            if how == "replace":
                place[path[-1]] = value
            elif how == "remove":
                del place[path[-1]]
            else:
                place[f"{path[-1]}x"] = value
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took the place away
    for file, data in files.items():
        (root / file).write_text(tomli_w.dumps(data), encoding="utf-8")
    return root


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(PLACES), st.sampled_from(["replace", "remove", "add"]), VALUES),
        min_size=1,
        max_size=4,
    ),
    st.dictionaries(st.sampled_from(["copies", "crop", "tone-lift.lift_L", "edition", "final", "x"]), VALUES),
)
def test_whatever_stands_in_the_files_ends_in_a_studio_or_in_faults(
    changes: list[tuple[tuple[str, tuple[str | int, ...]], str, Any]], picture: dict[str, Any]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        try:
            studio = load(spoilt(Path(folder), changes), OFFERS)
        except StudioError as error:
            assert error.faults
            assert all(fault.file and fault.reason for fault in error.faults)
            assert "input should" not in str(error).lower()
            return
        assert explain(studio).text()
        try:
            resolve(studio, recipe="shoreline", picture=picture)
        except Hold as hold:
            assert hold.sentence.endswith(".")
