"""`signed`: the contract, and that number and signature stand where they should."""

import numpy as np
import pytest
import pyvips
import signed_sheet as plugin
from PIL import Image, ImageDraw

from drydown.api import EdgesMm, Hold
from drydown.testing import Case, a_job, contract, run_sheet, values


@pytest.fixture
def signature(tmp_path):
    """A flourish on a transparent ground."""
    drawn = Image.new("RGBA", (400, 120), (0, 0, 0, 0))
    points = [(10 + 3.8 * n, 60 + 40 * np.sin(n / 6) * np.cos(n / 17)) for n in range(100)]
    ImageDraw.Draw(drawn).line(points, fill=(20, 20, 40, 255), width=5)
    drawn.save(tmp_path / "hand.png")
    return tmp_path / "hand.png"


def job(**changes):
    return a_job(
        ppi=100, anyway=True, **{"edition": "3/25", "margins_mm": EdgesMm(15, 15, 25, 15), **changes}
    )


def sheet_of(**changes):
    given = {key: changes.pop(key) for key in [*changes] if key in ("edition", "margins_mm")}
    return run_sheet(plugin.OFFER, job=job(**given), **changes)


class TestContract(contract(Case(plugin.OFFER))):
    """The sheet itself is tried below, on a job that has an edition."""

    test_sheet_maker_its_sheet_is_whole_and_the_same_twice = None


def test_the_same_job_gives_the_same_sheet_in_the_stocks_profile(signature):
    first, second = (sheet_of(signature=signature) for _ in range(2))
    assert np.array_equal(values(first.frame), values(second.frame)) and first.frame.icc == job().stock.icc


def test_number_at_the_left_signature_at_the_right_and_the_picture_untouched(signature):
    bare, made = values(sheet_of().frame), values(sheet_of(signature=signature).frame)
    box = sheet_of().picture
    below = slice(box.top + box.height, None)
    middle = box.left + box.width // 2
    assert (bare[below, :middle] < 60000).any() and not (bare[below, middle:] < 60000).any()
    assert (made[below, middle:] < 60000).any()
    assert np.array_equal(made[: box.top + box.height], bare[: box.top + box.height])
    ink = made[below][(made[below] < 65535).all(axis=2)]
    assert len(ink) and np.ptp(ink.astype(float) / 65535, axis=1).mean() < 0.2, "pencil, not colour"


def test_the_number_is_as_high_as_asked():
    box = sheet_of().picture
    sheet = sheet_of(edition="25", number_mm=4.0)  # a stroke between two numbers is higher than they are
    rows = np.flatnonzero((values(sheet.frame)[box.top + box.height :] < 40000).any(axis=(1, 2)))
    assert 3.6 < (rows[-1] - rows[0] + 1) / 100 * 25.4 < 4.6


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"edition": ""}, "nothing to write"),
        ({"margins_mm": EdgesMm(15, 15, 4, 15)}, "does not fit"),
    ],
)
def test_what_cannot_be_written_is_held_with_the_next_move(changes, says):
    with pytest.raises(Hold, match=says):
        sheet_of(**changes)


def test_a_signature_that_is_no_picture_is_held(tmp_path):
    (tmp_path / "hand.png").write_bytes(b"no picture")
    with pytest.raises(Hold, match="cannot be read"):
        sheet_of(signature=tmp_path / "hand.png")
    assert pyvips.__version__
