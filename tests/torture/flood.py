"""Row `flood`: thousands of files dropped while the process is stopped, found by its next looks; and thousands that wait for ever, which cost next to nothing.

Of 20,000 files a stopped process is told of a quarter (inotify's queue holds 16,384 events, several a file), so only the rescan can find them.
"""

from __future__ import annotations

import shutil
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row, linux_only
from tests.torture.taker_kit import Taker, taking

CONTENT = b"a small picture"
SCANS = 2  #: looks at everything, from the wake-up until the last picture is offered
WAITING = 10_000
IDLE_S = 130.0  #: two full looks at so many files at the default of 10 s
IDLE_PERCENT = 1.0
FLAT = 1.05


@dataclass(frozen=True)
class Flooded:
    """How one flood ended."""

    claimed: int
    scans: int  #: looks at everything until the last picture was offered
    seconds: float
    rss_mb: float


def _flood(taker: Taker, count: int, name: str) -> Flooded:
    """Stop it, drop `count` files, let it go on, and wait until it has nothing left."""
    looks, claims = len(taker.book("look")), len(taker.book("claimed"))
    taker.send(signal.SIGSTOP)
    for number in range(count):
        (taker.hot / f"{name}{number:06}.jpg").write_bytes(CONTENT)
    taker.send(signal.SIGCONT)
    began = time.monotonic()
    while time.monotonic() < began + 60 + count / 100:
        time.sleep(0.5)
        if not any(path.suffix == ".jpg" for path in taker.hot.iterdir()):
            break
    seconds = time.monotonic() - began
    taker.wait_for_looks(1, deadline_s=120)
    for taken in (taker.hot / ".taken").iterdir():  # the memory that they lie in is needed for the next flood
        shutil.rmtree(taken)
    since = taker.book("look")[looks:]
    last = max((place for place, (_, offered, _) in enumerate(since) if int(offered)), default=0)
    scans = len({full_at for full_at, _, _ in since[: last + 1]})
    return Flooded(len(taker.book("claimed")) - claims, scans, seconds, taker.rss_mb())


def _twice(taker: Taker) -> int:
    names = [name for name, *_ in taker.book("claimed")]
    return len(names) - len(set(names))


def _flooded(count: int, *, rounds: int) -> tuple[bool, str]:
    with quick_folder() as root, taking(root, rescan_s=1) as taker:
        before_mb = taker.rss_mb()
        floods = [_flood(taker, count, chr(ord("a") + number)) for number in range(rounds)]
        twice, peak_mb = _twice(taker), taker.peak_mb()
    first, warm, last = floods[0], floods[min(1, rounds - 1)], floods[-1]
    good = twice == 0 and all(one.claimed == count and one.scans <= SCANS for one in floods)
    flat = last.rss_mb <= warm.rss_mb * FLAT  # what the first flood needed is kept for the next
    scans = max(one.scans for one in floods)
    text = (
        f"{rounds} x {count} files while stopped, {sum(one.claimed for one in floods)} claimed within {scans} scans, {twice} twice, "
        f"{first.seconds:.0f} s; memory {before_mb:.0f} MB, after each {', '.join(f'{one.rss_mb:.0f}' for one in floods)}, peak {peak_mb:.0f} MB"
    )
    return good and flat, text


def _before_the_start(count: int) -> tuple[bool, str]:
    """Files that lie there when it starts."""
    with quick_folder() as root:
        (root / "hot").mkdir()
        for number in range(count):
            (root / "hot" / f"{number:06}.jpg").write_bytes(CONTENT)
        with taking(root, rescan_s=1) as taker:
            end = time.monotonic() + 60
            while len(taker.book("claimed")) < count and time.monotonic() < end:
                time.sleep(0.2)
            claimed, twice = len(taker.book("claimed")), _twice(taker)
    return claimed == count and not twice, f"{claimed} of {count} that lay there at the start"


def _idle() -> tuple[bool, str]:
    """Pictures that may not be taken: each settings file could belong to two. They are judged anew at each look, which is the dear kind of waiting."""
    with quick_folder() as root, taking(root, rescan_s=10) as taker:
        _unclear(taker.hot, WAITING // 2)
        time.sleep(20)
        began, spent = time.monotonic(), taker.cpu_s()
        time.sleep(IDLE_S)
        percent = 100 * (taker.cpu_s() - spent) / (time.monotonic() - began)
        waiting, claimed = int(taker.book("look")[-1][2]), len(taker.book("claimed"))
    good = percent <= IDLE_PERCENT and waiting >= WAITING and claimed == 0
    return good, f"{waiting} waiting: {percent:.2f} % of a core"


def _unclear(hot: Path, count: int) -> None:
    for number in range(count):
        for suffix in (".toml", ".jpg", ".png"):
            (hot / f"{number:06}{suffix}").write_bytes(CONTENT)


def _short(seed: int) -> Outcome:
    good, text = _flooded(20_000, rounds=1)
    return Outcome(good, text)


def _long(seed: int) -> Outcome:
    parts = [_flooded(100_000, rounds=3), _before_the_start(20_000), _idle()]
    return Outcome(all(good for good, _ in parts), "; ".join(text for _, text in parts))


ROW = Row(
    name="flood",
    says="thousands of files that nobody told of, and thousands that wait for ever",
    short=_short,
    long=_long,
    missing=linux_only,
)
