"""Built profiles in engines that did not build them, smooth greys, and finals made with them beside those of the computed profile."""

from __future__ import annotations

from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Literal

import iccdev
import imagecodecs
import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray
from PIL import ImageCms
from tests.reference.test_demo_profile import (
    REQUIRED_TAGS,
    convert,
    lab_of_profile,
    tag_names,
    through_iccdev,
)

from drydown.demo.measurements import demo_measurements
from drydown.demo.paper import pearl_model, pearl_profile
from drydown.imaging.difference import ciede2000
from drydown.imaging.pcs import media_relative, xyz_from_lab
from drydown.imaging.working import srgb
from drydown.measuring.targ import readings_in
from drydown.profiling.build import build

Floats = NDArray[np.float64]
BPC = int(imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION)
VERSIONS: tuple[Literal[2], Literal[4]] = (2, 4)


@cache
def built(version: Literal[2, 4], noise: float) -> bytes:
    """From a full chart, and where another version or readings without noise are looked at, from a small one."""
    return build(
        demo_measurements(noise, 11, patches=918 if (version, noise) == (2, 0.3) else 288),
        stock="pearl",
        description="Pearl",
        version=version,
    ).icc


def printed(device: Floats) -> Floats:
    return media_relative(pearl_model().lab(device), pearl_model().lab(np.ones((1, 3)))[0])


@pytest.mark.parametrize("version", VERSIONS)
def test_the_icc_s_own_checker_finds_nothing_to_say(version: Literal[2, 4]) -> None:
    result = iccdev.validate_profile(built(version, 0.3))
    assert (result.status, result.report) == (iccdev.ValidationStatus.OK, "")


@pytest.mark.parametrize("version", VERSIONS)
def test_it_holds_required_tags_black_point_and_readings(version: Literal[2, 4]) -> None:
    icc = built(version, 0.3)
    assert set(tag_names(icc)) == REQUIRED_TAGS | {"bkpt", "targ"}
    assert icc[8] == version
    read = readings_in(icc)
    assert read is not None
    assert len(read) >= 288


@pytest.mark.parametrize("version", VERSIONS)
def test_it_opens_in_pillow_and_libvips(version: Literal[2, 4], tmp_path: Path) -> None:
    icc = built(version, 0.3)
    opened = ImageCms.getOpenProfile(BytesIO(icc)).profile
    assert (opened.device_class, opened.xcolor_space, opened.connection_space) == ("prtr", "RGB ", "Lab ")
    np.testing.assert_allclose(
        opened.media_white_point[0], xyz_from_lab(pearl_model().lab(np.ones((1, 3)))[0]), atol=0.01
    )
    (tmp_path / "built.icc").write_bytes(icc)
    grey = (pyvips.Image.black(8, 8, bands=3) + 32768).cast("ushort").copy(interpretation="rgb16")
    sheet = grey.icc_transform(str(tmp_path / "built.icc"), input_profile="srgb", depth=16)
    assert 0 < sheet.avg() < 65535


@pytest.mark.parametrize("version", VERSIONS)
def test_an_independent_engine_foretells_the_lab_that_littlecms_does(
    version: Literal[2, 4], tmp_path: Path
) -> None:
    (tmp_path / "built.icc").write_bytes(built(version, 0.3))
    device = np.random.default_rng(3).random((3000, 3))
    theirs = through_iccdev(device, tmp_path / "built.icc", intent="relative", lab=True) * [100, 255, 255] - [
        0,
        128,
        128,
    ]
    ours = lab_of_profile(built(version, 0.3), device, "relative")
    assert ciede2000(theirs, ours).max() <= 0.3


@pytest.mark.parametrize("intent", ["relative", "perceptual"])
@pytest.mark.parametrize("version", VERSIONS)
def test_noise_in_the_readings_shows_no_step_in_a_grey_ramp(version: Literal[2, 4], intent: str) -> None:
    ramp = np.repeat(np.linspace(0, 1, 256)[:, np.newaxis], 3, axis=1)
    lightness = printed(convert(ramp, srgb(), built(version, 0.3), intent, BPC))[:, 0]
    assert np.diff(lightness).min() >= -0.01
    assert np.abs(np.diff(lightness, 2)).max() <= 0.3


def test_version_4_keeps_shadows_apart_in_its_perceptual_rendering() -> None:
    ramp = np.repeat(np.linspace(0, 1, 512)[:, np.newaxis], 3, axis=1)
    asked = lab_of_profile(srgb(), ramp, "relative")[:, 0]
    lightness = printed(convert(ramp, srgb(), built(4, 0.3), "perceptual", BPC))[:, 0]
    assert np.diff(np.interp(np.arange(5.0, 100.5), asked, lightness)).min() >= 0.15


@pytest.mark.parametrize(("noise", "limit"), [(0.0, 1.0), (0.3, 2.0)])
def test_finals_are_those_of_the_computed_profile(noise: float, limit: float) -> None:
    """A small sheet of colours and greys, printed on the simulated pearl by way of either profile."""
    picture = np.random.default_rng(6).random((6000, 3))
    greys = np.repeat(np.linspace(0, 1, 300)[:, np.newaxis], 3, axis=1)
    for source, p95 in ((picture, limit), (greys, 0.8)):
        one, other = (
            printed(convert(source, srgb(), icc, "relative", BPC))
            for icc in (pearl_profile(), built(2, noise))
        )
        assert np.percentile(ciede2000(one, other), 95) <= p95
