"""Running a step, a recipe or a sheet maker as a job runs them: settings checked, promises checked, one chain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import pyvips

from drydown.api import Finished, Frame, Job, Offer, SheetOffer, StepOffer
from drydown.discovery import discover
from drydown.jobs.chain import Access, Chain, Link
from drydown.testing.jobs import a_job
from drydown.testing.pictures import a_frame, photograph

#: What a recipe of the built-in steps usually says.
STANDARD_RECIPE: Final[tuple[Mapping[str, Any], ...]] = (
    {"use": "flatten"},
    {"use": "crop"},
    {"use": "resample"},
    {"use": "convert"},
    {"use": "tone-lift", "lift_L": 3.0},
    {"use": "balance"},
    {"use": "sharpen"},
)
_HERE: Final = "this test"


def run_step(
    offer: StepOffer[Any], frame: Frame | None = None, job: Job | None = None, **settings: Any
) -> Frame:
    """The step's frame, checked as in a job. Without `frame` a small photograph in sRGB; without `job` one on letter.

    Raises pydantic's ValidationError for a setting that is not so, Refusal or Hold as the step does, StepCrashed for anything else.
    """
    link = Link(offer.name, offer, offer.settings(**settings), _HERE)
    return link.run(a_frame(photograph()) if frame is None else frame, a_job() if job is None else job)


def run_recipe(
    steps: Sequence[Mapping[str, Any]],
    frame: Frame | None = None,
    job: Job | None = None,
    *,
    offers: Sequence[Offer] = (),
    access: Access = "random",
) -> Chain:
    """A recipe ready to run: call it for the finished frame, or with settings overridden or a region, as a sheet maker does.

    `steps`: tables as in a recipe, `use` and perhaps `name` among the settings. `offers`: what is under test, beside everything that is installed.
    Raises LookupError for a step that nobody offers.
    """
    known = {**discover().offers, **{offer.name: offer for offer in offers}}
    links = []
    for table in steps:
        given = dict(table)
        use = str(given.pop("use"))
        name = str(given.pop("name", use))
        offer = known.get(use)
        if not isinstance(offer, StepOffer):
            raise LookupError(f"nobody offers a step '{use}'; there are {', '.join(sorted(known))}")
        links.append(Link(name, offer, offer.settings(**given), _HERE))
    start = a_frame(photograph()) if frame is None else frame
    return Chain(tuple(links), a_job() if job is None else job, lambda _: start, access=access)


def run_sheet(
    offer: SheetOffer[Any], frame: Frame | None = None, job: Job | None = None, **settings: Any
) -> Finished:
    """What a sheet maker makes of a picture that the standard recipe has prepared."""
    own = a_job() if job is None else job
    return offer.run(run_recipe(STANDARD_RECIPE, frame, own), offer.settings(**settings), own)


def write_picture(frame: Frame, path: Path) -> Path:
    """Write a frame where it can be looked at: 8 bits in sRGB, as PNG or whatever the ending says. For the eye, not for measuring."""
    from drydown.imaging.convert import to_srgb

    pixels: pyvips.Image = frame.pixels
    if frame.icc is not None:
        pixels = to_srgb(pixels, frame.icc, intent="relative", black_point_compensation=True)
    pixels.write_to_file(str(path))
    return path
