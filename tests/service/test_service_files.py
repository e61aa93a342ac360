"""The examples of running it as a service: they parse, say what the daemon keeps to, and leave no sandboxing option out by accident."""

from __future__ import annotations

import configparser
import plistlib
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from drydown.cli import COMMANDS
from drydown.errors import Exit
from drydown.service.daemon import GRACE_S
from drydown.service.live import STALE_S

FOLDER = Path(__file__).parents[2] / "examples" / "service"
UNIT = FOLDER / "drydown.service"
PLIST = FOLDER / "local.drydown.watch.plist"


def service() -> configparser.SectionProxy:
    parser = configparser.ConfigParser(interpolation=None, delimiters=("=",))
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read(UNIT)
    return parser["Service"]


def test_the_unit_waits_for_readiness_watches_for_silence_and_gives_work_time_to_finish() -> None:
    found = service()
    assert found["Type"] == "notify" and found["WatchdogSec"] == "2min"
    assert float(found["TimeoutStopSec"]) > GRACE_S and found["KillMode"] == "mixed"
    prevented = {int(code) for code in found["RestartPreventExitStatus"].split()}
    assert prevented == {Exit.USAGE, Exit.STUDIO_FAULTY, Exit.BUSY}


@pytest.mark.parametrize(
    "option",
    [
        "ProtectSystem",
        "ProtectHome",
        "PrivateTmp",
        "PrivateDevices",
        "PrivateNetwork",
        "NoNewPrivileges",
        "CapabilityBoundingSet",
        "RestrictAddressFamilies",
        "RestrictNamespaces",
        "SystemCallFilter",
        "SystemCallArchitectures",
        "ProtectKernelModules",
        "ProtectKernelTunables",
        "LockPersonality",
    ],
)
def test_the_unit_sets_the_sandboxing_options(option: str) -> None:
    assert option in service()


def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("needs systemd-analyze")
    text = UNIT.read_text().replace("/opt/drydown/bin/drydown", "/bin/true")
    text = re.sub("^RequiresMountsFor=.*\n|^User=.*\n|^Group=.*\n", "", text, flags=re.MULTILINE)
    (tmp_path / UNIT.name).write_text(text)
    done = subprocess.run(
        [analyze, "verify", "--man=no", str(tmp_path / UNIT.name)], capture_output=True, text=True
    )
    ours = [line for line in done.stderr.splitlines() if UNIT.name in line]
    assert ours == [] and done.returncode == 0, done.stderr


def test_the_property_list_parses_and_runs_the_daemon() -> None:
    found = plistlib.loads(PLIST.read_bytes())
    assert f"{found['Label']}.plist" == PLIST.name
    command = found["ProgramArguments"]
    assert command[1] == "--studio" and command[3] in COMMANDS
    assert found["ExitTimeOut"] > GRACE_S and found["KeepAlive"] == {"SuccessfulExit": False}
    assert found["Umask"] == 0o022


def test_the_page_beside_them_says_what_is_so() -> None:
    text = (FOLDER / "README.md").read_text()
    assert UNIT.name in text and PLIST.name in text
    assert STALE_S == 30 and "half a minute" in text
    assert all(str(int(code)) in text for code in (Exit.NOT_FOUND, Exit.MACHINE))
