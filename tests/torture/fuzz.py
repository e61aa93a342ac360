"""Our own parsers against damaged input: no exception but the documented ones, no input that takes long.

With atheris installed the long form is guided by what code an input reaches, each parser in a process of its own; without it, and in the
short form, a seeded hand damages sound input.
"""

from __future__ import annotations

import importlib.util
import inspect
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from types import FrameType
from typing import Any, Final

from tests.torture.fuzz_kit import TARGETS, Target
from tests.torture.hostile_kit import damaged
from tests.torture.row import Outcome, Row, tell

LIMIT_S: Final = 2.0  #: of the processor, for one input of some kilobytes
#: Texts that a hand which damages bytes hardly ever writes.
_NASTY: Final = (b"", b"[" * 100_000, b'{"a":' * 50_000, b"a = " + b"[" * 50_000, b"a = " + b"9" * 5000, b'{"made": ' + b"9" * 400 + b"}", b"\0" * 70_000, b"\xff" * 70_000)  # fmt: skip


class TooLong(BaseException):
    """An input took longer than it may; no parser catches this by accident."""


def attempt(target: Target, data: bytes) -> str:
    """What is wrong about the way that one input ends; empty where nothing is."""
    signal.signal(signal.SIGVTALRM, _late)
    signal.setitimer(signal.ITIMER_VIRTUAL, LIMIT_S)
    try:
        target.parse(data)
    except target.may_raise:
        return ""
    except TooLong:
        return f"{target.name}: longer than {LIMIT_S:g} s on {data[:60]!r} ({len(data):,} bytes)"
    except Exception as error:
        return f"{target.name}: {type(error).__name__}: {str(error)[:200]} on {data[:60]!r} ({len(data):,} bytes)"
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
    return ""


def by_hand(seed: int, count: int) -> Outcome:
    """`count` damaged inputs to each parser, and the nasty ones."""
    wrong: list[str] = []
    began = time.monotonic()
    for target in TARGETS:
        rng, sound = random.Random(f"{seed} {target.name}"), target.sound()
        wrong += [f"sound input: {fault}" for data in sound if (fault := _sound(target, data))]
        inputs = [*_NASTY, *(_also_text(rng, rng.choice(sound)) for _ in range(count))]
        wrong += [fault for data in inputs if (fault := attempt(target, data))]
    return _outcome(wrong, len(TARGETS) * (count + len(_NASTY)), time.monotonic() - began, "by a seeded hand")


def guided(seed: int, runs: int) -> Outcome:
    """`runs` inputs to each parser, grown by atheris in a process of its own from the sound ones."""
    wrong: list[str] = []
    began = time.monotonic()
    for target in TARGETS:
        command = [sys.executable, "-m", "tests.torture.fuzz", target.name, str(seed), str(runs)]
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode:
            tail = [line for line in done.stderr.splitlines() if target.name in line or "Error" in line]
            wrong.append(f"{target.name}: {' | '.join(tail[:3]) or done.stderr[-300:]}")
        print(target.name, "ok" if not done.returncode else wrong[-1], file=sys.stderr, flush=True)
    return _outcome(wrong, len(TARGETS) * runs, time.monotonic() - began, "guided by atheris")


def _also_text(rng: random.Random, good: bytes) -> bytes:
    """Damage; a third of short input is also grown, because texts break where they nest and where numbers are long."""
    if len(good) < 4000 and rng.random() < 0.35:
        at = rng.randrange(len(good))
        piece = rng.choice((b"[", b"{", b'"', b"9", b"-", b".", b"\\u", b"\xff", b"1e", b"null", b"true"))
        return good[:at] + piece * rng.choice((1, 2, 30, 500, 6000)) + good[at + rng.randint(0, 3) :]
    return damaged(rng, good)[0]


def _sound(target: Target, data: bytes) -> str:
    """Sound input must be taken, or the test would only ever meet the door."""
    try:
        taken = target.parse(data)
    except target.may_raise as error:
        return (
            "" if target.name == "icc-source" else f"{target.name}: {error}"
        )  # a grey one fits no RGB picture
    silent = target.name in ("end-marks", "directories")  # these answer nothing where all is well
    return "" if taken is not None or silent else f"{target.name}: took nothing from it"


def _late(_number: int, _frame: FrameType | None) -> None:
    raise TooLong


def _outcome(wrong: list[str], count: int, seconds: float, how: str) -> Outcome:
    tell(wrong)
    return Outcome(
        not wrong,
        f"{count:,} inputs to {len(TARGETS)} parsers {how}, {count / seconds:,.0f} a second: {len(wrong)} wrong",
    )


def _long(seed: int) -> Outcome:
    if importlib.util.find_spec("atheris") is None:
        return by_hand(seed, 100_000)
    return guided(seed, 200_000)


def _atheris(name: str, seed: int, runs: int) -> None:
    """One parser under atheris; ends the process, with a traceback and a code of its own where something is wrong."""
    import tempfile
    from pathlib import Path

    import atheris

    target = next(target for target in TARGETS if target.name == name)

    def one(data: bytes) -> None:
        if fault := attempt(target, data):
            raise AssertionError(fault)

    with tempfile.TemporaryDirectory() as folder:
        for number, data in enumerate(target.sound()):
            (Path(folder) / str(number)).write_bytes(data)
        options = [
            f"-runs={runs}",
            f"-seed={seed % 2**31}",
            "-max_len=20000",
            "-rss_limit_mb=2048",
            "-verbosity=0",
        ]
        _instrument(atheris.instrument_func)
        atheris.Setup([sys.argv[0], *options, f"-artifact_prefix={folder}/", folder], one)
        atheris.Fuzz()


def _instrument(instrument: Callable[[Any], Any]) -> None:
    """Only our own functions: instrumenting every library takes minutes and guides nowhere."""
    for name, module in list(sys.modules.items()):
        if name.startswith("drydown."):
            for value in list(vars(module).values()):
                if inspect.isfunction(value) and value.__module__ == name:
                    instrument(value)


ROW = Row(
    name="fuzz",
    says="our own parsers: no exception but the documented ones, and none that takes long",
    short=lambda seed: by_hand(seed, 400),
    long=_long,
)

if __name__ == "__main__":
    _atheris(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
