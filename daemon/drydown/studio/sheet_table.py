"""The standard sheets, as data: name, other names, the standard's name, size.

Names and sizes are PWG 5101.1's (media standardised names; its `iso_` sizes are ISO 216's). An inch size is kept in inches, because
that is how it is exact. `A3+` has no name in the standard (329 x 483 mm, common practice, no source) and gets a `custom_` one.
Left out: 10x15, 24x30 and 30x40 inches, because to half the trade these names mean centimetres.
"""

from __future__ import annotations

from typing import Literal, NamedTuple


class Row(NamedTuple):
    """One sheet: `short` and `long` side in `unit`."""

    name: str
    pwg: str
    unit: Literal["in", "mm"]
    short: float
    long: float
    also: tuple[str, ...] = ()


#: Small to large within inch sizes and within metric sizes.
ROWS = (
    Row("3.5x5", "oe_photo-l_3.5x5in", "in", 3.5, 5),
    Row("4x6", "na_index-4x6_4x6in", "in", 4, 6),
    Row("5x5", "oe_square-photo_5x5in", "in", 5, 5),
    Row("5x7", "na_5x7_5x7in", "in", 5, 7),
    Row("6x8", "na_index-4x6-ext_6x8in", "in", 6, 8),
    Row("8x10", "na_govt-letter_8x10in", "in", 8, 10),
    Row("8x12", "oe_photo-s8r_8x12in", "in", 8, 12),
    Row("letter", "na_letter_8.5x11in", "in", 8.5, 11, ("8.5x11", "us-letter")),
    Row("legal", "na_legal_8.5x14in", "in", 8.5, 14, ("8.5x14", "us-legal")),
    Row("9x12", "na_arch-a_9x12in", "in", 9, 12, ("arch-a",)),
    Row("10x12", "oe_photo-10r_10x12in", "in", 10, 12),
    Row("11x14", "na_edp_11x14in", "in", 11, 14),
    Row("11x17", "na_ledger_11x17in", "in", 11, 17, ("tabloid", "ledger")),
    Row("12x18", "na_arch-b_12x18in", "in", 12, 18, ("arch-b",)),
    Row("13x19", "na_super-b_13x19in", "in", 13, 19, ("super-b",)),
    Row("14x17", "oe_14x17_14x17in", "in", 14, 17),
    Row("16x20", "oe_photo-16r_16x20in", "in", 16, 20),
    Row("17x22", "na_c_17x22in", "in", 17, 22),
    Row("17x24", "oe_a2plus_17x24in", "in", 17, 24),
    Row("18x24", "na_arch-c_18x24in", "in", 18, 24, ("arch-c",)),
    Row("20x24", "oe_photo-20r_20x24in", "in", 20, 24),
    Row("22x34", "na_d_22x34in", "in", 22, 34),
    Row("24x36", "na_arch-d_24x36in", "in", 24, 36, ("arch-d",)),
    Row("A6", "iso_a6_105x148mm", "mm", 105, 148),
    Row("A5", "iso_a5_148x210mm", "mm", 148, 210),
    Row("A4", "iso_a4_210x297mm", "mm", 210, 297),
    Row("A3", "iso_a3_297x420mm", "mm", 297, 420),
    Row("A3+", "custom_a3-plus_329x483mm", "mm", 329, 483, ("a3-plus", "a3plus")),
    Row("A2", "iso_a2_420x594mm", "mm", 420, 594),
    Row("A1", "iso_a1_594x841mm", "mm", 594, 841),
    Row("A0", "iso_a0_841x1189mm", "mm", 841, 1189),
    Row("10x15cm", "om_small-photo_100x150mm", "mm", 100, 150),
    Row("13x18cm", "om_medium-photo_130x180mm", "mm", 130, 180),
    Row("20x30cm", "om_large-photo_200x300mm", "mm", 200, 300),
    Row("30x40cm", "om_photo-30x40_300x400mm", "mm", 300, 400),
    Row("30x45cm", "om_photo-30x45_300x450mm", "mm", 300, 450),
    Row("40x60cm", "om_photo-40x60_400x600mm", "mm", 400, 600),
    Row("50x75cm", "om_photo-50x75_500x750mm", "mm", 500, 750),
    Row("60x90cm", "om_photo-60x90_600x900mm", "mm", 600, 900),
)
