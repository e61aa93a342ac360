"""The pictures, jobs and runs that plugin authors are given."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyvips
from pydantic import ValidationError

from drydown.api import Box, Field, Frame, Job, Settings, step
from drydown.testing import (
    PICTURES,
    STANDARD_RECIPE,
    a_frame,
    a_job,
    grey_ramp,
    hue_ramp,
    paper_profile,
    photograph,
    run_recipe,
    run_step,
    values,
    write_picture,
)
from drydown_steps import sharpen


class Shade(Settings):
    """How much darker."""

    stops: float = Field(default=0.0, ge=0, le=2, description="Halvings of the code.")


def shade(frame: Frame, settings: Shade, job: Job, /) -> Frame:
    """Darken."""
    return frame.with_(pixels=(frame.pixels / 2**settings.stops).rint().cast("ushort"))


SHADE = step(name="shade", settings=Shade, run=shade)


def test_ramps_reach_both_ends_exactly() -> None:
    ramp = values(grey_ramp())
    assert (
        ramp[:, 0].max() == 0
        and ramp[:, -1].min() == 65535
        and (np.diff(ramp[0, :, 0].astype(int)) > 0).all()
    )
    hues = values(hue_ramp())
    assert (
        (hues[0] == 65535).all()
        and (hues[-1].min(axis=1) == 0).all()
        and (hues[-1].max(axis=1) == 65535).all()
    )


def test_the_photograph_holds_what_pictures_fail_by_and_is_the_same_every_time() -> None:
    made = values(photograph())
    assert np.array_equal(made, values(photograph())) and not np.array_equal(made, values(photograph(seed=2)))
    assert (made == 65535).all(axis=2).any() and (made.max(axis=2) < 3000).any()
    assert len(np.unique(made)) > 10_000


@pytest.mark.parametrize("name", PICTURES)
def test_every_picture_is_16_bits_of_colour_alone(name: str) -> None:
    made = PICTURES[name]()
    assert made.format == "ushort" and made.bands in (1, 3) and not made.hasalpha()


def test_a_job_takes_changes_of_itself_and_of_its_stock(tmp_path: Path) -> None:
    job = a_job(tmp_path, viewing_mm=900.0, lot="0513", ppi=300.0)
    assert (job.viewing_mm, job.stock.lot, job.stock.ppi) == (900.0, "0513", 300.0)
    assert job.stock.profile.read_bytes() == job.stock.icc == paper_profile()
    with pytest.raises(TypeError, match="no_such"):
        a_job(tmp_path, no_such=1)


def test_a_step_is_run_with_its_settings_checked(tmp_path: Path) -> None:
    frame = a_frame(grey_ramp())
    made = run_step(SHADE, frame, a_job(tmp_path), stops=1.0)
    assert np.array_equal(values(made), np.round(values(frame) / 2))
    with pytest.raises(ValidationError):
        run_step(SHADE, frame, stops=3.0)


def test_a_recipe_runs_with_what_is_under_test_and_a_region_of_it_is_the_same(tmp_path: Path) -> None:
    recipe = [*STANDARD_RECIPE[:-1], {"use": "shade", "name": "evening", "stops": 0.2}, {"use": "sharpen"}]
    frame = a_frame(photograph(900, 700))
    chain = run_recipe(recipe, frame, a_job(tmp_path, ppi=100.0, anyway=True), offers=[SHADE])
    whole = values(chain())
    assert (chain.size[1], chain.size[0]) == whole.shape[:2]
    part = values(chain({"evening.stops": 0.2}, region=Box(40, 30, 60, 50)))
    assert np.array_equal(part, whole[30:80, 40:100])
    assert values(chain({"evening.stops": 1.0})).mean() < whole.mean()
    with pytest.raises(LookupError, match="nobody offers a step 'shde'"):
        run_recipe([{"use": "shde"}])


def test_a_picture_is_written_for_the_eye(tmp_path: Path) -> None:
    made = run_step(sharpen.OFFER, a_frame(photograph(90, 60)), a_job(tmp_path), strength=1.0)
    seen = pyvips.Image.new_from_file(str(write_picture(made, tmp_path / "seen.png")))
    assert (seen.width, seen.height, seen.format) == (90, 60, "uchar")
