"""Why this module exists: what a folder's disk can do differs, and the record must hold on all of them.

A campaign folder may lie on a network share, where a write-ahead log cannot be used (its index is memory shared by the
processes of one machine) and where a folder cannot always be synced.

References
----------
SQLite documentation, "Write-Ahead Logging": all processes using a database must be on the same host computer; WAL does
not work over a network filesystem.
"""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path

MOUNTS = Path("/proc/mounts")
#: File systems whose folders another machine may have open too; every kind that begins with `fuse.` is taken for one.
OF_A_NETWORK = frozenset((
    "9p", "afs", "beegfs", "ceph", "cifs", "coda", "davfs", "gfs2", "glusterfs", "gpfs", "lustre", "ncpfs", "nfs", "nfs4", "ocfs2", "orangefs",
    "prl_fs", "smb3", "smbfs", "vboxsf", "virtiofs", "vmhgfs"))  # fmt: skip
#: What `fsync` of a folder says where folders cannot be synced.
CANNOT = frozenset((errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP))


def shared_by_machines(folder: Path, *, mounts: Path = MOUNTS) -> bool:
    """Tell whether a folder lies on a file system that other machines may have open too.

    Parameters
    ----------
    folder : Path
    mounts : Path
        The machine's table of mounts; where there is none, a folder counts as the machine's own.
    """
    try:
        table = mounts.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
        real = Path(os.path.realpath(folder))
    except OSError:
        return False
    kind, depth = "", -1
    for fields in map(str.split, table):
        if len(fields) < 3:
            continue
        point = Path(re.sub(r"\\([0-7]{3})", lambda octal: chr(int(octal.group(1), 8)), fields[1]))
        if len(point.parts) >= depth and (point == real or point in real.parents):       # a later mount hides an earlier one
            kind, depth = fields[2], len(point.parts)
    return kind in OF_A_NETWORK or kind.startswith("fuse.")


def sync_folder(folder: Path) -> None:
    """Bring a folder's entries to the disk, where folders can be synced at all.

    Raises
    ------
    OSError
        When the disk fails.
    """
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in CANNOT:
            raise
    finally:
        os.close(handle)
