from __future__ import annotations

from pathlib import Path

import pytest

from drydown.intake import filesystem
from drydown.intake.filesystem import fs_type

# The layout of a line is that of proc_pid_mountinfo(5); names and numbers are invented.
MOUNTS = rb"""22 27 0:21 / /proc rw,relatime - proc proc rw
27 1 254:0 / / rw,relatime - ext4 /dev/vda rw
40 27 0:50 / /srv/pictures rw,relatime shared:5 - nfs4 server:/pictures rw
41 40 0:51 / /srv/pictures/local rw,relatime shared:6 master:2 - xfs /dev/vdb rw
42 27 0:52 / /srv/two\040words rw - cifs //server/share rw
43 27 0:53 / /srv/over rw - nfs server:/a rw
44 43 254:9 / /srv/over rw - btrfs /dev/vdc rw
45 27 0:54 / /srv/remote rw - fuse.remote remote rw
46 27 0:55 / /srv/stick rw - fuseblk /dev/sdb1 rw
"""


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/home/me/hot", "ext4"),
        ("/srv/pictures", "nfs4"),
        ("/srv/pictures/hot/final", "nfs4"),
        ("/srv/pictures-2/hot", "ext4"),
        ("/srv/pictures/local/hot", "xfs"),
        ("/srv/two words/hot", "cifs"),
        ("/srv/over/hot", "btrfs"),
        ("/srv/remote", "fuse.remote"),
        ("/srv/stick/hot", "fuseblk"),
    ],
)
def test_the_deepest_and_last_mount_point_names_the_file_system(path: str, kind: str) -> None:
    assert fs_type(MOUNTS, Path(path)) == kind


def test_a_table_that_says_nothing_of_the_path_gives_no_answer() -> None:
    assert fs_type(b"nonsense\n\n40 27 - x", Path("/srv")) is None


def test_this_machines_own_disk_is_local(tmp_path: Path) -> None:
    assert filesystem.kind(tmp_path) == "local"


@pytest.mark.parametrize(
    ("kind", "answer"),
    [
        ("ext4", "local"),
        ("fuseblk", "local"),
        ("fuse.remote", "network"),
        ("fuse", "network"),
        ("nfs4", "network"),
        ("cifs", "network"),
        (None, "unknown"),
    ],
)
def test_what_other_machines_may_write_to_counts_as_network(kind: str | None, answer: str) -> None:
    assert filesystem._kind(kind) == answer
