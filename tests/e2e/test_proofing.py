"""The proofing loop by the real program: strip, choose, the next strip, final; reprint; everything that is refused."""

from __future__ import annotations

import json
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import pyvips

from drydown.demo.drive import follow
from drydown.imaging.working import srgb
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.places import Places
from tests.e2e.shelf import Shelf
from tests.e2e.studio import PAGELESS, RECIPE, STOCK, drydown, make_studio, picture
from tests.e2e.warm import daemon, warm

#: With a folder for strips.
PROOF_STUDIO = f"""{PAGELESS}
[[hot_folder]]
path = "hot/proof"
recipe = "small"
sheet_maker = "test-strip"
sheet = "letter"
"""
INKS = ("balance.cyan", "balance.magenta", "balance.yellow")
DAMAGED = ("settled = 1\nrecipe = ", "settled = 9\n", "mine = true\n")  #: files of settled values
#: Waits for a person's hand, so that a job can be caught at work.
GATE = """
import time
from pathlib import Path
from drydown.api import Settings, hookimpl, step

class Gate(Settings):
    until: str = ""

def gate(frame, settings, job):
    while settings.until and not Path(settings.until).exists():
        time.sleep(0.02)
    return frame

@hookimpl
def drydown_steps():
    return [step(name="gate", settings=Gate, run=gate)]
"""


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    return Shelf(tmp_path_factory.mktemp("shelf"))


@pytest.fixture
def studio(shelf: Shelf) -> Path:
    shelf.clear()
    return laid_out(shelf.here)


@pytest.fixture
def harbour(studio: Path) -> Path:
    return view(studio.parent)


@pytest.fixture
def strip(shelf: Shelf, studio: Path, harbour: Path) -> str:
    """The job of a ring-around."""
    return shelf.job("strip", lambda: ring_around(studio, harbour))


@pytest.fixture
def sharp(shelf: Shelf, studio: Path, harbour: Path) -> str:
    """The job of a strip of three strengths of sharpening, made in another quality than finals."""
    vary = '\n[test-strip]\nvary = ["sharpen.strength"]\nvalues = [[0.2, 0.4, 0.6]]\n'
    (studio / "recipes" / "small.toml").write_text(RECIPE + vary)
    (studio / "stocks" / "pearl.toml").write_text('strip_quality = "draft"\n' + STOCK)
    return shelf.job("sharp", lambda: ring_around(studio, harbour))


@pytest.fixture
def final(shelf: Shelf, studio: Path, harbour: Path) -> str:
    """The job of a final by the bare recipe."""
    return shelf.job("final", lambda: made(studio, harbour))


def laid_out(here: Path) -> Path:
    return make_studio(here / "studio", {"studio.toml": PROOF_STUDIO})


def view(here: Path) -> Path:
    return picture(here / "harbour.tif", width=900, height=600)


def ring_around(studio: Path, source: Path) -> str:
    """The job of a test strip as the recipe says."""
    return made(studio, source, "--maker", "test-strip", "--sheet", "letter")


def made(studio: Path, source: Path, *args: str) -> str:
    """The job that `drydown run` makes of a picture."""
    done = drydown(studio, "run", "small", str(source), *args, "--json")
    assert done.returncode == 0, done.stderr + done.stdout
    job: str = json.loads(done.stdout)["job"]
    return job


def row_of(studio: Path, job: str) -> JobRow:
    with LedgerView.read(Places(studio).ledger) as ledger:
        return ledger.job(job)


def jobs(studio: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in drydown(studio, "jobs", "--json").stdout.splitlines()]


def states(studio: Path) -> dict[str, str]:
    with LedgerView.read(Places(studio).ledger) as ledger:
        return {row.source_name: row.state for row in ledger.jobs()}


def record(studio: Path, job: str) -> dict[str, Any]:
    result = row_of(studio, job).result
    assert result is not None
    return result.record


def patch(studio: Path, job: str, name: str) -> dict[str, Any]:
    found: dict[str, Any] = next(
        one for one in record(studio, job)["maker"]["patches"] if one["name"] == name
    )
    return found


def pixels(studio: Path, job: str) -> npt.NDArray[np.uint16]:
    sheet = row_of(studio, job).sheet
    assert sheet is not None
    return np.asarray(pyvips.Image.new_from_file(str(sheet)).numpy())


def cut(array: npt.NDArray[np.uint16], box: list[int], left: int = 0, top: int = 0) -> npt.NDArray[np.uint16]:
    x, y, width, height = box
    return array[top + y : top + y + height, left + x : left + x + width]


def region_of_final(studio: Path, final: str, strip: str) -> npt.NDArray[np.uint16]:
    """What a final shows where the strip's patches were taken from."""
    at = record(studio, final)["picture_px"]
    return cut(
        pixels(studio, final), record(studio, strip)["maker"]["regions"][0]["box_px"], at["left"], at["top"]
    )


def settled(studio: Path) -> dict[str, Any]:
    return tomllib.loads((studio / "recipes" / "small.settled.toml").read_text())


def ok(done: subprocess.CompletedProcess[str]) -> str:
    assert done.returncode == 0, done.stderr
    return done.stdout


def refused(done: subprocess.CompletedProcess[str], code: int) -> str:
    assert done.returncode == code, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    return done.stderr


# choosing


def test_a_chosen_patch_is_what_the_next_final_prints_bit_for_bit(
    studio: Path, harbour: Path, strip: str
) -> None:
    recipe = (studio / "recipes" / "small.toml").read_bytes()
    said = ok(drydown(studio, "choose", strip, "c2", "--light", "D50 500 lx", fresh=True))
    chosen = patch(studio, strip, "C2")
    for key in INKS:
        (line,) = [line.split() for line in said.splitlines() if line.startswith(key)]
        assert [float(word) for word in line[1:]] == [0, chosen["values"][key], chosen["values"][key]]
    now = settled(studio)["now"]
    assert now["values"] == chosen["values"]
    assert (now["job"], now["patch"], now["light"], now["minutes"]) == (strip, "C2", "D50 500 lx", 0)
    assert now["stock"]["ticket"] == {"media_type": "photographic-satin", "quality": "high"}
    assert (studio / "recipes" / "small.toml").read_bytes() == recipe
    final = made(studio, harbour)
    assert np.array_equal(region_of_final(studio, final, strip), cut(pixels(studio, strip), chosen["box_px"]))
    assert "magenta = -4.3 [settled]" in ok(drydown(studio, "show", final))


def test_half_way_between_two_patches_prints_between_them(studio: Path, harbour: Path, strip: str) -> None:
    ok(drydown(studio, "choose", strip, "--between", "B2", "B4"))
    one, other = (patch(studio, strip, name) for name in ("B2", "B4"))
    values = settled(studio)["now"]["values"]
    for key in INKS:
        assert values[key] == pytest.approx((one["values"][key] + other["values"][key]) / 2, abs=1e-6)
    sheet = pixels(studio, strip)
    low, high = np.sort([cut(sheet, one["box_px"]), cut(sheet, other["box_px"])], axis=0)
    between = region_of_final(studio, made(studio, harbour), strip)
    # sharpening adds a little of its own where neighbours differ
    outside = np.maximum(low.astype(int) - between, between.astype(int) - high)
    assert outside.max() <= 65535 * 0.004 and np.mean(outside <= 0) > 0.99


def test_a_tone_and_a_typed_value_are_taken_together_with_a_patch(studio: Path, strip: str) -> None:
    ok(drydown(studio, "choose", strip, "B4", "--set", "tone-lift.lift_L=2.4", "--set", "balance.cyan=-3"))
    now = settled(studio)["now"]
    chosen = patch(studio, strip, "B4")["values"]
    assert now["values"] == chosen | {"balance.cyan": -3, "tone-lift.lift_L": 2.4}
    assert now["patch"] == "B4, and by hand"
    ok(drydown(studio, "choose", strip, "B3"))
    assert settled(studio)["now"]["values"]["tone-lift.lift_L"] == 2.4, (
        "what was settled before stays settled"
    )


def test_undo_goes_back_one_choice_at_a_time_to_the_bare_recipe(
    studio: Path, harbour: Path, strip: str
) -> None:
    for name in ("C2", "B4"):
        ok(drydown(studio, "choose", strip, name))
    assert [choice["patch"] for choice in settled(studio)["before"]] == ["C2"]
    said = ok(drydown(studio, "choose", strip, "--undo"))
    assert f"chosen from job {strip} (patch C2)" in said
    assert settled(studio)["now"]["patch"] == "C2" and not settled(studio).get("before")
    assert "holds as it is written" in ok(drydown(studio, "choose", strip, "--undo"))
    assert not (studio / "recipes" / "small.settled.toml").exists()
    assert "nothing is settled" in refused(drydown(studio, "choose", strip, "--undo"), 5)
    log = (studio / "state" / "jobs.log").read_text()
    assert log.count('"choice undone"') == 2, "what was undone can still be read"
    other = ring_around(studio, harbour)
    ok(drydown(studio, "choose", strip, "C2"))
    assert f"drydown choose {strip} --undo" in refused(drydown(studio, "choose", other, "--undo"), 5)


def test_lightness_that_a_recipe_holds_is_settled_as_the_numbers_that_were_laid_down(
    studio: Path, harbour: Path
) -> None:
    recipe = studio / "recipes" / "small.toml"
    text = RECIPE.replace('use = "balance"', 'use = "balance"\nhold_lightness = true')
    recipe.write_text(text + '\n[test-strip]\nvary = ["balance.magenta"]\nvalues = [[-10, 0, 10]]\n')
    strip = ring_around(studio, harbour)
    name = next(
        one["name"]
        for one in record(studio, strip)["maker"]["patches"]
        if one["values"]["balance.magenta"] == 10
    )
    ok(drydown(studio, "choose", strip, name))
    values = settled(studio)["now"]["values"]
    assert values["balance.hold_lightness"] is False
    assert values["balance.magenta"] - values["balance.cyan"] == pytest.approx(10, abs=1e-5)
    assert (
        values["balance.cyan"] == pytest.approx(values["balance.yellow"], abs=1e-5)
        and values["balance.cyan"] < 0
    )
    final = made(studio, harbour)
    printed = cut(pixels(studio, strip), patch(studio, strip, name)["box_px"])
    apart = np.abs(region_of_final(studio, final, strip).astype(int) - printed)
    assert apart.max() <= 1, "the same print: one code of 65535 for writing the numbers with six decimals"


def test_a_choice_for_one_picture_waits_for_it_in_the_folder_of_its_finals(
    studio: Path, harbour: Path, strip: str
) -> None:
    said = ok(drydown(studio, "choose", strip, "C2", "--picture"))
    own = studio / "hot" / "final" / "harbour.toml"
    assert "hot/final/harbour.toml" in said and "waits there" in said
    assert not (studio / "recipes" / "small.settled.toml").exists()
    ok(drydown(studio, "choose", strip, "B4", "--picture"))
    assert {
        f"balance.{key}": value for key, value in tomllib.loads(own.read_text())["balance"].items()
    } == patch(studio, strip, "B4")["values"]
    with daemon(studio):
        time.sleep(1.0)  # several looks of the daemon: the settings alone are no picture
        assert own.exists()
        harbour.rename(studio / "hot" / "final" / "harbour.tif")
        rows = follow(studio, 2, deadline_s=60, show=lambda row: None)
    assert rows[-1].state == "completed" and rows[-1].spec is not None
    balance = next(step for step in rows[-1].spec.steps if step.name == "balance")
    assert balance.settings["magenta"] == patch(studio, strip, "B4")["values"]["balance.magenta"]
    assert balance.origin["magenta"] == "picture"


def test_a_file_that_a_person_wrote_for_a_picture_is_not_written_over(studio: Path, strip: str) -> None:
    own = studio / "hot" / "final" / "harbour.toml"
    own.write_text("copies = 3\n")
    assert "drydown did not write it" in refused(drydown(studio, "choose", strip, "C2", "--picture"), 5)
    assert own.read_text() == "copies = 3\n"


def test_without_a_folder_for_finals_the_pictures_file_goes_where_the_person_stands(
    studio: Path, strip: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (studio / "studio.toml").write_text("[daemon]\nquiet_s = 0.3\n")
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    said = ok(drydown(studio, "choose", strip, "C2", "--picture"))
    assert "no hot folder makes finals" in said and (here / "harbour.toml").exists()


def test_a_share_that_is_away_gets_no_file_into_its_empty_mount_point(
    studio: Path, strip: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (studio / "hot" / "final").rename(studio / "hot" / "elsewhere")
    (studio / "hot" / "final").mkdir()
    monkeypatch.chdir(tmp_path)
    said = ok(drydown(studio, "choose", strip, "C2", "--picture"))
    assert "hot/final is offline" in said and (tmp_path / "harbour.toml").exists()
    assert not list((studio / "hot" / "final").iterdir())


# what is refused, and what is said


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (["D9"], 4, "it has A1 to A5, B2 to B4 and C1 to C5"),
        (["--between", "A1", "Z3"], 4, "no patch 'Z3'"),
        (["B3", "B4"], 2, "best three to five in order"),
        ([], 2, "This strip has A1 to A5"),
        (["B3", "--at", "0.4"], 2, "--at goes with --between"),
        (["B3", "--between", "B3", "B4"], 2, "not both"),
        (["--between", "B3", "B4", "--at", "1.4"], 2, "0<=x<=1"),
        (["--set", "balance.magenta=100"], 2, "balance.magenta must be at most 60; found 100"),
        (["--set", "balanc.magenta=1"], 2, "did you mean balance?"),
        (["--set", "balance.magent=1"], 2, "did you mean magenta?"),
        (["--set", "balance.magenta=much"], 2, "must be a number"),
        (["--set", "balance.magenta"], 2, "STEP.SETTING=VALUE"),
        (["B3", "--printed", "25 o'clock"], 2, "a time such as 14:05"),
        (["B3", "--printed", "2020-03-01T10:00"], 2, "cannot have been printed"),
        (["B3", "--printed", "2999-03-01T10:00"], 2, "still to come"),
        (["B3", "--undo"], 2, "takes no patch"),
    ],
)
def test_a_slip_of_the_hand_settles_nothing(
    once: tuple[Path, str], args: list[str], code: int, says: str
) -> None:
    studio, strip = once
    assert says in refused(drydown(studio, "choose", strip, *args), code)
    assert not (studio / "recipes" / "small.settled.toml").exists()


@pytest.fixture(scope="module")
def once(shelf: Shelf, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A studio with a strip, for tests that change nothing."""
    shelf.clear()
    job = shelf.job("strip", lambda: ring_around(laid_out(shelf.here), view(shelf.here)))
    shelf.copy("strip", root := tmp_path_factory.mktemp("once") / "here")
    return root / "studio", job


def test_only_a_completed_strip_can_be_chosen_from(studio: Path, harbour: Path, final: str) -> None:
    assert "made no test strip" in refused(drydown(studio, "choose", final, "B3"), 5)
    assert "no job" in refused(drydown(studio, "choose", "nothere1", "B3"), 4)
    (studio / "recipes" / "small.toml").write_text('untagged = "hold"\n' + RECIPE)
    plain = picture(harbour.parent / "plain.png", icc=b"")
    held = drydown(studio, "run", "small", str(plain), "--maker", "test-strip", "--sheet", "letter", "--json")
    job = json.loads(held.stdout)["job"]
    assert "pending-held: a patch can be chosen once" in refused(drydown(studio, "choose", job, "B3"), 5)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("lift_L = 3.0", "lift_L = 2.0", "tone-lift.lift_L was 3, and is 2 now"),
        ('[[step]]\nuse = "sharpen"', "", "its steps were flatten, crop"),
        ('use = "sharpen"', 'use = "sharpen"\nname = "crisp"', "crisp (sharpen)"),
    ],
)
def test_a_recipe_that_a_person_has_changed_since_asks_for_a_new_strip(
    studio: Path, strip: str, old: str, new: str, says: str
) -> None:
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text(RECIPE.replace(old, new))
    told = refused(drydown(studio, "choose", strip, "C2"), 5)
    assert says in told and "Print a new strip" in told
    assert not (studio / "recipes" / "small.settled.toml").exists()


def test_what_was_settled_since_is_no_change_of_the_recipe(studio: Path, strip: str) -> None:
    ok(drydown(studio, "choose", strip, "--set", "sharpen.strength=0.5"))
    ok(drydown(studio, "choose", strip, "C2"))
    values = settled(studio)["now"]["values"]
    assert values["sharpen.strength"] == 0.5 and values["balance.magenta"] == -4.3


@pytest.mark.parametrize("text", DAMAGED)
def test_a_damaged_settled_file_is_told_of_and_never_written_over(
    studio: Path, strip: str, text: str
) -> None:
    file = studio / "recipes" / "small.settled.toml"
    file.write_text(text)
    assert "small.settled.toml" in refused(drydown(studio, "choose", strip, "C2"), 3)
    assert "small.settled.toml" in refused(drydown(studio, "choose", strip, "--undo"), 3)
    assert file.read_text() == text


def test_a_running_daemon_tells_of_a_damaged_settled_file_too(studio: Path, strip: str) -> None:
    file = studio / "recipes" / "small.settled.toml"
    with daemon(studio):
        for text in DAMAGED:
            file.write_text(text)
            assert "small.settled.toml" in refused(drydown(studio, "choose", strip, "C2"), 3)
            assert file.read_text() == text


def test_a_strip_of_another_quality_tells_about_sharpness_and_not_about_colour(
    studio: Path, harbour: Path, sharp: str
) -> None:
    ok(drydown(studio, "choose", sharp, "A1"))
    assert settled(studio)["now"]["values"]["sharpen.strength"] == 0.2
    (studio / "recipes" / "small.toml").write_text(RECIPE)
    colour = ring_around(studio, harbour)
    told = refused(drydown(studio, "choose", colour, "C2"), 5)
    assert "'draft'" in told and "balance.magenta" in told and "--anyway" in told
    typed = ok(drydown(studio, "choose", colour, "--set", "balance.magenta=2"))
    assert "balance.magenta" in typed, "a value typed in is not taken from the strip"
    ok(drydown(studio, "choose", colour, "C2", "--anyway"))
    assert settled(studio)["now"]["values"]["balance.magenta"] == -4.3


def test_a_strip_that_is_judged_wet_is_warned_of_and_the_minutes_are_kept(studio: Path, strip: str) -> None:
    done = drydown(studio, "choose", strip, "C2")
    minutes = settled(studio)["now"]["minutes"]
    assert f"judged {minutes} min after it was made, and pearl dries for 30 min" in done.stderr
    assert "the light is not stated" in done.stderr
    (studio / "recipes" / "small.toml").write_text('light = "D50 500 lx"\n' + RECIPE)
    again = drydown(studio, "choose", strip, "C2")
    assert "the light is not stated" not in again.stderr and "under D50 500 lx" in again.stdout
    assert settled(studio)["now"]["light"] == "D50 500 lx"
    ok(drydown(studio, "choose", strip, "C2", "--light", "a window to the north"))
    assert settled(studio)["now"]["light"] == "a window to the north"


def test_settled_values_do_not_apply_silently_to_another_lot(studio: Path, harbour: Path, strip: str) -> None:
    ok(drydown(studio, "choose", strip, "C2"))
    (studio / "stocks" / "pearl.toml").write_text('lot = "0517"\n' + STOCK)
    note = "settled on lot not stated, now 0517"
    assert note in ok(drydown(studio, "check"))
    final = made(studio, harbour)
    assert "magenta = 0 [default]" in ok(drydown(studio, "show", final))
    sheet = row_of(studio, final).sheet
    assert sheet is not None
    ticket = sheet.with_name(sheet.name.replace(".tif", ".ticket.txt")).read_text()
    assert note in " ".join(ticket.split())
    assert note in drydown(studio, "choose", strip, "B4").stderr
    fresh = ring_around(studio, harbour)
    ok(drydown(studio, "choose", fresh, "--set", "sharpen.strength=0.5"))
    assert settled(studio)["now"]["values"] == {"sharpen.strength": 0.5}, "the other lot's values are history"


# beside a running daemon


def test_a_running_daemon_uses_new_values_for_the_next_job_and_never_for_one_that_has_started(
    studio: Path, harbour: Path, strip: str, tmp_path: Path
) -> None:
    gate = tmp_path / "open"
    (studio / "plugins" / "gate.py").write_text(GATE)
    recipe = studio / "recipes" / "small.toml"
    # the gate stands in a recipe of its own, so that the strip's recipe is not changed by it
    recipe.with_name("slow.toml").write_text(RECIPE + f'\n[[step]]\nuse = "gate"\nuntil = "{gate}"\n')
    text = (studio / "studio.toml").read_text()
    (studio / "studio.toml").write_text(
        text.replace(
            'path = "hot/look"\nrecipe = "small"\nsheet_maker = "final"\napprove = true',
            'path = "hot/look"\nrecipe = "slow"\nsheet_maker = "test-strip"\nsheet = "letter"',
        )
    )
    slow_strip = _strip_through_the_gate(studio, harbour, gate)
    gate.unlink()
    with daemon(studio):
        first = picture(tmp_path / "first.tif", seed=2, width=900, height=600)
        with (tmp_path / "said").open("wb") as said:
            command = [sys.executable, "-m", "drydown", "--studio", str(studio), "run", "slow", str(first)]
            asked = warm().begin(command, stdout=said, stderr=said, start_new_session=True)
        _until(lambda: states(studio).get("first.tif") == "processing")
        ok(drydown(studio, "choose", slow_strip, "C2"))
        gate.write_text("")
        assert asked.wait(60) == 0
        second = picture(tmp_path / "second.tif", seed=3, width=900, height=600)
        ok(drydown(studio, "run", "slow", str(second)))
    magenta = {}
    for job in jobs(studio):
        spec = row_of(studio, job["job"]).spec
        assert spec is not None
        magenta[job["source"]] = next(step for step in spec.steps if step.name == "balance").settings[
            "magenta"
        ]
    assert magenta["first.tif"] == 0 and magenta["second.tif"] == -4.3


def _strip_through_the_gate(studio: Path, source: Path, gate: Path) -> str:
    gate.write_text("")
    done = drydown(studio, "run", "slow", str(source), "--maker", "test-strip", "--sheet", "letter", "--json")
    assert done.returncode == 0, done.stderr
    job: str = json.loads(done.stdout)["job"]
    return job


def _until(holds: Any, seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.05)


def test_choose_undo_and_the_next_strip_go_through_a_running_daemon(studio: Path, strip: str) -> None:
    with daemon(studio):
        ok(drydown(studio, "choose", strip, "C2"))
        ok(drydown(studio, "choose", strip, "--between", "B2", "B3"))
        ok(drydown(studio, "choose", strip, "--undo"))
        assert settled(studio)["now"]["patch"] == "C2"
        assert "no setting 'magent'" in refused(
            drydown(studio, "choose", strip, "--set", "balance.magent=1"), 2
        )
        said = ok(drydown(studio, "strip", strip, "--next"))
        assert "harbour.tif: prints/" in said
    assert jobs(studio)[-1]["again_of"] == strip


# the next strip


def test_the_next_strip_is_the_same_pattern_at_half_the_steps_about_what_was_picked(
    studio: Path, harbour: Path, strip: str
) -> None:
    assert "nothing was chosen" in refused(drydown(studio, "strip", strip, "--next"), 5)
    ok(drydown(studio, "choose", strip, "C2"))
    ok(drydown(studio, "strip", strip, "--next", fresh=True))
    job = jobs(studio)[-1]
    assert (job["again_of"], job["source"], job["state"]) == (strip, "harbour.tif", "completed")
    first, second = (record(studio, name)["maker"]["patches"] for name in (strip, job["job"]))
    picked = patch(studio, strip, "C2")["values"]
    wanted = [
        picked if one["centre"] else {key: float(round(picked[key] + one["values"][key] / 2)) for key in INKS}
        for one in first
    ]  # whole CC: no eye tells less
    laid = [one["values"] for one in second]
    assert sorted(map(str, laid)) == sorted(map(str, wanted))
    assert next(one for one in second if one["centre"])["values"] == picked
    assert Path(row_of(studio, job["job"]).sheet_name).name.startswith("harbour__")
    assert harbour.exists()
    ok(drydown(studio, "choose", job["job"], "A1"))
    ok(drydown(studio, "strip", job["job"], "--next"))
    third = jobs(studio)[-1]
    assert third["again_of"] == job["job"] and third["source"] == "harbour.tif"
    ok(drydown(studio, "choose", third["job"], "B3", "--picture"))
    assert (studio / "hot" / "final" / "harbour.toml").exists(), (
        "the third strip still knows the picture's own name"
    )


def test_there_is_no_next_strip_where_nothing_is_open_any_more(studio: Path, harbour: Path) -> None:
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text(RECIPE + '\n[test-strip]\nvary = ["balance.magenta"]\nvalues = [[-2, 0, 2]]\n')
    strip = ring_around(studio, harbour)
    ok(drydown(studio, "choose", strip, "A2"))
    said = ok(drydown(studio, "strip", strip, "--next"))
    assert "Print the final" in said and len(jobs(studio)) == 1
    ok(drydown(studio, "strip", strip, "--next", "--anyway"))
    assert len(jobs(studio)) == 2


def test_a_next_strip_keeps_what_the_picture_brought_along_and_survives_a_retry(
    studio: Path, harbour: Path
) -> None:
    (harbour.parent / "harbour.toml").write_text("[crop]\nfocus_x = 0.2\n[test-strip]\npatches = 7\n")
    strip = ring_around(studio, harbour)
    ok(drydown(studio, "choose", strip, "A1"))
    (harbour.parent / "harbour.toml").unlink()
    ok(drydown(studio, "strip", strip, "--next"))
    spec = row_of(studio, jobs(studio)[-1]["job"]).spec
    assert spec is not None
    crop = next(step for step in spec.steps if step.name == "crop")
    assert (crop.settings["focus_x"], crop.origin["focus_x"]) == (0.2, "picture")
    assert len(spec.maker.settings["points"]) == 7


def test_a_strip_dropped_in_a_proof_folder_gets_its_next_one_there(studio: Path, harbour: Path) -> None:
    with daemon(studio):
        harbour.rename(studio / "hot" / "proof" / "harbour.tif")
        (row,) = follow(studio, 1, deadline_s=60, show=lambda row: None)
        ok(drydown(studio, "choose", row.id, "B4"))
        ok(drydown(studio, "strip", row.id, "--next"))
    rows = [row_of(studio, job["job"]) for job in jobs(studio)]
    assert [row.hot_folder for row in rows] == ["proof", "proof"]
    assert len(list((studio / "prints" / "proof").glob("harbour__*.tif"))) == 2
    assert len(list((studio / "originals" / "done").glob("harbour__*.tif"))) == 1, (
        "one original, of the first strip"
    )
    assert not list((studio / "state" / "taken").iterdir())


# rankings


def ranking(patches: list[dict[str, Any]], wanted: dict[str, float], *, count: int = 3) -> list[str]:
    """What an eye without noise names: the patches whose inks lie nearest to those that this printer needs."""

    def apart(one: dict[str, Any]) -> float:
        return sum((one["values"][key] - wanted[key]) ** 2 for key in INKS)

    return [one["name"] for one in sorted(patches, key=apart)[:count]]


def test_the_best_few_of_two_strips_are_read_together_and_settled_when_told(
    studio: Path, harbour: Path, strip: str
) -> None:
    wanted = {"balance.cyan": 4.0, "balance.magenta": -6.0, "balance.yellow": 3.0}
    first = ranking(record(studio, strip)["maker"]["patches"], wanted)
    said = ok(drydown(studio, "choose", strip, *first))
    assert f"Read together: job {strip}: {' '.join(first)}" in said and "This is not settled yet" in said
    assert "another strip would tell more" in said
    assert not (studio / "recipes" / "small.settled.toml").exists()
    (view,) = (studio / "prints" / "run").glob("*.proposal.jpg")
    assert view.name in said and pyvips.Image.new_from_file(str(view)).width > 100
    ok(drydown(studio, "strip", strip, "--next"))
    second = jobs(studio)[-1]["job"]
    patches = record(studio, second)["maker"]["patches"]
    laid = [one["values"] for one in patches]
    assert len(laid) == 25 and dict.fromkeys(INKS, 0.0) in laid, "a full sheet, the untouched recipe on it"
    assert any(
        np.allclose(
            [one[key] for key in INKS],
            [patch(studio, strip, first[0])["values"][key] for key in INKS],
            atol=0.6,
        )
        for one in laid
    )
    best = ranking(patches, wanted, count=5)
    said = ok(drydown(studio, "choose", second, *best, "--yes"))
    assert f"job {strip}: {' '.join(first)}; job {second}: {' '.join(best)}" in said
    now = settled(studio)["now"]
    assert now["patch"] == f"{' '.join(best)} in order" and now["job"] == second
    for key, value in wanted.items():
        assert now["values"][key] == round(now["values"][key]), "shown and settled in whole CC"
        assert abs(now["values"][key] - value) <= 4
    assert f"magenta = {now['values']['balance.magenta']:g} [settled]" in ok(
        drydown(studio, "show", made(studio, harbour))
    )


def test_the_untouched_recipe_named_best_changes_nothing(studio: Path, strip: str) -> None:
    said = ok(drydown(studio, "choose", strip, "B3", "B2", "B4", "--yes"))
    assert "nothing changes" in said
    assert set(settled(studio)["now"]["values"].values()) == {0.0}


@pytest.mark.parametrize(
    ("args", "code", "says"),
    [
        (["C2", "C2", "B3"], 5, "names a patch twice"),
        (["C2", "B4", "D9"], 4, "no patch 'D9'"),
        (["C2", "B4", "B3", "--set", "balance.cyan=3"], 2, "proposes its own values"),
        (["C2", "B4"], 2, "best three to five in order"),
    ],
)
def test_a_ranking_that_is_none_is_refused(
    once: tuple[Path, str], args: list[str], code: int, says: str
) -> None:
    assert says in refused(drydown(once[0], "choose", once[1], *args), code)


def test_a_ranking_of_sharpness_says_nothing_of_the_printer(studio: Path, sharp: str) -> None:
    told = refused(drydown(studio, "choose", sharp, "A1", "A2", "B1"), 5)
    assert "a ranking cannot be read backwards" in told and "choose one patch" in told


# a group proof


def test_several_pictures_share_a_strip_each_with_what_it_brought_along(studio: Path, tmp_path: Path) -> None:
    (studio / "stocks" / "pearl.toml").write_text("refeed = true\n" + STOCK)
    recipe = studio / "recipes" / "small.toml"
    recipe.write_text(RECIPE + '\n[test-strip]\nvary = ["balance.magenta"]\nvalues = [[-6, 0, 6]]\n')
    sources = []
    for number, name in enumerate(("one", "two", "three"), 1):
        sources.append(picture(tmp_path / f"{name}.tif", seed=number, width=900, height=600))
        (tmp_path / f"{name}.toml").write_text(f"[tone-lift]\nlift_L = {number}\n")
    told = ok(drydown(studio, "run", "small", *map(str, sources), "--no-contact-sheet", "--json"))
    finals = [json.loads(line)["job"] for line in told.splitlines()]
    ok(drydown(studio, "strip", *finals))
    job = jobs(studio)[-1]["job"]
    maker = record(studio, job)["maker"]
    assert {one["picture"] for one in maker["patches"]} == {0, 1, 2}
    spec = row_of(studio, job).spec
    assert spec is not None and row_of(studio, job).hot_folder == "proof"
    assert [companion.source_name for companion in spec.companions] == ["two.tif", "three.tif"]
    assert [companion.settings for companion in spec.companions] == [
        {"tone-lift.lift_L": 2},
        {"tone-lift.lift_L": 3},
    ]
    for number, final in enumerate(finals):
        centre = next(one for one in maker["patches"] if one["centre"] and one["picture"] == number)
        region = next(one for one in maker["regions"] if one["picture"] == number)
        at = record(studio, final)["picture_px"]
        there = cut(pixels(studio, final), region["box_px"], at["left"], at["top"])
        assert np.array_equal(there, cut(pixels(studio, job), centre["box_px"])), (
            "the centre is each picture's own final"
        )
    third = next(one["name"] for one in maker["patches"] if one["picture"] == 2 and not one["centre"])
    ok(drydown(studio, "choose", job, third, "--picture"))
    assert (studio / "hot" / "final" / "three.toml").exists()
    said = ok(drydown(studio, "reprint", job))
    assert "the same bit for bit" in said
    assert not list((studio / "state" / "taken").iterdir()), "no copy is left"


def test_a_group_asks_for_a_stock_that_may_be_fed_again_and_for_one_recipe(
    studio: Path, harbour: Path, final: str
) -> None:
    (studio / "recipes" / "other.toml").write_text(RECIPE)
    done = drydown(studio, "run", "other", str(harbour), "--json")
    other = json.loads(done.stdout)["job"]
    assert "refeed = true" in refused(drydown(studio, "strip", final, made(studio, harbour)), 5)
    (studio / "stocks" / "pearl.toml").write_text("refeed = true\n" + STOCK)
    assert "these jobs are of small and other" in refused(drydown(studio, "strip", final, other), 5)
    assert "the next strip of one job" in refused(drydown(studio, "strip", final, other, "--next"), 2)


# a reprint


def test_a_reprint_is_the_same_bit_for_bit_whatever_the_studio_says_by_now(studio: Path, final: str) -> None:
    (studio / "recipes" / "small.toml").write_text(RECIPE.replace("lift_L = 3.0", "lift_L = 0.0"))
    (studio / "profiles" / "pearl.icc").unlink()
    (studio / "stocks" / "pearl.toml").write_text(STOCK.replace("profiles/pearl.icc", "profiles/new.icc"))
    (studio / "profiles" / "new.icc").write_bytes(srgb())
    said = ok(drydown(studio, "reprint", final, fresh=True))
    assert f"It is the sheet of job {final}, the same bit for bit." in said
    again = jobs(studio)[-1]
    assert again["again_of"] == final and again["job"] != final
    sheets = [row_of(studio, job).sheet for job in (final, again["job"])]
    assert all(sheets) and sheets[0] != sheets[1]
    assert (
        sheets[0] is not None and sheets[1] is not None and sheets[0].read_bytes() == sheets[1].read_bytes()
    )
    once_more = ok(drydown(studio, "reprint", again["job"]))
    assert "the same bit for bit" in once_more, "a reprint of a reprint still names the first job"


def test_a_reprint_says_exactly_what_differs_and_asks(studio: Path, harbour: Path) -> None:
    plugin = studio / "plugins" / "gate.py"
    plugin.write_text(GATE)
    (studio / "recipes" / "small.toml").write_text(RECIPE + '\n[[step]]\nuse = "gate"\n')
    final = made(studio, harbour)
    plugin.write_text(GATE.replace("return frame", "return frame.with_(pixels=frame.pixels.invert())"))
    told = refused(drydown(studio, "reprint", final), 5)
    assert "plugins/gate.py has changed" in told and f"drydown reprint {final} --anyway" in told
    assert len(jobs(studio)) == 1
    said = ok(drydown(studio, "reprint", final, "--anyway"))
    assert "the bytes differ" in said
    assert "plugins/gate.py has changed" in ok(drydown(studio, "show", jobs(studio)[-1]["job"]))
    plugin.unlink()
    (studio / "recipes" / "small.toml").write_text(RECIPE)
    assert "no installed plugin offers 'gate'" in refused(drydown(studio, "reprint", final, "--anyway"), 5)


def test_a_reprint_needs_the_very_picture_and_a_profile(studio: Path, harbour: Path, final: str) -> None:
    kept = harbour.with_name("kept.tif")
    harbour.rename(kept)
    assert "no longer at" in refused(drydown(studio, "reprint", final), 4)
    picture(harbour, seed=9)
    assert "no longer the picture" in refused(drydown(studio, "reprint", final), 5)
    kept.replace(harbour)
    for profile in (studio / "state" / "profiles").iterdir():
        profile.unlink()
    assert "the same bit for bit" in ok(drydown(studio, "reprint", final)), (
        "the studio still has the same profile"
    )
    for profile in (studio / "state" / "profiles").iterdir():
        profile.unlink()
    (studio / "profiles" / "pearl.icc").write_bytes(srgb())
    assert "the profile that it was made with" in refused(drydown(studio, "reprint", final), 5)


def test_a_reprint_goes_through_a_running_daemon(studio: Path, final: str) -> None:
    with daemon(studio):
        assert "the same bit for bit" in ok(drydown(studio, "reprint", final))
