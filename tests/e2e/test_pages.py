"""Pages by the real program: beside each sheet, for a run, off by one setting, and never in a sheet's way."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drydown.imaging.working import oprgb
from tests.e2e.studio import STUDIO, drydown, make_studio, paper, picture


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio", {"studio.toml": STUDIO})


def with_pages(studio: Path, table: str) -> None:
    file = studio / "studio.toml"
    file.write_text(f"{file.read_text()}\n[pages]\n{table}\n")


def made_by(studio: Path, *pictures: Path) -> list[dict]:
    done = drydown(studio, "run", "small", *map(str, pictures), "--json")
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_a_hostile_picture_gets_its_page_and_the_record_its_figures(studio: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "<img src=x onerror=alert(1)>.tif")
    (job,) = made_by(studio, source)
    (page,) = (studio / "prints" / "run").glob("*.page.html")
    assert job["job"] in page.name
    text = page.read_text()
    assert "&lt;img src=x onerror=alert(1)&gt;" in text and "<img src=x" not in text
    assert text.count("data:image/jpeg;base64,") >= 3
    (record,) = (studio / "prints" / "run").glob("*.job.json")
    said = json.loads(record.read_text())
    assert said["result"]["record"]["gamut"]["sampled_px"] > 1000
    assert {file["kind"] for file in said["files"]} >= {"sheet", "page"}


def test_a_run_has_a_page_that_leads_to_those_of_its_pictures(studio: Path, tmp_path: Path) -> None:
    made_by(studio, picture(tmp_path / "one.tif"), picture(tmp_path / "two.tif"))
    (run,) = (studio / "prints" / "run").glob("portfolio__*.html")
    pages = [page.name for page in (studio / "prints" / "run").glob("*.page.html")]
    assert len(pages) == 2
    assert all(f'href="{name}"' in run.read_text() for name in pages)


def test_one_setting_turns_all_pages_off(studio: Path, tmp_path: Path) -> None:
    with_pages(studio, "make = false")
    made_by(studio, picture(tmp_path / "one.tif"), picture(tmp_path / "two.tif"))
    assert not list((studio / "prints" / "run").glob("*.html"))
    assert len(list((studio / "prints" / "run").glob("*.preview.jpg"))) == 2


def test_the_screen_named_is_the_one_shown_and_a_wrong_one_stops_no_sheet(
    studio: Path, tmp_path: Path
) -> None:
    (studio / "profiles" / "screen.icc").write_bytes(oprgb())
    with_pages(studio, 'screen = "profiles/screen.icc"')
    made_by(studio, picture(tmp_path / "one.tif"))
    (page,) = (studio / "prints" / "run").glob("one__*.page.html")
    assert "a screen of opRGB" in page.read_text()
    (studio / "profiles" / "screen.icc").write_bytes(paper())
    made_by(studio, picture(tmp_path / "two.tif"))
    (studio / "profiles" / "screen.icc").unlink()
    made_by(studio, picture(tmp_path / "three.tif"))
    for name in ("two", "three"):
        (page,) = (studio / "prints" / "run").glob(f"{name}__*.page.html")
        assert "a screen of sRGB" in page.read_text() and "profile" in page.read_text()
