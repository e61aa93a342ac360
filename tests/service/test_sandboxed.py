"""A studio's word on the sandbox is kept at its start and told; what the program keeps for itself is nobody else's to read."""

from __future__ import annotations

import errno
import json
import stat
import time
from pathlib import Path

import pytest
from tests.e2e.studio import PAGELESS, drydown, make_studio, picture
from tests.e2e.warm import starters

from drydown.errors import StudioError
from drydown.jobs.lock import is_held
from drydown.jobs.sandbox import landlock
from drydown.service.workshop import Workshop


def studio(root: Path, sandbox: str) -> Path:
    text = PAGELESS.replace("deadline_s = 60", f'deadline_s = 60\nsandbox = "{sandbox}"')
    return make_studio(root, {"studio.toml": text})


@pytest.fixture
def no_landlock(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent() -> int:
        raise OSError(errno.EOPNOTSUPP, "Operation not supported")

    monkeypatch.setattr(landlock, "abi", absent)


def open_shop(root: Path, said: list[str]) -> Workshop:
    return Workshop(root, what="a test", say=said.append, wake=lambda: None)


@pytest.mark.usefixtures("no_landlock")
def test_a_studio_that_requires_the_sandbox_does_not_start_without(tmp_path: Path) -> None:
    root = studio(tmp_path / "studio", "required")
    with pytest.raises(StudioError, match="daemon: sandbox: is required, and this machine lacks landlock"):
        open_shop(root, [])
    assert not is_held(root / "state" / "lock")


@pytest.mark.usefixtures("no_landlock")
def test_one_that_takes_what_there_is_starts_and_says_once_what_is_missing(tmp_path: Path) -> None:
    said: list[str] = []
    with starters(), open_shop(studio(tmp_path / "studio", "available"), said) as shop:
        shop.tell_sandbox()
        assert said == [], "nothing is known yet, and nothing waits for it"
        shop.starter.warm()
        end = time.monotonic() + 60
        while shop.starter.found is None and time.monotonic() < end:
            time.sleep(0.02)
        shop.tell_sandbox()
        shop.tell_sandbox()
        (told,) = said
        assert told.startswith("the sandbox is not whole\n  landlock: NOT IN FORCE, the kernel does not have")
        lines = [json.loads(line) for line in shop.places.log.read_text().splitlines()]
    (line,) = [line for line in lines if line["event"] == "sandbox"]
    assert "landlock" not in line["layers"] and "not supported" in line["missing"]["landlock"]


def test_check_tells_of_every_layer(tmp_path: Path) -> None:
    root = studio(tmp_path / "studio", "off")
    told = drydown(root, "check")
    assert "Sandbox\n  off by studio.toml" in told.stdout
    (root / "studio.toml").write_text(PAGELESS)
    data = json.loads(drydown(root, "check", "--json").stdout)
    assert data["faults"] == [] and data["off"] == {}
    assert set(data["sandbox"]["layers"]) | set(data["sandbox"]["missing"]) == {"landlock", "seccomp"}


def test_what_the_program_keeps_is_for_its_owner_only(tmp_path: Path) -> None:
    root = make_studio(tmp_path / "studio")
    good, bad = picture(tmp_path / "good.tif"), tmp_path / "bad.tif"
    bad.write_bytes(b"II*\0 cut off")
    done = drydown(root, "run", "small", str(good), str(bad))
    assert "refused" in done.stdout or "aborted" in done.stdout, done.stdout + done.stderr
    kept = [root / "state", root / "originals"]
    kept += [path for folder in tuple(kept) for path in folder.rglob("*")]
    open_to_others = {
        str(path.relative_to(root)): oct(mode)
        for path in kept
        if (mode := stat.S_IMODE(path.stat().st_mode)) & 0o077
    }
    assert open_to_others == {}
    assert any(path.name.endswith(".txt") for path in kept), "the reason is among them"
    sheet = next((root / "prints" / "run").glob("*good*.tif"))
    assert stat.S_IMODE(sheet.stat().st_mode) == 0o644, "a sheet is for whoever prints it"
