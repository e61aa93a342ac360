"""Reading a table in which something is wrong, so that what is right can still be checked against the other files.

What comes of it is never used for a job: a studio with one fault is not loaded. It only keeps a person from mending file after file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from pydantic import BaseModel

from drydown.errors import Fault
from drydown.studio.faults import validate

M = TypeVar("M", bound=BaseModel)

#: Stand in for required keys that are missing or wrong. Nobody may look at a key that is in `Partial.bad`.
STAND_INS: dict[str, Any] = {
    "path": "-",
    "profile": "-",
    "ppi": 300,
    "recipe": "-",
    "sheet": "letter",
    "sheet_maker": "-",
    "sheets": ["letter"],
    "stock": "-",
}


@dataclass(frozen=True, slots=True)
class Partial(Generic[M]):
    """The model as far as it goes (None where not even that), the keys that must not be looked at, and the faults."""

    value: M | None
    bad: frozenset[str] = frozenset()
    faults: list[Fault] = field(default_factory=list)

    def sound(self, *keys: str) -> bool:
        """Whether there is a value, and all these keys of it may be looked at."""
        return self.value is not None and not self.bad & set(keys)


def read_partial(model: type[M], data: Mapping[str, Any], *, file: str) -> Partial[M]:
    """Check `data`, and keep what is right of it."""
    value, faults = validate(model, data, file=file)
    if value is not None:
        return Partial(value)
    bad = frozenset(match[0] for fault in faults if (match := re.match(r"[\w-]+", fault.place)))
    kept = {key: part for key, part in data.items() if key in model.model_fields and key not in bad}
    stand_ins = {
        key: part for key, part in STAND_INS.items() if key in model.model_fields and key not in kept
    }
    value, _ = validate(model, {**stand_ins, **kept}, file=file)
    return Partial(value, bad | set(stand_ins), faults)
