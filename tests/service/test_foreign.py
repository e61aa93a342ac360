"""Two studios that are told to watch one hot folder: one has it, and the other says so wherever somebody looks."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.e2e.studio import PAGELESS, drydown, make_studio, picture
from tests.e2e.warm import daemon

from drydown.demo.drive import follow
from drydown.intake.folder import TAKEN, HotFolder
from drydown.intake.owner import FILE
from drydown.service import foreign as module
from drydown.service.foreign import foreign
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

    def hangs(folder: HotFolder) -> str:
        if folder.name == "final":
            comes_back.wait()
        return ""

    monkeypatch.setattr(module, "refused", hangs)
    (fault,) = foreign(house, answer_s=0.2)
    comes_back.set()
    assert fault.place == "hot folder final" and "does not answer" in fault.reason
