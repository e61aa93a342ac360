"""Sheet names and sizes against an outside table of PWG 5101.1: the one in libcups (`pwgMediaForPWG`, `pwgMediaForSize`)."""

from __future__ import annotations

import ctypes
import ctypes.util
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from drydown.studio.sheets import sheet, standard_sheets

pytestmark = pytest.mark.reference


class Media(ctypes.Structure):
    """`pwg_media_t`: sides in hundredths of a millimetre."""

    _fields_ = (
        ("pwg", ctypes.c_char_p),
        ("legacy", ctypes.c_char_p),
        ("ppd", ctypes.c_char_p),
        ("width", ctypes.c_int),
        ("length", ctypes.c_int),
    )


@dataclass(frozen=True)
class Table:
    by_name: Callable[[bytes], ctypes._Pointer[Media]]
    by_size: Callable[[int, int], ctypes._Pointer[Media]]


@pytest.fixture(scope="module")
def table() -> Table:
    name = ctypes.util.find_library("cups")
    if name is None:
        pytest.skip("libcups2 is not installed")
    library = ctypes.CDLL(name)
    library.pwgMediaForPWG.argtypes = [ctypes.c_char_p]
    library.pwgMediaForPWG.restype = ctypes.POINTER(Media)
    library.pwgMediaForSize.argtypes = [ctypes.c_int, ctypes.c_int]
    library.pwgMediaForSize.restype = ctypes.POINTER(Media)
    return Table(library.pwgMediaForPWG, library.pwgMediaForSize)


@pytest.mark.parametrize("name", [found.name for found in standard_sheets()])
def test_a_sheets_standard_name_has_the_size_that_libcups_gives_it(table: Table, name: str) -> None:
    ours = sheet(name)
    theirs = table.by_name(ours.pwg.encode())
    assert theirs, f"libcups cannot read {ours.pwg}"
    sides = (theirs.contents.width, theirs.contents.length)
    # Their hundredths are cut, not rounded; one is the tolerance.
    assert sides == pytest.approx((ours.size.width * 100, ours.size.height * 100), abs=1)


#: Names that libcups' table has held since its first edition with PWG 5101.1; later editions know more.
LONG_KNOWN = (
    *("letter", "legal", "11x17", "13x19", "17x22", "4x6", "5x7", "8x10", "11x14", "12x18", "18x24", "24x36"),
    *("A6", "A5", "A4", "A3", "A2", "A1", "A0", "10x15cm"),
)


@pytest.mark.parametrize("name", LONG_KNOWN)
def test_a_sheets_size_has_the_name_that_libcups_gives_it(table: Table, name: str) -> None:
    ours = sheet(name)
    theirs = table.by_size(round(ours.size.width * 100), round(ours.size.height * 100))
    assert theirs.contents.pwg.decode() == ours.pwg


def test_libcups_too_takes_a3_plus_for_another_sheet_than_13x19(table: Table) -> None:
    plus = sheet("A3+").size
    theirs = table.by_size(round(plus.width * 100), round(plus.height * 100)).contents.pwg.decode()
    assert theirs != sheet("13x19").pwg
    assert theirs.startswith("custom_")
