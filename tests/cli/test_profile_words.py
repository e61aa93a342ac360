"""What `check` learns of a stock's profile."""

from __future__ import annotations

from drydown.cli.studio import _words
from drydown.demo.paper import pearl_profile
from drydown.imaging.working import srgb


def test_the_profile_of_a_paper_is_told_from_that_of_a_screen() -> None:
    assert _words(pearl_profile()).of_printer and not _words(srgb()).of_printer
    assert _words(srgb()).description.startswith("sRGB")
