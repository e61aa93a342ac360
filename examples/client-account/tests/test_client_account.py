"""The observer: sheets by client, and an account that adds up."""

import client_account as plugin
import pytest


def a_job(prints, name="harbour-cafe__dune.tif", number="1m7abc", copies=2):
    return {
        "job": number,
        "reason": "",
        "files": [{"kind": "preview", "name": "x.jpg"}, {"kind": "sheet", "name": f"dune__{number}.tif"}],
        "times": {"recorded": "2026-05-14T10:31:07+02:00"},
        "original": {"name": name},
        "result": {"record": {"maker": {"picture_mm": [12.7, 12.7, 190.0, 250.0]}}},
        "spec": {
            "prints": str(prints),
            "copies": copies,
            "recipe": "first",
            "stock": {"name": "pearl"},
            "sheet": {"name": "letter", "size": {"width": 215.9, "height": 279.4}},
        },
    }


@pytest.fixture
def prints(tmp_path):
    folder = tmp_path / "prints" / "final"
    folder.mkdir(parents=True)
    for number in ("1m7abc", "1m7abd"):
        (folder / f"dune__{number}.tif").write_bytes(b"sheet")
    return folder


def test_a_sheet_is_filed_by_client_and_stays_where_it_was(prints, monkeypatch):
    monkeypatch.setattr(
        plugin, "prices", lambda: {"ink_ml_per_m2": 12.0, "ink_price_per_ml": 0.8, "paper_price_per_m2": 9.0}
    )
    plugin.drydown_job_finished(job=a_job(prints), outcome="completed")
    filed = prints.parent / "deliveries" / "harbour-cafe" / "dune__1m7abc.tif"
    assert filed.read_bytes() == b"sheet" and (prints / filed.name).exists()
    heading, line = plugin.rows(prints.parent / "deliveries" / plugin.ACCOUNT)
    said = dict(zip(heading, line, strict=True))
    assert said["client"] == "harbour-cafe" and said["copies"] == "2"
    assert float(said["paper_m2"]) == pytest.approx(2 * 0.2159 * 0.2794, abs=1e-4)
    assert float(said["ink_ml"]) == pytest.approx(2 * 0.19 * 0.25 * 12, abs=0.01)
    assert float(said["cost"]) == pytest.approx(2 * 0.2159 * 0.2794 * 9 + 1.14 * 0.8, abs=0.01)


def test_a_job_that_is_told_twice_is_one_line_and_one_file(prints):
    for _ in range(2):
        plugin.drydown_job_finished(job=a_job(prints), outcome="completed")
    plugin.drydown_job_finished(job=a_job(prints, number="1m7abd"), outcome="completed")
    assert [row[2] for row in plugin.rows(prints.parent / "deliveries" / plugin.ACCOUNT)] == [
        "job",
        "1m7abc",
        "1m7abd",
    ]


@pytest.mark.parametrize("outcome", ["aborted", "canceled"])
def test_what_did_not_complete_is_not_charged(prints, outcome):
    plugin.drydown_job_finished(job=a_job(prints), outcome=outcome)
    assert not (prints.parent / "deliveries").exists()


@pytest.mark.parametrize("name", ["../../etc__x.tif", "__x.tif", "dune.tif", "..__x.tif", "a/b__c.tif"])
def test_no_name_leads_out_of_the_deliveries(prints, name):
    plugin.drydown_job_finished(job=a_job(prints, name=name), outcome="completed")
    deliveries = prints.parent / "deliveries"
    filed = [path for path in prints.parent.parent.rglob("dune__1m7abc.tif") if path.parent != prints]
    assert len(filed) == 1 and filed[0].parent.parent == deliveries


def test_a_name_is_no_formula_in_a_spreadsheet(prints):
    plugin.drydown_job_finished(job=a_job(prints, name="=SUM(A1)__x.tif"), outcome="completed")
    assert plugin.rows(prints.parent / "deliveries" / plugin.ACCOUNT)[1][3].startswith("'=")


def test_where_the_disk_cannot_link_it_is_copied(prints, monkeypatch):
    def no_link(*_):
        raise OSError("not here")

    monkeypatch.setattr(plugin.os, "link", no_link)
    plugin.drydown_job_finished(job=a_job(prints), outcome="completed")
    assert (prints.parent / "deliveries" / "harbour-cafe" / "dune__1m7abc.tif").read_bytes() == b"sheet"
