from __future__ import annotations

import errno
import json
import os
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from intake_bench import JOB, OTHER_JOB, Bench, crash_at

from drydown import durable
from drydown.intake import claim as claiming
from drydown.intake.adopt import adopt
from drydown.intake.claim import claim, give_back
from drydown.intake.folder import TAKEN, FolderOffline, set_up
from drydown.intake.found import Ready
from drydown.intake.names import job_id
from drydown.intake.record import NOTE, Claimed

FailAt = Callable[[str, OSError], None]


def ready_for(
    bench: Bench, name: str = "a.jpg", data: bytes = b"a picture", settings: bytes | None = None
) -> Ready:
    bench.drop(name, data)
    if settings is not None:
        bench.drop(name.rpartition(".")[0] + ".toml", settings)
    (ready,) = bench.settled()
    return ready


def private(bench: Bench, job: str = JOB) -> Path:
    return bench.path / TAKEN / job


def test_a_claim_moves_the_picture_into_the_jobs_own_folder_with_a_note(bench: Bench) -> None:
    ready = ready_for(bench, "wedding/Tür 1.jpg")
    claimed = claim(ready, JOB, 1_790_000_000.25)
    assert claimed is not None
    assert claimed.path == private(bench) / "Tür 1.jpg" and claimed.path.read_bytes() == b"a picture"
    assert (claimed.job, claimed.folder, claimed.within, claimed.settings) == (JOB, "final", "wedding", None)
    assert claimed.dropped == bench.path / "wedding" / "Tür 1.jpg" and not claimed.dropped.exists()
    assert claimed.look.same_content(ready.look) and claimed.trouble == "" and claimed.settled
    note = json.loads((private(bench) / NOTE).read_bytes())
    assert note["name"] == "Tür 1.jpg" and bytes.fromhex(note["name_hex"]).decode() == "Tür 1.jpg"
    assert note["within"] == "wedding" and note["folder"] == "final" and note["job"] == JOB
    assert note["size"] == 9 and note["ino"] == ready.look.ino
    assert note["taken_at"] == "2026-09-21T14:13:20.250+00:00"


def test_settings_are_claimed_together_with_their_picture(bench: Bench) -> None:
    claimed = claim(ready_for(bench, settings=b"lift_L = 2"), JOB, 0.0)
    assert claimed is not None and claimed.settings is not None
    assert claimed.settings.read_bytes() == b"lift_L = 2" and bench.names() == []


def test_of_many_that_claim_one_picture_exactly_one_gets_it(bench: Bench) -> None:
    ready = ready_for(bench, settings=b"x = 1")
    got: list[Claimed | None] = []
    start = threading.Barrier(8)

    def try_it(n: int) -> None:
        start.wait()
        got.append(claim(ready, job_id(n), 0.0))

    threads = [threading.Thread(target=try_it, args=(n,)) for n in range(1, 9)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    winners = [claimed for claimed in got if claimed is not None]
    assert len(got) == 8 and len(winners) == 1
    assert winners[0].settings is not None and winners[0].settings.read_bytes() == b"x = 1"
    assert [path.name for path in (bench.path / TAKEN).iterdir()] == [winners[0].job]


def test_a_picture_that_is_gone_is_somebody_elses_and_nothing_stays_behind(bench: Bench) -> None:
    ready = ready_for(bench, settings=b"x = 1")
    (bench.path / "a.jpg").unlink()
    assert claim(ready, JOB, 0.0) is None
    assert bench.names() == ["a.toml"] and not private(bench).exists()


@pytest.mark.parametrize("comes_again", [False, True])
def test_settings_whose_sub_folder_was_removed_with_the_picture_meanwhile_lie_where_a_person_finds_them(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, comes_again: bool
) -> None:
    ready, renames = ready_for(bench, "sub/a.jpg", settings=b"x = 1"), [0]

    def remove_after_the_settings(step: str) -> None:
        renames[0] += step == "rename.done"
        if renames[0] == 2 and (bench.path / "sub" / "a.jpg").exists():  # the first is the note's
            (bench.path / "sub" / "a.jpg").unlink()
            (bench.path / "sub").rmdir()
            if comes_again:
                (bench.path / "sub").mkdir()

    monkeypatch.setattr(durable, "on_step", remove_after_the_settings)
    assert claim(ready, JOB, 0.0) is None
    assert (bench.path / ("sub" if comes_again else "") / "a.toml").read_bytes() == b"x = 1"
    assert not private(bench).exists()


def test_a_sub_folder_that_is_gone_or_became_a_link_gives_nothing(bench: Bench, tmp_path: Path) -> None:
    ready = ready_for(bench, "sub/a.jpg")
    (bench.path / "sub").rename(tmp_path / "elsewhere")
    assert claim(ready, JOB, 0.0) is None
    (bench.path / "sub").symlink_to(tmp_path / "elsewhere")
    assert claim(ready, JOB, 0.0) is None
    assert (tmp_path / "elsewhere" / "a.jpg").exists() and not private(bench).exists()


def test_a_job_name_that_is_taken_is_refused_before_anything_moves(bench: Bench) -> None:
    ready = ready_for(bench)
    private(bench).mkdir()
    with pytest.raises(FileExistsError):
        claim(ready, JOB, 0.0)
    assert bench.names() == ["a.jpg"]


def test_a_file_swapped_after_it_was_judged_goes_back_unread(bench: Bench, tmp_path: Path) -> None:
    ready = ready_for(bench)
    (tmp_path / "secret").write_bytes(b"x")
    swaps: list[Callable[[Path], object]] = [
        lambda path: path.symlink_to(tmp_path / "secret"),
        lambda path: path.symlink_to(tmp_path / "nothing"),
        lambda path: os.link(tmp_path / "secret", path),
        lambda path: os.mkfifo(path),
        lambda path: path.write_bytes(b"another"),
    ]
    for swap in swaps:
        (bench.path / "a.jpg").unlink()
        swap(bench.path / "a.jpg")
        before = (bench.path / "a.jpg").lstat()
        assert claim(ready, JOB, 0.0) is None
        assert (bench.path / "a.jpg").lstat().st_ino == before.st_ino and not private(bench).exists()


def test_a_writer_that_goes_on_after_the_claim_gets_its_file_back_in_the_hot_folder(bench: Bench) -> None:
    ready = ready_for(bench, settings=b"x = 1")
    with (bench.path / "a.jpg").open("ab") as writer:
        assert claim(ready, JOB, 0.0) is None
        writer.write(b"more")
    assert bench.names() == ["a.jpg", "a.toml"] and not private(bench).exists()
    (again,) = bench.settled()
    claimed = claim(again, JOB, 0.0)
    assert claimed is not None and claimed.path.read_bytes() == b"a picturemore"


def test_settings_that_changed_after_they_were_judged_hold_the_picture_back(bench: Bench) -> None:
    ready = ready_for(bench, settings=b"x = 1")
    (bench.path / "a.toml").write_bytes(b"x = 22")
    assert claim(ready, JOB, 0.0) is None
    assert bench.names() == ["a.jpg", "a.toml"]


def test_where_its_name_was_taken_meanwhile_it_goes_back_under_another(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    ready = ready_for(bench)
    real = claiming._still_whole

    def meanwhile(*args: object) -> None:
        bench.drop("a.jpg", b"a second one")

    monkeypatch.setattr(claiming, "_still_whole", meanwhile)
    assert claim(ready, JOB, 0.0) is None
    monkeypatch.setattr(claiming, "_still_whole", real)
    assert bench.names() == [f"a-{JOB}.jpg", "a.jpg"]
    assert (bench.path / "a.jpg").read_bytes() == b"a second one"
    assert (bench.path / f"a-{JOB}.jpg").read_bytes() == b"a picture"


def test_a_name_of_255_bytes_can_go_back_under_another(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    name = "x" * 251 + ".jpg"
    ready = ready_for(bench, name)
    monkeypatch.setattr(claiming, "_still_whole", lambda *_args: bench.drop(name, b"a second one") and None)
    assert claim(ready, JOB, 0.0) is None
    assert sorted(path.read_bytes() for path in bench.path.glob("x*.jpg")) == [b"a picture", b"a second one"]
    assert {len(each.removesuffix(f"-{JOB}.jpg")) for each in bench.names()} == {
        255,
        255 - len(f"-{JOB}.jpg"),
    }


def test_a_name_that_is_all_suffix_can_go_back_under_another(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = "x." + "y" * 253
    ready = ready_for(bench, name)
    monkeypatch.setattr(claiming, "_still_whole", lambda *_args: bench.drop(name, b"a second one") and None)
    assert claim(ready, JOB, 0.0) is None
    assert sorted(path.read_bytes() for path in bench.path.glob("x*")) == [b"a picture", b"a second one"]


@pytest.mark.parametrize(
    ("suffix", "other"), [("." + 31 * "k", f"x-{JOB}.{31 * 'k'}"), ("." + 32 * "k", f"x.{32 * 'k'}-{JOB}")]
)
def test_what_is_longer_than_32_bytes_is_no_file_s_kind(
    suffix: str, other: str, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    ready = ready_for(bench, f"x{suffix}")
    monkeypatch.setattr(
        claiming, "_still_whole", lambda *_args: bench.drop(f"x{suffix}", b"a second one") and None
    )
    assert claim(ready, JOB, 0.0) is None
    assert (bench.path / other).read_bytes() == b"a picture"


def test_an_unmounted_share_is_noticed_before_anything_is_made_there(bench: Bench, tmp_path: Path) -> None:
    ready = ready_for(bench)
    bench.path.rename(tmp_path / "the share")
    bench.path.mkdir()
    with pytest.raises(FolderOffline):
        claim(ready, JOB, 0.0)
    assert list(bench.path.iterdir()) == []


def test_a_missing_private_folder_is_offline_too(bench: Bench) -> None:
    ready = ready_for(bench)
    (bench.path / TAKEN).rmdir()
    with pytest.raises(FolderOffline, match=r"\.taken"):
        claim(ready, JOB, 0.0)
    set_up(bench.path, "folder-1")
    assert claim(ready, JOB, 0.0)


def test_a_rename_that_a_file_server_did_and_denied_is_a_claim(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    ready, renames = ready_for(bench), [0]

    def deny_the_second(step: str) -> None:
        if step == "rename.done":
            renames[0] += 1
            if renames[0] == 2:  # the first is the note's
                raise FileNotFoundError(errno.ENOENT, "No such file or directory")

    monkeypatch.setattr(durable, "on_step", deny_the_second)
    claimed = claim(ready, JOB, 0.0)
    assert claimed is not None and claimed.path.read_bytes() == b"a picture"


def test_a_picture_that_cannot_be_moved_is_told_of_and_its_settings_lie_where_they_were_at_once(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    ready, renames = ready_for(bench, settings=b"x = 1"), [0]

    def fail_the_third(step: str) -> None:
        if step == "rename":
            renames[0] += 1
            if renames[0] == 3:  # after the note's and the settings'
                raise OSError(errno.EIO, "the disk says no")

    monkeypatch.setattr(durable, "on_step", fail_the_third)
    with pytest.raises(OSError, match="the disk says no"):
        claim(ready, JOB, 0.0)
    assert bench.names() == ["a.jpg", "a.toml"] and not private(bench).exists()


def test_that_a_jobs_folder_is_gone_is_brought_to_the_disk(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    claimed = claim(ready_for(bench), JOB, 0.0)
    assert claimed is not None
    synced_after = []

    def listen(step: str) -> None:
        if step == "fsync-folder.done" and not private(bench).exists():
            synced_after.append(step)

    monkeypatch.setattr(durable, "on_step", listen)
    give_back(claimed, bench.folders[0])
    assert synced_after


@pytest.mark.parametrize(
    "code", [errno.ENOSPC, errno.EIO, errno.EDQUOT, errno.EROFS, errno.ESTALE, errno.EPERM]
)
def test_whatever_fails_the_picture_is_in_one_place_with_its_settings(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    ready = ready_for(bench, settings=b"x = 1")
    n, failed = 0, True
    while failed:
        counted, failed = [0], False

        def listener(_step: str, n: int = n, counted: list[int] = counted) -> None:
            nonlocal failed
            counted[0] += 1
            if counted[0] == n + 1:
                failed = True
                raise OSError(code, os.strerror(code))

        with monkeypatch.context() as patch:
            patch.setattr(durable, "on_step", listener)
            try:
                claimed = claim(ready, job_id(n), 0.0)
            except OSError as error:
                assert error.errno == code
                claimed = None
        found = adopt(bench.folders[0]).claimed
        assert len(found) + ("a.jpg" in bench.names()) == 1
        for each in found:
            assert claimed is None or each.job == claimed.job
            assert each.settings is not None and each.trouble == "" and each.settled
            give_back(each, bench.folders[0])
        assert bench.names() == ["a.jpg", "a.toml"]
        assert list((bench.path / TAKEN).iterdir()) == []
        ready = bench.settled()[0]
        n += 1
    assert n > 20


def test_wherever_the_program_dies_the_picture_is_in_one_place_with_its_settings(bench: Bench) -> None:
    ready = ready_for(bench, "sub/a.jpg", settings=b"x = 1")
    places, n = [], 0
    while crash_at(n, claim, ready, JOB, 0.0):
        found = adopt(bench.folders[0]).claimed
        files = sorted(path.name for path in (bench.path / "sub").iterdir())
        if found:
            (claimed,) = found
            assert claimed.path.read_bytes() == b"a picture" and files == []
            assert claimed.settings is not None and claimed.settings.read_bytes() == b"x = 1"
            assert (claimed.within, claimed.trouble, claimed.settled) == ("sub", "", True)
            give_back(claimed, bench.folders[0])
        else:
            assert files == ["a.jpg", "a.toml"]
        places.append(bool(found))
        assert list((bench.path / TAKEN).iterdir()) == []
        (ready,) = bench.settled()
        n += 1
    assert places == sorted(places) and True in places and False in places and n > 20


def test_giving_back_survives_a_crash_at_every_step(bench: Bench) -> None:
    n = 0
    while True:
        claimed = claim(ready_for(bench, settings=b"x = 1"), JOB, 0.0)
        assert claimed is not None
        came = crash_at(n, give_back, claimed, bench.folders[0])
        for each in adopt(bench.folders[0]).claimed:
            give_back(each, bench.folders[0])
        assert bench.names() == ["a.jpg", "a.toml"] and list((bench.path / TAKEN).iterdir()) == []
        if not came:
            break
        n += 1
    assert n > 8


def test_what_is_given_back_goes_to_the_hot_folder_where_its_sub_folder_is_gone(bench: Bench) -> None:
    claimed = claim(ready_for(bench, "sub/a.jpg"), OTHER_JOB, 0.0)
    assert claimed is not None
    (bench.path / "sub").rmdir()
    give_back(claimed, bench.folders[0])
    assert bench.names() == ["a.jpg"]
