"""What a library only warns about fails a job, unless it is known to say nothing about the pixels."""

from __future__ import annotations

import logging
import threading
import warnings

import pytest

from drydown.errors import Refusal
from drydown.imaging.guard import collected_warnings, strict_warnings

LOG = logging.getLogger("pyvips")


def test_a_warning_fails_at_the_end_of_the_block_with_the_librarys_words() -> None:
    with (
        pytest.raises(Refusal, match=r"a\.tif was read with a warning.*IDAT: CRC error"),
        strict_warnings(what="a.tif"),
    ):
        LOG.warning("VIPS: IDAT: CRC error")


def test_what_is_less_than_a_warning_passes() -> None:
    with strict_warnings():
        LOG.info("VIPS: threadpool completed")


@pytest.mark.parametrize(
    "text",
    [
        "VIPS: fallback to suggested intent",
        'VIPS: incorrect count for field "PageNumber", expected 2, got 1',
        'VIPS: ASCII value for tag "DocumentName" does not end in null byte',
        "VIPS: Unknown field with tag 65000 (0xfde8) encountered",
        "VIPS: iCCP: known incorrect sRGB profile",
        "VIPS: eXIf: invalid",
    ],
)
def test_a_remark_that_decides_no_pixel_passes(text: str) -> None:
    with strict_warnings():
        LOG.warning(text)


@pytest.mark.parametrize(
    "text",
    [
        'VIPS: incorrect count for field "BitsPerSample", expected 3, got 1',
        'VIPS: incorrect count for field "TileOffsets", expected 2, got 1',
        "VIPS: tRNS chunk has out-of-range samples for bit_depth",
        "VIPS: IDAT: incorrect data check",
        "VIPS: error in tile 0 x 16",
    ],
)
def test_a_remark_that_decides_pixels_fails(text: str) -> None:
    with pytest.raises(Refusal), strict_warnings():
        LOG.warning(text)


def test_an_exception_of_the_block_goes_first() -> None:
    with pytest.raises(KeyError, match="mine"), strict_warnings():
        LOG.warning("VIPS: too")
        raise KeyError("mine")


def test_warnings_of_another_thread_count() -> None:
    def warn() -> None:
        LOG.warning("VIPS: from a decoder's thread")

    with pytest.raises(Refusal, match="decoder's thread"), strict_warnings():
        thread = threading.Thread(target=warn)
        thread.start()
        thread.join()


def test_a_thousand_warnings_make_one_sentence() -> None:
    with (
        pytest.raises(Refusal, match=r"row 0; VIPS: row 1; VIPS: row 2 \(and 997 more\)") as caught,
        strict_warnings(),
    ):
        for row in range(1000):
            LOG.warning("VIPS: row %d", row)
    assert len(caught.value.sentence) < 400


def test_the_logger_is_left_as_it_was() -> None:
    LOG.setLevel(logging.ERROR)
    handlers = list(LOG.handlers)
    try:
        with pytest.raises(Refusal), strict_warnings():
            LOG.warning("VIPS: heard although the level was higher")
        assert (LOG.level, LOG.propagate, LOG.handlers) == (logging.ERROR, True, handlers)
    finally:
        LOG.setLevel(logging.NOTSET)


def test_pythons_own_warnings_count_where_asked_but_not_those_about_code() -> None:
    with pytest.raises(Refusal, match="channel replaced"), strict_warnings(python_warnings=True):
        warnings.warn("channel replaced by black", UserWarning, stacklevel=1)
    with strict_warnings(python_warnings=True):
        warnings.warn("old name", DeprecationWarning, stacklevel=1)


def test_collecting_hears_without_failing_and_says_each_once() -> None:
    with collected_warnings() as said:
        LOG.warning("VIPS: one")
        LOG.warning("VIPS: one")
    assert said == ["VIPS: one"]
