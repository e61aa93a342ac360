"""The mutants themselves: each kind of change is made, alone, and what nobody runs is left alone."""

from __future__ import annotations

import ast

from tests.torture.equivalent import EQUIVALENT, TUNING
from tests.torture.mutants import mutants
from tests.torture.mutation import NEAREST, PACKAGE, jobs

SOURCE = '''
"""Text."""
from __future__ import annotations

LIMIT = 5


def close(a: int, b: int = 2) -> bool:
    """Text with 7."""
    if a == b and not is_open(a, b):
        note("a")
        return True
    meet(a, a)
    if b:
        note("a")
    raise ValueError(f"{a + 9}")
'''


def test_each_kind_of_change_is_made() -> None:
    said = {mutant.what for mutant in mutants(SOURCE)}
    assert said == {
        "module: LIMIT = 5  ->  LIMIT = 6",
        "module: LIMIT = 5  ->  LIMIT = 4",
        "close: a: int, b: int=2  ->  a: int, b: int=3",
        "close: a: int, b: int=2  ->  a: int, b: int=1",
        "close: a == b  ->  a != b",
        "close: a == b and (not is_open(a, b))  ->  a == b or not is_open(a, b)",
        "close: if a == b and (not is_open(a, b)):  ->  if not (a == b and (not is_open(a, b))):",
        "close: not is_open(a, b)  ->  not not is_open(a, b)",
        "close: is_open(a, b)  ->  is_open(b, a)",
        "close: note('a')  ->  pass",
        "close: return True  ->  return False",
        "close: return True  ->  return None",
        "close: meet(a, a)  ->  pass",
        "close: if b:  ->  if not b:",
        "close: note('a')  ->  pass (2)",
        "close: raise ValueError(f'{a + 9}')  ->  pass",
    }


def test_a_mutant_is_the_whole_module_with_one_change_and_can_be_compiled() -> None:
    plain = ast.unparse(ast.parse(SOURCE)).splitlines()
    for mutant in mutants(SOURCE):
        source = mutant.of(SOURCE)
        compile(source, "mutant", "exec")
        assert len([line for line in source.splitlines() if line not in plain]) == 1, mutant


def test_each_mutant_has_a_name_of_its_own() -> None:
    for module in NEAREST:
        source = (PACKAGE / module).read_text("utf-8")
        names = [mutant.what for mutant in mutants(source)]
        assert len(names) == len(set(names)) > 50


def test_each_mutant_that_is_left_out_is_there_to_be_left_out() -> None:
    known = {
        (module, mutant.what)
        for module in NEAREST
        for mutant in mutants((PACKAGE / module).read_text("utf-8"))
    }
    assert not (EQUIVALENT.keys() | TUNING.keys()) - known
    assert not EQUIVALENT.keys() & TUNING.keys()
    assert len(jobs()) > 400
