"""The mutants themselves: each kind of change is made, alone, and what nobody runs is left alone. The row `mutation` itself has no short form in the suite."""

from __future__ import annotations

import ast

from tests.torture.equivalent import EQUIVALENT
from tests.torture.mutants import mutants
from tests.torture.mutation import PACKAGE, jobs

SOURCE = '''
"""Text."""
from __future__ import annotations

LIMIT = 5


def close(a: int, b: int = 2) -> bool:
    """Text with 7."""
    if a == b and not is_open(a, b):
        note("a")
        return True
    raise ValueError(f"{a + 9}")
'''


def test_each_kind_of_change_is_made() -> None:
    said = {mutant.what for mutant in mutants(SOURCE)}
    assert said == {
        "module: 5  ->  6",
        "module: 5  ->  4",
        "close: 2  ->  3",
        "close: 2  ->  1",
        "close: a == b  ->  a != b",
        "close: a == b and (not is_open(a, b))  ->  a == b or not is_open(a, b)",
        "close: if a == b and (not is_open(a, b)):  ->  if not (a == b and (not is_open(a, b))):",
        "close: not is_open(a, b)  ->  not not is_open(a, b)",
        "close: is_open(a, b)  ->  is_open(b, a)",
        "close: note('a')  ->  pass",
        "close: True  ->  False",
        "close: return True  ->  return None",
        "close: raise ValueError(f'{a + 9}')  ->  pass",
    }


def test_a_mutant_is_the_whole_module_with_one_change_and_can_be_compiled() -> None:
    plain = ast.unparse(ast.parse(SOURCE)).splitlines()
    for mutant in mutants(SOURCE):
        source = mutant.of(SOURCE)
        compile(source, "mutant", "exec")
        assert len([line for line in source.splitlines() if line not in plain]) == 1, mutant


def test_each_mutant_said_to_change_nothing_is_there_to_be_said_so_of() -> None:
    known = {
        (module, mutant.what)
        for module in {name for name, _ in EQUIVALENT}
        for mutant in mutants((PACKAGE / module).read_text())
    }
    assert set(EQUIVALENT) <= known
    assert len(jobs()) > 400
