"""The chain: overrides, regions bit for bit, and what a step may not do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips

from drydown.api import Box, EdgesMm, Field, Frame, Job, Refusal, Settings, Sheet, SizeMm, Stock, step
from drydown.errors import StepCrashed
from drydown.jobs.chain import Access, Chain, Link

JOB = Job(
    id="j",
    source=Path("a.tif"),
    scratch=Path(),
    stock=Stock(name="s", profile=Path("p.icc"), icc=b"", ppi=100),
    sheet=Sheet("letter", SizeMm(215.9, 279.4), "na_letter_8.5x11in"),
    final_sheet=Sheet("letter", SizeMm(215.9, 279.4), "na_letter_8.5x11in"),
    margins_mm=EdgesMm(),
)


class Add(Settings):
    amount: int = Field(default=0, ge=-1000, le=1000)


class Blur(Settings):
    sigma_px: float = Field(default=2.0, gt=0, le=10)


class Half(Settings):
    pass


def add(frame: Frame, settings: Add, job: Job) -> Frame:
    """Add a number to every code."""
    return frame.with_(
        pixels=(frame.pixels + settings.amount).cast("ushort"), note=f"added {settings.amount}"
    )


def blur(frame: Frame, settings: Blur, job: Job) -> Frame:
    """Blur a little."""
    return frame.with_(pixels=frame.pixels.gaussblur(settings.sigma_px, min_ampl=0.01).cast("ushort"))


def half(frame: Frame, settings: Half, job: Job) -> Frame:
    """Halve the number of pixels."""
    return frame.with_(pixels=frame.pixels.shrink(2, 2).cast("ushort"), ppi=frame.ppi / 2)


ADD = step(name="add", settings=Add, run=add)
BLUR = step(name="blur", settings=Blur, run=blur, reach=10 / 100 * 25.4)
HALF = step(name="half", settings=Half, run=half, resizes=True)


class Source:
    """A random picture that counts how often it is opened."""

    def __init__(self, width: int = 120, height: int = 90) -> None:
        rng = np.random.default_rng(5)
        self.array = rng.integers(2000, 60000, (height, width, 3), dtype=np.uint16)
        self.opened: list[Access] = []

    def __call__(self, access: Access) -> Frame:
        self.opened.append(access)
        return Frame(pixels=pyvips.Image.new_from_array(self.array), icc=None, ppi=200, source=Path("a.tif"))


def link(offer: Any, name: str = "", **values: Any) -> Link:
    return Link(name or offer.name, offer, offer.settings(**values), "test 1")


def chain(source: Source, *links: Link) -> Chain:
    return Chain(links, JOB, source)


def test_a_region_of_varied_patches_equals_the_same_region_of_the_whole_bit_for_bit() -> None:
    source = Source()
    links = (link(HALF), link(ADD), link(BLUR), link(ADD, "again", amount=7))
    for overrides in ({}, {"add.amount": 400}, {"again.amount": -3}, {"blur.sigma_px": 1.5}):
        for region in (Box(0, 0, 10, 9), Box(20, 15, 17, 13), Box(50, 35, 10, 10)):
            whole = chain(source, *links)(overrides).pixels.numpy()
            piece = chain(source, *links)(overrides, region=region).pixels.numpy()
            cut = whole[region.top : region.top + region.height, region.left : region.left + region.width]
            assert np.array_equal(cut, piece)


def test_patches_share_one_evaluation_of_the_common_prefix() -> None:
    source = Source()
    render = chain(source, link(HALF), link(ADD), link(BLUR))
    for amount in range(6):
        render({"add.amount": amount}, region=Box(5, 5, 20, 20)).pixels.avg()
    assert len(source.opened) == 1


def test_the_size_is_known_without_opening_twice() -> None:
    source = Source()
    render = chain(source, link(HALF), link(ADD))
    assert render.size == (60, 45)
    render().pixels.avg()
    assert len(source.opened) == 1
    render().pixels.avg()
    assert len(source.opened) == 2  # a sequential source serves one evaluation


def test_a_step_that_looks_twice_has_its_picture_opened_at_random() -> None:
    source = Source()
    many = step(name="many", settings=Half, run=lambda frame, s, j: frame, passes="many")
    chain(source, link(many))()
    assert source.opened == ["random"]


def test_notes_are_signed_with_the_name_in_the_recipe() -> None:
    frame = chain(Source(), link(ADD, "first", amount=1), link(ADD, "second", amount=2))()
    assert [(note.step, note.text) for note in frame.notes] == [("first", "added 1"), ("second", "added 2")]


@pytest.mark.parametrize(
    ("made", "complaint"),
    [
        (lambda frame: None, "returned a NoneType"),
        (lambda frame: frame.with_(pixels=frame.pixels.cast("uchar")), "returned uchar pixels"),
        (lambda frame: frame.with_(pixels=frame.pixels.crop(0, 0, 5, 5)), "resizes=True"),
        (lambda frame: frame.with_(ppi=float("nan")), "ppi = nan"),
        (lambda frame: frame.with_(pixels=frame.pixels.bandjoin([1, 1, 1])), "6 channels"),
        (
            lambda frame: Frame(pixels=frame.pixels, icc=None, ppi=1, source=Path("b.tif")),
            "changed the frame's source",
        ),
    ],
)
def test_a_broken_promise_names_step_and_plugin(made: Callable[[Frame], Any], complaint: str) -> None:
    bad = step(name="bad", settings=Half, run=lambda frame, s, j: made(frame))
    with pytest.raises(StepCrashed, match=r"step 'bad' \(offered by test 1\)") as caught:
        chain(Source(), link(bad))()
    assert complaint in str(caught.value)


def test_an_exception_becomes_a_crash_and_a_refusal_stays_one() -> None:
    def raising(error: Exception) -> Any:
        def run(frame: Frame, settings: Half, job: Job) -> Frame:
            raise error

        return step(name="raises", settings=Half, run=run)

    with pytest.raises(StepCrashed, match="ZeroDivisionError: by nought"):
        chain(Source(), link(raising(ZeroDivisionError("by nought"))))()
    with pytest.raises(Refusal, match="not this one"):
        chain(Source(), link(raising(Refusal("not this one"))))()


def test_overrides_are_validated_again() -> None:
    render = chain(Source(), link(ADD))
    with pytest.raises(Refusal, match="amount"):
        render({"add.amount": 5000})
    with pytest.raises(Refusal, match="amuont"):
        render({"add.amuont": 5})
    with pytest.raises(StepCrashed, match="no step of that name; the recipe has add"):
        render({"ad.amount": 5})


def test_a_step_that_looks_at_everything_is_rendered_whole_and_cropped() -> None:
    def spread(frame: Frame, settings: Half, job: Job) -> Frame:
        array = frame.array()
        return frame.with_(
            pixels=pyvips.Image.new_from_array((array // 2 + np.uint16(array.mean() / 2)).astype(np.uint16))
        )

    everything = step(name="spread", settings=Half, run=spread, reach=None, passes="many")
    region = Box(3, 4, 20, 10)
    whole = chain(Source(), link(everything))().pixels.numpy()
    piece = chain(Source(), link(everything))(region=region).pixels.numpy()
    assert np.array_equal(whole[4:14, 3:23], piece)


def test_by_rows_equals_the_whole_array_with_and_without_reach() -> None:
    source = Source(70, 700)
    frame = source("random")

    def mean_of_three(rows: Any) -> Any:
        wide = np.pad(rows.astype(np.uint32), ((1, 1), (0, 0), (0, 0)), mode="edge")
        return ((wide[:-2] + wide[1:-1] + wide[2:]) // 3).astype(np.uint16)

    assert np.array_equal(
        frame.by_rows(mean_of_three, reach_px=1).pixels.numpy(), mean_of_three(source.array)
    )
    assert np.array_equal(frame.by_rows(lambda a: 65535 - a).pixels.numpy(), 65535 - source.array)


def test_whole_arrays_of_large_pictures_must_be_asked_for() -> None:
    large = pyvips.Image.black(3000, 2000, bands=3).cast("ushort")
    frame = Frame(pixels=large, icc=None, ppi=100, source=Path("a"))
    with pytest.raises(ValueError, match="by_rows"):
        frame.array()
    assert frame.array(whole=True).shape == (2000, 3000, 3)
