"""A hot folder belongs to one studio at a time: what one has claimed would else be adopted, and printed, by another as well.

A small file in the private folder says to which. It is made so that of several who try at once, on this host or on others that mount the share, one
succeeds (`durable.create_once`), and it stays when the daemon ends, because what was claimed waits for the same studio's next start.

- The same studio (`Studio.is_same`): ours, without a word.
- A studio of this host that is no longer where the file says (`Studio.follows`): moved, or gone. At the start, and only there, because what it had
  claimed is then adopted, the folder is taken over, and that is told.
- Any other studio, or a file that nobody can understand: the folder is offline for us until a person removes the file; it is looked at again with
  every scan. A studio on another host cannot be asked whether it is still there, so it is taken to be.

And the private folder must be ours alone: where others may write the hot folder they may have put one of their own in its place.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import re
import shlex
import stat
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from drydown import durable
from drydown.errors import is_machines
from drydown.intake import filesystem
from drydown.intake import folder as place
from drydown.intake.folder import TAKEN, FolderOffline, HotFolder, below
from drydown.intake.whose import Studio
from drydown.showing import shown

FILE = "belongs-to.txt"

_MOST_BYTES = 32_768  #: far more than a path of 4,096 bytes needs, escaped
_LINE = re.compile(r'^(studio|host|machine|since) = (".*")$', re.MULTILINE)
_UNREADABLE = "?"  #: stands for a text that nobody can understand
#: What opening says of something that is no plain file, or not for us to read; other errors are the file system's.
_ODD = (errno.ELOOP, errno.ENXIO, errno.EACCES, errno.EPERM)
#: File systems of this machine that have no owner and mode for each file (mount(8)).
_WITHOUT_OWNERS = frozenset({"vfat", "msdos", "exfat", "ntfs", "ntfs3", "fuseblk", "hfs", "hpfs", "udf"})


@dataclass(frozen=True, slots=True)
class Opened:
    """Descriptors of a hot folder and of its private folder. `note`: a sentence for the log where it was taken over."""

    root: int
    taken: int
    note: str = ""


@contextlib.contextmanager
def opened(folder: HotFolder, *, take_over: bool = False) -> Iterator[Opened]:
    """The hot folder, its marker checked and its file saying that it is ours; the first call makes it so. `take_over`: see above, for the start.

    Raises FolderOffline, OSError of a sick file system. A folder without a `studio` is anybody's.
    """
    with place.opened(folder) as root, _private(root, folder) as taken:
        note = ""
        if why := _in_others_hands(taken, folder):
            raise FolderOffline(why)
        if folder.studio is not None:
            try:
                note = _keep(taken, folder, folder.studio, take_over)
            except OSError as error:
                if is_machines(error):
                    raise
                why = os.strerror(error.errno or 0)
                raise FolderOffline(
                    f"{_not_used(folder)}: {_file(folder)}, which says to which studio it belongs, cannot be kept: {why}"
                ) from None
        yield Opened(root, taken, note)


def refused(folder: HotFolder, *, known: bool = False) -> str:
    """Why this studio may not use the folder; empty when it is ours, nobody's, or not there. Changes nothing. Raises OSError.

    `known`: the folder was set up once, so that it is not there, or not as it was, is a reason too.
    """
    try:
        with place.opened(folder) as root, _private(root, folder) as taken:
            if why := _in_others_hands(taken, folder):
                return why
            text = _read(taken)
    except FolderOffline as error:
        return str(error) if known else ""
    return "" if text is None or folder.studio is None else _refused(text, folder, folder.studio)


@contextlib.contextmanager
def _private(root: int, folder: HotFolder) -> Iterator[int]:
    """A descriptor of the private folder, which is made when the folder is set up, never here."""
    try:
        with below(root, TAKEN) as fd:
            yield fd
    except FileNotFoundError as error:
        if error.filename != TAKEN:
            raise
        raise FolderOffline(
            f"{shown(str(folder.path))} is offline: its private folder {TAKEN} is missing; mount the right share, "
            f"or, where this really is the right folder, make it: mkdir -m 700 {_typed(folder)}"
        ) from None


def _in_others_hands(taken: int, folder: HotFolder) -> str:
    """Why the private folder may be, or may be changed by, somebody else's; empty when it is ours alone or root's."""
    found = os.fstat(taken)
    foreign, mode = found.st_uid not in (os.geteuid(), 0), stat.S_IMODE(found.st_mode)
    if not (foreign or mode & 0o077) or not has_owners(folder.path):
        return ""
    could = "who could put other pictures in the place of those that wait there"
    if foreign:
        return (
            f"{_not_used(folder)}: its private folder {TAKEN} belongs to another user (number {found.st_uid}), {could}; "
            f"move it away and put ours back, or, where it is ours, chown {os.geteuid()} {_typed(folder)}"
        )
    return (
        f"{_not_used(folder)}: its private folder {TAKEN} is open to others (mode {mode:04o}), {could}; "
        f"see that what lies there is yours, then chmod 700 {_typed(folder)}"
    )


def has_owners(path: Path) -> bool:
    """True where each file has an owner and a mode of its own that mean users of this machine, as far as can be told."""
    if filesystem.kind(path) != "local":
        return False
    mounts = Path("/proc/self/mountinfo").read_bytes()
    return filesystem.fs_type(mounts, Path(os.path.realpath(path))) not in _WITHOUT_OWNERS


def _keep(taken: int, folder: HotFolder, studio: Studio, take_over: bool) -> str:
    """Nothing when the folder is ours or nobody's, which makes it ours; the note where it is taken over."""
    text = _read(taken)
    if text is None:
        with contextlib.suppress(FileExistsError):  # somebody was quicker: who, says the file
            durable.create_once(FILE, _written(studio), mode=0o600, dir_fd=taken)
        text = _read(taken) or ""
    why = _refused(text, folder, studio)
    if not why:
        return ""
    before = _parsed(text)
    if take_over and before and studio.follows(before[0]) and _replaced(taken, text, _written(studio)):
        old = shown(before[0].root)
        return f"{shown(str(folder.path))} belonged to the studio {old}, which is no longer there: taken over"
    raise FolderOffline(why)


def _refused(text: str, folder: HotFolder, studio: Studio) -> str:
    found = _parsed(text)
    if found is None:
        what = "cannot be understood" if text else "is empty"
        return (
            f"{_not_used(folder)}: {_file(folder)}, which says to which studio it belongs, {what}; "
            "where no other studio uses the folder, remove it, and this one goes on by itself"
        )
    owner, since = found
    if studio.is_same(owner):
        return ""
    return (
        f"{_not_used(folder)}: it belongs to the studio {shown(owner.root)} on host {shown(owner.host)} since {shown(since)}, "
        "and two studios on one hot folder would print pictures twice; let that one finish what it has taken and stop it, "
        f"or be sure that it is gone for good, then remove {_file(folder)}, and this one goes on by itself"
    )


def _not_used(folder: HotFolder) -> str:
    return f"{shown(str(folder.path))} is not used"


def _typed(folder: HotFolder) -> str:
    """The private folder as a person would type it."""
    return shown(shlex.quote(str(folder.path / TAKEN)))


def _file(folder: HotFolder) -> str:
    return shown(str(folder.path / TAKEN / FILE))


def _read(taken: int) -> str | None:
    """The file's text; None when there is no file."""
    try:
        fd = os.open(FILE, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=taken)
    except FileNotFoundError:
        return None
    except OSError as error:
        if error.errno not in _ODD:
            raise
        return _UNREADABLE
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            return _UNREADABLE
        data = os.read(fd, _MOST_BYTES + 1)
    finally:
        os.close(fd)
    return _UNREADABLE if len(data) > _MOST_BYTES else data.decode("utf-8", "surrogateescape")


def _parsed(text: str) -> tuple[Studio, str] | None:
    """Who stands in the file, and since when; None when that cannot be told."""
    try:
        said = {key: str(json.loads(value)) for key, value in _LINE.findall(text)}
        studio = Studio(said["studio"], said["host"], said["machine"])
        return (studio, said["since"]) if studio.root.startswith("/") and "\0" not in studio.root else None
    except (ValueError, KeyError):
        return None


def _written(studio: Studio) -> bytes:
    since = datetime.fromtimestamp(time.time(), UTC).isoformat(timespec="seconds")  # for showing only
    said = {"studio": studio.root, "host": studio.host, "machine": studio.machine, "since": since}
    lines = [
        "# This hot folder belongs to one studio, and no other takes pictures from it: two would print them twice.",
        "# Remove this file when that studio is gone for good, or has printed what it took from here and is stopped.",
        *(f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in said.items()),
    ]
    return "\n".join([*lines, ""]).encode("utf-8", "surrogateescape")


def _replaced(taken: int, old: str, new: bytes) -> bool:
    """Put `new` in the place of the file that says `old`. Of several on this host who want to, one does; False for the others.

    The lock lies on the old file and ends with it: whoever comes second finds another file under its name.
    """
    fd = os.open(FILE, os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=taken)
    try:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:  # held, or a file system without locks
            return False
        there = os.stat(FILE, dir_fd=taken, follow_symlinks=False)
        if not os.path.samestat(os.fstat(fd), there) or _read(taken) != old:
            return False
        durable.write_atomic(FILE, new, mode=0o600, dir_fd=taken)
        return True
    finally:
        os.close(fd)
