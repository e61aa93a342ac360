"""A plugin file that ends the process or never comes back takes nothing down: it is a problem with a reason, a place and a next move."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path

import pytest

from drydown.discovery import Problem, discover, tryout

HOOK = "from drydown.api import hookimpl\n@hookimpl\ndef drydown_steps():\n    "
ENDS = "a plugin must not end the program"
LATE = "move the work into the step's function"

#: source, what is said, where, the next move
DEADLY: dict[str, tuple[str, str, str, str]] = {
    "it leaves": ("import os\nos._exit(7)", "ended the process with exit code 7", "bad.py", ENDS),
    "it leaves as if all were well": ("import os\nos._exit(0)", "exit code 0", "bad.py", ENDS),
    "it is killed": ("import os\nos.kill(os.getpid(), 9)", "signal 9", "bad.py", ENDS),
    "it breaks off": ("import os\nos.abort()", "signal 6", "bad.py", ENDS),
    "it acts as a person's Ctrl-C": ("x = 1\nraise KeyboardInterrupt", "KeyboardInterrupt", "bad.py line 2", ENDS),
    "an end of its own kind": ("class End(BaseException): ...\nraise End('now')", "End: now", "bad.py line 2", ENDS),
    "it turns for ever": ("x = 1\nwhile True:\n    x += 1", "longer than 1 s", "bad.py line", LATE),
    "it waits for ever": ("import time\ntime.sleep(3600)", "longer than 1 s", "bad.py line 2", LATE),
    "it lets nothing through": ("import time\nwhile True:\n  try:\n    time.sleep(9)\n  except BaseException: pass", "longer than 1 s", "bad.py", LATE),
    "it leaves when asked": (f"{HOOK}__import__('os')._exit(1)", "exit code 1", "bad.py", ENDS),
    "it turns for ever when asked": (f"{HOOK}while True: pass", "longer than 1 s", "bad.py line 4", LATE),
    "it exits when asked": (f"{HOOK}raise SystemExit(2)", "SystemExit: 2", "bad.py line 4", ENDS),
}  # fmt: skip


@pytest.mark.parametrize(("text", "says", "where", "next_move"), DEADLY.values(), ids=DEADLY.keys())
def test_a_plugin_that_ends_the_process_or_never_comes_back_is_a_problem_and_nothing_more(
    tmp_path: Path, text: str, says: str, where: str, next_move: str
) -> None:
    (tmp_path / "bad.py").write_text(text)
    found = discover(tmp_path, deadline_s=1)
    (problem,) = found.problems
    assert says in problem.reason and next_move in problem.next_move
    assert problem.place == where or (where.endswith("line") and problem.place.startswith(where))
    assert problem.offered_by == f"{tmp_path.name}/bad.py"
    assert "crop" in found.offers


@pytest.mark.parametrize("alone", [True, False], ids=["forked", "fresh interpreter"])
def test_both_ways_of_making_the_process_say_the_same(
    tmp_path: Path, alone: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tryout, "_alone", lambda: alone)
    file = tmp_path / f"way_{alone}.py"  # else the second way would be answered from memory
    said = [
        tryout.try_out(source, file, "way", "plugins/way.py")
        for source in (b"import numpy", b"1 / 0", b"import os; os._exit(3)", b"\nraise KeyboardInterrupt")
    ]
    assert said[:2] == [None, None], "what only raises is told of where it is imported"
    assert isinstance(said[2], Problem) and "exit code 3" in said[2].reason
    assert isinstance(said[3], Problem) and said[3].place == f"{file.name} line 2"


def test_a_daemon_with_many_files_open_still_hears_the_verdict(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def far_up() -> tuple[int, int]:
        """A pipe whose ends have numbers that select(2) does not take."""
        ends = pipe()
        above = tuple(fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 1100) for end in ends)
        for end in ends:
            os.close(end)
        return above[0], above[1]

    pipe = os.pipe
    monkeypatch.setattr(os, "pipe", far_up)
    said = tryout.try_out(b"import os; os._exit(4)", tmp_path / "many.py", "many", "plugins/many.py")
    assert isinstance(said, Problem) and "exit code 4" in said.reason


def test_a_file_that_has_not_changed_is_not_tried_again_and_a_changed_one_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried: list[bytes] = []
    fork = tryout._fork

    def counted(source: bytes, *rest: object) -> int:
        tried.append(source)
        return fork(source, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(tryout, "_fork", counted)
    (tmp_path / "mine.py").write_text(f"# {tmp_path}")
    for _ in range(3):
        assert discover(tmp_path).problems == ()
    (tmp_path / "mine.py").write_text("import os; os._exit(1)")
    assert len(discover(tmp_path).problems) == 1
    assert tried == [f"# {tmp_path}".encode(), b"import os; os._exit(1)"]


@pytest.mark.parametrize("alone", [True, False], ids=["forked", "fresh interpreter"])
def test_an_installed_distribution_that_ends_the_process_or_never_comes_back_is_a_problem_too(
    tmp_path: Path, alone: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tryout, "_alone", lambda: alone)
    monkeypatch.syspath_prepend(tmp_path)
    texts = {
        "leaves": "import os\nos._exit(7)",
        "turns": "x = 1\nwhile True: x += 1",
        "raises": "1 / 0",
        "fine": f"{HOOK}return []",
    }
    for name, text in texts.items():
        module = f"{name}_{alone}"
        (tmp_path / f"{module}.py").write_text(text)
        info = tmp_path / f"{module}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(f"[drydown.steps]\n{name} = {module}\n")
    found = discover(deadline_s=1)
    said = {problem.offered_by: problem for problem in found.problems}
    assert said.keys() == {f"{name}_{alone} 1.0" for name in texts if name != "fine"}
    assert "exit code 7" in said[f"leaves_{alone} 1.0"].reason
    assert said[f"leaves_{alone} 1.0"].next_move.endswith(f'plugins.off = ["leaves_{alone}"] in studio.toml')
    assert "longer than 1 s" in said[f"turns_{alone} 1.0"].reason
    # a fresh interpreter may be ended before it could say where
    assert said[f"turns_{alone} 1.0"].place in (f"turns_{alone}.py line 2", *([] if alone else [""]))
    assert "ZeroDivisionError" in said[f"raises_{alone} 1.0"].reason
    assert "crop" in found.offers


def test_no_process_is_made_without_a_studios_own_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object) -> int:
        raise AssertionError("a process was made for nothing")

    monkeypatch.setattr(tryout, "_fork", never)
    monkeypatch.setattr(tryout, "_start", never)
    assert "crop" in discover(tmp_path).offers and "crop" in discover().offers
