"""Readings without device values get those of the chart's reference, and what does not belong together is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.measuring.measuring_kit import read, small_chart

from drydown.errors import NotFound
from drydown.measuring.measurement import BadMeasurement, Condition, Measurement, need_stock
from drydown.measuring.reader import read_cgats
from drydown.measuring.reference import Reference, joined, read_reference
from drydown.measuring.together import together


@pytest.fixture
def reference(tmp_path: Path) -> Reference:
    file = tmp_path / "reference.txt"
    file.write_text(small_chart().reference(made="2026-11-02"))
    return read_reference(file)


def bare(readings: Measurement) -> Measurement:
    """As an instrument exports them: places and colours."""
    return replace(readings, space="", device=np.zeros((len(readings), 0)))


def test_readings_are_matched_by_place_whatever_their_order(reference: Reference) -> None:
    good = read(small_chart())
    mixed = good.of(np.random.default_rng(2).permutation(len(good)))
    found = joined(bare(mixed), reference)
    assert found.space == "RGB" and np.allclose(found.device, mixed.device)


def test_else_by_id_and_else_in_order(reference: Reference) -> None:
    good = read(small_chart())
    nowhere = replace(bare(good), places=("",) * len(good))
    assert joined(nowhere, reference).places == good.places
    foreign = replace(nowhere, ids=tuple(f"x{number}" for number in range(len(good))))
    assert np.allclose(joined(foreign, reference).device, good.device)
    with pytest.raises(BadMeasurement, match=r"readings, and the chart reference\.txt has"):
        joined(foreign.of(np.arange(10)), reference)


def test_missing_and_unknown_patches_are_named(reference: Reference) -> None:
    good = bare(read(small_chart()))
    with pytest.raises(BadMeasurement, match="places 1A2, 1A3 are missing; read what is missing"):
        joined(good.of(np.array([row for row in range(len(good)) if row not in (1, 2)])), reference)
    with pytest.raises(BadMeasurement, match=r"place 9Z9 is not on the chart reference\.txt"):
        joined(replace(good, places=("9Z9", *good.places[1:])), reference)


@pytest.mark.parametrize(
    ("factor", "words"),
    [(1 / 2.55, "0 to 100, and were taken as 0 to 255"), (2.55, "0 to 255, and were taken as 0 to 100")],
)
def test_device_values_in_another_scale_than_they_seem_are_found(
    reference: Reference, factor: float, words: str
) -> None:
    good = read(small_chart())
    dark = (good.device <= 1 / 2.55).all(axis=1) if factor > 1 else np.ones(len(good), dtype=bool)
    wrong = replace(good, device=good.device * factor).of(dark)
    whole = Reference(
        reference.name,
        *(tuple(np.array(part)[dark]) for part in (reference.ids, reference.places)),
        "RGB",
        reference.device[dark],
        reference.source,
    )
    with pytest.raises(BadMeasurement, match=words):
        joined(wrong, whole)


def test_another_charts_values_and_another_charts_name_are_refused(reference: Reference) -> None:
    good = read(small_chart())
    with pytest.raises(BadMeasurement, match="of its device values are not the reference's"):
        joined(replace(good, device=good.device[::-1]), reference)
    with pytest.raises(BadMeasurement, match="these are readings of the chart matte-letter-60-1"):
        joined(replace(good, keywords={"CHART": "matte-letter-60-1"}), reference)


def test_a_reference_is_no_measurement(tmp_path: Path) -> None:
    from drydown.measuring.reader import read_cgats

    file = tmp_path / "reference.txt"
    file.write_text(small_chart().reference(made="2026-11-02"))
    with pytest.raises(BadMeasurement, match="it names neither Lab, XYZ nor spectra"):
        read_cgats(file)


def test_pages_read_into_files_of_their_own_are_one_chart(reference: Reference) -> None:
    good = read(small_chart())
    first = np.array([place.startswith("1") for place in good.places])
    pages = [good.of(first), replace(good.of(~first), source="second.txt")]
    whole = together(pages)
    assert (
        whole.places == good.places
        and np.array_equal(whole.lab, good.lab)
        and whole.source == "read.txt and second.txt"
    )
    assert together([good]) is good
    bared = [
        replace(bare(page), ids=tuple(map(str, range(len(page)))), places=("",) * len(page)) for page in pages
    ]
    assert np.allclose(joined(together(bared), reference).device, good.device)
    with pytest.raises(BadMeasurement, match="place 1A1 was read in another file already"):
        together([pages[0], pages[0]])
    with pytest.raises(
        BadMeasurement, match=r"second\.txt: its ISO 13655 condition is not that of read\.txt"
    ):
        together([pages[0], replace(pages[1], condition=Condition(mode="M2"))])


def test_the_reference_tells_which_stock_its_chart_was_made_for(reference: Reference) -> None:
    found = joined(bare(read(small_chart())), reference)
    need_stock(found, small_chart().stock)
    need_stock(found, "other", anyway=True)
    with pytest.raises(BadMeasurement, match=f"made for stock {small_chart().stock}, and other was asked"):
        need_stock(found, "other")


def test_a_folder_is_said_to_be_one(tmp_path: Path) -> None:
    for reads in (read_reference, read_cgats):
        with pytest.raises(NotFound, match="is a folder"):
            reads(tmp_path)
