"""What a profile is not built from, and what is said then."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from tests.profiling.profiling_kit import ROW, chart, spoiled

from drydown.measuring.measurement import BadMeasurement, Condition, Measurement
from drydown.profiling.model import fit_model
from drydown.profiling.readings import refuse_unreliable, usable
from drydown.profiling.suspects import suspects


def refused(read: Measurement, **more: object) -> str:
    with pytest.raises(BadMeasurement) as bad:
        refuse_unreliable(usable(read, stock="pearl", **more))  # type: ignore[arg-type]
    return str(bad.value)


def grey(read: Measurement) -> np.ndarray:
    return np.asarray(np.ptp(read.device, axis=1) < 1e-6)


def test_sound_readings_are_averaged_and_counted() -> None:
    found = usable(chart(), stock="pearl")
    assert found.counts.sum() == len(chart())
    assert found.counts.max() >= 5
    assert 0 < (refuse_unreliable(found).mean or 0) < 0.5


def test_too_few_colours_are_refused_with_the_number_that_is_needed() -> None:
    assert "a profile needs 125 at least" in refused(chart().of(np.arange(90)))


def test_all_that_is_missing_is_said_at_once() -> None:
    said = refused(chart().of(~grey(chart())))
    assert "bare paper" in said
    assert "full black" in said
    assert "0 greys" in said


def test_a_cmyk_set_is_refused() -> None:
    read = chart()
    cmyk = replace(read, space="CMYK", device=np.pad(read.device, ((0, 0), (0, 1))))
    assert "CMYK" in refused(cmyk)


def test_repeats_that_disagree_refuse_the_build() -> None:
    lab = chart().lab.copy()
    lab[grey(chart()), 0] += np.random.default_rng(1).normal(0, 3, grey(chart()).sum())
    assert "repeated patches differ" in refused(replace(chart(), lab=lab))


def test_inverted_device_values_are_recognised() -> None:
    assert "inverted" in refused(replace(chart(), device=1 - chart().device))


def test_greys_that_fall_are_named() -> None:
    read = chart()
    lab = read.lab.copy()
    lab[(read.device == 192 / 255).all(axis=1), 0] -= 40
    said = refused(replace(read, lab=lab))
    assert "darker than" in said
    assert "R = G = B = 0.753" in said


def test_another_mode_than_the_stock_s_is_refused_unless_asked_for() -> None:
    assert "M1" in refused(chart(), condition=Condition(mode="M2"))
    assert usable(chart(), stock="pearl", condition=Condition(mode="M2"), anyway=True).notes


def test_another_stock_s_chart_is_refused_unless_asked_for() -> None:
    read = replace(chart(), keywords={"DESCRIPTOR": "chart for stock matte, sheet letter"})
    assert "made for stock matte" in refused(read)
    assert usable(read, stock="pearl", anyway=True)
    assert usable(read, stock="matte")


def test_a_chart_read_from_the_last_row_to_the_first_is_refused() -> None:
    read = chart()
    turned = read.lab.reshape(-1, ROW, 3)[::-1].reshape(-1, 3)
    assert "rows were read from the last to the first" in refused(replace(read, lab=turned))


def test_names_to_leave_out_are_ids_places_and_rows() -> None:
    read = chart()
    found = usable(read, stock="pearl", leave_out=["1C", "1D4", read.ids[2]])
    assert len(found.left_out) == ROW + 2
    assert "no patch or row is called 9Z" in refused(read, leave_out=["9Z"])


def test_a_mis_read_row_is_found_and_named_with_both_ways_out() -> None:
    read = spoiled(chart(), slice(3 * ROW, 4 * ROW))
    found = usable(read, stock="pearl")
    model = fit_model(found.colours.device, found.colours.lab, found.counts)
    with pytest.raises(BadMeasurement) as bad:
        suspects(found.colours, found.counts, model)
    assert [fault.place for fault in bad.value.faults] == ["row 1D"]
    assert "--leave-out 1D" in str(bad.value)


def test_a_lone_mis_read_patch_is_named_and_kept() -> None:
    single = next(n for n in range(40, 200) if not grey(chart())[n])
    read = spoiled(chart(), slice(single, single + 1), (50.0, 30.0, -40.0))
    found = usable(read, stock="pearl")
    model = fit_model(found.colours.device, found.colours.lab, found.counts)
    odd = suspects(found.colours, found.counts, model)
    assert [suspect.patch for suspect in odd] == [read.named(single)]
    assert read.ids[single] in found.colours.ids


def test_sound_readings_hold_no_suspect() -> None:
    found = usable(chart(), stock="pearl")
    assert (
        suspects(
            found.colours, found.counts, fit_model(found.colours.device, found.colours.lab, found.counts)
        )
        == ()
    )


def test_patches_that_were_not_read_are_named_and_built_without() -> None:
    read = chart()
    notes = usable(read.of(np.arange(len(read)) != 40), stock="pearl").notes
    assert f"1 patch of the chart is missing: {read.places[40]}; built without" in notes
    assert not any("missing" in note for note in usable(read, stock="pearl").notes)
