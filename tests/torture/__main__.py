"""`python -m tests.torture [ROW ...] [--short] [--seed N]`: the long proofs that no picture is lost, printed twice or let in; a line a row.

Each row is a module beside this one with a `ROW`. A row runs in a process of its own, so that one that ends badly costs only itself.
"""

from __future__ import annotations

import argparse
import importlib
import multiprocessing
import pkgutil
import sys
import time
import traceback
from multiprocessing.connection import Connection
from pathlib import Path

from tests.torture.row import Form, Outcome, Row

SEED = 20_261_125


def rows() -> dict[str, Row]:
    """Every row of this folder, by name."""
    modules = (
        importlib.import_module(f"tests.torture.{found.name}")
        for found in pkgutil.iter_modules([str(Path(__file__).parent)])
        if not found.name.startswith(("_", "test_"))
    )
    return {module.ROW.name: module.ROW for module in modules if hasattr(module, "ROW")}


def run(form: Form, seed: int) -> Outcome:
    """A row's form in a process of its own; a crash of it is an outcome too."""
    ours, theirs = multiprocessing.Pipe(duplex=False)
    process = multiprocessing.get_context("fork").Process(target=_run, args=(form, seed, theirs))
    process.start()
    theirs.close()
    try:
        return ours.recv()  # type: ignore[no-any-return]
    except EOFError:
        process.join()
        return Outcome(False, f"the row's own process ended with {process.exitcode}")
    finally:
        process.join()


def _run(form: Form, seed: int, answer: Connection) -> None:
    try:
        answer.send(form(seed))
    except Exception as error:
        traceback.print_exc()
        answer.send(Outcome(False, f"{type(error).__name__}: {error}"))


def main() -> int:
    known = rows()
    parser = argparse.ArgumentParser(prog="python -m tests.torture", description=__doc__.split("\n")[0])
    parser.add_argument("row", nargs="*", choices=[*known, []], help=", ".join(known))
    parser.add_argument(
        "--short",
        action="store_true",
        help="the form that `make test` runs, of the rows that have one; what this machine cannot run is no failure",
    )
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args()
    print(f"seed {asked.seed}, {'short' if asked.short else 'long'} form", flush=True)
    good = True
    for name in asked.row or known:
        row, began = known[name], time.monotonic()
        form = row.short if asked.short else row.long
        if form is None:
            continue
        if missing := row.missing():
            good &= asked.short
            print(f"left out {name:<18} {missing}", flush=True)
            continue
        outcome = run(form, asked.seed)
        good &= outcome.ok
        verdict = "ok      " if outcome.ok else "FAILED  "
        print(f"{verdict} {name:<18} {outcome.figures} ({time.monotonic() - began:.0f} s)", flush=True)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
