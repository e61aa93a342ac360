"""The contract that every step and sheet maker keeps, as tests: ours pass them, and one line gives them to a plugin of anybody's.

Each check is a function of a case that raises AssertionError in words. What the runner can see in a job it checks there again; here stands also what
shows only when a step is run twice, cut, given odd pictures or a very large one.
"""

from __future__ import annotations

import json
import math
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyvips
from pydantic import ValidationError

from drydown.api import API, Frame, Refusal, SheetOffer, StepOffer
from drydown.errors import StepCrashed
from drydown.testing.cases import MEMORY_MB, Case
from drydown.testing.jobs import a_job, paper_profile
from drydown.testing.large import peak_mb
from drydown.testing.pictures import PICTURES, a_frame, photograph, values
from drydown.testing.runs import run_sheet, run_step

Check = Callable[[Case, Path], None]
#: Cut out for the check of a step's reach, in pixels, and how much picture lies beyond the reach.
_PIECE_PX = (41, 29)
_ROOM_PX = 60
_COARSE_PPI = 100.0  # a sheet as a whole is made twice: with few pixels
_TALL_PX = (40, 6000)  # so many rows that a second look at the first ones is out of order for every decoder


def contract(*cases: Case) -> type:
    """A class of tests, to be bound to a name that pytest collects: `TestContract = contract(Case(OFFER, {"strength": 0.4}))`.

    Raises ValueError without a case.
    """
    import pytest  # here: who runs a step by hand needs no pytest

    if not cases:
        raise ValueError("the contract needs at least one Case(OFFER, {…settings})")
    tests: dict[str, Any] = {"__doc__": contract.__doc__}
    for kind, checks in ((StepOffer, OF_STEPS), (SheetOffer, OF_SHEETS)):
        fitting = [case for case in cases if isinstance(case.offer, kind)]
        what = "step" if kind is StepOffer else "sheet_maker"
        for check in checks if fitting else ():
            tests[f"test_{what}_{check.__name__}"] = pytest.mark.parametrize("case", fitting, ids=str)(
                _as_test(check)
            )
    return type("Contract", (), tests)


def _as_test(check: Check) -> Callable[..., None]:
    def test(self: object, case: Case, tmp_path: Path) -> None:
        check(case, tmp_path)

    test.__doc__ = check.__doc__
    return test


def it_describes_itself(case: Case, folder: Path) -> None:
    """A person reads what it does and what each setting is for; a machine reads which interface it was written for."""
    offer = case.offer
    assert offer.api == API, f"'{offer.name}' is written for interface {offer.api}, and this is {API}"
    assert offer.about, (
        f"the function of '{offer.name}' has no docstring: its first line is what `drydown steps` shows"
    )
    bare = [key for key, field in offer.settings.model_fields.items() if not field.description]
    assert not bare, (
        f"{bare} have no description; give each Field(description=…), it is printed in the reference"
    )


def it_refuses_settings_that_it_does_not_know(case: Case, folder: Path) -> None:
    """A misspelt key is an error of the recipe, never a default."""
    case.offer.settings(**case.settings)
    try:
        case.offer.settings(**{**case.settings, "no_such_setting": 1})
    except ValidationError:
        return
    raise AssertionError("it took a setting 'no_such_setting'; derive its settings from drydown.api.Settings")


def it_can_be_sent_to_another_process(case: Case, folder: Path) -> None:
    """Settings and function go to workers by name; so the function stands at the level of its module, and no lambda is among the settings."""
    settings = case.offer.settings(**case.settings)
    assert pickle.loads(pickle.dumps(settings)) == settings, "its settings are not the same after pickling"  # noqa: S301  our own bytes
    try:
        pickle.dumps(case.offer)
    except Exception as error:
        raise AssertionError(
            f"its offer cannot be sent to another process: run and reach must be functions at the level of a module, no lambda ({error})"
        ) from error


def it_leaves_the_source_alone_and_says_the_same_twice(case: Case, folder: Path) -> None:
    """Frame in, new frame out; the same frame and settings give the same pixels, notes and profile."""
    frame, job = _frame(case), a_job(folder)
    before = values(frame).copy()
    first, second = (_run(case, frame, job) for _ in range(2))
    made, again = values(first), values(second)
    assert np.array_equal(values(frame), before), "it wrote into the pixels that it was given"
    assert np.array_equal(made, again), (
        "the same picture and settings gave two results: chance needs a fixed seed"
    )
    assert (first.icc, first.ppi, first.notes) == (second.icc, second.ppi, second.notes), (
        "two runs say different things"
    )
    for note in first.notes:
        assert note.text.strip(), "a note says nothing"
        json.dumps(dict(note.figures), allow_nan=False)


def it_keeps_depth_and_profile(case: Case, folder: Path) -> None:
    """16 bits a channel stay 16; profile and channels change only where the case says that they may."""
    frame = _frame(case)
    made = _run(case, frame, a_job(folder))
    assert made.pixels.format == "ushort", f"it returned {made.pixels.format} pixels"
    assert case.changes_profile or made.icc == frame.icc, (
        "it changed the profile; where that is meant: Case(…, changes_profile=True)"
    )
    same = made.pixels.bands == frame.pixels.bands
    assert case.changes_channels or same, (
        "it changed the channels; where that is meant: Case(…, changes_channels=True)"
    )
    levels = [len(np.unique(values(one)[..., 0])) for one in (frame, made)]
    assert levels[1] > 256 or levels[0] <= 256, (
        f"{levels[0]} levels became {levels[1]}: the picture went through 8 bits on its way"
    )


def it_takes_every_picture_or_refuses_in_a_sentence(case: Case, folder: Path) -> None:
    """One pixel, one row, grey, odd sizes: a result, or a Refusal that a photographer understands; never another exception."""
    job = a_job(folder)
    for name, make in PICTURES.items():
        pixels = make()
        frame = a_frame(pixels, icc=paper_profile() if case.prepared and pixels.bands == 3 else None)
        try:
            made = _run(case, frame, job)
            made.pixels.rawsave(str(folder / "evaluated.raw"))
        except Refusal as refusal:
            assert len(str(refusal).split()) > 4, f"on '{name}' it refuses without a sentence: '{refusal}'"
        except (StepCrashed, pyvips.Error) as error:
            raise AssertionError(
                f"on the picture '{name}' ({pixels.width} x {pixels.height}, {pixels.bands} channels): {error}"
            ) from error


def its_reach_is_true(case: Case, folder: Path) -> None:
    """A region worked on alone, with as much round it as the step says it looks at, is the same region of the whole, bit for bit."""
    offer, job = case.offer, a_job(folder)
    assert isinstance(offer, StepOffer)
    settings = offer.settings(**case.settings)
    reach_mm = offer.reach(settings, job) if callable(offer.reach) else offer.reach
    if reach_mm is None or offer.resizes:
        return
    reach = math.ceil(reach_mm / 25.4 * job.stock.ppi)
    width, height = _PIECE_PX
    frame = _frame(case, photograph(width + 2 * (reach + _ROOM_PX), height + 2 * (reach + _ROOM_PX)))
    whole = values(_run(case, frame, job))
    for left, top in ((_ROOM_PX, _ROOM_PX), (_ROOM_PX + 17, 2 * _ROOM_PX - 7)):
        part = frame.pixels.crop(left, top, width + 2 * reach, height + 2 * reach)
        cut = values(_run(case, frame.with_(pixels=part.copy_memory()), job))
        same = np.array_equal(
            cut[reach : reach + height, reach : reach + width],
            whole[top + reach : top + reach + height, left + reach : left + reach + width],
        )
        assert same, (
            f"it says that it looks {reach_mm:g} mm around a pixel ({reach} pixels), and a region with that much round it came out different: "
            "give step(…) its true reach, or reach=None where it looks at the whole picture"
        )


def its_passes_are_true(case: Case, folder: Path) -> None:
    """A picture that can be read only once, from top to bottom, is enough; or the offer says passes="many"."""
    assert isinstance(case.offer, StepOffer)
    if case.offer.passes == "many":
        return
    tall = _frame(case, photograph(*_TALL_PX))
    tall.pixels.tiffsave(str(folder / "tall.tif"), compression="deflate")
    opened = pyvips.Image.new_from_file(str(folder / "tall.tif"), access="sequential", fail_on="warning")
    try:
        _run(
            case, tall.with_(pixels=opened.copy(interpretation=tall.pixels.interpretation)), a_job(folder)
        ).pixels.rawsave(str(folder / "evaluated.raw"))
    except (StepCrashed, pyvips.Error) as error:
        raise AssertionError(
            f'it does not manage with one pass; offer it with passes="many" if it must look twice ({error})'
        ) from error


def it_bears_a_very_large_picture(case: Case, folder: Path) -> None:
    """100 megapixels in bounded memory, in a process of its own; libvips operations and `frame.by_rows` do."""
    peak = peak_mb(case, folder)
    assert peak <= MEMORY_MB, (
        f"{case.megapixels} megapixels took {peak:.0f} MB, and {MEMORY_MB} are allowed: work lazily, or in strips with frame.by_rows"
    )


def its_sheet_is_whole_and_the_same_twice(case: Case, folder: Path) -> None:
    """A sheet of 16 bits in the stock's profile with a record of JSON values; the same job gives the same sheet."""
    assert isinstance(case.offer, SheetOffer)
    job = a_job(folder, ppi=_COARSE_PPI, anyway=True)
    first, second = (run_sheet(case.offer, job=job, **case.settings) for _ in range(2))
    assert first.frame.pixels.format == "ushort" and first.frame.icc is not None, (
        "its sheet has no 16 bits, or no profile"
    )
    assert case.changes_profile or first.frame.icc == job.stock.icc, "its sheet is not in the stock's profile"
    assert np.array_equal(values(first.frame), values(second.frame)), "the same job gave two sheets"
    json.dumps(dict(first.record), allow_nan=False)


#: Those that a sheet maker keeps as well come first.
_OF_ALL: tuple[Check, ...] = (
    it_describes_itself,
    it_refuses_settings_that_it_does_not_know,
    it_can_be_sent_to_another_process,
)
OF_STEPS: tuple[Check, ...] = (
    *_OF_ALL,
    it_leaves_the_source_alone_and_says_the_same_twice,
    it_keeps_depth_and_profile,
    it_takes_every_picture_or_refuses_in_a_sentence,
    its_reach_is_true,
    its_passes_are_true,
    it_bears_a_very_large_picture,
)
OF_SHEETS: tuple[Check, ...] = (*_OF_ALL, its_sheet_is_whole_and_the_same_twice)


def _frame(case: Case, pixels: pyvips.Image | None = None) -> Frame:
    return a_frame(
        PICTURES[case.picture]() if pixels is None else pixels, icc=paper_profile() if case.prepared else None
    )


def _run(case: Case, frame: Frame, job: Any) -> Frame:
    """In a chain of that one step, so that what the runner checks is checked here."""
    assert isinstance(case.offer, StepOffer)
    return run_step(case.offer, frame, job, **case.settings)
