"""Steps on disk that a power cut cannot undo, and the seam where a test can stop the program between two of them.

A file is durable when it and the folder that names it were synced; a rename when both folders were. Everything that claims,
publishes or puts away a picture goes through here, so that the order is written once. This module imports nothing of ours and
knows nothing of jobs.

The seam: each step says its name just before it is done and again, with `.done`, just after. Nobody listens in a normal
run. A test puts a function into `on_step` that kills the process, or raises an OSError, at the n-th call: so every point between
two steps can be tried, and also the file server that does a thing and then says that it failed (raise at `.done`).
"""

from __future__ import annotations

import contextlib
import errno
import functools
import hashlib
import os
import secrets
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

AnyPath = str | Path

#: Names of files on their way: whoever cleans up after a crash may delete them and nothing else.
UNFINISHED_PREFIX = ".drydown-"
UNFINISHED_SUFFIX = ".part"

_CHUNK = 4 * 1024 * 1024
#: What link(2) says where the file system has no hard links: EPERM by its page, the others as file servers and FUSE answer (from memory).
_NO_HARD_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS)


def _nobody_listens(name: str) -> None:
    """What a normal run does at each step: nothing."""


#: Called with the name of each step; a test may replace it and must put the old one back.
on_step: Callable[[str], None] = _nobody_listens


def step(name: str) -> None:
    """Say that the durable step `name` comes next (or, with `.done`, was done). For callers whose step lies elsewhere, such as a commit."""
    on_step(name)


@contextlib.contextmanager
def _announced(name: str) -> Iterator[None]:
    step(name)
    yield
    step(f"{name}.done")


def is_unfinished(name: str) -> bool:
    """True for the name of a file that a crash may have left half written."""
    return name.startswith(UNFINISHED_PREFIX) and name.endswith(UNFINISHED_SUFFIX)


def fsync_file(fd: int) -> None:
    """Bring an open file's content to the disk. Never called again after it failed: the second answer would be a lie."""
    with _announced("fsync"):
        os.fsync(fd)


def fsync_dir(path: AnyPath, *, dir_fd: int | None = None) -> None:
    """Bring a folder's names to the disk. A file system that has no such notion (EINVAL, ENOTSUP) is taken at its word."""
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=dir_fd)
    try:
        with _announced("fsync-folder"):
            os.fsync(fd)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(fd)


def make_dir(path: AnyPath, *, mode: int = 0o700, dir_fd: int | None = None) -> None:
    """A new folder whose name is on the disk. Raises FileExistsError when the name is taken."""
    with _announced("mkdir"):
        os.mkdir(path, mode, dir_fd=dir_fd)
    fsync_dir(_parent(path), dir_fd=dir_fd)


def write_atomic(path: AnyPath, data: bytes, *, mode: int = 0o666, dir_fd: int | None = None) -> None:
    """Write `data` under `path`, whole or not at all, replacing what was there; `mode` is cut by the umask.

    Written aside in the same folder, synced, closed, renamed, folder synced. Write, sync *and* close may each be where a quota or a
    share says no, so all three can raise OSError; then nothing is left behind and the old content stands.
    """
    aside = _aside(path)
    _write_new(aside, data, mode, dir_fd)
    with _removed_on_error(aside, dir_fd):
        rename_durable(aside, path, replace=True, src_dir_fd=dir_fd, dst_dir_fd=dir_fd)


def create_once(path: AnyPath, data: bytes, *, mode: int = 0o666, dir_fd: int | None = None) -> None:
    """Write `data` under a name that nobody has. Of several who try at once, on one machine or on several, one succeeds.

    Written aside, synced, and linked: whole or not at all. link(2) is atomic on NFS too, where its answer may be lost, so after an error
    the number of names of what was written decides (open(2), under O_EXCL). Where the file system has no hard links it is an exclusive
    create instead, and an end between create and write leaves a file that is cut short.
    Raises FileExistsError for those who come second, OSError; `mode` is cut by the umask.
    """
    aside = _aside(path)
    _write_new(aside, data, mode, dir_fd)
    with _removed_on_error(aside, dir_fd):
        linked = _linked(aside, path, dir_fd)
    unlink_durable(aside, dir_fd=dir_fd)  # and with the same sync of the folder the new name is durable
    if not linked:
        _write_new(path, data, mode, dir_fd)
        fsync_dir(_parent(path), dir_fd=dir_fd)


class GoneInRename(FileNotFoundError):
    """There was a file, and after the rename it lies under neither name: it may have been done, and somebody was quicker than our look."""


def rename_durable(
    src: AnyPath,
    dst: AnyPath,
    *,
    replace: bool = False,
    src_dir_fd: int | None = None,
    dst_dir_fd: int | None = None,
) -> None:
    """Rename on one file system, both folders synced, the new one first. Without `replace` an existing `dst` is FileExistsError.

    A file server may do the rename, lose its answer, and say on the retry that there is no such file. So after any error both
    names are looked at: when `dst` is the very file that `src` was and `src` is gone, it happened.
    Raises OSError: FileNotFoundError when `src` is gone, GoneInRename when it was there just before, EXDEV across file systems.
    """
    before = os.stat(src, dir_fd=src_dir_fd, follow_symlinks=False)
    try:
        with _announced("rename"):
            if replace:
                os.rename(src, dst, src_dir_fd=src_dir_fd, dst_dir_fd=dst_dir_fd)
            else:
                _rename_new(src, dst, src_dir_fd, dst_dir_fd)
    except OSError as error:
        src_stays = _is(before, src, src_dir_fd)
        if src_stays or not _is(before, dst, dst_dir_fd):
            if isinstance(error, FileNotFoundError) and not src_stays:
                raise GoneInRename(
                    error.errno, error.strerror, error.filename, None, error.filename2
                ) from error
            raise
    fsync_dir(_parent(dst), dir_fd=dst_dir_fd)
    if (_parent(src), src_dir_fd) != (_parent(dst), dst_dir_fd):
        fsync_dir(_parent(src), dir_fd=src_dir_fd)


def copy_durable(src: AnyPath, dst: AnyPath) -> os.stat_result:
    """Copy a regular file to a new name, verified, and say what the copy is; `src` may be a link to a file.

    Copied aside, synced, read back and compared by BLAKE2b, renamed without replacing. `src` must be the same before and after,
    else BlockingIOError (it is still being written). Raises OSError, FileExistsError.
    """
    aside = _aside(dst)
    try:
        written = _copy_to_new(src, aside)
        if _digest(aside) != written:
            raise OSError(errno.EIO, "the copy does not read back as it was written", os.fspath(dst))
        rename_durable(aside, dst)
    except BaseException:
        with contextlib.suppress(OSError):
            aside.unlink()
        raise
    return Path(dst).lstat()


def move_durable(src: AnyPath, dst: AnyPath) -> None:
    """Move a file to a new name, also to another file system: there copy, verify, and only then remove an unchanged `src`."""
    try:
        rename_durable(src, dst)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        before = Path(src).lstat()
        copy_durable(src, dst)
        if not _unchanged(before, Path(src).lstat()):
            raise BlockingIOError(
                errno.EAGAIN, "the file changed while it was moved", os.fspath(src)
            ) from None
        unlink_durable(src)


def unlink_durable(path: AnyPath, *, dir_fd: int | None = None) -> None:
    """Remove a file of our own making; one that is gone already is fine."""
    with _announced("unlink"), contextlib.suppress(FileNotFoundError):
        os.unlink(path, dir_fd=dir_fd)
    fsync_dir(_parent(path), dir_fd=dir_fd)


def _parent(path: AnyPath) -> Path:
    return Path(path).parent


def _aside(path: AnyPath) -> Path:
    """A name beside `path`, short enough whatever the length of `path`'s own."""
    return Path(path).with_name(f"{UNFINISHED_PREFIX}{secrets.token_hex(4)}{UNFINISHED_SUFFIX}")


def _is(known: os.stat_result, path: AnyPath, dir_fd: int | None) -> bool:
    try:
        there = os.stat(path, dir_fd=dir_fd, follow_symlinks=False)
    except OSError:
        return False
    return (there.st_dev, there.st_ino) == (known.st_dev, known.st_ino)


def _unchanged(a: os.stat_result, b: os.stat_result) -> bool:
    return (a.st_ino, a.st_size, a.st_mtime_ns, a.st_ctime_ns) == (
        b.st_ino,
        b.st_size,
        b.st_mtime_ns,
        b.st_ctime_ns,
    )


def _write_new(path: AnyPath, data: bytes, mode: int, dir_fd: int | None) -> None:
    """A new file, its content synced, its name not yet; nothing is left of it after an error."""
    fd = os.open(
        path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, mode, dir_fd=dir_fd
    )
    with _removed_on_error(path, dir_fd):
        try:
            with _announced("write"):
                _write_all(fd, data)
            fsync_file(fd)
        finally:
            os.close(fd)


@contextlib.contextmanager
def _removed_on_error(path: AnyPath, dir_fd: int | None) -> Iterator[None]:
    try:
        yield
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(path, dir_fd=dir_fd)
        raise


def _linked(src: AnyPath, dst: AnyPath, dir_fd: int | None) -> bool:
    """Give `src`, which has one name, the second name `dst`; False where there are no hard links. Raises FileExistsError, OSError."""
    try:
        with _announced("link"):
            os.link(src, dst, src_dir_fd=dir_fd, dst_dir_fd=dir_fd)
    except OSError as error:
        if os.stat(src, dir_fd=dir_fd, follow_symlinks=False).st_nlink == 2:
            return True
        if error.errno not in _NO_HARD_LINKS:
            raise
        return False
    return True


def _write_all(fd: int, data: bytes | memoryview) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(fd, rest) :]


def _copy_to_new(src: AnyPath, aside: Path) -> bytes:
    """Copy `src` to the new file `aside`, synced; the digest of what was read."""
    digest = hashlib.blake2b()
    source = os.open(src, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    try:
        before = os.fstat(source)
        if not stat.S_ISREG(before.st_mode):
            raise OSError(errno.EINVAL, "not a regular file", os.fspath(src))
        fd = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        try:
            with _announced("write"):
                while chunk := os.read(source, _CHUNK):
                    digest.update(chunk)
                    _write_all(fd, chunk)
            fsync_file(fd)
        finally:
            os.close(fd)
        if not _unchanged(before, os.fstat(source)):
            raise BlockingIOError(errno.EAGAIN, "the file is still being written", os.fspath(src))
    finally:
        os.close(source)
    return digest.digest()


def _digest(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, hashlib.blake2b).digest()


def _rename_new(src: AnyPath, dst: AnyPath, src_dir_fd: int | None, dst_dir_fd: int | None) -> None:
    """Rename unless `dst` exists: in one system call where there is one, else after a look (our names are unique by construction)."""
    call = _renameat2()
    if call is not None:
        code = call(src, dst, src_dir_fd, dst_dir_fd)
        if code == 0:
            return
        if code not in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
            raise OSError(code, os.strerror(code), os.fspath(src), None, os.fspath(dst))
    try:
        os.stat(dst, dir_fd=dst_dir_fd, follow_symlinks=False)
    except FileNotFoundError:
        os.rename(src, dst, src_dir_fd=src_dir_fd, dst_dir_fd=dst_dir_fd)
    else:
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), os.fspath(src), None, os.fspath(dst))


@functools.cache
def _renameat2() -> Callable[[AnyPath, AnyPath, int | None, int | None], int] | None:
    """Linux' renameat2(2) with RENAME_NOREPLACE, answering an errno; None where the C library has none."""
    import ctypes  # here: the command line's help needs none of this

    try:
        function = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return None
    at_cwd, no_replace = -100, 1  # AT_FDCWD and RENAME_NOREPLACE of linux/fcntl.h and linux/fs.h
    function.argtypes = [ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint]
    function.restype = ctypes.c_int

    def call(src: AnyPath, dst: AnyPath, src_dir_fd: int | None, dst_dir_fd: int | None) -> int:
        old_fd = at_cwd if src_dir_fd is None else src_dir_fd
        new_fd = at_cwd if dst_dir_fd is None else dst_dir_fd
        if function(old_fd, os.fsencode(src), new_fd, os.fsencode(dst), no_replace) == 0:
            return 0
        return ctypes.get_errno()

    return call
