"""What people really drop, name and write: odd names, odd pixels, faulty files, moved studios; by the real program."""

from __future__ import annotations

import json
import os
import shutil
import struct
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips
from PIL import Image

from drydown.demo.drive import follow
from tests.e2e.studio import RECIPE, STOCK, STUDIO, drydown, make_studio, paper, picture
from tests.e2e.warm import daemon

MM_PER_INCH = 25.4


@pytest.fixture(scope="module", autouse=True)
def lonely(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A studio with a running daemon and settings that no picture follows: told of after 20 s, so begun before the other tests."""
    studio = make_studio(tmp_path_factory.mktemp("lonely") / "studio")
    with daemon(studio):
        (studio / "hot" / "final" / "lonely.toml").write_text("copies = 2\n")
        yield studio


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    return make_studio(tmp_path / "studio")


def run(studio: Path, recipe: str, *sources: Path, anyway: bool = False) -> dict[str, dict[str, Any]]:
    """The jobs of one `drydown run`, by the name of their picture; nothing of the program's inside may be shown."""
    options = ["--json", "--no-contact-sheet", *(["--anyway"] if anyway else [])]
    done = drydown(studio, "run", recipe, *map(str, sources), *options)
    assert done.returncode in (0, 1), done.stderr
    for inner in ("Traceback", "unable to call", "Errno"):
        assert inner not in done.stdout + done.stderr
    return {job["source"]: job for job in map(json.loads, done.stdout.splitlines())}


def sheet(job: dict[str, Any]) -> Any:
    assert job["state"] == "completed", job["reason"]
    return pyvips.Image.new_from_file(job["outputs"][0])


def margins_mm(image: Any) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of bare paper round the picture; lettering is too thin to count."""
    array = image.numpy()
    inked = (array != np.iinfo(array.dtype).max).any(axis=2)
    columns = np.flatnonzero(inked.mean(axis=0) > 0.4)
    rows = np.flatnonzero(inked.mean(axis=1) > 0.4)
    edges = columns[0], rows[0], image.width - 1 - columns[-1], image.height - 1 - rows[-1]
    left, top, right, bottom = (float(edge) / image.xres for edge in edges)
    return left, top, right, bottom


def untagged(path: Path, mode: str, size: tuple[int, int], value: Any) -> Path:
    Image.new(mode, size, value).save(path)
    return path


def test_no_name_stops_a_picture_or_gets_out_of_its_folder(studio: Path, tmp_path: Path) -> None:
    source, folder = picture(tmp_path / "plain.jpg"), tmp_path / "in"
    folder.mkdir()
    names = (
        "two  words.jpg",
        "caf\u00e9.jpg",
        "cafe\u0301.jpg",
        "new\nline.jpg",
        "esc\x1b[31m.jpg",
        "%s{0}.jpg",
        "-x.JPG",
        "n" * 196 + ".jpg",
        "\u202egpj.jpg",
        "noending",
    )
    for name in names:
        shutil.copy(source, folder / name)
    shutil.copy(source, folder / os.fsdecode(b"not\xffutf8.jpg"))
    done = drydown(studio, "run", "small", str(folder), "--json")
    assert done.returncode == 0, done.stderr
    assert (done.stdout + done.stderr).replace("\n", "").isprintable()
    jobs = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(jobs) == len(names) + 1 and {job["state"] for job in jobs} == {"completed"}
    sheets = [Path(job["outputs"][0]) for job in jobs]
    assert len(set(sheets)) == len(jobs), "two spellings of one name are two sheets"
    assert {path.parent for path in sheets} == {studio / "prints" / "run"}
    assert all(path.name.isprintable() and len(os.fsencode(path.name)) <= 255 for path in sheets)
    assert sum(1 for _ in folder.iterdir()) == len(jobs), "the pictures stay where they are"


def test_odd_pixels_come_out_as_sheets_of_the_same_size(studio: Path, tmp_path: Path) -> None:
    pictures = (
        untagged(tmp_path / "one.png", "RGB", (1, 1), (200, 90, 30)),
        untagged(tmp_path / "wide.png", "RGB", (3000, 3), (200, 90, 30)),
        untagged(tmp_path / "grey16.png", "I;16", (600, 400), 30000),
        untagged(tmp_path / "half-clear.png", "LA", (600, 400), (128, 128)),
        untagged(tmp_path / "one-bit.png", "1", (600, 400), 1),
    )
    jobs = run(studio, "small", *pictures, anyway=True)
    for path in pictures:
        image = sheet(jobs[path.name])
        assert (image.format, image.bands) == ("ushort", 3), path.name
        assert sorted((image.width, image.height)) == [376, 576], (
            path.name
        )  # 4x6 in less 3 mm all round at 100 ppi
    # alpha of one half over paper white is lighter than the grey itself
    assert sheet(jobs["half-clear.png"]).numpy()[188, 288].mean() > 1.2 * 65535 * 128 / 255


def test_what_cannot_be_printed_is_refused_by_one_line_that_names_it(studio: Path, tmp_path: Path) -> None:
    frames = [Image.new("RGB", (60, 40), (i * 90, 0, 0)) for i in range(3)]
    frames[0].save(tmp_path / "moving.webp", save_all=True, append_images=frames[1:], duration=100)
    frames[0].save(tmp_path / "pages.tif", save_all=True, append_images=frames[1:])
    untagged(tmp_path / "inks.jpg", "CMYK", (60, 40), (10, 20, 30, 0))
    untagged(tmp_path / "map.bmp", "RGB", (60, 40), 0)
    untagged(tmp_path / "few.gif", "P", (60, 40), 0)
    (tmp_path / "empty.jpg").touch()
    good = picture(tmp_path / "good.tif")
    good.rename(tmp_path / "whole.tif")
    (tmp_path / "cut.tif").write_bytes((tmp_path / "whole.tif").read_bytes()[:-30000])
    (tmp_path / "whole.tif").unlink()
    names = {"moving.webp", "pages.tif", "inks.jpg", "map.bmp", "few.gif", "empty.jpg", "cut.tif"}
    jobs = run(studio, "small", *(tmp_path / name for name in sorted(names)))
    assert set(jobs) == names
    for name, job in jobs.items():
        assert job["state"] == "aborted" and not job["outputs"], name
        assert job["reason"].startswith(name) and "xport" in job["reason"] and "\n" not in job["reason"], name
        assert (tmp_path / name).exists()


def test_damage_is_told_of_though_its_last_rows_are_cropped_away(studio: Path, tmp_path: Path) -> None:
    """A decoder of JPEG says only at the last row that what it has drawn was not there."""
    files = [picture(tmp_path / "sound.jpg", width=1500, height=1200)]
    content = files[0].read_bytes()
    rng = np.random.default_rng(3)
    for number in range(4):
        at = int(len(content) * (0.2 + 0.15 * number))
        noise = rng.integers(0, 255, 64, dtype=np.uint8).tobytes()
        files.append(tmp_path / f"damaged-{number}.jpg")
        files[-1].write_bytes(content[:at] + noise + content[at + 64 :])
    jobs = run(studio, "small", *files, picture(tmp_path / "sound.tif", width=1500, height=1200))
    for name in ("sound.jpg", "sound.tif"):
        assert jobs[name]["state"] == "completed"
        record = next((studio / "prints" / "run").glob(f"*{jobs[name]['job']}.job.json")).read_text()
        assert "read at random" not in record, "it is rendered once"
    for number in range(4):
        job = jobs[f"damaged-{number}.jpg"]
        assert (job["state"], "damaged" in job["reason"]) == ("aborted", True), job["reason"]


def test_the_bound_side_is_that_of_the_picture_seen_upright(tmp_path: Path) -> None:
    base = (
        RECIPE.replace("margin_mm = 8", "margin_mm = 8\nbinding_mm = 20")
        + '[final]\nform = "sheet"\nslug = false\n'
    )
    recipes = {
        "left": base,
        "verso": base.replace("binding_mm = 20", 'binding_mm = 20\nleaf = "verso"'),
        "top": base.replace("binding_mm = 20", 'binding_mm = 20\nbinding_side = "top"'),
    }
    studio = make_studio(
        tmp_path / "studio", {f"recipes/{name}.toml": text for name, text in recipes.items()}
    )
    wide = picture(tmp_path / "wide.png")
    tall = picture(tmp_path / "tall.png", width=400, height=600)
    wanted = {"left": (20, 8, 8, 8), "verso": (8, 8, 20, 8), "top": (8, 20, 8, 8)}
    px = MM_PER_INCH / 100
    for recipe, sides in wanted.items():
        jobs = run(studio, recipe, wide, tall)
        assert margins_mm(sheet(jobs["wide.png"])) == pytest.approx(sides, abs=px), recipe
        assert margins_mm(sheet(jobs["tall.png"])) == pytest.approx(sides, abs=px), recipe
        assert sheet(jobs["wide.png"]).width > sheet(jobs["wide.png"]).height


def test_a_sheet_of_8_bits_has_bare_paper_round_the_picture(tmp_path: Path) -> None:
    text = RECIPE + '[final]\nbits = 8\ncompression = "zip"\nslug = false\n'
    studio = make_studio(tmp_path / "studio", {"recipes/eight.toml": text})
    image = sheet(run(studio, "eight", picture(tmp_path / "p.png"))["p.png"])
    array = image.numpy()
    assert array.dtype == np.uint8 and image.get("icc-profile-data") == paper()
    left, top, right, bottom = (round(mm * image.xres) for mm in margins_mm(image))
    for side in (array[:top], array[-bottom:], array[:, :left], array[:, -right:]):
        assert side.size and np.unique(side).tolist() == [255]


def test_a_recipe_may_use_a_step_twice_and_one_without_a_needed_step_says_which(tmp_path: Path) -> None:
    twice = RECIPE.replace(
        "lift_L = 3.0", 'lift_L = 1.5\n[[step]]\nuse = "tone-lift"\nname = "again"\nlift_L = 1.5'
    )
    files = {
        "recipes/twice.toml": twice,
        "recipes/no-flatten.toml": RECIPE.replace('[[step]]\nuse = "flatten"\n', ""),
    }
    studio = make_studio(tmp_path / "studio", files)
    clear = untagged(tmp_path / "clear.png", "RGBA", (600, 400), (200, 90, 30, 128))
    solid = picture(tmp_path / "solid.png", width=500, height=333)
    one, two = (sheet(run(studio, name, solid)["solid.png"]).numpy() for name in ("small", "twice"))
    height, width, _ = one.shape
    inside = slice(height // 4, height // 2), slice(width // 4, width // 2)
    difference = np.abs(one[inside].astype(int) - two[inside]).max()
    # the shifts add; what is left is rounding, which sharpening amplifies: a quarter of a code of 8 bits
    assert difference <= 64, "two lifts of 1.5 are one of 3"
    held = run(studio, "no-flatten", clear)["clear.png"]
    assert held["state"] == "pending-held" and "flatten" in held["reason"], "the picture is sound: it waits"
    (studio / "recipes" / "bare.toml").write_text(RECIPE.replace('[[step]]\nuse = "resample"\n', ""))
    refused = drydown(studio, "run", "small", str(solid))
    assert refused.returncode == 3 and "bare.toml: has no resample step" in refused.stderr


@pytest.mark.parametrize(
    ("device_class", "word"),
    [(b"nmcl", "named-colour"), (b"link", "device"), (b"abst", "abstract")],
)
def test_a_stock_needs_the_profile_of_a_paper(studio: Path, device_class: bytes, word: str) -> None:
    # ICC.1:2010, 7.2: the class stands in bytes 12 to 15 of the header
    (studio / "profiles" / "pearl.icc").write_bytes(paper()[:12] + device_class + paper()[16:])
    done = drydown(studio, "check")
    assert done.returncode == 3 and "stocks/pearl.toml: profile" in done.stdout and word in done.stdout


def test_a_profile_that_is_cut_off_or_text_is_no_profile(studio: Path) -> None:
    profile = studio / "profiles" / "pearl.icc"
    for content, word in ((paper()[:3000], "cut off"), (b"hello", "header")):
        profile.write_bytes(content)
        done = drydown(studio, "check")
        assert done.returncode == 3 and word in done.stdout and "Traceback" not in done.stderr


def test_files_are_read_as_editors_save_them_or_the_fault_has_its_place(studio: Path) -> None:
    file = studio / "studio.toml"
    file.write_bytes(b"\xef\xbb\xbf" + STUDIO.replace("\n", "\r\n").encode())
    assert drydown(studio, "check").returncode == 0
    for content, place in (
        (STUDIO.encode("utf-16"), "byte 1"),
        (b"[[hot_folder]\n", "line 1"),
        (b"hot_foldr = 3\n", "did you mean hot_folder?"),
    ):
        file.write_bytes(content)
        done = drydown(studio, "check")
        assert done.returncode == 3 and "studio.toml" in done.stderr and place in done.stderr


def test_absolute_asks_for_the_paper_that_is_imitated(tmp_path: Path) -> None:
    convert = 'use = "convert"\n'
    good = RECIPE.replace(
        convert, convert + 'intent = "absolute"\nhard_proof = true\nimitate = "profiles/other.icc"\n'
    )
    files = {
        "recipes/alone.toml": RECIPE.replace(convert, convert + 'intent = "absolute"\n'),
        "recipes/unnamed.toml": RECIPE.replace(convert, convert + "hard_proof = true\n"),
        "recipes/good.toml": good,
    }
    studio = make_studio(tmp_path / "studio", files)
    (studio / "profiles" / "other.icc").write_bytes(paper())
    done = drydown(studio, "check")
    assert done.returncode == 3
    told = done.stdout + done.stderr
    assert "recipes/alone.toml: step 4 (convert)" in told and "recipes/unnamed.toml: step 4 (convert)" in told
    assert "recipes/good.toml: step 4" not in told
    for name in ("alone", "unnamed"):
        (studio / "recipes" / f"{name}.toml").unlink()
    assert sheet(run(studio, "good", picture(tmp_path / "p.png"))["p.png"]).bands == 3


def test_margins_that_the_printer_cannot_keep_are_found_before_the_first_sheet(tmp_path: Path) -> None:
    files = {
        "stocks/wide.toml": STOCK.replace("bottom = 3", "bottom = 14"),
        "recipes/picture.toml": RECIPE.replace('"pearl"', '"wide"'),
        "recipes/slug.toml": RECIPE.replace("margin_mm = 8", "margin_mm = 4"),
    }
    done = drydown(make_studio(tmp_path / "studio", files), "check")
    assert done.returncode == 3
    assert (
        "recipes/picture.toml: on 4x6: the picture's bottom margin of 8 mm lies in the 14 mm" in done.stdout
    )
    assert "recipes/slug.toml: on 4x6: the slug needs" in done.stdout


def test_a_studio_may_be_moved_while_a_job_waits(studio: Path, tmp_path: Path) -> None:
    with daemon(studio):
        picture(tmp_path / "look.jpg").rename(studio / "hot" / "look" / "look.jpg")
        (row,) = follow(studio, 1, deadline_s=60, show=lambda row: None)
        assert row.state == "pending-held"
    moved = studio.rename(tmp_path / "moved")
    with daemon(moved):
        assert drydown(moved, "approve", row.id).returncode == 0
        (row,) = follow(moved, 1, deadline_s=60, show=lambda row: None)
    assert row.state == "completed" and not studio.exists()
    assert len(list((moved / "prints" / "look").glob("*.tif"))) == 1
    assert len(list((moved / "originals" / "done").glob("look*.jpg"))) == 1


def test_a_pictures_own_faulty_settings_hold_that_picture_until_they_are_mended(
    studio: Path, tmp_path: Path
) -> None:
    hot = studio / "hot" / "final"
    (hot / "own.toml").write_text("[crop]\nfocus_x = 1.3\n[tone-lft]\nlift_L = 2\n")
    picture(tmp_path / "own.jpg").rename(hot / "own.jpg")
    with daemon(studio):
        (row,) = follow(studio, 1, deadline_s=60, show=lambda row: None)
        assert row.state == "pending-held"
        assert "focus_x" in row.reason and "did you mean tone-lift?" in row.reason
        taken = hot / ".taken" / row.id / "own.toml"
        taken.write_text("copies = 4\n")
        assert drydown(studio, "retry", row.id).returncode == 0
        (row,) = follow(studio, 1, deadline_s=60, show=lambda row: None)
    assert row.state == "completed"
    (ticket,) = (studio / "prints" / "final").glob("own*.ticket.json")
    assert json.loads(ticket.read_text())["copies"] == 4


def test_links_pipes_and_settings_that_could_be_two_pictures_stay_where_they_are(
    studio: Path, tmp_path: Path
) -> None:
    hot = studio / "hot" / "final"
    real = picture(tmp_path / "real.jpg")
    (hot / "link.jpg").symlink_to(real)
    os.mkfifo(hot / "pipe.jpg")
    os.link(real, hot / "hard.jpg")
    (hot / "pair.toml").write_text("copies = 2\n")
    picture(tmp_path / "a.jpg", seed=3).rename(hot / "pair.jpg")
    picture(tmp_path / "a.png", seed=4).rename(hot / "pair.png")
    (hot / "sub").mkdir()
    picture(tmp_path / "good.jpg", seed=2).rename(hot / "sub" / "good.jpg")
    with daemon(studio):
        (row,) = follow(studio, 1, deadline_s=60, show=lambda row: None)
    assert (row.state, row.source_name) == ("completed", "good.jpg")
    left = {path.name for path in hot.iterdir() if not path.name.startswith(".")} - {"sub"}
    assert left == {"link.jpg", "pipe.jpg", "hard.jpg", "pair.toml", "pair.jpg", "pair.png"}
    assert real.exists()


def test_the_placement_sheet_has_rules_of_exactly_100_mm(studio: Path) -> None:
    assert drydown(studio, "check", "--sheet", "letter").returncode == 0
    (path,) = (studio / "prints" / "placement").glob("*.tif")
    image = pyvips.Image.new_from_file(str(path))
    dark = image.numpy().min(axis=2) < 40000
    # an unbroken line of 100 mm: its middles 100 mm apart, so one line's width longer, to a pixel
    wanted_px = 100 / MM_PER_INCH * 100
    runs = [len(run) for row in dark for run in "".join("x" if ink else " " for ink in row).split()]
    runs += [len(run) for row in dark.T for run in "".join("x" if ink else " " for ink in row).split()]
    assert any(abs(length - wanted_px) <= 3 for length in runs), sorted(runs)[-6:]


def test_a_tiff_of_the_other_byte_order_is_the_same_picture(studio: Path, tmp_path: Path) -> None:
    # TIFF 6.0: "MM" and big-endian numbers; a picture of one strip, 16 bits, written here by hand
    height, width = 40, 60
    pixels = np.zeros((height, width, 3), ">u2")
    pixels[..., 0], pixels[..., 1], pixels[..., 2] = 50000, 30000, 10000
    entries = [
        (256, 4, 1, width),
        (257, 4, 1, height),
        (258, 3, 3, 134),
        (259, 3, 1, 1 << 16),
        (262, 3, 1, 2 << 16),
        (273, 4, 1, 140),
        (277, 3, 1, 3 << 16),
        (278, 4, 1, height),
        (279, 4, 1, pixels.nbytes),
    ]
    head = struct.pack(">2sHIH", b"MM", 42, 8, len(entries))
    body = b"".join(struct.pack(">HHII", *entry) for entry in entries) + struct.pack(">I", 0)
    data = (head + body).ljust(134, b"\0") + struct.pack(">3H", 16, 16, 16) + pixels.tobytes()
    (tmp_path / "big.tif").write_bytes(data)
    little = tmp_path / "little.tif"
    pyvips.Image.new_from_array(pixels.astype("<u2")).copy(interpretation="rgb16").tiffsave(str(little))
    jobs = run(studio, "small", tmp_path / "big.tif", little, anyway=True)
    middles = [sheet(jobs[name]).numpy()[150:160, 200:210] for name in ("big.tif", "little.tif")]
    assert np.array_equal(*middles) and middles[0].std(axis=(0, 1)).max() < 2


def test_settings_that_no_picture_follows_are_told_of_once(lonely: Path) -> None:
    log = lonely / "state" / "daemon.log"
    end = time.monotonic() + 60
    while b"lonely.toml waits" not in log.read_bytes() and time.monotonic() < end:
        time.sleep(0.2)
    time.sleep(1.5)
    assert log.read_bytes().count(b"lonely.toml waits: settings without a picture") == 1
