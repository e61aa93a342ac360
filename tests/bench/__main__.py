"""The benches: whole jobs against the bare pixel work in the same run, as ratios. `python -m tests.bench [job] [page] [strip] [queue] [daemon] [commands] [profile]`."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psutil
import pyvips

from drydown.demo.drive import daemon, follow
from drydown.demo.paper import pearl_profile
from drydown.demo.scenario import lay_out
from drydown.imaging.convert import convert
from drydown.imaging.gamut_loss import loss_map
from drydown.imaging.working import wide_gamut
from drydown.jobs.ledger import LedgerView
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.places import Places
from tests.bench.commands import commands
from tests.bench.profile_build import profile_build

ROUNDS = 5
QUEUE = 20
IDLE_S = 60.0
#: a line of the demonstration's recipe, and what makes 25 patches of it
SERIES = 'series = "ring-around"'
PATCHES = 'vary = ["balance.cyan", "balance.magenta"]\nstep = [5, 5]\ncount = [5, 5]'

Row = tuple[str, str, str, str]


def main(names: list[str]) -> int:
    """Run the benches named, or all; print one table; 1 when a limit is missed."""
    benches: dict[str, Callable[[Path], Iterator[Row]]] = {
        "job": job,
        "page": page,
        "strip": strip,
        "queue": queue,
        "daemon": idle,
        "commands": commands,
        "profile": profile_build,
    }
    rows: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="bench-", dir=_where()) as folder:
        for name in names or list(benches):
            rows += benches[name](Path(folder))
    width = [max(len(row[i]) for row in [*rows, ("what", "found", "limit", "")]) for i in range(4)]
    print(f"{'what':{width[0]}}  {'found':>{width[1]}}  {'limit':>{width[2]}}")
    for row in rows:
        print(f"{row[0]:{width[0]}}  {row[1]:>{width[1]}}  {row[2]:>{width[2]}}  {row[3]}")
    return int(any(row[3] == "MISSED" for row in rows))


def _where() -> Path:
    path = Path("bench-out")
    path.mkdir(exist_ok=True)
    return path.absolute()


def job(folder: Path) -> Iterator[Row]:
    """One 45-megapixel 16-bit wide-gamut TIFF to 11x17 at 360 ppi, from claimed to published, against bare; and where the time goes."""
    source = photograph(folder / "45.tif", 8256, 5504)
    profile, out = folder / "pearl.icc", folder / "bare.tif"
    profile.write_bytes(pearl_profile())
    bare, whole, last = [], [], None
    with studio(
        folder / "job", page=False
    ) as root:  # the sheet's own cost; what a page adds is the next bench
        _once(root, source, 0)  # the first job of a daemon pays for imports
        for number in range(1, ROUNDS + 1):
            bare.append(_bare(source, profile, out))
            last = _once(root, source, number)
            whole.append(_seconds(root, last))
    ratio = statistics.median(w / b for w, b in zip(whole, bare, strict=True))
    yield _row("45 MP, claimed to published / bare", f"{ratio:.2f}", "<= 1.35", ratio <= 1.35)
    yield "  bare, median", f"{statistics.median(bare):.2f} s", "", ""
    yield "  whole job, median", f"{statistics.median(whole):.2f} s", "", ""
    assert last is not None and last.result is not None
    for phase, seconds in last.result.seconds.items():
        yield f"    {phase}", f"{seconds:.2f} s", "", ""
    peak = last.result.peak_mb
    yield _row("  peak memory of the job's process", f"{peak:.0f} MB", "<= 200 MB", peak <= 200)


def page(folder: Path) -> Iterator[Row]:
    """What a job's page adds to a 45-megapixel job, and what the figures of the gamut's loss take on a 24-megapixel picture."""
    source = photograph(folder / "45p.tif", 8256, 5504)
    with studio(folder / "with") as shown, studio(folder / "without", page=False) as plain:
        ratios, peak = [], 0.0
        for number in range(ROUNDS + 1):
            rows = [_once(root, source, number) for root in (shown, plain)]
            one, other = (_seconds(root, row) for root, row in zip((shown, plain), rows, strict=True))
            ratios.append(one / other)
            peak = max(peak, rows[0].result.peak_mb if rows[0].result else 0.0)
    ratio = statistics.median(ratios[1:])  # the first job of a daemon pays for imports
    yield _row("45 MP, with its page / without", f"{ratio:.2f}", "<= 1.20", ratio <= 1.2)
    yield _row("  peak memory of the job's process", f"{peak:.0f} MB", "<= 320 MB", peak <= 320)
    icc = pearl_profile()
    photograph(folder / "24p.tif", 6000, 4000)
    before = pyvips.Image.new_from_file(str(folder / "24p.tif"))
    made = convert(before, wide_gamut(), icc, intent="relative", black_point_compensation=True)
    made.tiffsave(str(folder / "24d.tif"))
    after, taken = pyvips.Image.new_from_file(str(folder / "24d.tif")), []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        loss_map(before, wide_gamut(), after, icc, intent="relative", black_point_compensation=True)
        taken.append(time.perf_counter() - start)
    gamut_s = statistics.median(taken)
    yield _row("loss of gamut, figures of 24 MP", f"{gamut_s:.2f} s", "<= 0.50 s", gamut_s <= 0.5)


def strip(folder: Path) -> Iterator[Row]:
    """Twenty-five patches of a region of a 45-megapixel picture on letter, against one final of it on 11x17."""
    source = photograph(folder / "45s.tif", 8256, 5504)
    with studio(folder / "strip", SERIES, PATCHES) as root:
        _once(root, source, 0)
        finals, strips, last = [], [], None
        for number in range(ROUNDS):
            finals.append(_seconds(root, _once(root, source, 2 * number + 1)))
            last = _once(root, source, 2 * number + 2, "proof")
            strips.append(_seconds(root, last))
    assert last is not None and last.result is not None
    patches = len(last.result.record["maker"]["patches"])
    ratio = statistics.median(s / f for s, f in zip(strips, finals, strict=True))
    yield _row(
        f"a strip of {patches} patches / one final", f"{ratio:.2f}", "<= 1.00", ratio <= 1 and patches == 25
    )
    yield "  final, median", f"{statistics.median(finals):.2f} s", "", ""
    yield "  strip, median", f"{statistics.median(strips):.2f} s", "", ""
    peak = last.result.peak_mb
    yield _row("  peak memory of the strip's process", f"{peak:.0f} MB", "<= 300 MB", peak <= 300)


def queue(folder: Path) -> Iterator[Row]:
    """Twenty pictures of 24 megapixels through the daemon, against the full bare script, two at a time."""
    source = photograph(folder / "24.tif", 6000, 4000)
    profile = folder / "pearl.icc"
    profile.write_bytes(pearl_profile())
    copies = [folder / f"q{number:02}.tif" for number in range(QUEUE)]
    for copy in copies:
        shutil.copyfile(source, copy)
    names = "\n".join(map(str, copies))
    command = f"xargs -P2 -I@ {sys.executable} -m tests.bench.bare @ {profile} @.out --full"
    start = time.perf_counter()
    subprocess.run(command, shell=True, input=names, text=True, check=True, stdout=subprocess.DEVNULL)
    bare = time.perf_counter() - start
    for out in folder.glob("*.out*"):
        out.unlink()
    with studio(folder / "queue", page=False) as root:
        _once(root, source, 0)
        for copy in copies:
            copy.rename(root / "drop" / copy.name)
        start = time.perf_counter()
        for copy in copies:
            (root / "drop" / copy.name).rename(root / "hot" / "final" / copy.name)
        follow(root, QUEUE + 1, deadline_s=600, show=lambda row: None)
        whole = time.perf_counter() - start
    rate = bare / whole
    yield _row(
        f"{QUEUE} x 24 MP, throughput / full bare, two at a time", f"{rate:.2f}", ">= 0.90", rate >= 0.9
    )
    yield "  bare", f"{bare:.1f} s", "", ""
    yield "  daemon", f"{whole:.1f} s", "", ""


def idle(folder: Path) -> Iterator[Row]:
    """Drop to claim; the idle daemon's processor time and memory."""
    small = photograph(folder / "small.tif", 600, 400)
    with studio(folder / "idle") as root:
        delays = []
        for number in range(8):
            copy = root / "drop" / f"d{number}.tif"
            shutil.copyfile(small, copy)
            start = time.time()
            shutil.copyfile(copy, root / "hot" / "final" / copy.name)
            follow(root, number + 1, deadline_s=60, show=lambda row: None)
            with LedgerView.read(Places(root).ledger) as ledger:
                delays.append(ledger.jobs(limit=1)[0].created - start)
        worst = max(delays)
        yield _row("drop to claim, worst of 8", f"{worst:.2f} s", "<= 0.50 s", worst <= 0.5)
        process = psutil.Process(int(Places(root).lock.read_text().split()[0]))
        before = sum(process.cpu_times()[:2])
        time.sleep(IDLE_S)
        share = (sum(process.cpu_times()[:2]) - before) / IDLE_S * 100
        yield _row("idle daemon, of one core", f"{share:.2f} %", "<= 0.50 %", share <= 0.5)
        used = process.memory_info().rss / 1e6
        yield _row("idle daemon, memory", f"{used:.0f} MB", "<= 80 MB", used <= 80)
        starters = [child.memory_info().rss / 1e6 for child in process.children()]
        yield "  starter process, apart", f"{sum(starters):.0f} MB", "", ""


@contextmanager
def studio(root: Path, old: str = "", new: str = "", *, page: bool = True) -> Iterator[Path]:
    """The demonstration's studio with its daemon running, and a folder beside the hot ones to drop from; `old` in its recipe becomes `new`."""
    lay_out(root, pearl_profile())
    recipe = root / "recipes" / "shoreline.toml"
    recipe.write_text(recipe.read_text().replace(old, new) if old else recipe.read_text())
    settings = (root / "studio.toml").read_text()
    assert "[daemon]\n" in settings
    settings = settings.replace(
        "[daemon]\n", "[daemon]\nrepeat_window_hours = 0\n"
    )  # one picture, many times
    (root / "studio.toml").write_text(settings + ("" if page else "\n[pages]\nmake = false\n"))
    (root / "drop").mkdir()
    with daemon(root):
        yield root


def _once(root: Path, source: Path, number: int, hot_folder: str = "final") -> JobRow:
    copy = root / "drop" / f"p{number}.tif"
    shutil.copyfile(source, copy)
    copy.rename(root / "hot" / hot_folder / copy.name)
    row = follow(root, number + 1, deadline_s=120, show=lambda row: None)[-1]
    if row.state != "completed":
        raise SystemExit(f"the job is {row.state}: {row.reason}")
    for sheet in (root / "prints").glob("*/*.tif"):
        sheet.unlink()
    return row


def _seconds(root: Path, row: JobRow) -> float:
    """From the claim's row in the ledger to the end."""
    with LedgerView.read(Places(root).ledger) as ledger:
        events = ledger.events(row.id)
    return events[-1].time - events[0].time


def _bare(source: Path, profile: Path, out: Path) -> float:
    command = [sys.executable, "-m", "tests.bench.bare", str(source), str(profile), str(out)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def _row(what: str, found: str, limit: str, kept: bool) -> Row:
    return what, found, limit, "" if kept else "MISSED"


def photograph(path: Path, width: int, height: int) -> Path:
    """A 16-bit wide-gamut TIFF with gradients, edges and grain."""
    rng = np.random.default_rng(1)
    x, y = (
        np.linspace(0, 1, width, dtype=np.float32)[None],
        np.linspace(0, 1, height, dtype=np.float32)[:, None],
    )
    array = np.empty((height, width, 3), np.uint16)
    for channel, plane in enumerate((0.7 * x + 0.2 * y, 0.8 * y + 0 * x, 0.45 + 0.4 * np.sin(9 * x + 5 * y))):
        grain = rng.normal(0, 0.01, (height, width)).astype(np.float32)
        array[..., channel] = np.clip((plane + 0.05 * (np.sin(80 * x) > 0) + grain) * 60000 + 2000, 0, 65535)
    image = pyvips.Image.new_from_array(array).copy(interpretation="rgb16")
    image.set_type(pyvips.GValue.blob_type, "icc-profile-data", wide_gamut())
    image.tiffsave(str(path))
    return path


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "2")
    sys.exit(main(sys.argv[1:]))
