"""Landlock: which files this process may read and write, and that it opens no TCP connection, for good. Linux 5.13 and later.

Called by number, because C libraries have no functions for it. The bits are those of the kernel's `linux/landlock.h`; each version of the
interface (ABI) knows more of them, and asking for one that the kernel does not know is an error, so only what it has is asked for.
"""

from __future__ import annotations

import ctypes
import errno
import functools
import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Final

_CREATE, _ADD_RULE, _RESTRICT = 444, 445, 446  # numbers since 424 are the same on every architecture
_VERSION: Final = 1
_PATH_BENEATH: Final = 1
_SET_NO_NEW_PRIVS: Final = 38

_EXECUTE, _WRITE_FILE, _READ_FILE, _READ_DIR, _REMOVE_DIR, _REMOVE_FILE = (1 << bit for bit in range(6))
_MAKE_DIR, _MAKE_REG = 1 << 7, 1 << 8
_REFER, _TRUNCATE, _IOCTL_DEV = 1 << 13, 1 << 14, 1 << 15
_READ: Final = _READ_FILE | _READ_DIR
#: No devices, pipes, sockets or symbolic links: a child has no use for them, and whoever reads its folder is not led astray.
_WRITE: Final = _READ | _WRITE_FILE | _REMOVE_DIR | _REMOVE_FILE | _MAKE_DIR | _MAKE_REG | _REFER | _TRUNCATE
_OF_FILES: Final = _EXECUTE | _WRITE_FILE | _READ_FILE | _TRUNCATE | _IOCTL_DEV
_TCP: Final = 1 << 0 | 1 << 1  #: bind, connect; since ABI 4
_SCOPES: Final = 1 << 0 | 1 << 1  #: abstract sockets and signals reach nobody outside; since ABI 6
NETWORK_ABI: Final = 4


class _Ruleset(ctypes.Structure):
    _fields_ = (("files", ctypes.c_uint64), ("network", ctypes.c_uint64), ("scoped", ctypes.c_uint64))


class _Beneath(ctypes.Structure):
    _pack_ = 1
    _layout_ = "ms"
    _fields_ = (("allowed", ctypes.c_uint64), ("folder", ctypes.c_int32))


@functools.cache
def abi() -> int:
    """The kernel's version of the interface. Raises OSError where there is none: ENOSYS not built in, EOPNOTSUPP not started."""
    if not sys.platform.startswith("linux"):
        raise OSError(errno.ENOSYS, "only Linux has it")
    return _call(_CREATE, None, 0, _VERSION)


def restrict(reads: Iterable[Path], writes: Iterable[Path]) -> None:
    """From now on this thread, and those that it starts, read only below `reads`, write only below `writes`, run no program.

    Files and folders alike; one that does not exist is left out. Cannot be undone. Raises OSError.
    """
    known = abi()
    rights_known = handled(known)
    net, scoped = (_TCP if known >= NETWORK_ABI else 0), (_SCOPES if known >= 6 else 0)
    size = 8 if known < NETWORK_ABI else 16 if known < 6 else 24
    rules = _call(_CREATE, ctypes.byref(_Ruleset(rights_known, net, scoped)), size, 0)
    try:
        for paths, rights in ((reads, _READ), (writes, _WRITE)):
            for path in paths:
                _allow(rules, path, rights & rights_known)
        if _libc().prctl(_SET_NO_NEW_PRIVS, *map(ctypes.c_ulong, (1, 0, 0, 0))):
            raise _error()
        _call(_RESTRICT, rules, 0)
    finally:
        os.close(rules)


def handled(known: int) -> int:
    """Every right over files that an ABI can withhold: 13 at first, moving between folders since 2, truncating since 3, devices since 5."""
    return (1 << 13) - 1 | sum(
        right for right, since in ((_REFER, 2), (_TRUNCATE, 3), (_IOCTL_DEV, 5)) if known >= since
    )


def _allow(rules: int, path: Path, rights: int) -> None:
    try:
        fd = os.open(path, os.O_PATH | os.O_CLOEXEC)
    except (FileNotFoundError, NotADirectoryError):
        return
    try:
        if not path.is_dir():
            rights &= _OF_FILES
        _call(_ADD_RULE, rules, _PATH_BENEATH, ctypes.byref(_Beneath(rights, fd)), 0)
    finally:
        os.close(fd)


def _call(number: int, *arguments: object) -> int:
    wide = (ctypes.c_long(value) if isinstance(value, int) else value for value in arguments)
    answer = int(_libc().syscall(ctypes.c_long(number), *wide))
    if answer < 0:
        raise _error()
    return answer


@functools.cache
def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def _error() -> OSError:
    number = ctypes.get_errno()
    return OSError(number, os.strerror(number))
