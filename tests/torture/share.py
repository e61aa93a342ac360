"""Row `share`: a hot folder on a real share, served by SSH and mounted with FUSE, that breaks off, hangs, goes away and comes back while pictures arrive.

Other machines write to the server's own folder, so that no event tells of it. In every second studio the sheets go to the share too. Now and then the
daemon is killed meanwhile, also while it waits for a server that does not answer.
"""

from __future__ import annotations

import multiprocessing
import random
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.torture.kills import Studio, Tally, ended_by_itself, finish, running, small_picture
from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row, tell
from tests.torture.share_kit import Share, missing, serving

PICTURES_A_ROUND = 3
WAYS = ("breaks off", "hangs", "goes away", "breaks off in a hang")


class Shared(Studio):
    """A studio whose hot folder is a share; everybody but the daemon uses the server's own folder."""

    def __init__(self, folder: Path, picture: bytes, rng: random.Random, *, sheets_too: bool) -> None:
        super().__init__(folder, picture, rng)
        self.hot = folder / "server/hot"
        self.mounts = {"hot/final": self.hot}
        if sheets_too:
            self.prints = folder / "server/prints"
            self.mounts["prints/final"] = self.prints

    @contextmanager
    def mounted(self) -> Iterator[list[Share]]:
        """Served and mounted as long as the context lasts."""
        with ExitStack() as stack:
            yield [
                stack.enter_context(serving(self.outside / served.name, served, self.root / at))
                for at, served in self.mounts.items()
            ]


def spell(shares: list[Share], way: str, rng: random.Random) -> None:
    """One misfortune, from its beginning to its end."""
    share = rng.choice(shares)
    with ExitStack() as stack:
        if "hang" in way:
            stack.enter_context(share.hanging())
            time.sleep(rng.uniform(0.2, 4))
        if way == "hangs":
            return
        if way.startswith("breaks"):
            share.lose()
            time.sleep(rng.uniform(0, 2))
        share.unmount()
        time.sleep(rng.uniform(0, 3))
    share.mount()


def troubled(folder: Path, rounds: int, picture: bytes, seed: int) -> Tally:
    """One studio from its first start to the end of its last picture."""
    rng, tally = random.Random(seed), Tally()
    studio = Shared(folder, picture, rng, sheets_too=bool(seed % 2))
    names = iter([f"p{number:05d}.jpg" for number in range(1 + rounds * PICTURES_A_ROUND)])
    with studio.mounted() as shares, studio.people(), ExitStack() as at_work:
        daemon = at_work.enter_context(running(studio))
        # a share is known from its first use on; what was never seen may be any folder
        studio.waiting.append(next(names))
        while not studio.places.ledger.exists() or not studio.is_finished(1):
            time.sleep(0.1)
        for _ in range(rounds):
            studio.waiting.extend(next(names) for _ in range(PICTURES_A_ROUND))
            time.sleep(rng.uniform(0, 3))
            kills = rng.random() < 0.25
            spell(shares, rng.choice(WAYS), rng)
            tally.wrong += ended_by_itself(studio, daemon)
            if kills or daemon.poll() is not None:
                at_work.close()
                tally.kills += 1
                daemon = at_work.enter_context(running(studio))
        finish(studio, daemon, 1 + rounds * PICTURES_A_ROUND, tally)
        time.sleep(0.2)
        studio.judge(tally)
    return tally


def _in_a_studio(work: tuple[Path, int, bytes, int]) -> Tally:
    return troubled(*work)


def _form(seed: int, *, studios: int, rounds: int) -> Outcome:
    context = multiprocessing.get_context("spawn")
    with quick_folder() as folder, context.Pool(2, maxtasksperchild=1) as pool:
        picture = small_picture()
        work = [(folder / str(n), rounds, picture, seed + n) for n in range(studios)]
        total = sum(pool.map(_in_a_studio, work, chunksize=1), Tally())
    tell(total.wrong[:20])
    figures = (
        f"{studios * rounds} times a share broke off, hung or went away, {total.kills} kills, {total.pictures} pictures, "
        f"{total.lost} lost, {total.twice} twice, {total.held} held"
    )
    return Outcome(not (total.wrong or total.lost or total.twice), figures)


def long(seed: int) -> Outcome:
    return _form(seed, studios=2, rounds=40)


ROW = Row(
    name="share",
    says="a hot folder on a real network share that breaks off, hangs and comes back: nothing lost, nothing twice",
    short=None,
    long=long,
    missing=lambda: missing() if sys.platform.startswith("linux") else "Linux",
)
