"""What the sandbox is worth on a machine: every layer tried, and what is said and done where one is missing, broken or in the way."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from drydown.errors import MachineFault, StudioError
from drydown.jobs.forks import Starter
from drydown.jobs.sandbox import found, landlock, seccomp, trial
from drydown.jobs.sandbox.found import Found, find, insist, lacking
from drydown.jobs.sandbox.walls import LAYERS


@dataclass
class Played:
    """A child that has ended already."""

    ended: Future[int] = field(default_factory=Future)
    killed: bool = False

    def kill(self) -> None:
        self.killed = True


@dataclass
class Machine:
    """A machine by what its trials answer: layers, joined by a comma -> (enclosed, picture, allowed)."""

    says: dict[str, tuple[str, str, list[str]]] = field(default_factory=dict)
    silent: str = "none of them"
    tried: list[tuple[str, ...]] = field(default_factory=list)

    def __call__(self, folder: Path, layers: Sequence[str]) -> Played:
        self.tried.append(tuple(layers))
        played, key = Played(), ",".join(layers)
        if key != self.silent:
            enclosed, picture, allowed = self.says.get(key, ("", "", []))
            answer = trial.Answer(layers=list(layers), enclosed=enclosed, picture=picture, allowed=allowed)
            (folder / trial.ANSWER).write_text(json.dumps(answer))
        played.ended.set_result(0)
        return played


@pytest.fixture
def whole(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A kernel that says it has everything."""
    monkeypatch.setattr(landlock, "abi", lambda: 7)
    monkeypatch.setattr(seccomp, "machine", lambda: "x86_64")
    yield


def absent(*_: object) -> int:
    raise OSError(errno.ENOSYS, "Function not implemented")


@pytest.mark.usefixtures("whole")
def test_every_layer_is_tried_alone_and_together(tmp_path: Path) -> None:
    machine = Machine()
    answer = find("available", machine, tmp_path)
    assert answer.layers == LAYERS and answer.whole and not answer.missing
    assert machine.tried == [(), ("landlock",), ("seccomp",), ("landlock", "seccomp")]
    assert not list(tmp_path.iterdir()), "nothing is left of the trial"
    assert lacking(answer) == []


def test_with_no_layer_at_all_it_goes_on_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(landlock, "abi", absent)
    monkeypatch.setattr(seccomp, "machine", absent)
    answer = find("available", Machine(), tmp_path)
    assert answer.layers == () and not answer.whole
    lines = answer.lines()
    assert lines[0] == "landlock: NOT IN FORCE, the kernel does not have it (function not implemented)"
    assert lines[1].startswith("seccomp: NOT IN FORCE, the kernel does not have it")
    insist(answer)


def test_a_studio_that_requires_what_is_missing_does_not_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(landlock, "abi", absent)
    monkeypatch.setattr(seccomp, "machine", lambda: "x86_64")
    answer = find("required", Machine(), tmp_path)
    assert answer.layers == ("seccomp",)
    with pytest.raises(StudioError) as error:
        insist(answer)
    assert "daemon: sandbox: is required, and this machine lacks landlock (the kernel" in str(error.value)
    assert 'sandbox = "available"' in str(error.value)


@pytest.mark.usefixtures("whole")
@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (("Invalid argument", "", []), "it cannot be put up (invalid argument)"),
        (
            ("", "", ["write a file outside", "start a program"]),
            "a process could still write a file outside and start a program",
        ),
        (
            ("", "PermissionError: libtiff.so", []),
            "the trial picture cannot be read inside (PermissionError: libtiff.so)",
        ),
    ],
)
def test_a_layer_that_does_not_hold_is_left_out_with_its_reason(
    tmp_path: Path, answer: tuple[str, str, list[str]], why: str
) -> None:
    found = find("available", Machine({"landlock": answer}), tmp_path)
    assert found.layers == ("seccomp",)
    assert why in found.missing["landlock"] and why in found.lines()[0]


@pytest.mark.usefixtures("whole")
def test_layers_that_spoil_each_other_leave_the_first(tmp_path: Path) -> None:
    found = find("available", Machine({"landlock,seccomp": ("", "MemoryError", [])}), tmp_path)
    assert found.layers == ("landlock",)
    assert "not together with landlock: the trial picture cannot be read" in found.lines()[1]
    assert "not together with landlock" in str(lacking(Found("required", found.layers, {}, found.trouble))[0])


@pytest.mark.usefixtures("whole")
def test_a_picture_that_is_not_read_even_without_is_the_machines_fault(tmp_path: Path) -> None:
    with pytest.raises(MachineFault, match="no picture is begun: the trial picture cannot be read"):
        find("available", Machine({"": ("", "ImportError: libvips", [])}), tmp_path)
    with pytest.raises(MachineFault, match="ended with code 0 and no answer"):
        find("available", Machine(silent=""), tmp_path)


@pytest.mark.usefixtures("whole")
def test_a_trial_without_end_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(found, "ANSWER_S", 0.05)
    hung: list[Played] = []

    def fork(folder: Path, layers: Sequence[str]) -> Played:
        if layers == ("seccomp",):
            hung.append(Played())
            return hung[-1]
        return Machine()(folder, layers)

    answer = find("available", fork, tmp_path)
    assert answer.layers == ("landlock",) and hung[0].killed
    assert "did not end within" in answer.missing["seccomp"]


def test_off_tries_the_picture_and_nothing_else(tmp_path: Path) -> None:
    machine = Machine()
    answer = find("off", machine, tmp_path)
    assert machine.tried == [()] and answer.layers == () and lacking(answer) == []
    assert answer.lines() == ["off by studio.toml: plugins and decoders can do whatever the daemon can do"]


def test_a_full_disk_is_told_as_such(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(MachineFault, match="the sandbox cannot be tried"):
        find("off", Machine(), tmp_path / "file")


@pytest.mark.usefixtures("whole")
def test_no_trial_is_begun_on_a_disk_that_takes_only_some_of_their_folders(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Found by EROFS at the ninth mkdir: the first trial's folder was taken away under its feet."""
    machine, make = Machine(), Path.mkdir

    def mkdir(path: Path, **given: Any) -> None:
        if path.name == "seccomp":
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        make(path, **given)

    monkeypatch.setattr(Path, "mkdir", mkdir)
    with pytest.raises(MachineFault, match="the sandbox cannot be tried"):
        find("available", machine, tmp_path)
    assert machine.tried == []


def test_the_real_machine_answers_for_every_layer_that_its_kernel_has(tmp_path: Path) -> None:
    starter = Starter((), cores=1, scratch=tmp_path)
    try:
        answer = starter.sandbox()
        assert starter.found is answer
    finally:
        starter.close()
    for layer, has in (("landlock", landlock.abi), ("seccomp", seccomp.machine)):
        try:
            has()
        except OSError as error:
            print(f"this machine has no {layer}: {error}")
            assert layer not in answer.layers
        else:
            assert layer in answer.layers, answer


def test_the_trial_tells_of_everything_that_an_open_process_can_do(tmp_path: Path) -> None:
    """Without a wall every attempt of the trial goes through: none of them is refused by chance."""
    trial.prepare(tmp_path)
    (tmp_path / "inside").mkdir()
    names = [name for name, _ in trial.attempts(tmp_path / "inside", tmp_path, LAYERS)]
    assert set(names) == {what for layer in LAYERS for what in trial.MUST_REFUSE[layer]}
    for name, attempt in trial.attempts(tmp_path / "inside", tmp_path, LAYERS):
        if name not in (
            "start a process",
            "remove a file outside",
        ):  # not from a test's own process, and last
            assert not trial.refused(attempt), name
    assert (tmp_path / trial.OUTSIDE).read_bytes() != b"stays"


def test_the_trial_picture_is_a_good_one(tmp_path: Path) -> None:
    trial.prepare(tmp_path)
    assert trial.read_back(tmp_path / trial.PICTURE, tmp_path) == ""
    (tmp_path / trial.PICTURE).write_bytes(b"II*\0")
    assert "Refusal" in trial.read_back(tmp_path / trial.PICTURE, tmp_path)


@pytest.mark.parametrize("name", ["x86_64", "aarch64"])
def test_every_jump_of_the_filter_lands_inside_it(name: str) -> None:
    code = list(seccomp.filter_code(name, 1234))
    assert len(code) < 4096, "the kernel's limit"
    assert all(len(one) == 8 for one in code)
    for at, one in enumerate(code):
        operation = int.from_bytes(one[:2], "little")
        if operation & 7 == 5:  # a jump
            assert at + 1 + max(one[2], one[3]) < len(code)
    assert int.from_bytes(code[-1][:2], "little") & 7 == 6, "it ends with an answer"


def test_an_abi_is_asked_only_for_what_it_knows() -> None:
    assert landlock.handled(1) == (1 << 13) - 1
    assert landlock.handled(2) == (1 << 14) - 1
    assert landlock.handled(3) == landlock.handled(4) == (1 << 15) - 1
    assert landlock.handled(5) == landlock.handled(9) == (1 << 16) - 1
