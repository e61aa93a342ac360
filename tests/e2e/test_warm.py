"""A forked command is the program: it says, leaves and ends with what a new interpreter does."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import pyvips

from drydown.demo import drive
from drydown.starters import write_plugin
from tests.e2e.studio import RECIPE, STUDIO, drydown, make_studio, picture
from tests.e2e.warm import daemon, warm

#: Without the line that names the job: what of it has room depends on the name.
UNNAMED = f"{RECIPE}\n[final]\nslug = false\n"


def plain(text: str, root: Path) -> str:
    """Without what differs between any two runs: the place, the job's name, the clock."""
    text = text.replace(str(root), "ROOT")
    text = re.sub(r"1[0-9a-z]{12}", "JOB", text)
    text = re.sub(r"20\d\d-\d\d-\d\d[T ][0-9:.+]+", "TIME", text)
    return re.sub(r"Seconds: .*|\"seconds\": [0-9.]+", "SECONDS", text)


def sheet(root: Path, hot_folder: str = "run") -> np.ndarray:
    (path,) = (root / "prints" / hot_folder).glob("*__*.tif")
    return pyvips.Image.new_from_file(str(path)).numpy()


def test_both_ways_say_and_leave_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: dict[bool, list[tuple[int, str, str]]] = {}
    left: dict[bool, list[str]] = {}
    made: dict[bool, np.ndarray] = {}
    for fresh in (True, False):
        root = tmp_path / str(fresh)
        make_studio(root, {"studio.toml": STUDIO, "recipes/small.toml": UNNAMED})
        source = picture(root / "harbour.tif")
        monkeypatch.chdir(root)
        monkeypatch.setenv("TZ", "Pacific/Chatham")
        run = drydown(root, "run", "small", str(source), "--json", fresh=fresh)
        job = json.loads(run.stdout)["job"]
        others = [
            ["show", job],
            ["jobs"],
            ["check"],
            ["steps", "sharpen"],
            ["cancel", job],
            ["chek"],
            ["--help"],
        ]
        done = [run, *(drydown(root, *args, fresh=fresh) for args in others)]
        told[fresh] = [(one.returncode, plain(one.stdout, root), plain(one.stderr, root)) for one in done]
        left[fresh] = sorted(plain(str(path), root) for path in root.rglob("*"))
        made[fresh] = sheet(root)
    assert told[True] == told[False]
    assert [code for code, _, _ in told[False]] == [0, 0, 0, 0, 0, 5, 2, 0]
    assert left[True] == left[False]
    assert np.array_equal(made[True], made[False])


def test_a_daemon_says_and_leaves_the_same_both_ways(tmp_path: Path) -> None:
    done = []
    for number, begun in enumerate((drive.daemon, daemon)):
        root = make_studio(tmp_path / str(number), {"recipes/small.toml": UNNAMED})
        dropped = picture(tmp_path / "harbour.jpg")
        with begun(root) as process:
            dropped.rename(root / "hot" / "final" / dropped.name)
            drive.follow(root, 1, deadline_s=60, show=lambda row: None)
            assert process.poll() is None
        said = plain((root / "state" / "daemon.log").read_text(), root)
        left = sorted(plain(str(path), root) for path in root.rglob("*"))
        done.append((process.returncode, said, left, sheet(root, "final").tobytes()))
    assert done[0] == done[1] and done[0][0] == 0 and "done  JOB  harbour.jpg" in done[0][1]


def test_a_command_that_takes_too_long_is_ended_and_the_next_one_is_heard(tmp_path: Path) -> None:
    studio = make_studio(tmp_path / "studio")
    (studio / "plugins" / "slow.py").write_text("import time\ntime.sleep(60)\n")
    begun = time.monotonic()
    with pytest.raises(subprocess.TimeoutExpired):
        warm().run(["--studio", str(studio), "check"], timeout_s=0.5)
    assert time.monotonic() - begun < 30
    assert "no command" in warm().run(["chek"], timeout_s=60).stderr.lower().replace("such ", "")


def test_a_plugins_own_tests_end_alike_both_ways(tmp_path: Path) -> None:
    for path in write_plugin("job-book", "observer", "package", tmp_path):
        if path.name.startswith("test_"):
            path.write_text(path.read_text() + "\n\ndef test_it_fails():\n    assert __name__ == 'other'\n")
    words = ["-m", "pytest", "-q", "-p", "no:cacheprovider", "--basetemp", str(tmp_path / "own"), "tests"]
    folder = tmp_path / "job-book"
    fresh = subprocess.run([sys.executable, *words], cwd=folder, capture_output=True, text=True)
    forked = warm().python(words, folder=folder, timeout_s=60)
    said = [re.sub(r"[0-9.]+s", "SECONDS", one.stdout) for one in (fresh, forked)]
    assert said[0] == said[1] and (fresh.returncode, fresh.stderr) == (forked.returncode, forked.stderr)
    assert "1 failed" in forked.stdout and "passed" in forked.stdout and forked.returncode == 1
