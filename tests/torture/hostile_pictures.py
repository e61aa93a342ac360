"""Damaged and malicious pictures through the child that the daemon uses.

Whatever a file holds, its attempt must end finished or with one clear sentence, within its time and its memory, and nothing outside its folder may
change. Most damaged files are read many to a child (it reads, converts and evaluates as a job does); the rest, and every bomb, are a job each.
"""

from __future__ import annotations

import json
import sys
import tempfile
import threading
import time
import zipfile
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, Final

from tests.e2e.studio import STUDIO
from tests.small_studio import TO_PAPER, recipe
from tests.torture.attempts_kit import Bench, bench, changes, tree
from tests.torture.bombs_kit import LIMIT_PX, Bomb, bombs
from tests.torture.hostile_kit import Case, cases, good_files
from tests.torture.reader_plugin import ANSWERS
from tests.torture.row import Outcome, Row, tell

DEADLINE_S: Final = 5.0
MEMORY_MB: Final = 512
_BATCH: Final = 200
_LIMITS: Final = f"deadline_s = {DEADLINE_S:g}\nmemory_mb = {MEMORY_MB}\nmax_pixels = {LIMIT_PX}"
#: What no sentence for a photographer holds.
_INSIDE: Final = ("Traceback", "Error:", "Exception", "internal", "unable to call", "object at 0x", "None")


@dataclass
class Told:
    """What came of everything: how often which end, and every end that must not be."""

    ends: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    altered: Counter[str] = field(default_factory=Counter)  #: finished with other pixels than the good file's
    slowest_s: float = 0.0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def end(self, case: str, outcome: str, reason: str) -> None:
        """Count one end, by its kind."""
        kind = kind_of_end(outcome, reason)
        with self._lock:
            self.ends[kind or "wrong"] += 1
        if not kind:
            self.wrong.append(f"{case}: {outcome}: {reason[:400]}")


def kind_of_end(outcome: str, reason: str) -> str:
    """finished, refused, stopped (time or memory), ended by a signal (a decoder fell, and took nothing with it); empty for what must not be."""
    if outcome == "done":
        return "finished"
    if outcome in ("refused", "held"):
        return "refused" if is_sentence(reason) else ""
    if outcome == "killed" and ("deadline" in reason or "of memory" in reason):
        return "stopped"
    return "by signal" if outcome == "crashed" and "was ended by signal" in reason else ""


def is_sentence(text: str) -> bool:
    """One line that a photographer can act on: it ends in a full stop and shows nothing of the program's inside."""
    return (
        text.endswith(".")
        and text.isprintable()
        and 20 <= len(text) <= 700
        and not any(word in text for word in _INSIDE)
    )


def torture(seed: int, *, read: int, jobs: int) -> Outcome:
    """`read` damaged files read many to a child, `jobs` more as a job each, and every bomb."""
    told = Told()
    with tempfile.TemporaryDirectory(prefix="hostile-") as folder:
        root, canary, dropped = (Path(folder) / name for name in ("studio", "canary", "dropped"))
        for made in (canary, dropped):
            made.mkdir()
        (canary / "bird.txt").write_text("It sings.\n")
        plugin = (Path(__file__).parent / "reader_plugin.py").read_text()
        files = {
            "studio.toml": STUDIO.replace("deadline_s = 60", _LIMITS),
            "recipes/hostile.toml": recipe(*TO_PAPER),
            "plugins/reader.py": plugin,
        }
        with bench(root, files) as at:
            good = _good(at, dropped, told)
            before, starter = tree(root, canary, but=at.house.places.work), at.starter.pid
            damaged = cases(seed, read + jobs)
            with ThreadPoolExecutor(2) as two:
                singly = [next(damaged) for _ in range(jobs)]
                list(two.map(lambda case: _one(at, dropped, case.name, case.data, told), singly))
                while many := list(islice(damaged, 2 * _BATCH)):
                    halves = (many[::2], many[1::2])
                    for answers in two.map(lambda half: read_many(at, dropped, half, told), halves):
                        _judge_altered(many, answers, good, told)
                    _progress(told)
                list(two.map(lambda bomb: _bomb(at, dropped, bomb, told), bombs()))
            told.wrong += [
                f"changed: {path}" for path in changes(before, tree(root, canary, but=at.house.places.work))
            ]
            if at.starter.pid != starter:
                told.wrong.append("the starter process fell")
            peak = max(at.peak_mb.values())
    if peak > 1.1 * MEMORY_MB:
        told.wrong.append(f"a child used {peak:.0f} MB; the limit is {MEMORY_MB} MB")
    return _outcome(told, peak)


def _good(at: Bench, dropped: Path, told: Told) -> dict[str, str]:
    """Every good file is finished among many, and one of each kind as a job; answers the hash of its pixels."""
    files = [Case(name, data, name, "whole") for name, data in good_files().items()]
    answers = read_many(at, dropped, files, told)
    for case in files:
        if answers[case.name]["outcome"] != "done":
            told.wrong.append(f"good {case.name}: {answers[case.name]}")
    for case in {case.name.rpartition(".")[2]: case for case in files}.values():
        if said := _one(at, dropped, case.name, case.data, told):
            told.wrong.append(f"good {case.name}: {said}")
    told.ends.clear()
    return {name: answer.get("pixels", "") for name, answer in answers.items()}


def _one(at: Bench, dropped: Path, name: str, data: bytes, told: Told) -> str:
    """One file as a job of its own; answers its reason, empty where it is finished."""
    path = dropped / name
    path.write_bytes(data)
    spec = at.spec(path, "hostile")
    began = time.monotonic()
    result = at.attempts(spec, 1)
    told.slowest_s = max(told.slowest_s, time.monotonic() - began)
    told.end(name, result.outcome, result.reason)
    if path.read_bytes() != data:
        told.wrong.append(f"{name}: the file was changed")
    path.unlink()
    at.clear(spec)
    return result.reason


def _bomb(at: Bench, dropped: Path, bomb: Bomb, told: Told) -> None:
    said = _one(at, dropped, bomb.name, bomb.data, told)
    if bomb.says is not None and (bool(said) != bool(bomb.says) or bomb.says not in said):
        told.wrong.append(f"{bomb.name} should have said “{bomb.says}” and said “{said}”")


def read_many(at: Bench, dropped: Path, many: Sequence[Case], told: Told) -> dict[str, dict[str, Any]]:
    """Read files many to a child; one on which a child ends is told of, done once more as a job of its own, and the next child goes on after it."""
    answers: dict[str, dict[str, Any]] = {}
    left = list(many)
    while left:
        path = dropped / f"{left[0].name}.zip"
        with zipfile.ZipFile(path, "w") as archive:
            for case in left:
                archive.writestr(case.name, case.data)
        spec = at.spec(path, "hostile", maker="read-all").model_copy(update={"deadline_s": 120.0})
        result = at.attempts(spec, 1)
        said = at.folder(spec) / ANSWERS
        lines = said.read_text().splitlines() if said.exists() else []
        told_now = {answer["name"]: answer for answer in map(json.loads, lines)}
        answers |= told_now
        at.clear(spec)
        path.unlink()
        if len(told_now) == len(left):
            break
        fell = left[len(told_now)]
        answers[fell.name] = {"outcome": "fell", "reason": result.reason}
        _one(at, dropped, fell.name, fell.data, told)
        left = left[len(told_now) + 1 :]
    for case in many:
        answer = answers[case.name]
        if answer["outcome"] == "decoder":  # a job says this of it: `jobs.child._culprit`
            answer |= {"outcome": "refused", "reason": f"{case.name} is damaged inside."}
        if answer["outcome"] != "fell":
            told.end(f"{case.name} ({case.made_of}, {case.how})", answer["outcome"], answer.get("reason", ""))
    return answers


def _judge_altered(
    many: Iterable[Case], answers: dict[str, dict[str, Any]], good: dict[str, str], told: Told
) -> None:
    """Count what is finished with other pixels than the good file has; where there are check sums over them, that must not be."""
    for case in many:
        answer = answers.get(case.name, {})
        if answer.get("outcome") != "done" or case.made_of not in good:
            continue
        if answer["pixels"] != good[case.made_of]:
            told.altered[case.made_of] += 1
            is_png = case.made_of.endswith(".png") and case.data.startswith(b"\x89PNG")
            if is_png and "sums" not in case.how:
                told.wrong.append(f"{case.name} ({case.made_of}, {case.how}) is altered and was taken")


def _progress(told: Told) -> None:
    print(dict(told.ends), file=sys.stderr, flush=True)


def _outcome(told: Told, peak: float) -> Outcome:
    if told.slowest_s > DEADLINE_S + 2:
        told.wrong.append(f"one took {told.slowest_s:.1f} s; the deadline is {DEADLINE_S:g} s")
    tell(told.wrong)
    print("altered:", dict(told.altered.most_common()), file=sys.stderr)
    ends = ", ".join(f"{count:,} {kind}" for kind, count in told.ends.most_common())
    figures = (
        f"{told.ends.total():,} files: {ends}; {told.altered.total():,} finished though altered, where no check sum tells; "
        f"{len(told.wrong)} wrong; peak {peak:.0f} of {MEMORY_MB} MB; slowest {told.slowest_s:.1f} s"
    )
    return Outcome(not told.wrong, figures)


ROW = Row(
    name="hostile-pictures",
    says="damaged and malicious pictures through the child: a sheet or a sentence, in time, within memory, nothing else touched",
    short=lambda seed: torture(seed, read=800, jobs=200),
    long=lambda seed: torture(seed, read=40_000, jobs=10_000),
)
