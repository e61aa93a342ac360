"""Mutants that no test can notice, because what they change is not seen from outside: (module, what) -> why."""

from __future__ import annotations

EQUIVALENT: dict[tuple[str, str], str] = {}
