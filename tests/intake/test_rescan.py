from __future__ import annotations

import contextlib
import errno
import math
import os
import shutil
import stat
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import strategies as st
from intake_bench import JOB, OTHER_JOB, Bench

from drydown.intake.arrivals import Arrivals
from drydown.intake.claim import claim
from drydown.intake.folder import MARKER, TAKEN, HotFolder, set_up
from drydown.intake.found import IntakeTimes, Ready
from drydown.intake.gate import Gate
from drydown.intake.names import job_id


def test_a_dropped_file_is_ready_after_its_quiet_time_though_nobody_told_of_it(bench: Bench) -> None:
    bench.drop("a.jpg")
    assert bench.scan().ready == ()
    assert bench.after(1.9).ready == ()
    (ready,) = bench.after(0.2).ready
    assert (ready.relative, ready.settings, ready.folder) == ("a.jpg", None, bench.folders[0])


def test_thousands_that_no_event_told_of_are_all_found(bench: Bench) -> None:
    names = {f"IMG_{n:04}.jpg" for n in range(3000)}
    for name in names:
        bench.drop(name)
    assert {ready.name for ready in bench.settled()} == names


def test_files_that_lay_there_before_the_start_pass_the_same_gate(bench: Bench) -> None:
    with bench.drop("half.jpg").open("ab") as writer:
        writer.write(b"more")
        writer.flush()
        assert bench.settled() == []
    assert [ready.name for ready in bench.after(2.1).ready] == ["half.jpg"]


def test_a_growing_file_waits_and_says_since_when(bench: Bench) -> None:
    path = bench.drop("a.jpg")
    bench.scan()
    for _ in range(20):
        path.write_bytes(path.read_bytes() + b"more")
        assert bench.after(5.0).ready == ()
    (waiting,) = bench.scanner.waiting(bench.now)
    assert (waiting.since, waiting.kind) == (1000.0, "settling")
    assert bench.after(2.1).ready != ()


def test_a_writer_that_pauses_longer_than_the_quiet_time_is_waited_for_without_end(bench: Bench) -> None:
    path = bench.path / "a.jpg"
    with path.open("wb") as writer:
        writer.write(b"half a picture")
        writer.flush()
        bench.scan()
        for _ in range(100):
            assert bench.after(60.0).ready == ()
        assert bench.why("a.jpg") == "another program is still writing it"
    assert [ready.name for ready in bench.after(2.1).ready] == ["a.jpg"]


def test_a_told_file_that_nobody_writes_is_ready_after_a_third_of_a_second(bench: Bench) -> None:
    path = bench.drop("a.jpg")
    found = bench.scan(told=(path,))
    assert found.ready == () and found.look_again_s == pytest.approx(0.3)
    assert [ready.name for ready in bench.after(0.3).ready] == ["a.jpg"]


def test_a_hint_shortens_nothing_where_the_kernel_cannot_vouch(hot: HotFolder) -> None:
    bench = Bench([hot], kind="network")
    path = bench.drop("a.jpg")
    bench.scan(told=(path,))
    assert bench.after(9.9, told=(path,)).ready == ()
    assert [ready.name for ready in bench.after(0.2).ready] == ["a.jpg"]


def test_a_hint_shortens_nothing_while_the_lease_cannot_be_asked(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drydown.intake.complete.writer_of", lambda _fd: "unknown")
    path = bench.drop("a.jpg")
    bench.scan(told=(path,))
    assert bench.after(0.4, told=(path,)).ready == ()
    assert bench.after(1.7).ready != ()


def test_a_hint_wakes_a_busy_file_as_soon_as_it_is_closed(bench: Bench) -> None:
    path = bench.path / "a.jpg"
    with path.open("wb") as writer:
        writer.write(b"a picture")
        writer.flush()
        bench.scan(told=(path,))
        assert bench.after(1.0).ready == ()
    assert [ready.name for ready in bench.after(0.05, told=(path,)).ready] == ["a.jpg"]


@pytest.mark.parametrize(
    "told", ["gone.jpg", ".hidden", "x.part", "../elsewhere.jpg", "no/such/folder.jpg", "link/passwd"]
)
def test_a_wrong_hint_does_nothing(bench: Bench, told: str) -> None:
    (bench.path / "link").symlink_to("/etc")
    bench.scan()
    assert bench.after(0.1, told=(bench.path / told,)).ready == ()
    assert {waiting.relative for waiting in bench.scanner.waiting(bench.now)} == {"link"}


def test_any_number_of_hints_and_scans_make_one_claim(bench: Bench) -> None:
    path = bench.drop("a.jpg")
    ready = [
        *bench.scan(told=(path,) * 5).ready,
        *bench.after(0.4, told=(path,) * 5).ready,
        *bench.after(2.5).ready,
    ]
    claims = [claim(each, job_id(n), 0.0) for n, each in enumerate(ready, start=1)]
    assert len(ready) == 2 and sum(each is not None for each in claims) == 1
    assert bench.after(5.0).ready == ()


def test_a_file_that_was_moved_in_whole_is_found_like_any_other(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "saved.tmp").write_bytes(b"a picture")
    bench.scan()
    (tmp_path / "saved.tmp").rename(bench.path / "a.jpg")
    assert [ready.name for ready in bench.settled()] == ["a.jpg"]


def test_what_other_programs_leave_is_not_taken_but_counted(bench: Bench) -> None:
    for name in ("x.part", "y.part", ".DS_Store", "Thumbs.db"):
        bench.drop(name)
    bench.drop("@eaDir/a.jpg")
    assert bench.settled() == []
    counts = bench.scan(everything=True).ignored
    assert (
        counts["unfinished download or copy"] == 2
        and counts["hidden file"] == 1
        and sum(counts.values()) == 5
    )


def test_of_what_is_left_alone_the_count_and_the_first_names_are_told_with_their_reasons(
    bench: Bench,
) -> None:
    for name in ("photo.bak", ".x.jpg", "x.temp", "sub/y.part", "a.jpg"):
        bench.drop(name)
    bench.scan()
    (state,) = bench.scanner.states(bench.now, 1)
    assert state.ignored == 4
    assert [(one.relative, one.why) for one in state.ignored_first] == [
        (".x.jpg", "hidden file"),
        ("photo.bak", "backup copy"),
        ("sub/y.part", "unfinished download or copy"),
    ]
    (bench.path / MARKER).unlink()
    bench.scan(everything=True)
    (state,) = bench.scanner.states(bench.now, 1)
    assert (state.ignored, state.ignored_first) == (0, ())


def test_an_empty_file_waits_until_it_has_content(bench: Bench) -> None:
    path = bench.drop("a.jpg", b"")
    assert bench.settled() == [] and bench.why("a.jpg") == "it is empty"
    bench.after(3600.0)
    path.write_bytes(b"a picture")
    assert [ready.name for ready in bench.settled()] == ["a.jpg"]


def test_a_cut_picture_is_given_time_and_then_left_to_its_reader(bench: Bench) -> None:
    bench.drop("a.jpg", b"\xff\xd8\xff\xe0 the first half")
    assert bench.settled() == []
    assert "end mark" in bench.why("a.jpg")
    assert bench.after(10.0).ready == ()
    assert [ready.name for ready in bench.after(10.0).ready] == ["a.jpg"]


def test_links_pipes_and_hard_links_stay_and_a_person_is_told(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"x")
    (bench.path / "link.jpg").symlink_to(tmp_path / "secret")
    os.link(tmp_path / "secret", bench.path / "hard.jpg")
    os.mkfifo(bench.path / "pipe.jpg")
    assert bench.settled() == []
    kinds = {waiting.relative: waiting.kind for waiting in bench.scanner.waiting(bench.now)}
    assert kinds == {"link.jpg": "unfit", "hard.jpg": "unfit", "pipe.jpg": "unfit"}
    (tmp_path / "secret").unlink()
    assert [ready.name for ready in bench.settled()] == ["hard.jpg"]


def test_pictures_in_sub_folders_are_taken_down_to_a_depth_and_never_through_a_link(
    bench: Bench, tmp_path: Path
) -> None:
    deep = bench.path
    for level in range(6):
        (deep / f"level{level}.jpg").write_bytes(b"x")
        deep = deep / "sub"
        deep.mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "foreign.jpg").write_bytes(b"x")
    (bench.path / "door").symlink_to(tmp_path / "elsewhere")
    (bench.path / "sub/sub/sub/sub/sub2").mkdir()
    first = bench.scan().problems
    assert [ready.relative for ready in bench.settled()] == [f"{'sub/' * n}level{n}.jpg" for n in range(5)]
    again = bench.scan(everything=True).problems
    assert [(problem.what, problem.new) for problem in first] == [
        (
            "sub-folder sub/sub/sub/sub/sub lies too deep: pictures are taken from at most 4 sub-folders within each other; "
            "move it further up",
            True,
        )
    ]
    assert [(problem.what, problem.new) for problem in again] == [(first[0].what, False)]


def test_a_new_sub_folder_that_is_told_of_is_looked_into_at_once(bench: Bench) -> None:
    bench.scan()
    bench.drop("wedding/a.jpg")
    found = bench.after(0.1, told=(bench.path / "wedding",))
    assert found.waiting == 1


def test_a_sub_folder_on_another_disk_is_refused_in_words(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.drop("mounted/a.jpg")
    inode, real = (bench.path / "mounted").stat().st_ino, os.fstat

    def on_another_disk(fd: int) -> os.stat_result:
        found = real(fd)
        if found.st_ino != inode:
            return found
        return os.stat_result((*found[:2], found.st_dev + 1, *found[3:10]))

    monkeypatch.setattr("drydown.intake.walk.os.fstat", on_another_disk)
    assert bench.settled() == []
    (problem,) = bench.scan(everything=True).problems
    assert "mounted lies on another disk" in problem.what and not problem.new


def test_the_oldest_arrival_comes_first(bench: Bench) -> None:
    for name in ("c.jpg", "a.jpg"):
        bench.drop(name)
    bench.scan(everything=True)
    bench.after(0.5)
    bench.drop("0.jpg")
    bench.scan(everything=True)
    assert [ready.name for ready in bench.after(2.5).ready] == ["c.jpg", "a.jpg", "0.jpg"]


def test_only_as_many_as_there_is_room_for_are_asked_and_full_folders_take_turns(tmp_path: Path) -> None:
    folders = [HotFolder(name, tmp_path / name, set_up(tmp_path / name, name)) for name in ("big", "small")]
    bench = Bench(folders)
    for n in range(50):
        (folders[0].path / f"{n:02}.jpg").write_bytes(b"x")
    (folders[1].path / "late.jpg").write_bytes(b"x")
    for _ in range(2):  # another folder comes first at each scan: now it is the big one again
        bench.scan(want=0)
    found = bench.after(2.1, want=4)
    assert [ready.folder.name for ready in found.ready] == ["big", "small", "big", "big"]
    assert found.look_again_s > 0
    assert len(bench.after(0.1, want=100).ready) == 47


def test_with_no_room_left_the_scanner_asks_for_no_hurry(bench: Bench) -> None:
    bench.drop("a.jpg")
    bench.scan()
    bench.now += 2.1
    assert bench.scan(want=0).look_again_s > 1.0


def test_a_picture_that_could_not_be_claimed_is_tried_later_and_later(bench: Bench) -> None:
    bench.drop("a.jpg")
    (ready,) = bench.settled()
    waits = []
    for _ in range(10):
        bench.scanner.put_off(ready, "it cannot be moved: Operation not permitted", bench.now)
        assert "cannot be moved" in bench.why("a.jpg")
        tried_at = bench.now
        while not bench.scan().ready:
            bench.now += 0.5
        waits.append(bench.now - tried_at)
    assert waits == pytest.approx([5, 10, 20, 40, 80, 160, 320, 640, 900, 900], abs=0.6)


# --- settings beside a picture ---


def test_a_picture_takes_its_settings_along_and_settings_alone_are_never_taken(bench: Bench) -> None:
    for name in ("a.jpg", "a.toml", "b.tif", "b.tif.toml", "lost.toml", "c.jpg"):
        bench.drop(name)
    ready = {each.name: each.settings for each in bench.settled()}
    assert ready == {"a.jpg": "a.toml", "b.tif": "b.tif.toml", "c.jpg": None}
    (waiting,) = [w for w in bench.scanner.waiting(bench.now) if w.relative == "lost.toml"]
    assert waiting.kind == "settings"


def test_a_picture_waits_for_settings_that_are_still_arriving(bench: Bench) -> None:
    bench.drop("a.jpg")
    bench.scan()
    bench.now += 1.5
    bench.drop("a.toml", b"lift_L = 2")
    assert bench.after(0.6).ready == ()
    assert bench.why("a.jpg").startswith("its settings a.toml")
    (ready,) = bench.after(2.1).ready
    assert ready.settings == "a.toml"


def test_empty_settings_hold_their_picture_back(bench: Bench) -> None:
    bench.drop("a.jpg")
    path = bench.drop("a.toml", b"")
    assert bench.settled() == []
    assert bench.why("a.jpg") == "its settings a.toml: it is empty"
    path.write_bytes(b"x = 1")
    assert [ready.settings for ready in bench.settled()] == ["a.toml"]


def test_settings_that_fit_two_pictures_hold_both_back(bench: Bench) -> None:
    for name in ("a.jpg", "a.tif", "a.toml"):
        bench.drop(name)
    assert bench.settled() == []
    assert "a.jpg.toml" in bench.why("a.jpg")
    (bench.path / "a.toml").rename(bench.path / "a.jpg.toml")
    assert {each.name: each.settings for each in bench.settled()} == {"a.jpg": "a.jpg.toml", "a.tif": None}


# --- folders that go away ---


def test_an_unmounted_share_is_offline_and_nothing_is_concluded(bench: Bench, tmp_path: Path) -> None:
    bench.drop("a.jpg")
    bench.scan()
    for _ in range(20):
        bench.path.rename(tmp_path / "the share")
        bench.path.mkdir()
        (bench.path / "stray.jpg").write_bytes(b"dropped onto the empty mount point")
        found = bench.after(2.1)
        assert found.ready == () and found.waiting == 0
        assert ["offline" in problem.what for problem in found.problems] == [True]
        assert found.problems[0].new and not bench.scan().problems[0].new
        shutil.rmtree(bench.path)
        (tmp_path / "the share").rename(bench.path)
        found = bench.after(70.0)
        assert found.ready == () and found.problems == () and found.returned == ("final",)
        assert bench.scan().returned == ()
    assert [ready.name for ready in bench.after(2.1).ready] == ["a.jpg"]


def test_another_share_at_the_same_place_is_not_taken_for_ours(bench: Bench, tmp_path: Path) -> None:
    bench.scan()
    bench.path.rename(tmp_path / "ours")
    set_up(bench.path, "somebody-else")
    bench.drop("a.jpg")
    found = bench.after(2.1)
    assert (
        found.ready == ()
        and "somebody-else" in found.problems[0].what
        and "folder-1" in found.problems[0].what
    )


def test_a_folder_that_was_replaced_starts_anew_and_its_watch_is_known_to_be_deaf(
    bench: Bench, tmp_path: Path
) -> None:
    bench.drop("a.jpg")
    bench.scan()
    bench.path.rename(tmp_path / "old")
    shutil.copytree(tmp_path / "old", bench.path)
    found = bench.after(2.1)
    assert found.ready == () and found.returned == ("final",)


@pytest.mark.parametrize("content", [b"", b"identity = 7", b"\xff\xfe\0"])
def test_a_damaged_marker_is_not_taken_for_ours(bench: Bench, content: bytes) -> None:
    (bench.path / MARKER).write_bytes(content)
    assert "damaged" in bench.scan().problems[0].what


def test_a_missing_folder_is_not_made_and_comes_back_by_itself(bench: Bench, tmp_path: Path) -> None:
    bench.path.rename(tmp_path / "away")
    assert "no such folder" in bench.scan().problems[0].what
    assert not bench.path.exists()
    (tmp_path / "away").rename(bench.path)
    assert bench.after(2.1).problems == ()


@pytest.mark.parametrize("code", [errno.EBUSY, errno.ESTALE, errno.EIO, errno.EHOSTDOWN, errno.ENOENT])
def test_a_sick_folder_is_said_once_tried_later_and_later_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    folders = [HotFolder(name, tmp_path / name, set_up(tmp_path / name, name)) for name in ("sick", "well")]
    bench = Bench(folders)
    for folder in folders:
        (folder.path / "a.jpg").write_bytes(b"x")
    bench.scan()
    inode, tries, real = folders[0].path.stat().st_ino, [0], os.scandir

    def scandir(fd: int) -> Any:
        if os.fstat(fd).st_ino == inode:
            tries[0] += 1
            raise OSError(code, os.strerror(code))
        return real(fd)

    with monkeypatch.context() as patch:
        patch.setattr(os, "scandir", scandir)
        found = bench.after(2.1)
        assert [ready.folder.name for ready in found.ready] == ["well"]
        reported = sum(problem.new for problem in found.problems)
        for _ in range(300):
            reported += sum(problem.new for problem in bench.after(0.1).problems)
        assert reported == 1 and tries[0] <= 6
    bench.after(60.0)
    assert [ready.folder.name for ready in bench.after(2.1).ready if ready.folder.name == "sick"] == ["sick"]


def test_hints_about_a_sick_folder_wait_for_its_next_try(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def scandir(_fd: int) -> Any:
        raise OSError(errno.EBUSY, "Device or resource busy")

    path = bench.drop("a.jpg")
    with monkeypatch.context() as patch:
        patch.setattr(os, "scandir", scandir)
        bench.scan()
    assert bench.after(1.0, told=(path,)).waiting == 0
    assert bench.after(1.1, told=(path,)).waiting == 1


def test_a_sub_folder_that_cannot_be_read_is_said_and_the_rest_goes_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.drop("locked/a.jpg")
    bench.drop("b.jpg")
    inode, real = (bench.path / "locked").stat().st_ino, os.scandir

    def scandir(fd: int) -> Any:
        if os.fstat(fd).st_ino == inode:
            raise PermissionError(errno.EACCES, "Permission denied")
        return real(fd)

    monkeypatch.setattr(os, "scandir", scandir)
    assert [ready.name for ready in bench.settled()] == ["b.jpg"]
    assert (
        bench.scan(everything=True).problems[0].what == "sub-folder locked cannot be read: Permission denied"
    )


def _cannot_be_asked(names: set[str], code: int) -> Any:
    real = os.stat

    def ask(name: Any, *args: Any, **options: Any) -> os.stat_result:
        if name in names:
            raise OSError(code, os.strerror(code))
        return real(name, *args, **options)

    return ask


def test_a_file_that_cannot_be_looked_at_is_said_once_and_the_rest_of_its_folder_goes_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a.jpg", "sick.jpg", "z.jpg", "sub/b.jpg"):
        bench.drop(name)
    with monkeypatch.context() as patch:
        patch.setattr(os, "stat", _cannot_be_asked({"sick.jpg"}, errno.EIO))
        found = bench.scan()
        assert [(problem.what, problem.new) for problem in found.problems] == [
            ("sick.jpg cannot be looked at: Input/output error; tried again by itself", True)
        ]
        found = bench.after(2.1)
        assert [ready.relative for ready in found.ready] == ["a.jpg", "z.jpg", "sub/b.jpg"]
        assert [problem.new for problem in found.problems] == [False]
    assert bench.after(2.1).problems == ()
    assert "sick.jpg" in [ready.name for ready in bench.after(2.1).ready]


def test_of_a_sub_folder_in_which_nothing_can_be_looked_at_one_file_is_named(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readable and not searchable: its names can be listed, and that is all."""
    for name in ("locked/2.jpg", "locked/1.jpg", "locked/3.jpg", "b.jpg"):
        bench.drop(name)
    monkeypatch.setattr(os, "stat", _cannot_be_asked({"1.jpg", "2.jpg", "3.jpg"}, errno.EACCES))
    assert [ready.relative for ready in bench.settled()] == ["b.jpg"]
    assert [problem.what for problem in bench.scan(everything=True).problems] == [
        "locked/1.jpg cannot be looked at, nor can others beside it: Permission denied; tried again by itself"
    ]


def test_where_the_kind_of_an_entry_has_to_be_asked_for_one_without_an_answer_hides_no_other(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_answer(**_: object) -> bool:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    bench.drop("a.jpg")
    real = os.scandir

    @contextlib.contextmanager
    def scandir(fd: int) -> Iterator[list[Any]]:
        with real(fd) as entries:
            sick = SimpleNamespace(name="sick.jpg", is_dir=no_answer)
            yield [sick, *entries]

    monkeypatch.setattr(os, "scandir", scandir)
    monkeypatch.setattr(os, "stat", _cannot_be_asked({"sick.jpg"}, errno.EIO))
    assert [ready.name for ready in bench.settled()] == ["a.jpg"]
    (problem,) = bench.scan(everything=True).problems
    assert problem.what.startswith("sick.jpg cannot be looked at")


def test_a_picture_taken_away_by_its_owner_is_forgotten_in_silence(bench: Bench) -> None:
    path = bench.drop("a.jpg")
    bench.scan()
    path.unlink()
    found = bench.after(2.1)
    assert found.ready == () and found.waiting == 0 and found.problems == ()


@pytest.mark.parametrize(
    "name", [b"\xff\xfe.jpg", b"a\nb.jpg", b"\x1b[31m.jpg", "‮gpj.jpg".encode(), b"x" * 251 + b".jpg"]
)
def test_any_name_that_a_file_can_have_is_found_and_claimed(bench: Bench, name: bytes) -> None:
    Path(os.fsdecode(os.fsencode(bench.path) + b"/" + name)).write_bytes(b"x")
    (ready,) = bench.settled()
    claimed = claim(ready, JOB, 0.0)
    assert (
        claimed is not None and os.fsencode(claimed.path.name) == name and claimed.path.read_bytes() == b"x"
    )


def test_many_different_pictures_of_one_name_are_all_taken(bench: Bench) -> None:
    contents = set()
    for n in range(20):
        bench.drop("IMG_0001.jpg", b"picture %d" % n)
        (ready,) = bench.settled()
        claimed = claim(ready, job_id(n), 0.0)
        assert claimed is not None
        contents.add(claimed.path.read_bytes())
    assert len(contents) == 20


def test_the_full_look_is_stretched_where_there_are_thousands(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.drop("a.jpg")
    assert bench.scan(want=0).look_again_s == pytest.approx(2.0, abs=0.01)
    monkeypatch.setattr("drydown.intake.folderscan._FILES_PER_STRETCH", 1)
    bench.scan(everything=True, want=0)
    bench.now += 2.0
    assert bench.scan(want=0).look_again_s == pytest.approx(2.0, abs=0.01)


def test_times_are_handed_in(hot: HotFolder) -> None:
    bench = Bench([hot], IntakeTimes(quiet_local_s=0.0))
    bench.drop("a.jpg")
    assert [ready.name for ready in bench.scan().ready] == ["a.jpg"]


def test_claimed_pictures_are_never_seen_again(bench: Bench) -> None:
    bench.drop("a.jpg")
    (ready,) = bench.settled()
    assert claim(ready, OTHER_JOB, 0.0)
    assert (bench.path / TAKEN / OTHER_JOB / "a.jpg").exists()
    assert bench.settled() == []


# --- thousands that wait ---


def test_what_waits_for_no_known_time_is_judged_with_the_full_looks_only(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten thousand files that came one by one would else be ten thousand times to look."""
    for name in ("a.jpg", "a.png", "a.toml"):
        bench.drop(name)
    judged: list[float] = []
    real = Gate.judge

    def judge(gate: Gate, relative: str) -> Ready | None:
        judged.append(bench.now)
        return real(gate, relative)

    monkeypatch.setattr(Gate, "judge", judge)
    for _ in range(200):  # 20 s, ten full looks
        bench.after(0.1)
    assert len(set(judged)) <= 10 and len(judged) == 2 * len(set(judged))


def test_a_picture_that_waits_for_nothing_but_room_says_so_and_the_scan_does_too(bench: Bench) -> None:
    bench.drop("a.jpg")
    bench.drop("b.jpg")
    bench.scan()
    found = bench.after(2.1, want=1)
    assert [ready.name for ready in found.ready] == ["a.jpg"] and found.more
    assert "its turn has not come" in bench.why("b.jpg")
    bench.scanner.taken(found.ready[0])
    assert [one.relative for one in bench.scanner.waiting(bench.now)] == ["b.jpg"]
    assert not bench.after(0.1, want=1).more


def test_a_picture_that_changes_while_it_waits_for_room_settles_anew(bench: Bench) -> None:
    path = bench.drop("a.jpg")
    bench.scan(want=0)
    assert bench.after(2.1, want=0).more
    path.write_bytes(b"another picture")
    assert bench.after(0.1, told=(path,), want=9).ready == ()
    bench.after(1.0, want=9)
    assert [ready.name for ready in bench.after(2.0, want=9).ready] == ["a.jpg"]


@given(data=st.data())
def test_whatever_comes_changes_waits_and_goes_each_picture_is_offered_when_it_is_its_time_and_not_before(
    data: st.DataObject,
) -> None:
    """The two heaps against the plain rule: due is what has its time behind it, oldest first."""
    arrivals, now = Arrivals(IntakeTimes(), "local"), 0.0
    sizes = dict.fromkeys("abcde", 10)
    for _ in range(data.draw(st.integers(1, 25))):
        now += data.draw(st.sampled_from([0.0, 0.5, 2.0, 7.0]))
        name = data.draw(st.sampled_from("abcde"))
        what = data.draw(st.sampled_from(["look", "change", "wait", "put off", "tell", "forget", "take"]))
        until = now + data.draw(st.sampled_from([1.0, 3.0, math.inf]))
        match what:
            case "look" | "change":
                sizes[name] += what == "change"
                with mock.patch("os.stat", return_value=_stat(ord(name), sizes[name])):
                    arrivals.look_at(0, name, name, now)
            case "wait" if name in arrivals._files:
                arrivals.wait(name, "busy", "busy", until)
            case "put off":
                arrivals.put_off(name, "put off", "cannot", now)
            case "tell" if name in arrivals._files:
                arrivals.tell(name, now)
            case "forget":
                arrivals.forget(name)
            case "take":
                due = next(arrivals.due(now), None)
                assert due == min(_due(arrivals, now), key=arrivals._order, default=None)
                if due is not None:
                    arrivals.look_again(due, now + 5.0)
        assert arrivals.has_due(now) == bool(_due(arrivals, now))
        ahead = [file.check_at for file in arrivals._files.values() if file.check_at > now]
        assert arrivals.next_due(now) == min(ahead, default=math.inf)


def _due(arrivals: Arrivals, now: float) -> list[str]:
    return [name for name, file in arrivals._files.items() if file.check_at <= now]


def _stat(ino: int, size: int) -> os.stat_result:
    return os.stat_result((stat.S_IFREG | 0o644, ino, 1, 1, 0, 0, size, 0, 0, 0))
