"""Reading ISO 28178 text: every form that instruments' programs write, and one clear message for each way of being wrong."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from tests.measuring.measuring_kit import FIELDS, read, rows, small_chart, text

from drydown.errors import NotFound
from drydown.measuring.measurement import BadMeasurement, Measurement, need_rgb
from drydown.measuring.reader import cgats_from_text, read_cgats
from drydown.measuring.writer import cgats_text


def taken(words: str | bytes) -> Measurement:
    return cgats_from_text(words.encode() if isinstance(words, str) else words, source="read.txt")


def test_a_plain_file_gives_device_values_from_0_to_1_and_lab_as_it_stands() -> None:
    found = taken(text())
    assert found.space == "RGB" and found.given == "lab" and len(found) == 8
    assert found.device[1].tolist() == [0, 0, 1] and found.ids[0] == "1"
    assert found.lab[7] == pytest.approx([float(word) for word in rows()[7].split()[4:]])
    assert found.lines[0] == text().splitlines().index(rows()[0]) + 1
    assert found.notes == ("RGB values are taken as 0 to 255",)


@pytest.mark.parametrize(
    "changed",
    [
        text().replace("\n", "\r\n"),
        text().replace(" ", "\t"),
        text().replace("\n", "  \n\n"),
        "\ufeff" + text(),
        text().replace("NUMBER_OF_SETS 8\n", "").replace("NUMBER_OF_FIELDS 7\n", ""),
        text().replace("BEGIN_DATA\n", "BEGIN_DATA # the readings\n# none yet\n"),
        text(fields=FIELDS.replace(" RGB_G", "\nRGB_G")),
        text(fields=FIELDS.lower()),
        text(data=[f'"{row.split()[0]}" {row.split(" ", 1)[1]}' for row in rows()]),
        text(head=['KEYWORD "MADE_BY"', 'MADE_BY "a ""quoted"" word # no comment"']),
        text(fields=FIELDS.replace("RGB_R RGB_G RGB_B", "R G B")),
    ],
    ids=[
        "crlf",
        "tabs",
        "blank lines",
        "byte order mark",
        "no counts",
        "comments",
        "format on two lines",
        "lower case",
        "quoted numbers",
        "no identifier",
        "plain letters",
    ],
)
def test_forms_that_mean_the_same_are_read_the_same(changed: str) -> None:
    plain, found = taken(text()), taken(changed)
    assert np.array_equal(found.lab, plain.lab) and np.array_equal(found.device, plain.device)


def test_utf_16_and_latin_1_are_read() -> None:
    assert len(taken(text().encode("utf-16"))) == 8
    assert taken(text(head=['INSTRUMENTATION "Gerät"']).encode("latin-1")).instrument == "Gerät"


@pytest.mark.parametrize(
    ("full", "said"), [(1, "0 to 1"), (100, "0 to 100"), (255, "0 to 255"), (65535, "0 to 65535")]
)
def test_the_scale_of_device_values_is_found_and_said(full: int, said: str) -> None:
    data = [
        " ".join(
            [
                word if index not in (1, 2, 3) else f"{float(word) / 255 * full:g}"
                for index, word in enumerate(row.split())
            ]
        )
        for row in rows()
    ]
    found = taken(text(data=data))
    assert found.device.max() == 1 and found.notes[0].endswith(said)


def test_xyz_is_read_in_either_scale_and_gives_the_same_lab() -> None:
    xyz = taken(text()).xyz
    for full in (1.0, 100.0):
        data = [
            " ".join([*row.split()[:4], *(f"{value * full:.6f}" for value in one)])
            for row, one in zip(rows(), xyz, strict=True)
        ]
        found = taken(text(fields=FIELDS.replace("LAB_L LAB_A LAB_B", "XYZ_X XYZ_Y XYZ_Z"), data=data))
        assert found.given == "xyz" and np.abs(found.lab - taken(text()).lab).max() < 0.06


NM = range(380, 731, 10)


@pytest.mark.parametrize(
    "name",
    [
        "SPECTRAL_NM_{}",
        "SPECTRAL_NM{}",
        "SPECTRAL_{}",
        "SPEC_{}",
        "NM{}",
        "NM_{}",
        "R_{}",
        "{}NM",
        "SPECTRAL_DEC_{}",
    ],
)
def test_spectra_are_found_by_any_usual_name(name: str) -> None:
    found = taken(spectral(" ".join(name.format(nm) for nm in NM), ["0.5"] * 36))
    assert found.given == "spectra" and found.spectra is not None and found.spectra.shape == (2, 36)
    assert found.lab[0] == pytest.approx([76.07, 0, 0], abs=0.01)  # CIE 15: L* of Y = 0.5


def test_spectra_in_per_cent_and_in_pairs_with_their_wavelength_are_read() -> None:
    assert taken(spectral(" ".join(f"SPECTRAL_PCT_{nm}" for nm in NM), ["50"] * 36)).lab[
        0, 0
    ] == pytest.approx(76.07, abs=0.01)
    pairs = " ".join("SPECTRAL_NM SPECTRAL_PCT" for _ in NM)
    values = [word for nm in NM for word in (str(nm), "50")]
    assert taken(spectral(pairs, values)).lab[0, 0] == pytest.approx(76.07, abs=0.01)


def test_spectra_go_before_lab_and_a_difference_is_said() -> None:
    fields = "LAB_L LAB_A LAB_B " + " ".join(f"SPECTRAL_NM_{nm}" for nm in NM)
    found = taken(spectral(fields, ["70", "0", "0", *["0.5"] * 36]))
    assert found.lab[0, 0] == pytest.approx(76.07, abs=0.01)
    assert any("differ from its spectra" in note for note in found.notes)


def spectral(fields: str, values: list[str]) -> str:
    return text(
        fields=f"SAMPLE_ID RGB_R RGB_G RGB_B {fields}",
        data=[f"1 255 255 255 {' '.join(values)}", f"2 0 0 0 {' '.join(values)}"],
    )


@pytest.mark.parametrize(
    ("head", "mode", "backing"),
    [
        (['MEASUREMENT_SOURCE "MeasurementCondition=M1 Filter=no"'], "M1", ""),
        (['MEASUREMENT_CONDITION "M2"', 'SAMPLE_BACKING "White"'], "M2", "white"),
        (['FILTER "M0"', 'SAMPLE_BACKING "black"'], "M0", "black"),
        (['INSTRUMENTATION "D50, 2 degree, geometry 45/0, white backing"'], "", "white"),
        (['PRINT_CONDITIONS "coated art, 115 g/m2"'], "", ""),
        (['INSTRUMENTATION "for 115 g/m2"'], "", ""),
    ],
)
def test_mode_and_backing_are_read_where_they_are_stated_and_never_guessed(
    head: list[str], mode: str, backing: str
) -> None:
    condition = taken(text(head=head)).condition
    assert (condition.mode, condition.backing) == (mode, backing)


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    first = read(small_chart())
    file = tmp_path / "readings.txt"
    file.write_text(cgats_text(first), encoding="utf-8")
    again = read_cgats(file)
    assert np.abs(again.lab - first.lab).max() <= 5.1e-5 and np.abs(again.device - first.device).max() < 1e-6
    assert (again.places, again.ids, again.condition) == (first.places, first.ids, first.condition)


def test_of_several_tables_the_one_with_colours_is_taken() -> None:
    other = "CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID RGB_R RGB_G RGB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n1 0 0 0\nEND_DATA\n"
    found = taken(other + text())
    assert len(found) == 8 and "table 2 of 2 is read" in found.notes
    with pytest.raises(BadMeasurement, match="tables 1 and 2 hold colours"):
        taken(text() + text())
    assert len(cgats_from_text((text() + text()).encode(), source="x", table=2)) == 8


def changed(number: int, word: str, *, column: int = 4) -> list[str]:
    """The rows with one word changed."""
    data = rows()
    words = data[number].split()
    words[column] = word
    data[number] = " ".join(words)
    return data


def without(field: str) -> str:
    """A text that lacks one field."""
    names = FIELDS.split()
    column = names.index(field)
    keep = [index for index in range(len(names)) if index != column]
    data = [" ".join(row.split()[index] for index in keep) for row in rows()]
    return text(fields=" ".join(names[index] for index in keep), data=data)


def scaled(factor: float, offset: float = 0.0, columns: tuple[int, ...] = (4, 5, 6)) -> list[str]:
    return [
        " ".join(
            f"{float(word) * factor + offset * (index > 4):.4f}" if index in columns else word
            for index, word in enumerate(row.split())
        )
        for row in rows()
    ]


def as_xyz(white: tuple[float, float, float]) -> str:
    data = [
        f"{n} {v} {v} {v} {' '.join(f'{part * v / 255:.4f}' for part in white)}"
        for n, v in enumerate((0, 128, 255), 1)
    ]
    return text(fields="SAMPLE_ID RGB_R RGB_G RGB_B XYZ_X XYZ_Y XYZ_Z", data=data)


MALFORMED: dict[str, tuple[str | bytes, str]] = {
    "empty": ("", "the file is empty"),
    "blank": (" \n\n", "the file is empty"),
    "binary": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "this is no text"),
    "xml": ('<?xml version="1.0"?><a/>', "this is XML or HTML"),
    "broken utf-16": (b"\xff\xfea", "begins as UTF-16"),
    "prose": ("Dear lab,\nhere are the readings.\n", "BEGIN_DATA_FORMAT and BEGIN_DATA are missing"),
    "no data": (text().split("NUMBER_OF_SETS")[0], "it names fields and holds no data"),
    "no format": ("BEGIN_DATA\n1 2 3\nEND_DATA\n", "line 1: the data begin without a format"),
    "cut off": (text(tail=""), "ends without END_DATA: the file is cut off"),
    "cut off in the format": (text().split("END_DATA_FORMAT")[0], "ends without END_DATA_FORMAT"),
    "format not closed": (
        text().replace("END_DATA_FORMAT\n", ""),
        "BEGIN_DATA comes before the end of BEGIN_DATA_FORMAT",
    ),
    "end twice": (text() + "END_DATA\n", "END_DATA without BEGIN_DATA before it"),
    "fewer sets": (text(sets="9"), "NUMBER_OF_SETS: 9 are stated, the file holds 8 rows"),
    "sets in words": (text(sets="eight"), 'NUMBER_OF_SETS: "eight" is no number'),
    "fields miscounted": (
        text().replace("NUMBER_OF_FIELDS 7", "NUMBER_OF_FIELDS 8"),
        "NUMBER_OF_FIELDS: 8 are stated, the file holds 7 fields",
    ),
    "no rows": (text(data=[]), "the table holds no rows of data"),
    "short row": (
        text(data=[*rows()[:-1], "8 255 255 255 95 0"]),
        "line 15: 6 values where the format names 7 fields",
    ),
    "long row": (
        text(data=[*rows()[:-1], rows()[-1] + " 9"]),
        "line 15: 8 values where the format names 7 fields",
    ),
    "field twice": (text(fields=FIELDS.replace("RGB_G", "RGB_R")), "it names RGB_R twice"),
    "quote not closed": (text(data=changed(2, '"4')), "line 10: a quotation mark is opened and not closed"),
    "decimal comma": (
        text(data=[row.replace(".", ",") for row in rows()]),
        "lines 8, 9, 10, 11 and 4 more: numbers are written with a decimal comma",
    ),
    "a word": (text(data=changed(3, "n/a")), 'line 11: LAB_L is "n/a", which is no reading'),
    "not a number": (text(data=changed(3, "nan")), 'line 11: LAB_L is "nan"'),
    "grouped digits": (text(data=changed(3, "9_5")), 'line 11: LAB_L is "9_5"'),
    "beyond all readings": (text(data=changed(3, "1e308")), 'line 11: LAB_L is "1e308", which is no reading'),
    "thousands of digits": (text(sets="9" * 5000), "is no number"),
    "infinite": (text(data=changed(3, "1e999")), 'line 11: LAB_L is "1e999"'),
    "no colours": (without("LAB_L").replace("LAB_A LAB_B", "D_RED D_GREEN"), "neither Lab, XYZ nor spectra"),
    "b* missing": (without("LAB_B"), "it names LAB_L, LAB_A and lacks LAB_B"),
    "green missing": (without("RGB_G"), "it names RGB_R, RGB_B and lacks RGB_G"),
    "ids twice": (text(data=changed(3, "1", column=0)), "lines 8 and 11: SAMPLE_ID comes more than once"),
    "no white, no black": (
        text(data=[row.replace("255", "60") for row in rows()]),
        "the highest RGB value is 60, so that it cannot be told",
    ),
    "negative device": (text(data=changed(3, "-4", column=1)), "RGB values go down to -4"),
    "lab 0 to 1": (text(data=scaled(0.01)), "Lab values in the scale 0 to 1"),
    "encoded lab": (text(data=scaled(1.0, 128)), "these are encoded Lab values"),
    "16-bit lab": (text(data=scaled(257.0)), "are no colours of a print"),
    "xyz of d65": (as_xyz((95.04, 100, 108.89)), "the lightest patch has the white of D65"),
    "xyz of a": (as_xyz((109.85, 100, 35.58)), "the lightest patch has the white of A"),
    "other illuminant": (
        text(head=['ILLUMINANT "D65"']),
        "ILLUMINANT: the colours are stated for the illuminant D65",
    ),
    "other illuminant in the weights": (
        text(head=['WEIGHTING_FUNCTION "ILLUMINANT , A"']),
        "for the illuminant A",
    ),
    "other observer": (
        text(head=['OBSERVER "10 degree"']),
        "OBSERVER: the colours are stated for the 10 degree observer",
    ),
    "observer of 1964": (text(head=['WEIGHTING_FUNCTION "OBSERVER , 10 deg"']), "for the 10 degree observer"),
    "short spectrum": (
        spectral(" ".join(f"NM{nm}" for nm in range(450, 731, 10)), ["0.5"] * 29),
        "from 450 to 730 nm; colour needs 400 to 700",
    ),
    "uneven spectrum": (
        spectral(" ".join(f"NM{nm}" for nm in NM if nm != 550), ["0.5"] * 35),
        "do not stand in even steps",
    ),
    "spectrum of thousands": (
        spectral(" ".join(f"NM{nm}" for nm in NM), ["5000"] * 36),
        "reflectances from 50.00 to 50.00 are none of a print",
    ),
}


@pytest.mark.parametrize(("spoilt", "message"), MALFORMED.values(), ids=MALFORMED.keys())
def test_each_malformed_file_gives_one_clear_message(spoilt: str | bytes, message: str) -> None:
    with pytest.raises(BadMeasurement) as caught:
        taken(spoilt)
    assert len(caught.value.faults) == 1, str(caught.value)
    assert message in str(caught.value)
    assert str(caught.value).startswith("read.txt: ")


def test_there_are_at_least_thirty_of_them() -> None:
    assert len(MALFORMED) >= 30


def test_every_fault_is_told_at_once() -> None:
    data = changed(3, "n/a")
    data[5] = data[5].replace(" ", " ?", 1)
    with pytest.raises(BadMeasurement) as caught:
        taken(text(head=['OBSERVER "10"'], data=data))
    told = str(caught.value)
    assert "line 11" in told and "line 13" in told and "10 degree" in told and len(caught.value.faults) == 3


def test_a_keyword_in_another_light_does_not_matter_to_spectra() -> None:
    words = spectral(" ".join(f"NM{nm}" for nm in NM), ["0.5"] * 36).replace(
        "ISO28178", 'ISO28178\nILLUMINANT "A"'
    )
    assert taken(words).given == "spectra"


def test_lab_and_xyz_that_belong_together_under_another_light_are_refused() -> None:
    lab = taken(text()).lab
    from drydown.imaging.pcs import xyz_from_lab

    d65 = xyz_from_lab(lab, np.array([0.9504, 1.0, 1.0889]))
    data = [
        row + " " + " ".join(f"{100 * value:.4f}" for value in one)
        for row, one in zip(rows(), d65, strict=True)
    ]
    with pytest.raises(BadMeasurement, match="Lab and XYZ belong together under D65, not under D50"):
        taken(text(fields=f"{FIELDS} XYZ_X XYZ_Y XYZ_Z", data=data))


def test_a_cmyk_set_is_read_and_refused_for_an_rgb_stock() -> None:
    data = ["1 0 0 0 0 95 0 -2", "2 100 0 0 0 55 -37 -50", "3 0 0 0 100 16 0 0"]
    found = taken(text(fields="SAMPLE_ID CMYK_C CMYK_M CMYK_Y CMYK_K LAB_L LAB_A LAB_B", data=data))
    assert found.space == "CMYK" and found.device[1].tolist() == [1, 0, 0, 0]
    with pytest.raises(
        BadMeasurement,
        match="it holds CMYK device values, but the stock pearl is printed through an RGB profile",
    ):
        need_rgb(found, "pearl")


def test_a_name_that_a_stranger_chose_cannot_act_on_the_terminal(tmp_path: Path) -> None:
    file = tmp_path / "a\x1b[2Jb.txt"
    file.write_text(text(data=changed(3, "\x1b]0;x")))
    with pytest.raises(BadMeasurement) as caught:
        read_cgats(file)
    assert "\x1b" not in str(caught.value)


def test_a_file_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match="there is no file"):
        read_cgats(tmp_path / "none.txt")


def test_whatever_is_changed_in_a_file_it_is_read_or_refused_in_words() -> None:
    seed = 7
    print(f"seed {seed}")
    chance = random.Random(seed)
    bases = [text(), text(head=['ILLUMINANT "D50"', 'MEASUREMENT_SOURCE "M1"']), as_xyz((96.4, 100, 82.5))]
    bases.append(spectral(" ".join(f"NM{nm}" for nm in NM), ["0.5"] * 36))
    odd = [
        "1e308",
        "-1e308",
        "nan",
        "9" * 5000,
        '"',
        '""',
        "#",
        "\0",
        "\x1b[2J",
        "BEGIN_DATA",
        "END_DATA",
        "BEGIN_DATA_FORMAT",
    ]
    odd += [
        "XYZ_X",
        "RGB_R",
        "CMYK_C",
        "SPECTRAL_NM",
        "SPECTRAL_PCT",
        "NM380",
        "1,5",
        "-",
        "1_0",
        "256",
        "-1",
        "1000000",
        "0",
        "1e154",
    ]
    read = 0
    for _ in range(800):
        lines = chance.choice(bases).split("\n")
        for _ in range(chance.randint(1, 4)):
            number = chance.randrange(len(lines))
            words = lines[number].split(" ")
            words[chance.randrange(len(words))] = chance.choice(odd)
            lines[number] = " ".join(words)
        try:
            found = taken("\n".join(lines))
        except BadMeasurement as error:
            assert error.faults and "\x1b" not in str(error)
        else:
            assert np.isfinite(found.lab).all() and found.device.min() >= 0 and found.device.max() <= 1
            read += 1
    assert read > 20
