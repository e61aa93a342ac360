"""seccomp: which system calls this process may still make. It starts no program and no process, opens no socket, signals nobody else.

A list of what is refused, not of what is allowed: pixel libraries and plugins use what calls they like, and none of these. A refused call
answers EPERM, so that a plugin fails with a sentence rather than a signal. Numbers are those of the kernel's `asm/unistd_64.h` (x86_64) and
`asm-generic/unistd.h` (aarch64); on other machines this layer is not available.
"""

from __future__ import annotations

import ctypes
import errno
import os
import platform
import struct
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

#: Refused: name -> number on x86_64, number on aarch64; 0 where an architecture has no such call.
_REFUSED: Final = {
    # another program, another process: with them gone, ending the group ends everything
    "execve": (59, 221), "execveat": (322, 281), "fork": (57, 0), "vfork": (58, 0),
    # other processes' memory, descriptors and lives
    "ptrace": (101, 117), "process_vm_readv": (310, 270), "process_vm_writev": (311, 271), "kcmp": (312, 272),
    "pidfd_getfd": (438, 438), "pidfd_send_signal": (424, 424), "process_madvise": (440, 440), "process_mrelease": (448, 448),
    "tkill": (200, 130), "rt_sigqueueinfo": (129, 138), "rt_tgsigqueueinfo": (297, 240),
    # the network, other programs' sockets, memory and queues that outlive us
    "socket": (41, 198), "shmget": (29, 194), "msgget": (68, 186), "semget": (64, 190), "mq_open": (240, 180),
    # a file's mode, owner, times and attributes, which Landlock leaves free; cutting by path, which it knows only since ABI 3
    "chmod": (90, 0), "fchmod": (91, 52), "fchmodat": (268, 53), "fchmodat2": (452, 452), "chown": (92, 0), "lchown": (94, 0),
    "fchown": (93, 55), "fchownat": (260, 54), "utime": (132, 0), "utimes": (235, 0), "futimesat": (261, 0), "utimensat": (280, 88),
    "setxattr": (188, 5), "lsetxattr": (189, 6), "fsetxattr": (190, 7), "setxattrat": (463, 463),
    "removexattr": (197, 14), "lremovexattr": (198, 15), "fremovexattr": (199, 16), "removexattrat": (466, 466),
    "file_setattr": (469, 469), "truncate": (76, 45),
    # ways around: calls made by the kernel for us, another view of the file system, other namespaces
    "io_uring_setup": (425, 425), "mount": (165, 40), "umount2": (166, 39), "pivot_root": (155, 41), "chroot": (161, 51),
    "move_mount": (429, 429), "open_tree": (428, 428), "open_tree_attr": (467, 467), "fsopen": (430, 430), "fsconfig": (431, 431),
    "fsmount": (432, 432), "fspick": (433, 433), "mount_setattr": (442, 442), "unshare": (272, 97), "setns": (308, 268),
    "open_by_handle_at": (304, 265), "fanotify_init": (300, 262),
    # parts of the kernel that a picture never needs and that have had holes
    "bpf": (321, 280), "perf_event_open": (298, 241), "userfaultfd": (323, 282), "keyctl": (250, 219), "add_key": (248, 217),
    "request_key": (249, 218), "syslog": (103, 116), "quotactl": (179, 60), "quotactl_fd": (443, 443),
    # the machine itself, should the daemon run with such rights
    "kexec_load": (246, 104), "kexec_file_load": (320, 294), "init_module": (175, 105), "finit_module": (313, 273),
    "delete_module": (176, 106), "reboot": (169, 142), "swapon": (167, 224), "swapoff": (168, 225), "acct": (163, 89),
    "settimeofday": (164, 170), "clock_settime": (227, 112), "clock_adjtime": (305, 266), "adjtimex": (159, 171),
    "sethostname": (170, 161), "setdomainname": (171, 162), "iopl": (172, 0), "ioperm": (173, 0),
}  # fmt: skip
#: Allowed only upon oneself: the first argument is our process id, or 0.
_ONESELF: Final = {"kill": (62, 129), "tgkill": (234, 131), "prlimit64": (302, 261)}
_CLONE: Final = (56, 220)
_CLONE3: Final = (435, 435)

_LOAD, _EQUAL, _AT_LEAST, _ANY_BIT, _RETURN = 0x20, 0x15, 0x35, 0x45, 0x06  # classic BPF, linux/bpf_common.h
_NUMBER_AT, _ARCHITECTURE_AT, _FIRST_ARGUMENT_AT = (
    0,
    4,
    16,
)  # struct seccomp_data; both machines are little-endian
_ALLOW, _ERRNO, _KILL = 0x7FFF0000, 0x00050000, 0x80000000
_THREAD: Final = 0x00010000  #: CLONE_THREAD
_X32: Final = 0x40000000  #: the bit of x86_64's other set of numbers, by which every rule could be passed by
_SET_NO_NEW_PRIVS, _SET_SECCOMP, _FILTER = 38, 22, 2


@dataclass(frozen=True, slots=True)
class _Machine:
    """An architecture: which column of the tables, and AUDIT_ARCH of linux/audit.h."""

    column: int
    audit: int


_MACHINES: Final = {"x86_64": _Machine(0, 0xC000003E), "aarch64": _Machine(1, 0xC00000B7)}


class _Program(ctypes.Structure):
    _fields_ = (("length", ctypes.c_ushort), ("code", ctypes.c_char_p))


def machine() -> str:
    """The architecture that the filter is made for. Raises OSError(ENOSYS) where there is none."""
    name = platform.machine()
    if not sys.platform.startswith("linux"):
        raise OSError(errno.ENOSYS, "only Linux has it")
    if name not in _MACHINES or struct.calcsize("P") != 8:
        raise OSError(
            errno.ENOSYS, f"there is no list of calls for {name} with {8 * struct.calcsize('P')} bits"
        )
    return name


def restrict() -> None:
    """From now on the refused calls answer EPERM, in this thread and those that it starts. Cannot be undone. Raises OSError."""
    code = b"".join(filter_code(machine(), os.getpid()))
    libc = ctypes.CDLL(None, use_errno=True)
    program = _Program(len(code) // 8, code)
    nothing = (ctypes.c_ulong(0), ctypes.c_ulong(0))
    if libc.prctl(_SET_NO_NEW_PRIVS, ctypes.c_ulong(1), ctypes.c_ulong(0), *nothing) or libc.prctl(
        _SET_SECCOMP, ctypes.c_ulong(_FILTER), ctypes.byref(program), *nothing
    ):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def filter_code(name: str, pid: int) -> Iterator[bytes]:
    """The filter's instructions for a machine and for the process `pid`, 8 bytes each."""
    at = _MACHINES[name]
    refuse = _does(_RETURN, _ERRNO | errno.EPERM)
    yield _does(_LOAD, _ARCHITECTURE_AT)
    yield _does(_EQUAL, at.audit, 1, 0)
    yield _does(_RETURN, _KILL)  # 32-bit calls have other numbers, and nobody honest makes them here
    yield _does(_LOAD, _NUMBER_AT)
    if name == "x86_64":
        yield from (_does(_AT_LEAST, _X32, 0, 1), refuse)
    for numbers in _REFUSED.values():
        if numbers[at.column]:
            yield from (_does(_EQUAL, numbers[at.column], 0, 1), refuse)
    # clone3 hides its flags behind a pointer; told that there is none, C libraries take clone
    yield from (_does(_EQUAL, _CLONE3[at.column], 0, 1), _does(_RETURN, _ERRNO | errno.ENOSYS))
    yield from (_does(_EQUAL, _CLONE[at.column], 0, 4), _does(_LOAD, _FIRST_ARGUMENT_AT))
    yield from (_does(_ANY_BIT, _THREAD, 1, 0), refuse, _does(_RETURN, _ALLOW))
    for numbers in _ONESELF.values():
        yield from (_does(_EQUAL, numbers[at.column], 0, 5), _does(_LOAD, _FIRST_ARGUMENT_AT))
        yield from (_does(_EQUAL, pid, 2, 0), _does(_EQUAL, 0, 1, 0), refuse, _does(_RETURN, _ALLOW))
    yield _does(_RETURN, _ALLOW)


def _does(operation: int, value: int, if_true: int = 0, if_false: int = 0) -> bytes:
    """One `struct sock_filter`."""
    return struct.pack("=HBBI", operation, if_true, if_false, value)
