"""Row `half-written`: many writers at once, as copies, scanners and editors write; what is taken must be what they finished.

Chunks of 1 byte to 1 MB, pauses of up to three times the quiet time; three kinds of getting the size first (truncate, fallocate, zeros), held open or opened
anew for each chunk; appending after a close; written aside and renamed into place; and writers that keep the file open and change it once more at the end. The
files have the beginnings and ends of real formats: for a closed file they are all that can be known.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import random
import struct
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from blake3 import blake3

from drydown.jobs.hashing import file_hash
from tests.torture.quick_kit import quick_folder
from tests.torture.row import Outcome, Row, linux_only, tell
from tests.torture.taker_kit import QUIET_S, Taker, taking

KINDS = ("plain", "append", "truncate", "fallocate", "zeros", "aside", "outside", "kept open")
CHUNKS_MOST = 10
AT_ONCE = 200
AFTER_S = 40.0  #: the end of the last writer to the last claim: looks, claims, and a machine with other work


@dataclass(frozen=True)
class Writer:
    """One file and the way it is written; everything follows from the seed."""

    seed: int
    kind: str
    reopen: bool
    chunks: tuple[bytes, ...]
    pauses_s: tuple[float, ...]
    suffix: str

    @property
    def name(self) -> str:
        return f"w{self.seed}{self.suffix}"

    @property
    def content(self) -> bytes:
        return b"".join(self.chunks)


def writer(seed: int) -> Writer:
    """The writer of that seed."""
    rng = random.Random(seed)
    suffix, content = _picture(rng, int(2 ** rng.uniform(9, 20)))
    cuts, at = [0], 0
    while at < len(content) and len(cuts) < CHUNKS_MOST:
        at += int(2 ** rng.uniform(0, 20))
        cuts.append(min(at, len(content)))
    if cuts[-1] < len(content):
        cuts.append(len(content))
    chunks = tuple(content[a:b] for a, b in itertools.pairwise(cuts))
    pauses = tuple(rng.choice((0.0, rng.uniform(0, 3 * QUIET_S))) for _ in chunks)
    return Writer(seed, KINDS[seed % len(KINDS)], rng.random() < 0.5, chunks, pauses, suffix)


def _picture(rng: random.Random, size: int) -> tuple[str, bytes]:
    """Random bytes between the beginning and the end of a JPEG, a PNG or a TIFF with its directory last; no end mark within."""
    body = rng.randbytes(size).replace(b"\xff", b"\x01").replace(b"\0", b"\x02").replace(b"I", b"J")
    match rng.randrange(3):
        case 0:
            return ".jpg", b"\xff\xd8\xff\xe0\0\x10JFIF\0" + body + b"\xff\xd9"
        case 1:
            end = b"\0\0\0\0IEND\xae\x42\x60\x82"
            return ".png", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + body + end
        case _:
            body += b"\x02" * (len(body) % 2)
            entry = struct.pack("<HHII", 256, 3, 1, 7)
            directory = struct.pack("<H", 1) + entry + struct.pack("<I", 0)
            return ".tif", struct.pack("<2sHI", b"II", 42, 8 + len(body)) + body + directory


def write(one: Writer, hot: Path, outside: Path) -> None:
    """Write the file as its kind does. A file that is taken meanwhile is not finished, and its hash tells."""
    with contextlib.suppress(FileNotFoundError):
        _write(one, hot, outside)


def _write(one: Writer, hot: Path, outside: Path) -> None:
    path = hot / one.name
    if one.kind in ("aside", "outside"):
        aside = hot / f".{one.name}.Xa93Kd" if one.kind == "aside" else outside / one.name
        with aside.open("wb") as file:
            _in_chunks(one, file.fileno())
        aside.rename(path)
        return
    fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o644)
    try:
        size = len(one.content)
        match one.kind:
            case "truncate":
                os.ftruncate(fd, size)
            case "fallocate":
                os.posix_fallocate(fd, 0, size)
            case "zeros":
                os.pwrite(fd, bytes(size), 0)
            case "kept open":
                os.write(fd, one.content[:-1] + b"\0" * 2)  # one byte too many, and the last is wrong
                time.sleep(max(one.pauses_s))
                os.ftruncate(fd, size)
        if one.kind == "append" or (one.reopen and one.kind in ("truncate", "fallocate", "zeros")):
            os.close(fd)
            fd = -1
            _by_opening(one, path)
        else:
            os.lseek(fd, 0, os.SEEK_SET)
            _in_chunks(one, fd)
    finally:
        if fd >= 0:
            os.close(fd)


def _in_chunks(one: Writer, fd: int) -> None:
    for chunk, pause_s in zip(one.chunks, one.pauses_s, strict=True):
        os.write(fd, chunk)
        time.sleep(pause_s)


def _by_opening(one: Writer, path: Path) -> None:
    at = 0
    for chunk, pause_s in zip(one.chunks, one.pauses_s, strict=True):
        with path.open("r+b", buffering=0) as file:
            os.pwrite(file.fileno(), chunk, at)
        at += len(chunk)
        time.sleep(pause_s)


def _wrong(taker: Taker, writers: list[Writer]) -> list[str]:
    """What is not as it was finished, in the book or on the disk now; each file once."""
    taken: dict[str, list[tuple[str, Path]]] = {}
    for name, digest, path in taker.book("claimed"):
        taken.setdefault(bytes.fromhex(name).decode(), []).append((digest, Path(path)))
    wrong = []
    for one in writers:
        found, meant = taken.get(one.name, []), blake3(one.content).hexdigest()
        if len(found) != 1:
            wrong.append(f"{one.kind} {one.seed}: claimed {len(found)} times")
        elif found[0][0] != meant or file_hash(found[0][1]) != meant:
            wrong.append(f"{one.kind} {one.seed} (reopen {one.reopen}): another hash")
    return wrong


def _all(seed: int, count: int) -> Outcome:
    writers = [writer(seed + n) for n in range(count)]
    with quick_folder() as root, taking(root, rescan_s=1) as taker:
        outside = root / "outside"
        outside.mkdir()
        with ThreadPoolExecutor(AT_ONCE) as pool:
            list(pool.map(lambda one: write(one, taker.hot, outside), writers))
        end = time.monotonic() + AFTER_S
        while len(taker.book("claimed")) < count and time.monotonic() < end:
            time.sleep(0.2)
        wrong = _wrong(taker, writers)
        looks = len(taker.book("look"))
    tell(wrong[:20])
    figures = f"{count} writers of {len(KINDS)} kinds, {looks} looks, {len(wrong)} wrong hashes"
    return Outcome(not wrong, figures)


ROW = Row(
    name="half-written",
    says="files that are written slowly, in every way that programs write: only finished ones are taken",
    short=lambda seed: _all(seed, 200),
    long=lambda seed: _all(seed, 5_000),
    missing=linux_only,
)
