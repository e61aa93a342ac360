"""What many tests share."""

from __future__ import annotations

import os

# one thread for array libraries: the tests run side by side, and results must not depend on a thread pool's summing order
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
