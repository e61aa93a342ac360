"""A step that exits, cannot say what went wrong, or slips with the profile is named as what has failed; the picture is not blamed for it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pytest
import pyvips

from drydown.api import EdgesMm, Frame, Job, Settings, Sheet, SizeMm, Stock, step
from drydown.errors import StepCrashed
from drydown.imaging import working
from drydown.jobs.chain import Link

LETTER = Sheet("letter", SizeMm(215.9, 279.4), "na_letter_8.5x11in")
JOB = Job(
    id="j",
    source=Path("a.tif"),
    scratch=Path(),
    stock=Stock(name="s", profile=Path("p.icc"), icc=b"", ppi=100),
    sheet=LETTER,
    final_sheet=LETTER,
    margins_mm=EdgesMm(),
)


class Nothing(Settings):
    pass


class Wordless(Exception):
    def __str__(self) -> str:
        raise RuntimeError("no words")


def failing(run: Callable[[Frame], Any]) -> str:
    """What is said of a step that does this with a tagged RGB picture."""

    def made(frame: Frame, settings: Nothing, job: Job) -> Any:
        """A step."""
        return run(frame)

    pixels = pyvips.Image.new_from_array(np.full((6, 8, 3), 30_000, np.uint16))
    frame = Frame(pixels=pixels, icc=working.srgb(), ppi=100, source=Path("a.tif"))
    link = Link("slip", step(name="slip", settings=Nothing, run=made), Nothing(), "plugins/slip.py")
    with pytest.raises(StepCrashed) as caught:
        link.run(frame, JOB)
    text = str(caught.value)
    assert "step 'slip' (offered by plugins/slip.py)" in text and text.isprintable() and len(text) < 1000
    text.encode()
    return text


def raising(error: BaseException) -> Callable[[Frame], NoReturn]:
    def run(_: Frame) -> NoReturn:
        raise error

    return run


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (SystemExit(0), "SystemExit: 0"),
        (KeyboardInterrupt(), "KeyboardInterrupt"),
        (BaseException("out"), "BaseException: out"),
        (Wordless(), "Wordless: it has no words"),
        (ValueError("\x1b[2J\nforged\u202e \ud800"), r"\x1b[2J\nforged\u202e \ud800"),
        (ValueError("x" * 1_000_000), "xxx"),
    ],
)
def test_every_way_to_raise_names_the_step_in_one_line(error: BaseException, says: str) -> None:
    assert says in failing(raising(error))


def test_a_step_that_exits_is_named() -> None:
    assert "SystemExit" in failing(lambda _: sys.exit("bye"))


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda frame: frame.with_(icc=None), "took the profile away"),
        (lambda frame: frame.with_(icc="sRGB"), "returned a str as profile"),
        (lambda frame: frame.with_(icc=b"junk"), "returned a profile that cannot be used"),
        (lambda frame: frame.with_(pixels=frame.pixels[0]), "1 channels with a profile for 3"),
        (lambda frame: frame.with_(icc=working.grey_srgb()), "3 channels with a profile for 1"),
    ],
)
def test_a_slip_with_the_profile_is_the_steps_and_not_the_pictures(
    made: Callable[[Frame], Any], says: str
) -> None:
    assert says in failing(made)
