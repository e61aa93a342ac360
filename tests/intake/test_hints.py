from __future__ import annotations

import os
import signal
import threading

from drydown.intake.hints import Hints, Told


def test_hints_of_many_threads_are_heard_together_once_each() -> None:
    hints = Hints(gather_s=0.0)

    def tell(n: int) -> None:
        for _ in range(10):
            hints.add(f"/hot/{n}.jpg")

    threads = [threading.Thread(target=tell, args=(n,)) for n in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert hints.wait(0.0) == Told(frozenset(f"/hot/{n}.jpg" for n in range(20)))
    assert hints.wait(0.0) == Told()


def test_a_hint_ends_the_wait_from_another_thread() -> None:
    hints = Hints()
    threading.Thread(target=hints.add, args=("/hot/a.jpg",)).start()
    assert hints.wait(60.0).paths == {"/hot/a.jpg"}


def test_a_signal_handler_may_end_the_wait() -> None:
    hints = Hints()
    before = signal.signal(signal.SIGUSR1, lambda *_: hints.wake())
    try:
        threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGUSR1)).start()
        assert hints.wait(60.0) == Told()
    finally:
        signal.signal(signal.SIGUSR1, before)


def test_what_follows_the_first_hint_is_gathered() -> None:
    hints = Hints(gather_s=30.0, most=3)
    for name in "abc":
        hints.add(name)
    hints.wake()
    assert hints.wait(0.0).paths == {"a", "b", "c"}


def test_a_flood_becomes_one_look_at_everything() -> None:
    hints = Hints(gather_s=0.0, most=100)
    for n in range(1000):
        hints.add(f"/hot/{n}.jpg")
    told = hints.wait(0.0)
    assert told.everything and len(told.paths) == 100
    assert hints.wait(0.0) == Told()
