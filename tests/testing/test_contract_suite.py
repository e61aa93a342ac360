"""The contract notices each way of breaking it: a suite that passes everything would prove nothing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips
from pydantic import BaseModel

from drydown.api import Field, Frame, Job, Refusal, Settings, StepOffer, step
from drydown.imaging.working import wide_gamut
from drydown.testing import Case, contract
from drydown.testing.cases import MEMORY_MB
from drydown.testing.contract import (
    Check,
    it_bears_a_very_large_picture,
    it_can_be_sent_to_another_process,
    it_describes_itself,
    it_keeps_depth_and_profile,
    it_leaves_the_source_alone_and_says_the_same_twice,
    it_refuses_settings_that_it_does_not_know,
    it_takes_every_picture_or_refuses_in_a_sentence,
    its_passes_are_true,
    its_reach_is_true,
)


class Amount(Settings):
    """How much."""

    amount: float = Field(default=0.5, ge=0, le=1, description="From 0 to 1.")


class Bare(Settings):
    """A setting that nobody explains."""

    amount: float = 0.5


class Loose(BaseModel):
    """Not derived from the interface's Settings: takes whatever it is given."""

    amount: float = 0.5


def good(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """Darken a little."""
    return frame.with_(pixels=(frame.pixels * (1 - settings.amount / 10)).cast("ushort"))


def by_chance(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """Noise without a seed."""
    noise = pyvips.Image.gaussnoise(frame.width, frame.height, sigma=300)
    return frame.with_(pixels=(frame.pixels + noise).cast("ushort"))


def retagged(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """Assign another profile, which nobody asked for."""
    return frame.with_(icc=wide_gamut())


def coarse(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """Through 8 bits and back."""
    return frame.with_(pixels=((frame.pixels / 257).cast("uchar") * 257).cast("ushort"))


def blurred(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """Look around without saying so."""
    return frame.with_(pixels=frame.pixels.gaussblur(3).cast("ushort"))


def levelled(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """Look at the whole picture first, without saying so."""
    brightest = max(frame.pixels.max(), 1.0)
    return frame.with_(pixels=(frame.pixels * (65535 / brightest)).cast("ushort"))


def greedy(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """The whole picture as an array of floats."""
    whole = frame.array(whole=True).astype(np.float64) * 0.9
    made = pyvips.Image.new_from_memory(
        whole.astype(np.uint16).tobytes(), frame.width, frame.height, frame.pixels.bands, "ushort"
    )
    return frame.with_(pixels=made)


def delicate(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """Fall over a picture of one row."""
    return frame.with_(
        pixels=frame.pixels.crop(0, 1, frame.width, 1).resize(1).embed(0, 0, frame.width, frame.height)
    )


def curt(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    """Refuse without a sentence."""
    raise Refusal("no")


def undocumented(frame: Frame, settings: Amount, job: Job, /) -> Frame:
    return frame


def offer(run: Callable[..., Frame], settings: Any = Amount, **more: Any) -> StepOffer[Any]:
    return step(name="tried", settings=settings, run=run, **more)


BROKEN: list[tuple[Check, StepOffer[Any], str]] = [
    (it_describes_itself, offer(undocumented), "no docstring"),
    (it_describes_itself, offer(good, Bare), "no description"),
    (it_describes_itself, offer(good, api=2), "interface 2"),
    (it_refuses_settings_that_it_does_not_know, offer(good, Loose), "no_such_setting"),
    (it_leaves_the_source_alone_and_says_the_same_twice, offer(by_chance), "two results"),
    (it_keeps_depth_and_profile, offer(retagged), "changed the profile"),
    (it_keeps_depth_and_profile, offer(coarse), "went through 8 bits"),
    (its_reach_is_true, offer(blurred), "its true reach"),
    (its_reach_is_true, offer(levelled), "reach=None"),
    (its_passes_are_true, offer(levelled, reach=None), 'passes="many"'),
    (it_takes_every_picture_or_refuses_in_a_sentence, offer(delicate), "'one row'|'one pixel'"),
    (it_takes_every_picture_or_refuses_in_a_sentence, offer(curt), "without a sentence"),
]


@pytest.mark.parametrize(
    ("check", "broken", "says"), BROKEN, ids=[f"{c.__name__}, {o.run.__name__}" for c, o, _ in BROKEN]
)
def test_each_way_of_breaking_it_is_told(
    check: Check, broken: StepOffer[Any], says: str, tmp_path: Path
) -> None:
    with pytest.raises(AssertionError, match=says):
        check(Case(broken), tmp_path)


def test_a_function_that_no_other_process_can_find_is_told(tmp_path: Path) -> None:
    for nameless in (
        offer(lambda frame, settings, job: frame, about="x"),
        offer(good, reach=lambda settings, job: 1.0),
    ):
        with pytest.raises(AssertionError, match="run and reach must be functions at the level of a module"):
            it_can_be_sent_to_another_process(Case(nameless), tmp_path)


def test_a_step_that_holds_the_whole_picture_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A small one is large enough where a tenth of the memory is allowed: what works lazily takes less still."""
    monkeypatch.setitem(it_bears_a_very_large_picture.__globals__, "MEMORY_MB", MEMORY_MB / 10)
    it_bears_a_very_large_picture(Case(offer(good), megapixels=6), tmp_path)
    with pytest.raises(AssertionError, match=r"frame\.by_rows"):
        it_bears_a_very_large_picture(Case(offer(greedy), megapixels=6), tmp_path)


class TestTheClassThatItMakes(contract(Case(offer(good), megapixels=1))):  # type: ignore[misc]
    """A good step passes all of it."""


def test_without_a_case_there_is_no_contract() -> None:
    with pytest.raises(ValueError, match="at least one"):
        contract()
