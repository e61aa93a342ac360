from __future__ import annotations

import os
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from drydown.intake import complete
from drydown.intake.complete import Verdict, check
from drydown.intake.filesystem import Kind
from drydown.intake.settle import Look


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[int]:
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield fd
    os.close(fd)


def ask(folder: int, path: Path, *, kind: Kind = "local", patient: bool = True) -> Verdict:
    return check(path.name, Look.of(path.lstat()), dir_fd=folder, kind=kind, patient=patient)


def test_a_closed_file_with_content_is_whole_and_free(folder: int, tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"a picture")
    assert ask(folder, tmp_path / "a.jpg") == Verdict("complete", "", "free")


def test_a_file_that_somebody_has_open_for_writing_is_busy_until_it_is_closed(
    folder: int, tmp_path: Path
) -> None:
    path = tmp_path / "a.jpg"
    with path.open("wb") as writer:
        writer.write(b"a picture")
        writer.flush()
        verdict = ask(folder, path, patient=False)
        assert (verdict.state, verdict.writer) == ("changing", "busy")
        with path.open("rb"):
            pass  # a reader beside it changes nothing
    with path.open("rb"):
        assert ask(folder, path).writer == "free"


def test_the_writer_is_noticed_also_after_a_rename(folder: int, tmp_path: Path) -> None:
    with (tmp_path / "a.jpg").open("wb") as writer:
        writer.write(b"a picture")
        writer.flush()
        (tmp_path / "a.jpg").rename(tmp_path / "b.jpg")
        assert ask(folder, tmp_path / "b.jpg").writer == "busy"


def test_the_question_about_writers_is_not_asked_while_its_signal_could_end_the_process(
    folder: int, tmp_path: Path
) -> None:
    (tmp_path / "a.jpg").write_bytes(b"a picture")
    signal.signal(signal.SIGIO, signal.SIG_DFL)
    assert ask(folder, tmp_path / "a.jpg") == Verdict("complete", "", "unknown")


def test_a_writer_that_opens_the_file_during_the_question_does_not_end_the_process(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"a picture")
    ours, writer = os.getpid(), os.fork()
    if writer == 0:
        while os.getppid() == ours:
            os.close(os.open(path, os.O_WRONLY))
        os._exit(0)
    try:
        answers, asked, end = set(), 0, time.monotonic() + 30
        while asked < 1000 or (len(answers) < 2 and time.monotonic() < end):  # a writer may be late
            asked += 1
            fd = os.open(path, os.O_RDONLY)
            answers.add(complete.writer_of(fd))
            os.close(fd)
    finally:
        os.kill(writer, signal.SIGKILL)
        os.waitpid(writer, 0)
    assert answers == {"free", "busy"}, "asked before it was opened, and while it was open"


@pytest.mark.parametrize("kind", ["network", "unknown"])
def test_on_a_share_nothing_is_known_about_writers(folder: int, tmp_path: Path, kind: Kind) -> None:
    with (tmp_path / "a.jpg").open("wb") as writer:
        writer.write(b"a picture")
        writer.flush()
        assert ask(folder, tmp_path / "a.jpg", kind=kind) == Verdict("complete", "", "unknown")


def test_a_file_that_got_its_size_first_has_a_hole(folder: int, tmp_path: Path) -> None:
    path = tmp_path / "a.xyz"
    path.write_bytes(b"half a picture")
    os.truncate(path, 1_000_000)
    with path.open("r+b") as file:
        file.seek(999_990)
        file.write(b"no zeros..")
    assert ask(folder, path).state == "unfinished"
    assert "never written" in ask(folder, path).why


def test_a_file_whose_space_was_set_aside_ends_in_zeros(folder: int, tmp_path: Path) -> None:
    path = tmp_path / "a.xyz"
    with path.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, 1_000_000)
        file.write(b"half a picture")
    assert ask(folder, path).state == "unfinished"


def test_after_long_enough_the_content_no_longer_speaks_against_it(folder: int, tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut off")
    assert ask(folder, tmp_path / "a.jpg").state == "unfinished"
    assert ask(folder, tmp_path / "a.jpg", patient=False).state == "complete"


def test_an_empty_file_waits_as_long_as_there_is_patience_and_is_then_left_to_its_reader(
    folder: int, tmp_path: Path
) -> None:
    (tmp_path / "a.jpg").touch()
    assert ask(folder, tmp_path / "a.jpg", patient=True) == Verdict("unfinished", "it is empty")
    assert ask(folder, tmp_path / "a.jpg", patient=False).state == "complete"


def test_links_pipes_sockets_and_devices_are_unfit_and_never_block(folder: int, tmp_path: Path) -> None:
    (tmp_path / "link.jpg").symlink_to("/etc/hostname")
    (tmp_path / "lost.jpg").symlink_to("nowhere")
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "b.jpg").write_bytes(b"x")
    os.link(tmp_path / "b.jpg", tmp_path / "second name.jpg")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "socket.jpg"))
        for name in ("link.jpg", "lost.jpg", "pipe.jpg", "socket.jpg", "b.jpg", "second name.jpg"):
            verdict = ask(folder, tmp_path / name)
            assert verdict.state == "unfit" and verdict.why, name
            assert complete.unfit((tmp_path / name).lstat()), name
    assert complete.unfit(Path("/dev/zero").lstat())


def test_a_file_that_is_no_longer_what_was_looked_at_is_changing(folder: int, tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(b"a picture")
    before = Look.of(path.stat())
    path.unlink()
    path.symlink_to("/etc/hostname")
    assert check("a.jpg", before, dir_fd=folder, kind="local").state == "unfit"
    path.unlink()
    path.write_bytes(b"another")
    assert check("a.jpg", before, dir_fd=folder, kind="local").state == "changing"


def test_a_file_that_is_gone_is_said_to_be_gone(folder: int) -> None:
    with pytest.raises(FileNotFoundError):
        check("a.jpg", Look(1, 1, 1, 1), dir_fd=folder, kind="local")


def test_a_file_that_cannot_be_read_is_unfit_with_the_systems_reason(
    folder: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.jpg").write_bytes(b"a picture")
    look = Look.of((tmp_path / "a.jpg").stat())

    def refuse(*_args: object, **_more: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refuse)  # the tests may run as root, who may read anything
    assert check("a.jpg", look, dir_fd=folder, kind="local") == Verdict(
        "unfit", "it cannot be read: Permission denied"
    )
