"""Attempts in their own processes: deadline, memory, cancel, crash, a daemon that ends, a starter that is replaced."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from blake3 import blake3
from tests.e2e.warm import starters

from drydown.api import EdgesMm, SizeMm
from drydown.discovery import Origin, discover
from drydown.jobs.attempts import Attempts
from drydown.jobs.faults import sort_fault
from drydown.jobs.forks import Child, Starter, child_environment
from drydown.jobs.spec import JobSpec, PluginRef, SheetSpec, StepSpec, StockSpec

PLUGIN = """
import os, signal, sys, time
from drydown.api import Finished, Settings, hookimpl, sheet_maker, step

class Nothing(Settings):
    do: str = "nothing"

def made(render, settings, job):
    print("a plugin that prints")
    if settings.do == "hang":
        while True: time.sleep(0.05)
    if settings.do == "eat":
        held = []
        while True:
            held.append(bytearray(os.urandom(8 << 20)))
            time.sleep(0.005)
    if settings.do == "segv":
        os.kill(os.getpid(), signal.SIGSEGV)
    if settings.do == "exit":
        os._exit(0)
    if settings.do == "raise":
        raise ZeroDivisionError("by nought")
    if settings.do == "system-exit":
        sys.exit(0)
    if settings.do == "no-space":
        raise OSError(28, "No space left on device")
    if settings.do == "sick-disk":
        from drydown import durable
        def sick(name):
            raise OSError(5, "Input/output error")
        durable.on_step = sick
        raise ZeroDivisionError("and the answer cannot be written")
    if settings.do == "say":
        with open(os.environ["TMPDIR"] + "/said", "w") as f: f.write(os.getcwd())
        while not os.path.exists(str(job.scratch / "go")): time.sleep(0.02)
        raise ZeroDivisionError("went on")
    raise AssertionError(settings.do)

@hookimpl
def drydown_steps():
    return [sheet_maker(name="bad", settings=Nothing, run=made)]
"""


@pytest.fixture(scope="module")
def plugin(tmp_path_factory: pytest.TempPathFactory) -> Origin:
    folder = tmp_path_factory.mktemp("plugins")
    (folder / "bad.py").write_text(PLUGIN)
    return discover(folder).origins["bad"]


@pytest.fixture(scope="module")
def starter(plugin: Origin) -> Iterator[Starter]:
    """One for all tests that leave it alone: whatever its children do, the next one is forked."""
    with starters():
        started = Starter([plugin], cores=1)
        yield started
        started.close()


@pytest.fixture
def own_starter(plugin: Origin) -> Iterator[Starter]:
    """One to be killed or replaced."""
    with starters():
        started = Starter([plugin], cores=1)
        yield started
        started.close()


def spec(tmp_path: Path, plugin: Origin, do: str, *, job: str = "job00001", **limits: float) -> JobSpec:
    source, profile = tmp_path / "a.jpg", tmp_path / "p.icc"
    source.write_bytes(b"picture")
    profile.write_bytes(b"profile")
    sheet = SheetSpec(name="4x6", size=SizeMm(101.6, 152.4), pwg="na_index-4x6_4x6in")
    ref = PluginRef(
        module=plugin.module, file=plugin.file, offered_by=plugin.offered_by, blake3=plugin.blake3
    )
    data = {
        "job": job,
        "hot_folder": "final",
        "prints": tmp_path / "prints",
        "source": source,
        "source_name": "a.jpg",
        "stem": "a",
        "recipe": "r",
        "steps": (),
        "maker": StepSpec(name="bad", use="bad", settings={"do": do}, plugin=ref),
        "stock": StockSpec(
            name="s",
            profile=profile,
            profile_blake3=blake3(b"profile").hexdigest(),
            ppi=100,
            intent="relative",
            black_point_compensation=True,
        ),
        "sheet": sheet,
        "final_sheet": sheet,
        "margins_mm": EdgesMm(),
        "viewing_mm": 400,
        "made": "2026-01-01T00:00:00+00:00",
        **limits,
    }
    return JobSpec.model_validate(data)


@pytest.mark.parametrize(
    ("do", "outcome", "says"),
    [
        ("segv", "crashed", "SIGSEGV"),
        ("exit", "crashed", "ended with code 0 without a complete result"),
        ("raise", "crashed", "ZeroDivisionError: by nought"),
        ("system-exit", "crashed", "ended with code"),
        ("no-space", "machine", "No space left on device"),
        ("sick-disk", "machine", "Input/output error"),
    ],
)
def test_every_way_to_leave_has_its_outcome(
    tmp_path: Path, plugin: Origin, starter: Starter, do: str, outcome: str, says: str
) -> None:
    result = Attempts(starter, tmp_path / "work")(spec(tmp_path, plugin, do), 1)
    assert result.outcome == outcome
    assert says in result.reason


def test_a_hanging_attempt_is_killed_at_its_deadline(
    tmp_path: Path, plugin: Origin, starter: Starter
) -> None:
    result = Attempts(starter, tmp_path / "work")(spec(tmp_path, plugin, "hang", deadline_s=1.0), 1)
    assert result.outcome == "killed" and "deadline of 1 s" in result.reason


def test_an_attempt_that_eats_memory_is_killed_at_its_limit(
    tmp_path: Path, plugin: Origin, starter: Starter
) -> None:
    result = Attempts(starter, tmp_path / "work")(spec(tmp_path, plugin, "eat", memory_mb=300), 1)
    assert result.outcome == "killed" and "the limit is 300 MB" in result.reason


def test_a_cancelled_attempt_ends_at_once(tmp_path: Path, plugin: Origin, starter: Starter) -> None:
    attempts = Attempts(starter, tmp_path / "work")
    results = []
    thread = threading.Thread(target=lambda: results.append(attempts(spec(tmp_path, plugin, "hang"), 1)))
    thread.start()
    _until(lambda: attempts.pid("job00001") is not None)
    attempts.cancel("job00001")
    thread.join(timeout=30)
    assert results[0].outcome == "killed" and results[0].reason == "canceled"


class _Slow:
    """A starter that lets its first child wait, as it does while the sandbox is tried."""

    def __init__(self, starter: Starter) -> None:
        self._starter = starter
        self.asked, self.go_on = threading.Event(), threading.Event()

    def fork(self, *order: Any) -> Child:
        self.asked.set()
        assert self.go_on.wait(30)
        return self._starter.fork(*order)


def test_an_attempt_that_is_cancelled_while_it_waits_for_its_child_ends_with_it_at_once(
    tmp_path: Path, plugin: Origin, starter: Starter
) -> None:
    slow = _Slow(starter)
    attempts = Attempts(slow, tmp_path / "work")  # type: ignore[arg-type]
    results = []
    hanging = spec(tmp_path, plugin, "hang", deadline_s=20.0)
    thread = threading.Thread(target=lambda: results.append(attempts(hanging, 1)))
    thread.start()
    assert slow.asked.wait(30)
    attempts.cancel("job00001")
    slow.go_on.set()
    thread.join(timeout=10)
    assert [result.reason for result in results] == ["canceled"]


def test_an_attempt_that_is_cancelled_before_its_turn_asks_for_no_child(
    tmp_path: Path, plugin: Origin, starter: Starter
) -> None:
    slow = _Slow(starter)
    attempts = Attempts(slow, tmp_path / "work")  # type: ignore[arg-type]
    attempts.cancel("job00001")
    assert attempts(spec(tmp_path, plugin, "hang"), 1).reason == "canceled"
    assert not slow.asked.is_set() and not attempts.folder("job00001", 1).exists()


def test_a_child_works_in_its_own_folder_and_says_nothing_to_our_output(
    tmp_path: Path, plugin: Origin, starter: Starter, capfd: pytest.CaptureFixture[str]
) -> None:
    attempts = Attempts(starter, tmp_path / "work")
    folder = attempts.folder("job00001", 1)
    thread = threading.Thread(target=attempts, args=(spec(tmp_path, plugin, "say"), 1))
    thread.start()
    _until((folder / "said").exists)
    _until(lambda: (folder / "said").read_text() != "")
    assert (folder / "said").read_text() == str(folder)
    (folder / "go").touch()
    thread.join(timeout=30)
    assert "a plugin that prints" in (folder / "child.log").read_text()
    assert capfd.readouterr().out == ""


def test_children_at_work_end_by_themselves_when_the_daemon_is_killed(tmp_path: Path, plugin: Origin) -> None:
    code = (
        "import sys\nfrom pathlib import Path\n"
        "from drydown.discovery import Origin\nfrom drydown.jobs.attempts import Attempts\n"
        "from drydown.jobs.forks import Starter\nfrom drydown.jobs.spec import JobSpec\n"
        "spec = JobSpec.model_validate_json(Path(sys.argv[1]).read_bytes())\n"
        "Attempts(Starter([], cores=1), Path(sys.argv[2]))(spec, 1)\n"
    )
    (tmp_path / "spec.json").write_text(spec(tmp_path, plugin, "say").model_dump_json())
    daemon = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path / "spec.json"), str(tmp_path / "work")]
    )
    _until((tmp_path / "work" / "job00001" / "1" / "said").exists)
    folder = tmp_path / "work" / "job00001" / "1"
    at_work = [pid for pid in _processes() if _cwd(pid) == str(folder)]
    assert len(at_work) == 1
    daemon.kill()
    daemon.wait()
    _until(lambda: not any(_cwd(pid) == str(folder) for pid in _processes()))


def test_a_starter_that_died_is_started_again(tmp_path: Path, plugin: Origin, own_starter: Starter) -> None:
    attempts = Attempts(own_starter, tmp_path / "work")
    assert attempts(spec(tmp_path, plugin, "raise"), 1).outcome == "crashed"
    assert own_starter.pid is not None
    os.kill(own_starter.pid, signal.SIGKILL)
    _until(lambda: attempts(spec(tmp_path, plugin, "raise", job=_fresh()), 1).outcome == "crashed")


def test_a_replaced_starter_lets_its_children_finish(
    tmp_path: Path, plugin: Origin, own_starter: Starter
) -> None:
    attempts = Attempts(own_starter, tmp_path / "work")
    results = []
    thread = threading.Thread(target=lambda: results.append(attempts(spec(tmp_path, plugin, "say"), 1)))
    thread.start()
    folder = attempts.folder("job00001", 1)
    _until((folder / "said").exists)
    old = own_starter.pid
    own_starter.replace([plugin])
    assert attempts(spec(tmp_path, plugin, "raise", job="job00002"), 1).outcome == "crashed"
    assert own_starter.pid != old
    (folder / "go").touch()
    thread.join(timeout=30)
    assert "went on" in results[0].reason


def test_the_childs_environment_is_scrubbed() -> None:
    made = child_environment(2, {"PATH": "/bin", "SECRET": "x", "LANG": "C.UTF-8"})
    assert "SECRET" not in made and made["PATH"] == "/bin"
    assert made["VIPS_BLOCK_UNTRUSTED"] == "1" and made["VIPS_CONCURRENCY"] == "2"


def test_faults_are_sorted_by_whose_they_are() -> None:
    assert sort_fault(OSError(28, "No space left on device")).outcome == "machine"
    assert sort_fault(MemoryError()).outcome == "machine"
    assert sort_fault(RuntimeError("VipsSequential: out of order read at line 3")).out_of_order
    assert sort_fault(RuntimeError("unable to write: No space left on device")).outcome == "machine"
    assert sort_fault(KeyError("x")).outcome == "crashed"


_count = iter(range(10, 99))


def _fresh() -> str:
    return f"job000{next(_count)}"


def _until(true: object, *, seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while not true():  # type: ignore[operator]
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)


def _processes() -> list[int]:
    return [int(path.name) for path in Path("/proc").iterdir() if path.name.isdecimal()]


def _cwd(pid: int) -> str:
    try:
        return str(Path(f"/proc/{pid}/cwd").readlink())
    except OSError:
        return ""


DEAF = """
import ctypes, os, signal, subprocess
from drydown.api import Settings, hookimpl, sheet_maker

class Asked(Settings):
    do: str = ""

def made(render, settings, job):
    with open(job.scratch / "said", "w") as f: f.write("here")
    if settings.do == "hold the interpreter":
        ctypes.PyDLL(None).sleep(600)
    if settings.do == "start a program":
        subprocess.Popen(["sleep", "600"])
    os.kill(os.getpid(), signal.SIGSTOP)

@hookimpl
def drydown_steps():
    return [sheet_maker(name="bad", settings=Asked, run=made)]
"""


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends a child with the process that forked it")
@pytest.mark.parametrize("do", ["stop", "hold the interpreter"])
def test_a_child_that_hears_nothing_ends_with_a_starter_that_is_killed(tmp_path: Path, do: str) -> None:
    with _deaf(tmp_path, do) as (starter, folder):
        assert starter.pid is not None
        os.kill(starter.pid, signal.SIGKILL)
        _until(lambda: not _working_in(folder), seconds=5)


def test_what_a_stopped_child_has_started_ends_with_it_when_the_starter_is_closed(tmp_path: Path) -> None:
    with _deaf(tmp_path, "start a program") as (starter, folder):
        _until(lambda: len(_working_in(folder)) == 2)
        starter.close()
        _until(lambda: not _working_in(folder), seconds=5)


@contextlib.contextmanager
def _deaf(tmp_path: Path, do: str) -> Iterator[tuple[Starter, Path]]:
    """A starter that nothing encloses, with a child that is past hearing, and where that works."""
    (tmp_path / "plugins").mkdir()
    (tmp_path / "plugins" / "bad.py").write_text(DEAF)
    plugin = discover(tmp_path / "plugins").origins["bad"]
    with starters():
        starter = Starter([plugin], cores=1, sandbox="off", scratch=tmp_path)
        attempts = Attempts(starter, tmp_path / "work")
        thread = threading.Thread(target=attempts, args=(spec(tmp_path, plugin, do), 1))
        folder = attempts.folder("job00001", 1)
        thread.start()
        try:
            _until((folder / "said").exists)
            time.sleep(0.2)
            yield starter, folder
        finally:
            starter.close()
            for pid in _working_in(folder):
                os.kill(pid, signal.SIGKILL)
            thread.join(timeout=30)


def _working_in(folder: Path) -> list[int]:
    return [pid for pid in _processes() if _cwd(pid) == str(folder)]
