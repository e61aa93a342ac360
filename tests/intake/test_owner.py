"""A hot folder belongs to one studio at a time, and a file in it says to which."""

from __future__ import annotations

import dataclasses
import errno
import json
import multiprocessing
import os
import re
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import pytest
from intake_bench import JOB, OTHER_JOB, Bench, crash_at, steps_of

from drydown import durable
from drydown.intake import filesystem
from drydown.intake.adopt import adopt
from drydown.intake.claim import claim, give_back
from drydown.intake.folder import TAKEN, FolderOffline, HotFolder
from drydown.intake.owner import FILE, opened, refused
from drydown.intake.whose import Studio

HERE, THERE = Studio("/srv/here", "printroom", "1"), Studio("/srv/here", "office", "2")


def of(hot: HotFolder, studio: Studio) -> HotFolder:
    return dataclasses.replace(hot, studio=studio)


def file_of(hot: HotFolder) -> Path:
    return hot.path / TAKEN / FILE


def ours(hot: HotFolder, studio: Studio, *, take_over: bool = False) -> str:
    """The note of opening the folder for a studio."""
    with opened(of(hot, studio), take_over=take_over) as at:
        return at.note


def within(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def no_links(*_: object, **__: object) -> None:
    raise OSError(errno.EPERM, os.strerror(errno.EPERM))


@pytest.fixture(params=["links", "no links"])
def with_and_without_links(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "no links":
        monkeypatch.setattr(os, "link", no_links)


def test_the_first_studio_has_the_folder_and_the_file_tells_a_person(hot: HotFolder) -> None:
    assert ours(hot, HERE) == "" and ours(hot, HERE) == ""
    text = file_of(hot).read_text()
    assert 'studio = "/srv/here"\nhost = "printroom"\n' in text
    assert re.search(r'^since = "\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00"$', text, re.MULTILINE)
    assert "Remove this file when that studio is gone for good" in text
    assert within(hot.path / TAKEN) == [FILE] and file_of(hot).stat().st_nlink == 1


def at_once(
    rivals: Sequence[Callable[[], None]], *, before: Callable[[], object], after: Callable[[], None]
) -> None:
    """Sixty times: `before`, then all rivals at the same moment, each in a process of its own, then `after`."""
    context = multiprocessing.get_context("fork")
    gate = context.Barrier(len(rivals) + 1, timeout=60)

    def turns(act: Callable[[], None]) -> None:
        try:
            for _ in range(60):
                gate.wait()
                act()
                gate.wait()
        except BaseException:
            gate.abort()
            raise

    processes = [context.Process(target=turns, args=(rival,)) for rival in rivals]
    for process in processes:
        process.start()
    try:
        for _ in range(60):
            before()
            gate.wait()
            gate.wait()
            after()
    except BaseException:
        gate.abort()
        raise
    finally:
        for process in processes:
            process.join()
    assert [process.exitcode for process in processes] == [0] * len(rivals)


def _race(hot: HotFolder, studio: Studio, links: bool, to: Path) -> None:
    if not links:
        os.link = no_links
    try:
        ours(hot, studio)
        to.write_text("won")
    except FolderOffline as error:
        to.write_text(str(error))


@pytest.mark.parametrize("links", [True, False])
def test_of_four_processes_that_start_at_once_one_has_the_folder(
    hot: HotFolder, tmp_path: Path, links: bool
) -> None:
    answers = [tmp_path / str(number) for number in range(4)]

    def one_has_it() -> None:
        winners = [number for number, answer in enumerate(answers) if answer.read_text() == "won"]
        assert len(winners) == 1 and f'"/srv/{winners[0]}"' in file_of(hot).read_text()
        assert within(hot.path / TAKEN) == [FILE]

    rivals = [
        partial(_race, hot, Studio(f"/srv/{number}", f"host{number}"), links, answer)
        for number, answer in enumerate(answers)
    ]
    at_once(rivals, before=lambda: file_of(hot).unlink(missing_ok=True), after=one_has_it)


def test_another_studio_s_folder_is_scanned_claimed_and_adopted_by_nobody_else_until_it_is_free(
    hot: HotFolder,
) -> None:
    first, second = Bench([of(hot, HERE)]), Bench([of(hot, THERE)])
    first.drop("a.jpg")
    first.drop("b.jpg")
    for_first = first.settled()
    assert claim(for_first[0], JOB, 1_790_000_000.0) is not None
    before = sorted(hot.path.rglob("*"))
    found = second.scan()
    (trouble,) = found.problems
    assert not found.ready and trouble.new and "studio /srv/here on host printroom since " in trouble.what
    assert str(file_of(hot)) in trouble.what and "goes on by itself" in trouble.what
    for act in (
        lambda: adopt(of(hot, THERE)),
        lambda: claim(dataclasses.replace(for_first[1], folder=of(hot, THERE)), OTHER_JOB, 1_790_000_000.0),
        lambda: give_back(adopt(of(hot, HERE)).claimed[0], of(hot, THERE)),
    ):
        with pytest.raises(FolderOffline, match="belongs to the studio /srv/here on host printroom"):
            act()
    assert sorted(hot.path.rglob("*")) == before
    (again,) = second.after(5).problems
    assert again.what == trouble.what and not again.new
    file_of(hot).unlink()
    assert not second.after(120).problems
    assert [ready.name for ready in second.settled()] == ["b.jpg"]
    (lost,) = first.after(5).problems
    assert "on host office" in lost.what


def test_what_was_claimed_is_adopted_again_by_the_same_studio_without_a_word(hot: HotFolder) -> None:
    bench = Bench([of(hot, HERE)])
    bench.drop("a.jpg")
    claimed = claim(bench.settled()[0], JOB, 1_790_000_000.0)
    file = file_of(hot).read_bytes()
    assert adopt(of(hot, HERE)).claimed == (claimed,) and adopt(of(hot, HERE)).notes == ()
    assert file_of(hot).read_bytes() == file


def test_a_studio_of_the_same_host_keeps_another_one_out_while_it_is_there(
    hot: HotFolder, tmp_path: Path
) -> None:
    for name in ("old", "new"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "studio.toml").touch()
    old, new = (Studio.at(tmp_path / name) for name in ("old", "new"))
    ours(hot, old)
    with pytest.raises(FolderOffline, match="/old on host"):
        ours(hot, new, take_over=True)
    (tmp_path / "old").rename(tmp_path / "moved")
    moved = Studio.at(tmp_path / "moved")
    with pytest.raises(FolderOffline):
        ours(hot, moved)  # not in mid-run: what the old one had claimed is adopted at a start only
    with pytest.raises(FolderOffline):
        ours(hot, dataclasses.replace(moved, host="another name"), take_over=True)
    assert adopt(of(hot, moved)).notes == (
        f"{hot.path} belonged to the studio {old.root}, which is no longer there: taken over",
    )
    assert adopt(of(hot, moved)).notes == () and ours(hot, moved) == ""
    with pytest.raises(FolderOffline):
        ours(hot, new, take_over=True)


def _take_over(hot: HotFolder, studio: Studio, to: Path) -> None:
    try:
        to.write_text(ours(hot, studio, take_over=True))
    except FolderOffline:
        to.write_text("")


def test_of_four_studios_that_follow_a_moved_one_at_once_one_takes_over(
    hot: HotFolder, tmp_path: Path
) -> None:
    roots = [tmp_path / f"rival{number}" for number in range(4)]
    for root in roots:
        root.mkdir()
        (root / "studio.toml").touch()

    def one_has_moved() -> None:
        file_of(hot).unlink(missing_ok=True)
        ours(hot, Studio.at(tmp_path / "moved"))

    def one_took_over() -> None:
        (winner,) = (root for root in roots if "taken over" in (root / "answer").read_text())
        assert f'"{winner}"' in file_of(hot).read_text() and within(hot.path / TAKEN) == [FILE]

    rivals = [partial(_take_over, hot, Studio.at(root), root / "answer") for root in roots]
    at_once(rivals, before=one_has_moved, after=one_took_over)


def test_a_studio_is_known_by_its_real_path_and_its_machine(tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(tmp_path)
    assert Studio.at(tmp_path / "link").is_same(Studio.at(tmp_path))
    renamed = dataclasses.replace(HERE, host="renamed")
    assert HERE.is_same(renamed) and not HERE.is_same(THERE)
    assert not dataclasses.replace(HERE, machine="").is_same(dataclasses.replace(renamed, machine=""))


@pytest.mark.parametrize(
    "root", ['/srv/a "b" \\ c', "/srv/über\n\x1b[2J\u2028x", "/srv/" + os.fsdecode(b"\xff\xfe")]
)
def test_a_root_of_any_name_is_known_again_and_shown_without_effects(hot: HotFolder, root: str) -> None:
    studio = dataclasses.replace(HERE, root=root)
    ours(hot, studio)
    ours(hot, studio)
    why = refused(of(hot, HERE))
    assert why.isprintable() and "/srv/" in why


def _said(**changes: object) -> bytes:
    said = {"studio": "/srv/x", "host": "h", "machine": "", "since": "now"} | changes
    return "".join(f"{key} = {json.dumps(value)}\n" for key, value in said.items()).encode()


@pytest.mark.parametrize(
    "content",
    [
        *(b"", b"garbage", b"\xff\xfe\x00", b"[" * 1000, b'studio = "/srv/x"\n', _said()[:40]),
        _said(studio="not absolute"),
        _said(studio="/srv/\0"),
        _said(studio=7),
        b'studio = "\\q"\n',
        b"#" * 100_000,
    ],
)
def test_a_file_that_nobody_understands_keeps_the_folder_closed(hot: HotFolder, content: bytes) -> None:
    file_of(hot).write_bytes(content)
    _closed_until_removed(hot, file_of(hot).unlink)


@pytest.mark.parametrize("kind", ["folder", "pipe", "link", "link to nothing"])
def test_what_is_no_plain_file_keeps_the_folder_closed(hot: HotFolder, kind: str) -> None:
    file = file_of(hot)
    match kind:
        case "folder":
            file.mkdir()
        case "pipe":
            os.mkfifo(file)
        case "link":
            file.symlink_to(hot.path)
        case _:
            file.symlink_to("nowhere")
    _closed_until_removed(hot, file.rmdir if kind == "folder" else file.unlink)


def _closed_until_removed(hot: HotFolder, remove: Callable[[], None]) -> None:
    bench = Bench([of(hot, HERE)])
    bench.drop("a.jpg")
    for take_over in (False, True):
        with pytest.raises(FolderOffline, match=re.escape(f"{file_of(hot)}, which says to which studio")):
            ours(hot, HERE, take_over=take_over)
    assert "remove it" in refused(of(hot, HERE))
    (trouble,) = bench.scan().problems
    assert "is not used" in trouble.what and not bench.after(5).ready
    remove()
    bench.after(60)
    assert [ready.name for ready in bench.settled()] == ["a.jpg"]


def test_a_private_folder_that_cannot_be_written_is_told_and_tried_again(
    hot: HotFolder, fail_at: Callable[[str, OSError], None]
) -> None:
    bench = Bench([of(hot, HERE)])
    fail_at("write", PermissionError(errno.EACCES, os.strerror(errno.EACCES)))
    (trouble,) = bench.scan().problems
    assert trouble.what.endswith("cannot be kept: Permission denied") and not file_of(hot).exists()
    assert not bench.after(5).problems and file_of(hot).exists()


def test_a_sick_disk_is_the_machine_s_fault(hot: HotFolder, fail_at: Callable[[str, OSError], None]) -> None:
    fail_at("fsync", OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))
    with pytest.raises(OSError, match="No space left"):
        ours(hot, HERE)
    assert within(hot.path / TAKEN) == []


@pytest.mark.parametrize("step", ["link.done", "link"])
def test_a_file_server_may_lose_the_answer_of_a_link_but_not_the_link(
    hot: HotFolder, fail_at: Callable[[str, OSError], None], step: str
) -> None:
    fail_at(step, FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)))
    if step == "link":  # it was not done, and says so
        with pytest.raises(FileExistsError):
            durable.create_once(hot.path / "x", b"text")
        assert not (hot.path / "x").exists()
    else:
        durable.create_once(hot.path / "x", b"text")
        assert (hot.path / "x").read_bytes() == b"text" and (hot.path / "x").stat().st_nlink == 1


def test_an_end_at_any_step_leaves_no_file_or_a_whole_one_and_the_next_start_tidies(hot: HotFolder) -> None:
    steps = steps_of(ours, hot, HERE)
    file_of(hot).unlink()
    assert steps >= 8
    for step in range(steps):
        assert crash_at(step, ours, hot, HERE)
        assert not file_of(hot).exists() or refused(of(hot, HERE)) == ""
        assert adopt(of(hot, HERE)) == adopt(of(hot, HERE))
        assert within(hot.path / TAKEN) == [FILE] and refused(of(hot, HERE)) == ""
        file_of(hot).unlink()


@pytest.mark.usefixtures("with_and_without_links")
def test_a_name_that_is_taken_is_left_as_it_is(tmp_path: Path) -> None:
    durable.create_once(tmp_path / "x", b"first")
    with pytest.raises(FileExistsError):
        durable.create_once(tmp_path / "x", b"second")
    assert within(tmp_path) == ["x"] and (tmp_path / "x").read_bytes() == b"first"


@pytest.fixture(params=["of another user", "open to others"])
def doubtful(request: pytest.FixtureRequest, hot: HotFolder, monkeypatch: pytest.MonkeyPatch) -> str:
    """The private folder is one that somebody else may have put there; what a person can do about it."""
    taken, user = hot.path / TAKEN, os.geteuid()
    if request.param == "open to others":
        taken.chmod(0o770)
        return f"chmod 700 {taken}"
    if user == 0:
        os.chown(taken, 12_345, -1)
    else:
        user += 1
        monkeypatch.setattr(os, "geteuid", lambda: user)
    return f"chown {user} {taken}"


def test_a_private_folder_in_others_hands_is_not_used_until_it_is_ours_alone(
    hot: HotFolder, doubtful: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench([of(hot, HERE)])
    bench.drop("a.jpg")
    for act in (lambda: ours(hot, HERE, take_over=True), lambda: adopt(of(hot, HERE))):
        with pytest.raises(FolderOffline, match=r"is not used: its private folder \.taken"):
            act()
    (trouble,) = bench.scan().problems
    assert trouble.what.endswith(doubtful) and refused(of(hot, HERE)) == trouble.what
    assert not bench.after(5).ready and not file_of(hot).exists()
    monkeypatch.setattr(os, "geteuid", os.getuid)
    os.chown(hot.path / TAKEN, os.getuid(), -1)
    (hot.path / TAKEN).chmod(0o700)
    bench.after(60)
    assert [ready.name for ready in bench.settled()] == ["a.jpg"] and refused(of(hot, HERE)) == ""


@pytest.mark.usefixtures("doubtful")
@pytest.mark.parametrize("kind", ["vfat", "nfs4", "cifs", None])
def test_owner_and_mode_count_only_where_a_file_system_has_its_own(
    hot: HotFolder, monkeypatch: pytest.MonkeyPatch, kind: str | None
) -> None:
    monkeypatch.setattr(filesystem, "fs_type", lambda *_: kind)
    assert ours(hot, HERE) == "" and refused(of(hot, HERE)) == ""


def test_a_folder_that_is_known_must_be_as_it_was_set_up(hot: HotFolder) -> None:
    (hot.path / TAKEN).rmdir()
    assert refused(of(hot, HERE)) == ""
    why = refused(of(hot, HERE), known=True)
    assert ".taken is missing" in why and why.endswith(f"make it: mkdir -m 700 {hot.path / TAKEN}")
    (hot.path / TAKEN).mkdir(mode=0o700)
    assert refused(of(hot, HERE), known=True) == ""


def test_asking_changes_nothing(hot: HotFolder) -> None:
    assert refused(of(hot, HERE)) == "" and not file_of(hot).exists()
    assert refused(HotFolder("gone", hot.path / "gone", studio=HERE)) == ""
    ours(hot, HERE)
    assert "belongs to the studio" in refused(of(hot, THERE)) and refused(of(hot, HERE)) == ""
