"""Ends the program at a chosen durable step: a real process that really ends, with nothing tidied up behind it."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable

from drydown import durable

KILLED = 137
FAILED = 1


def in_a_process_killed_at(step: int, work: Callable[[], None], *, look: Callable[[], None]) -> bool:
    """Run `work` in a process of its own that ends at durable step number `step` (from 0). True when it was killed, False when it came to its end.

    `look` is called at every step before that: somebody else who sees the folders meanwhile.
    """
    pid = os.fork()
    if pid == 0:
        code = FAILED
        try:
            count = 0

            def listen(_: str) -> None:
                nonlocal count
                look()
                if count == step:
                    os._exit(KILLED)
                count += 1

            durable.on_step = listen
            work()
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    _, status = os.waitpid(pid, 0)
    code = os.waitstatus_to_exitcode(status)
    assert code in (0, KILLED), f"the program failed by itself (exit {code}); its traceback is above"
    return code == KILLED
