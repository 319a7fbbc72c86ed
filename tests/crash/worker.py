"""The process that is stopped: forks a child for every trial, so that a trial costs milliseconds.

strace is attached once everything is imported; it injects a fault at the N-th call of a system call in each process: a child
that is to meet its fault at its own k-th call first makes N - k idle ones.  Talks over a socket, because `write` may be the call that fails.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import gc
import json
import os
import signal
import socket
import sys
import tempfile
import time
import traceback
from pathlib import Path

from tests.crash import controls
from tests.crash.scenarios import SCENARIOS

NOWHERE = "/nonexistent/folder/a"
LIBC = ctypes.CDLL(None, use_errno=True)


def list_folder(fd: int) -> None:
    """Ask for the entries of a folder once; refused, because it is none."""
    if LIBC.getdents64(fd, ctypes.create_string_buffer(64), 64) < 0:
        raise OSError(ctypes.get_errno(), "getdents64")


#: Every call that changes the disk, syncs it, lists a folder or (pread64) reads the ledger, and an idle use of each.
CALLS = {
    "write": lambda fd: os.write(fd, b"x"),
    "pwrite64": lambda fd: os.pwrite(fd, b"x", 0),
    "fsync": os.fsync,
    "fdatasync": os.fdatasync,
    "ftruncate": lambda fd: os.ftruncate(fd, 0),
    "rename": lambda fd: os.rename(NOWHERE, NOWHERE + "b"),
    "unlink": lambda fd: os.unlink(NOWHERE),
    "unlinkat": lambda fd: os.unlink("a", dir_fd=fd),
    "mkdir": lambda fd: os.mkdir(NOWHERE),
    "openat": lambda fd: os.close(os.open("/dev/null", os.O_RDONLY)),
    "pread64": lambda fd: os.pread(fd, 1, 0),
    "getdents64": list_folder,
}
#: At which call of a process the fault is injected; above what any command here makes, and the parent after its start.
AT = 260
INJECTED = {errno.EIO, errno.ENOSPC}


def idle(call: str, fd: int) -> bool:
    """Make one idle call; tells whether the fault was injected into it."""
    try:
        CALLS[call](fd)
    except OSError as error:
        return error.errno in INJECTED
    return False


def trial(request: dict, sock: socket.socket) -> None:
    """Run a scenario in this child and report."""
    controls.apply(request.get("control"))
    call, at = request.get("call"), request.get("at", 0)
    null = os.open("/dev/null", os.O_RDWR)
    if call:
        made = call == "openat"                              # `null` was opened by such a call
        early = any([idle(call, null) for _ in range(AT - at - made)])
    if request.get("uid"):
        os.setgroups([])
        os.setgid(request["uid"])
        os.setuid(request["uid"])
    try:
        status, text = SCENARIOS[request["scenario"]].run(Path(request["folder"]))
    except BaseException:
        status, text = 1, traceback.format_exc()
    sock.send(json.dumps({"status": status, "text": text[-3000:]}).encode())
    if call:
        missed = any([idle(call, null) for _ in range(at)])
        sock.send(json.dumps({"fired": not missed and not early}).encode())


def main() -> None:
    """Serve trials until the other end closes."""
    sock = socket.socket(fileno=int(sys.argv[1]))
    with tempfile.TemporaryDirectory() as scratch:       # warm up: every import is made before the first trial
        for name in sys.argv[2].split(","):
            folder = Path(scratch) / name
            SCENARIOS[name].prepare(folder)
            SCENARIOS[name].run(folder)
    gc.collect()
    gc.freeze()
    with contextlib.suppress(OSError, AttributeError):   # let a strace that is not our parent attach
        LIBC.prctl(0x59616D61, ctypes.c_ulong(-1), 0, 0, 0)
    sock.send(b'{"ready": true}')
    served = 0
    while message := sock.recv(65536):
        served += 1
        if served == AT - 20:                            # forking makes Python open a file: go on in a child whose calls count from 0
            successor = os.fork()
            if successor:
                os.waitpid(successor, 0)
                return
            served = 0
        request = json.loads(message)
        child = os.fork()
        if child == 0:
            try:
                trial(request, sock)
            finally:
                os._exit(0)
        if "kill_after" in request:
            time.sleep(request["kill_after"])
            os.kill(child, signal.SIGKILL)           # not yet waited for, so the number is still its own
        _, ended = os.waitpid(child, 0)
        killed = os.WIFSIGNALED(ended) and os.WTERMSIG(ended) == signal.SIGKILL
        sock.send(json.dumps({"ended": True, "killed": killed}).encode())


if __name__ == "__main__":
    main()
