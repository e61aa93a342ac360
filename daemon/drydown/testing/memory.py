"""Watching how much private memory this process takes while something is worked out."""

from __future__ import annotations

import resource
import sys
import threading
from pathlib import Path
from types import TracebackType

_LOOK_S = 0.02
_MB = 1 << 20


class Watch:
    """Looks at this process's private memory every 20 ms; mapped files are not counted, because the system can take them back."""

    def __init__(self) -> None:
        self._before = _private_mb()
        self.peak_mb = 0.0  #: the most that was taken beyond what the process held before, in MB
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)

    def __enter__(self) -> Watch:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        while True:
            over = self._over.wait(_LOOK_S)
            self.peak_mb = max(self.peak_mb, _private_mb() - self._before)
            if over:
                return


def _private_mb() -> float:
    """Private memory now; where there is no /proc, the most that was ever resident."""
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return most / _MB if sys.platform == "darwin" else most / 1024
    kb = sum(int(line.split()[1]) for line in lines if line.startswith(("RssAnon", "RssShmem")))
    return kb / 1024
