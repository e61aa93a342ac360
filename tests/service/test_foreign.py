"""Two studios that are told to watch one hot folder: one has it, and the other says so wherever somebody looks."""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.e2e.studio import PAGELESS, drydown, make_studio, picture
from tests.e2e.warm import daemon

from drydown.demo.drive import follow
from drydown.errors import Fault
from drydown.intake import filesystem
from drydown.intake.folder import MARKER, TAKEN, HotFolder
from drydown.intake.owner import FILE
from drydown.service import foreign as module
from drydown.service.foreign import foreign, open_to_others
from drydown.service.house import open_house

DEADLINE_S = 60.0  #: only reached when a test fails


def two_studios(tmp_path: Path) -> tuple[Path, Path, Path]:
    """The first, with its hot folder; and the second, which shares it."""
    first = make_studio(tmp_path / "first")
    hot = first / "hot" / "final"
    text = PAGELESS.replace('"hot/final"', f'"{hot}"')
    return first, make_studio(tmp_path / "second", {"studio.toml": text}), hot


def until(found: Callable[[], bool]) -> None:
    end = time.monotonic() + DEADLINE_S
    while not found():
        assert time.monotonic() < end
        time.sleep(0.1)


def test_the_second_studio_takes_nothing_says_so_and_goes_on_once_the_folder_is_free(tmp_path: Path) -> None:
    first, second, hot = two_studios(tmp_path)
    picture(tmp_path / "a.jpg", width=300, height=200)
    picture(tmp_path / "b.jpg", width=300, height=200, seed=2)
    with daemon(first):
        until((hot / TAKEN / FILE).exists)
        file = (hot / TAKEN / FILE).read_bytes()
        with daemon(second):
            (tmp_path / "a.jpg").rename(hot / "a.jpg")
            (row,) = follow(first, 1, deadline_s=DEADLINE_S, show=lambda row: None)
            assert row.state == "completed" and not list((second / "prints").rglob("*.tif"))
            live = drydown(second, "check", "--live")
            assert live.returncode == 74 and f"belongs to the studio {first} on host " in live.stdout
            checked = drydown(second, "check", "--json")
            (fault,) = json.loads(checked.stdout)["faults"]
            assert checked.returncode == 3 and f"belongs to the studio {first} on host " in fault
            assert (
                fault.startswith("studio.toml: hot folder final: ")
                and f"remove {hot / TAKEN / FILE}" in fault
            )
            assert (hot / TAKEN / FILE).read_bytes() == file
    with daemon(first):  # its own file, after an end: without a word
        assert drydown(first, "check").returncode == 0
    assert (hot / TAKEN / FILE).read_bytes() == file
    with daemon(second):
        (tmp_path / "b.jpg").rename(hot / "b.jpg")
        (hot / TAKEN / FILE).unlink()
        (row,) = follow(second, 1, deadline_s=DEADLINE_S, show=lambda row: None)
        assert row.state == "completed" and row.source_name == "b.jpg"


def test_a_finished_job_is_not_taken_up_again_in_another_studio_s_folder(tmp_path: Path) -> None:
    first, second, hot = two_studios(tmp_path)
    picture(tmp_path / "a.jpg", width=300, height=200)
    with daemon(second):
        (tmp_path / "a.jpg").rename(hot / "a.jpg")
        (row,) = follow(second, 1, deadline_s=DEADLINE_S, show=lambda row: None)
    (hot / TAKEN / FILE).unlink()
    with daemon(first):
        until((hot / TAKEN / FILE).exists)
    again = drydown(second, "retry", row.id, "--anyway")
    assert again.returncode == 5 and f"belongs to the studio {first}" in again.stderr
    assert [path.name for path in (hot / TAKEN).iterdir()] == [FILE]


def test_a_share_that_does_not_answer_keeps_no_check_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    house, comes_back = open_house(make_studio(tmp_path / "studio")), threading.Event()

    def hangs(folder: HotFolder, **_: object) -> str:
        if folder.name == "final":
            comes_back.wait()
        return ""

    monkeypatch.setattr(module, "refused", hangs)
    (fault,) = foreign(house, answer_s=0.2)
    comes_back.set()
    assert fault.place == "hot folder final" and "does not answer" in fault.reason


def faults(studio: Path) -> list[Fault]:
    return foreign(open_house(studio))


def test_a_hot_folder_that_is_no_longer_what_was_set_up_is_told_with_the_line_that_mends_it(
    tmp_path: Path,
) -> None:
    studio = make_studio(tmp_path / "studio")
    hot = studio / "hot" / "final"
    marker = hot / MARKER
    marker.unlink(missing_ok=True)
    assert faults(studio) == [], "no ledger knows it yet: the first start sets it up"
    with daemon(studio):
        until((hot / TAKEN / FILE).exists)
    ledger, text = (studio / "state" / "ledger.db").read_bytes(), marker.read_text()
    assert faults(studio) == []
    line = next(line for line in text.splitlines() if line.startswith("identity"))
    marker.unlink()
    checked = drydown(studio, "check")
    assert checked.returncode == 3 and "No faults" not in checked.stdout
    assert f"hot folder final: {hot} is offline: its marker file {MARKER} is missing" in checked.stdout
    assert f"put the line {line} in the file {marker}" in checked.stdout
    marker.write_text('identity = "another"\n')
    (fault,) = faults(studio)
    assert "its marker says another" in fault.reason and fault.reason.endswith(f"{line} in the file {marker}")
    marker.write_text(f"{line}\n")
    assert faults(studio) == []
    hot.rename(tmp_path / "away")
    (fault,) = faults(studio)
    assert "there is no such folder" in fault.reason
    assert (studio / "state" / "ledger.db").read_bytes() == ledger


def test_the_sticky_bit_is_advised_where_others_may_rename_what_is_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    studio = make_studio(tmp_path / "studio")
    hot, house = studio / "hot" / "final", open_house(studio)
    hot.chmod(0o777)
    (advice,) = open_to_others(house)
    assert advice.where == "studio.toml: hot folder final" and advice.text.endswith(f"; chmod +t {hot}")
    checked = drydown(studio, "check")
    assert checked.returncode == 0 and str(advice) in checked.stdout
    for mode in (0o1777, 0o755):
        hot.chmod(mode)
        assert open_to_others(house) == []
    hot.chmod(0o775)
    assert open_to_others(house) == [], "a group of our own"
    own = os.getegid()
    monkeypatch.setattr(os, "getegid", lambda: own + 1)
    assert "mode 0775" in open_to_others(house)[0].text
    user = os.geteuid()
    monkeypatch.setattr(os, "geteuid", lambda: user + 1)
    assert open_to_others(house)[0].text.endswith(f"; chown {user + 1} {hot} && chmod +t {hot}")
    monkeypatch.setattr(filesystem, "fs_type", lambda *_: "vfat")
    assert open_to_others(house) == []
