"""Running a recipe: from an opened picture to the finished one, with any setting overridden and any region cut out.

Knows steps, settings and frames; not files, processes or the ledger. Everything stays lazy: calling a step builds, writing evaluates.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from pydantic import ValidationError

from drydown.api import MM_PER_INCH, Box, Frame, Job, Refusal, Settings, StepOffer, Value
from drydown.errors import MachineFault, StepCrashed
from drydown.showing import shown

_WORDS_MAX = 500  #: characters of an exception's text in a reason
Access = Literal["sequential", "random"]
Opener = Callable[[Access], Frame]


@dataclass(frozen=True, slots=True)
class Link:
    """One step of the chain, ready to run."""

    name: str
    offer: StepOffer[Any]
    settings: Settings
    offered_by: str

    def overridden(self, values: Mapping[str, Value]) -> Link:
        """The same link with some settings replaced, validated again. Raises Refusal naming the setting that will not do."""
        if not values:
            return self
        try:
            settings = type(self.settings).model_validate(
                {**self.settings.model_dump(exclude_unset=True), **values}
            )
        except ValidationError as error:
            first = error.errors()[0]
            where = ".".join(map(str, first["loc"])) or "its settings"
            raise Refusal(
                f"The step '{self.name}' does not take {where} = {first['input']} ({first['msg']}). "
                f"Ask for values within its limits; `drydown steps {self.offer.name}` lists them."
            ) from None
        return replace(self, settings=settings)

    def reach_px(self, job: Job, ppi: float) -> int | None:
        """How many pixels it looks around one; None where it looks at the whole picture."""
        reach = self.offer.reach(self.settings, job) if callable(self.offer.reach) else self.offer.reach
        return None if reach is None else math.ceil(reach / MM_PER_INCH * ppi)

    def run(self, frame: Frame, job: Job) -> Frame:
        """Run the step and check what comes back. Raises Refusal, MachineFault, or StepCrashed for anything else."""
        try:
            made = self.offer.run(frame, self.settings, job)
            fault = _broken_promise(frame, made, resizes=self.offer.resizes)
        except (Refusal, MachineFault, MemoryError, StepCrashed):
            raise
        except BaseException as error:  # a step that exits is as much at fault as one that raises
            raise StepCrashed(self.name, self.offered_by, _words(error)) from error
        if fault:
            raise StepCrashed(self.name, self.offered_by, fault)
        kept = len(frame.notes)
        return replace(
            made, notes=(*frame.notes, *(replace(note, step=self.name) for note in made.notes[kept:]))
        )


def _words(error: BaseException) -> str:
    """Kind and text of what a step raised, fit for a sentence: one line, bounded, and also where the exception cannot say its own text."""
    try:
        text = shown(str(error)[:_WORDS_MAX])
    except Exception:
        text = "it has no words for it"
    kind = shown(type(error).__name__)
    return f"{kind}: {text}" if text else kind


def _broken_promise(before: Frame, after: object, *, resizes: bool) -> str:
    """What the returned frame breaks of the contract; empty where it keeps it."""
    if not isinstance(after, Frame):
        return f"it returned a {type(after).__name__}; a step returns frame.with_(…)"
    pixels = after.pixels
    if pixels.format != "ushort":
        return f"it returned {pixels.format} pixels; frames carry 16 bits a channel (ushort)"
    if not 1 <= pixels.bands <= 5:
        return f"it returned {pixels.bands} channels; a picture has 1, 3 or 4, and perhaps one of alpha"
    if not resizes and (after.width, after.height) != (before.width, before.height):
        return (
            f"it was given {before.width} x {before.height} pixels and returned {after.width} x {after.height}; "
            "a step that may do so is offered with resizes=True"
        )
    if after.source != before.source:
        return "it changed the frame's source"
    if after.notes[: len(before.notes)] != before.notes:
        return "it dropped notes of earlier steps; add one with frame.with_(note=…)"
    if not (math.isfinite(after.ppi) and after.ppi > 0):
        return f"it returned ppi = {after.ppi}"
    return _broken_profile(before, after)


def _broken_profile(before: Frame, after: Frame) -> str:
    """The same of the profile: without this a step's slip is told of the picture, by the next step that converts."""
    from drydown.imaging.icc import BadProfile, inspect

    if after.icc is before.icc and after.pixels.bands == before.pixels.bands:
        return ""
    if after.icc is None:
        return "it took the profile away; frame.icc says what the pixels are in" if before.icc else ""
    if not isinstance(after.icc, bytes):
        return f"it returned a {type(after.icc).__name__} as profile; frame.icc is bytes"
    try:
        channels = inspect(after.icc).channels
    except BadProfile as fault:
        return f"it returned a profile that cannot be used: {fault}"
    if after.pixels.bands not in (channels, channels + 1):
        return f"it returned {after.pixels.bands} channels with a profile for {channels}"
    return ""


class Chain:
    """`Render` for one picture: call it for the finished picture, or for a region of it, with settings overridden.

    Sequential reading serves one evaluation; so each call opens the picture again, and a region's common prefix is evaluated once into memory.
    """

    def __init__(
        self,
        links: tuple[Link, ...],
        job: Job,
        opener: Opener,
        *,
        access: Access = "sequential",
        picture_name: str = "",
        companions: tuple[Chain, ...] = (),
    ) -> None:
        self._links, self._job, self._open = links, job, opener
        self.picture_name, self.companions = picture_name, companions
        many = any(link.offer.passes == "many" for link in links)
        self._access: Access = "random" if many else access
        self._unused: Frame | None = (
            None  # built for `size`, not evaluated yet: the first whole render takes it
        )
        self._size: tuple[int, int] | None = None
        self._pieces: dict[tuple[Any, ...], tuple[Frame, Box]] = {}
        self._kept: Frame | None = None  # the opened picture, decoded to disk; see `small`

    @property
    def size(self) -> tuple[int, int]:
        """Final pixels (width, height); builds the chain, evaluates nothing."""
        if self._size is None:
            self._unused = self._build(self._links)
            self._size = (self._unused.width, self._unused.height)
        return self._size

    def __call__(self, overrides: Mapping[str, Value] = {}, /, *, region: Box | None = None) -> Frame:
        """The finished picture, or `region` of it. Raises Refusal where the picture cannot go on, StepCrashed for a defect."""
        if region is None and not overrides:
            whole = self._unused or self._build(self._links)
            self._unused = None
            self._size = (whole.width, whole.height)
            return whole
        links = with_settings(self._links, overrides)
        if region is None:
            return self._build(links)
        return self._region(links, overrides, region)

    def small(self, long_edge_px: int, /) -> Frame:
        """The finished picture with a long edge of at most so many pixels, in memory: the recipe run on a reduced picture and a raster as much coarser.

        The picture is decoded to disk for it, once and for all: whatever is asked for afterwards reads only the part that it needs.
        """
        from drydown.imaging.strip_scratch import kept, shrunk

        times = math.ceil(max(self.size) / long_edge_px)
        if self._kept is None:
            frame = self._open(self._access)
            self._kept = frame.with_(pixels=kept(frame.pixels, self._job.scratch))
            self._unused = None  # built on the source, which need not be read again
        less = self._kept.with_(pixels=shrunk(self._kept.pixels, times), ppi=self._kept.ppi / times)
        stock = replace(self._job.stock, ppi=self._job.stock.ppi / times)
        coarse = replace(self._job, stock=stock, anyway=True)  # it has few pixels, and is to have few
        for link in self._links:
            less = link.run(less, coarse)
        return less.with_(pixels=less.pixels.copy_memory())

    def stages(self, long_edge_px: int) -> Iterator[tuple[Link | None, Frame]]:
        """The picture as it was opened, and as it is after each step in turn: in memory, reduced so that it ends with a long edge of about so many pixels.

        The recipe runs on a raster as much coarser; a step that a person let a picture pass through lets it pass here too. Raises as the steps do.
        """
        from drydown.imaging.strip_scratch import shrunk

        frame = self._kept or self._open(self._access)
        times = max(1, max(frame.width, frame.height) // long_edge_px)
        frame = frame.with_(pixels=shrunk(frame.pixels, times), ppi=frame.ppi / times)
        ppi = self._job.stock.ppi * min(1.0, long_edge_px / max(self.size))
        coarse = replace(self._job, stock=replace(self._job.stock, ppi=ppi), anyway=True)
        yield None, frame
        for link in self._links:
            frame = link.run(frame, coarse)
            yield link, frame

    def setting(self, key: str) -> Value | None:
        """The value of `NAME.field` as the recipe stands. Raises Refusal naming the steps, or the settings, that there are."""
        name, _, field = key.partition(".")
        link = next((link for link in self._links if link.name == name), None)
        if link is None:
            have = ", ".join(link.name for link in self._links)
            raise Refusal(f"The recipe has no step '{name}', so '{key}' cannot be varied; it has {have}.")
        if field not in type(link.settings).model_fields:
            have = ", ".join(type(link.settings).model_fields)
            raise Refusal(f"The step '{name}' has no setting '{field}'; it has {have}.")
        value = getattr(link.settings, field)
        return value if isinstance(value, bool | int | float | str) else None

    def upto(self, count: int) -> Frame:
        """The picture after the first `count` steps: what the search for a failing step halves over."""
        return self._build(self._links[:count])

    @property
    def job(self) -> Job:
        """What the steps are told."""
        return self._job

    @property
    def links(self) -> tuple[Link, ...]:
        """The steps, in order."""
        return self._links

    def _build(self, links: tuple[Link, ...]) -> Frame:
        frame = self._kept or self._open(self._access)
        for link in links:
            frame = link.run(frame, self._job)
        return frame

    def _region(self, links: tuple[Link, ...], overrides: Mapping[str, Value], region: Box) -> Frame:
        """Common prefix whole, then only the region and the reach of the steps that follow."""
        cut = self._cut(overrides)
        rest = links[cut:]
        reaches = [link.reach_px(self._job, self._job.stock.ppi) for link in rest]
        if any(reach is None for reach in reaches):
            return _cropped(self._build(links), region)
        reach = sum(r for r in reaches if r is not None)
        piece, inner = self._piece(links[:cut], cut, region, reach)
        for link in rest:
            piece = link.run(piece, self._job)
        return _cropped(piece, inner)

    def _cut(self, overrides: Mapping[str, Value]) -> int:
        """The first varied step, or the first from which on the size no longer changes, whichever is later."""
        varied = {key.partition(".")[0] for key in overrides}
        first_varied = next((i for i, link in enumerate(self._links) if link.name in varied), 0)
        first_steady = max((i + 1 for i, link in enumerate(self._links) if link.offer.resizes), default=0)
        return max(first_varied, first_steady)

    def _piece(self, prefix: tuple[Link, ...], cut: int, region: Box, reach: int) -> tuple[Frame, Box]:
        """Region plus reach after `prefix`, in memory, and where the region lies in it."""
        key = (cut, region, reach, tuple(link.settings.model_dump_json() for link in prefix))
        if key not in self._pieces:
            frame = self._build(prefix)
            left, top = max(0, region.left - reach), max(0, region.top - reach)
            right = min(frame.width, region.left + region.width + reach)
            bottom = min(frame.height, region.top + region.height + reach)
            pixels = frame.pixels.crop(left, top, right - left, bottom - top).copy_memory()
            inner = Box(region.left - left, region.top - top, region.width, region.height)
            self._pieces[key] = (frame.with_(pixels=pixels), inner)
        return self._pieces[key]


def _cropped(frame: Frame, box: Box) -> Frame:
    return frame.with_(pixels=frame.pixels.crop(box.left, box.top, box.width, box.height))


def with_settings(links: tuple[Link, ...], values: Mapping[str, Value]) -> tuple[Link, ...]:
    """The links with some settings replaced, `NAME.field` -> value. Raises StepCrashed for a step that is not there, Refusal for a value that its step does not take."""
    by_step: dict[str, dict[str, Value]] = {}
    for key, value in values.items():
        name, _, setting = key.partition(".")
        by_step.setdefault(name, {})[setting] = value
    unknown = set(by_step) - {link.name for link in links}
    if unknown:
        have = ", ".join(link.name for link in links)
        raise StepCrashed(sorted(unknown)[0], "this recipe", f"no step of that name; the recipe has {have}")
    return tuple(link.overridden(by_step.get(link.name, {})) for link in links)
