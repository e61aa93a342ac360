"""What the writer lays down, read back byte by byte against ICC.1:2001-04 (profile version 2.4.0)."""

import itertools
import struct
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from drydown.imaging.icc_build import UNDATED, grey_profile, matrix_profile, printer_profile_bytes
from drydown.imaging.icc_tags import Lut16, description_tag
from drydown.imaging.pcs import D50_XYZ
from drydown.imaging.working import D65_XY, srgb_to_light

SRGB_XY = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))


def working(**changes: object) -> bytes:
    given = {
        "description": "A space",
        "primaries_xy": SRGB_XY,
        "white_xy": D65_XY,
        "transfer": srgb_to_light,
        **changes,
    }
    return matrix_profile(**given)  # type: ignore[arg-type]


def tags_of(profile: bytes) -> dict[str, tuple[int, int]]:
    (count,) = struct.unpack_from(">I", profile, 128)
    entries = [struct.unpack_from(">4sII", profile, 132 + 12 * i) for i in range(count)]
    return {name.decode("ascii"): (offset, size) for name, offset, size in entries}


def content(profile: bytes, tag: str) -> bytes:
    offset, size = tags_of(profile)[tag]
    return profile[offset : offset + size]


def xyz_of(profile: bytes, tag: str) -> np.ndarray:
    return np.frombuffer(content(profile, tag)[8:], ">i4") / 65536


def small_table(channels_out: int = 3) -> Lut16:
    grid = np.random.default_rng(4).random((3, 3, 3, channels_out))
    return Lut16(np.tile([0.0, 0.5, 1.0], (3, 1)), grid, np.tile([0.0, 1.0], (channels_out, 1)))


def printer(**changes: object) -> bytes:
    table = small_table()
    given = {
        "description": "A printer",
        "paper_XYZ": np.array([0.85, 0.88, 0.75]),
        "tables": {"A2B0": table, "B2A0": small_table(), "gamt": small_table(1)},
        **changes,
    }
    return printer_profile_bytes(**given)  # type: ignore[arg-type]


def test_the_header_says_what_the_profile_is() -> None:
    made = datetime(2031, 2, 3, 4, 5, 6, tzinfo=UTC)
    profile = working(created=made)
    assert struct.unpack_from(">I", profile, 0)[0] == len(profile)
    assert profile[8:12] == bytes([2, 0x40, 0, 0])
    assert profile[12:24] == b"mntrRGB XYZ "
    assert struct.unpack_from(">6H", profile, 24) == (2031, 2, 3, 4, 5, 6)
    assert profile[36:40] == b"acsp"
    # ICC.1:2001-04, 6.1: the illuminant is X 0.9642, Y 1.0, Z 0.8249, in hexadecimal as every v2 profile has it.
    assert profile[68:80].hex() == "0000f6d6000100000000d32d"
    assert profile[84:128] == bytes(44)


def test_a_local_date_is_written_as_universal_time() -> None:
    made = datetime(2031, 2, 3, 1, 0, 0, tzinfo=timezone(timedelta(hours=2)))
    assert struct.unpack_from(">6H", working(created=made), 24) == (2031, 2, 2, 23, 0, 0)


def test_a_printer_is_an_output_profile_over_lab_and_says_when_it_is_matte() -> None:
    assert printer()[12:24] == b"prtrRGB Lab "
    assert struct.unpack_from(">Q", printer(), 56)[0] == 0
    assert struct.unpack_from(">Q", printer(matte=True), 56)[0] == 2


@pytest.mark.parametrize("profile", [working(), printer()], ids=["working space", "printer"])
def test_every_tag_lies_inside_the_file_on_a_boundary_of_four_and_overlaps_no_other(profile: bytes) -> None:
    places = sorted(set(tags_of(profile).values()))
    assert all(offset % 4 == 0 for offset, _ in places)
    assert places[0][0] >= 128 + 4 + 12 * len(tags_of(profile))
    for (offset, size), (following, _) in itertools.pairwise(places):
        assert offset + size <= following
    assert sum(places[-1]) <= len(profile) < sum(places[-1]) + 4


def test_what_is_the_same_is_stored_once() -> None:
    curves = tags_of(working())
    assert curves["rTRC"] == curves["gTRC"] == curves["bTRC"]
    table = small_table()
    shared = printer(tables={"A2B1": table, "A2B2": table, "B2A1": small_table(1)})
    assert tags_of(shared)["A2B1"] == tags_of(shared)["A2B2"] != tags_of(shared)["B2A1"]


def test_the_same_values_give_the_same_bytes() -> None:
    assert working() == working()
    assert printer() == printer()
    assert working() != working(created=datetime(2031, 1, 1, tzinfo=UTC))
    assert struct.unpack_from(">6H", working(), 24) == (
        UNDATED.year,
        UNDATED.month,
        UNDATED.day,
        UNDATED.hour,
        UNDATED.minute,
        UNDATED.second,
    )


def test_the_primaries_of_iec_61966_2_1_become_the_columns_that_colour_science_computes() -> None:
    import colour

    space = colour.RGB_COLOURSPACES["sRGB"]
    white = colour.xy_to_XYZ(space.whitepoint)
    bradford = colour.adaptation.matrix_chromatic_adaptation_VonKries(white, D50_XYZ, transform="Bradford")
    expected = bradford @ colour.normalised_primary_matrix(space.primaries, space.whitepoint)
    columns = np.stack([xyz_of(working(), f"{channel}XYZ") for channel in "rgb"], axis=1)
    np.testing.assert_allclose(columns, expected, atol=3e-5)


def test_the_columns_add_up_to_white_exactly_so_that_white_stays_untinted() -> None:
    total = sum(xyz_of(working(), f"{channel}XYZ") for channel in "rgb")
    np.testing.assert_array_equal(total, np.array([0xF6D6, 0x10000, 0xD32D]) / 65536)


def test_the_adaptation_tag_takes_the_space_s_white_to_d50() -> None:
    chad = np.frombuffer(content(working(), "chad")[8:], ">i4").reshape(3, 3) / 65536
    x, y = D65_XY
    np.testing.assert_allclose(chad @ [x / y, 1, (1 - x - y) / y], D50_XYZ, atol=5e-5)


def test_a_curve_is_the_formula_at_4096_places() -> None:
    curve = content(working(), "rTRC")
    assert curve[:4] == b"curv"
    assert struct.unpack_from(">I", curve, 8)[0] == 4096
    values = np.frombuffer(curve[12:], ">u2") / 65535
    np.testing.assert_allclose(values, srgb_to_light(np.linspace(0, 1, 4096)), atol=0.5 / 65535 + 1e-9)


def test_a_grey_space_has_one_curve_and_no_columns() -> None:
    profile = grey_profile(description="Grey", transfer=srgb_to_light, white_xy=D65_XY)
    assert profile[16:20] == b"GRAY"
    assert set(tags_of(profile)) == {"desc", "cprt", "wtpt", "chad", "kTRC"}


def test_a_description_beyond_ascii_keeps_its_letters_in_the_unicode_part() -> None:
    # ICC.1:2001-04, 6.5.17: ASCII count and text, Unicode language and count, text, script code, count, 67 bytes.
    tag = description_tag("Büttenpapier")
    (length,) = struct.unpack_from(">I", tag, 8)
    assert tag[12 : 12 + length] == b"B?ttenpapier\0"
    language, count = struct.unpack_from(">II", tag, 12 + length)
    start = 20 + length
    assert (language, count) == (0, 13)
    assert tag[start : start + 2 * count].decode("utf-16-be") == "Büttenpapier\0"
    assert len(tag) == start + 2 * count + 2 + 1 + 67


def test_a_plain_description_has_no_unicode_part() -> None:
    assert description_tag("Pearl")[18:26] == bytes(8)
    assert len(description_tag("Pearl")) == 12 + 6 + 8 + 2 + 1 + 67


def test_a_table_is_laid_down_as_lut16_and_reads_back() -> None:
    # ICC.1:2001-04, 6.5.7: channels in, out, grid points, pad, matrix, entries in, out, then the three tables.
    table = small_table()
    tag = table.tag()
    assert tag[:12] == b"mft2" + bytes(4) + bytes([3, 3, 3, 0])
    np.testing.assert_array_equal(np.frombuffer(tag[12:48], ">i4").reshape(3, 3), np.eye(3) * 65536)
    assert struct.unpack_from(">HH", tag, 48) == (3, 2)
    assert len(tag) == 52 + 2 * (3 * 3 + 27 * 3 + 3 * 2)
    stored = np.frombuffer(tag[52 + 18 : 52 + 18 + 162], ">u2").reshape(3, 3, 3, 3)
    np.testing.assert_allclose(stored / 65535, table.grid, atol=0.5 / 65535 + 1e-9)


def test_a_table_reads_its_nodes_exactly_and_half_way_between_two_their_mean() -> None:
    table = small_table()
    node, beside = table.grid[1, 2, 0], table.grid[1, 2, 1]
    read = table.read(np.array([[0.5, 1.0, 0.0], [0.5, 1.0, 0.25]]))
    np.testing.assert_allclose(read, [node, (node + beside) / 2])


def test_a_table_with_too_few_curves_is_refused_with_its_shape() -> None:
    lame = Lut16(np.tile([0.0, 1.0], (2, 1)), np.zeros((3, 3, 3, 3)), np.tile([0.0, 1.0], (3, 1)))
    with pytest.raises(ValueError, match=r"\(3, 3, 3, 3\) with 2 input curves"):
        lame.tag()
