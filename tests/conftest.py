"""What many tests share."""

from __future__ import annotations

import os

from hypothesis import settings

# one thread for array libraries: the tests run side by side, and results must not depend on a thread pool's summing order
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# an example that is slow on a busy machine is no failure; what must be quick is measured in tests/bench
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")
