"""System calls of a child process, seen and answered one by one (Linux, seccomp notification).

The child asks the kernel to report its calls that change files; the parent counts those under
watched folders and lets each one happen, fail, or be the child's last. Libraries in C (HDF5,
SQLite) and processes that the child starts are seen like everything else. No compiler and no
privilege is needed. Source: seccomp_unotify(2), linux/seccomp.h, linux/filter.h, the tables of
system call numbers of x86_64 and of asm-generic/unistd.h.
"""

import array
import contextlib
import ctypes
import errno
import os
import platform
import select
import signal
import socket
import struct
import sys
from dataclasses import dataclass, field
from pathlib import Path

X86 = {
    "write": 1, "open": 2, "close": 3, "pwrite64": 18, "writev": 20, "sendfile": 40, "fsync": 74,
    "fdatasync": 75, "ftruncate": 77, "rename": 82, "mkdir": 83, "rmdir": 84, "creat": 85,
    "unlink": 87, "openat": 257, "mkdirat": 258, "unlinkat": 263, "renameat": 264,
    "fallocate": 285, "pwritev": 296, "renameat2": 316, "copy_file_range": 326,
}  # fmt: skip
ARM = {
    "write": 64, "close": 57, "pwrite64": 68, "writev": 66, "sendfile": 71, "fsync": 82,
    "fdatasync": 83, "ftruncate": 46, "openat": 56, "mkdirat": 34, "unlinkat": 35,
    "renameat": 38, "fallocate": 47, "pwritev": 70, "renameat2": 276, "copy_file_range": 285,
}  # fmt: skip
TABLES = {"x86_64": (X86, 317), "aarch64": (ARM, 277)}  # and the number of seccomp itself

BY_FD = {"write": 0, "pwrite64": 0, "writev": 0, "pwritev": 0, "sendfile": 0, "fsync": 0,
         "fdatasync": 0, "ftruncate": 0, "fallocate": 0, "close": 0,
         "copy_file_range": 2}  # fmt: skip
BY_PATH = {  # (index of the folder's descriptor or None, index of the path), last one decides
    "open": (None, 0), "creat": (None, 0), "openat": (0, 1), "mkdir": (None, 0),
    "mkdirat": (0, 1), "rename": (None, 1), "renameat": (2, 3), "renameat2": (2, 3),
    "unlink": (None, 0), "unlinkat": (0, 1), "rmdir": (None, 0),
}  # fmt: skip
REMOVING = {"unlink", "unlinkat", "rmdir"}  # a full disk never refuses these
GROWING = {"write", "pwrite64", "writev", "pwritev", "sendfile", "copy_file_range", "ftruncate",
           "fallocate", "open", "openat", "creat", "mkdir", "mkdirat"}  # fmt: skip

_LOAD, _EQUAL, _ABOVE, _ANY_BIT, _RETURN = 0x20, 0x15, 0x25, 0x45, 0x06
_ALLOW, _NOTIFY = 0x7FFF0000, 0x7FC00000
_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT
_RECEIVE, _SEND = (3 << 30) | (80 << 16) | (0x21 << 8), (3 << 30) | (24 << 16) | (0x21 << 8) | 1


def find_obstacle():
    """Say why calls cannot be watched here, or nothing."""
    if sys.platform != "linux" or platform.machine() not in TABLES:
        return "system calls can be watched on Linux (x86_64, aarch64) only"
    try:
        text = Path("/proc/sys/kernel/seccomp/actions_avail").read_text(encoding="ascii")
    except OSError:
        return "the kernel tells nothing of seccomp"
    return "" if "user_notif" in text else "the kernel has no seccomp notification"


@dataclass
class Plan:
    """What to do at which call.

    `at`: 0 is the first call counted; None only counts. `action`: "once" fails this call, "full"
    fails it and everything later that needs room, "kill" ends the processes. `limit`: bytes that
    a file may have (RLIMIT_FSIZE); the kernel itself then writes short and refuses.
    """

    watch: tuple[str, ...]
    at: int | None = None
    action: str = "once"
    number: int = errno.ENOSPC
    limit: int | None = None


@dataclass
class Watched:
    """What a watched child did: exit status (negative: signal) and its counted calls."""

    status: int = 0
    calls: list[str] = field(default_factory=list)
    hit: str = ""


def build_filter(numbers):
    """Give a BPF program that reports the calls of `numbers` that may change a file."""
    simple = [n for name, n in numbers.items() if name not in ("write", "open", "openat")]
    code = [(_LOAD, 0, 0, 0)]
    tests = [(n, "notify") for n in simple]
    tests += [(numbers[n], n) for n in ("write", "open", "openat") if n in numbers]
    blocks = {
        "else": [(_RETURN, 0, 0, _ALLOW)],
        "allow": [(_RETURN, 0, 0, _ALLOW)],
        "notify": [(_RETURN, 0, 0, _NOTIFY)],
        # write to standard input, output and errors is not reported; nor opening to read
        "write": [(_LOAD, 0, 0, 16), (_ABOVE, "notify", "allow", 2)],
        "open": [(_LOAD, 0, 0, 24), (_ANY_BIT, "notify", "allow", _WRITES)],
        "openat": [(_LOAD, 0, 0, 32), (_ANY_BIT, "notify", "allow", _WRITES)],
    }
    blocks_in_order = ("else", "write", "open", "openat", "allow", "notify")  # jumps lead on only
    place, at = {}, 1 + len(tests)
    for name in blocks_in_order:
        place[name] = at
        at += len(blocks[name])
    code += [(_EQUAL, target, None, n) for n, target in tests]
    for name in blocks_in_order:
        code += blocks[name]
    packed = b""
    for i, (op, yes, no, k) in enumerate(code):
        jumps = [place[j] - i - 1 if isinstance(j, str) else j or 0 for j in (yes, no)]
        packed += struct.pack("<HBBI", op, *jumps, k)
    return packed


def install(channel):
    """Report this process's calls from now on, to the other end of a socket."""
    numbers, seccomp = TABLES[platform.machine()]
    libc = ctypes.CDLL(None, use_errno=True)
    code = build_filter(numbers)
    memory = ctypes.create_string_buffer(code, len(code))
    program = ctypes.create_string_buffer(
        struct.pack("<HxxxxxxQ", len(code) // 8, ctypes.addressof(memory)), 16
    )
    libc.prctl(38, 1, 0, 0, 0)  # no new privileges: what an ordinary user needs for a filter
    got = libc.syscall(seccomp, 1, 1 << 3, program)
    if got < 0:
        raise OSError(ctypes.get_errno(), "seccomp")
    channel.sendmsg([b"x"], [(socket.SOL_SOCKET, socket.SCM_RIGHTS, array.array("i", [got]))])


def watch_child(pid, channel, plan):
    """Answer a child's calls by a plan until it has ended."""
    told, control, _, _ = channel.recvmsg(1, socket.CMSG_SPACE(4))
    if not told:
        return Watched(_wait(pid))
    listener = struct.unpack("i", control[0][2][:4])[0]
    names = {n: name for name, n in TABLES[platform.machine()][0].items()}
    made = Watched()
    poll = select.poll()
    poll.register(listener, select.POLLIN)
    ended = None
    while True:
        ready = poll.poll(200)
        if ready and not ready[0][1] & select.POLLIN:
            break  # every process under the filter has ended
        if not ready:
            got, status = (pid, ended) if ended is not None else os.waitpid(pid, os.WNOHANG)
            if got == pid and ended is None:
                ended = os.waitstatus_to_exitcode(status)
            continue
        note = bytearray(80)
        try:
            _ioctl(listener, _RECEIVE, note)
        except OSError:
            continue  # it was killed meanwhile
        ident, tid, _, number = struct.unpack_from("<QIIi", note)
        arguments = struct.unpack_from("<6Q", note, 32)
        error = _judge(names[number], tid, arguments, plan, made, pid)
        reply = bytearray(struct.pack("<Qqii", ident, 0, -error, 0 if error else 1))
        with contextlib.suppress(OSError):
            _ioctl(listener, _SEND, reply)
    os.close(listener)
    made.status = _wait(pid) if ended is None else ended
    return made


def _ioctl(handle, request, data):
    import fcntl

    fcntl.ioctl(handle, request, data)


def _wait(pid):
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def _judge(name, tid, arguments, plan, made, pid):
    """Count a call; give the error that it is to end with, 0 to let it happen."""
    place = _find_place(name, tid, arguments)
    if not any(place.startswith(f"{folder}/") or place == folder for folder in plan.watch):
        return 0
    if name in REMOVING and plan.action != "kill":
        return 0
    step = len(made.calls)
    made.calls.append(f"{name} {os.path.basename(place)}")
    if plan.at is None or step < plan.at:
        return 0
    if step == plan.at:
        made.hit = made.calls[-1]
    if plan.action == "kill" and step == plan.at:
        for victim in (pid, _find_process(tid)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(victim, signal.SIGKILL)
    if (plan.action == "once" and step == plan.at) or (plan.action == "full" and name in GROWING):
        return plan.number
    return 0


def _find_place(name, tid, arguments):
    """Give the path that a call is about; empty if it is none, or a close of what was only read."""
    try:
        if name in BY_FD:
            number = arguments[BY_FD[name]] & 0xFFFFFFFF
            place = os.readlink(f"/proc/{tid}/fd/{number}")
            if name == "close" and place.startswith("/") and not _is_written(tid, number):
                return ""
            return place
        folder, path = BY_PATH[name]
        with open(f"/proc/{tid}/mem", "rb", buffering=0) as memory:
            memory.seek(arguments[path])
            text = os.fsdecode(memory.read(4096).split(b"\0")[0])
        if os.path.isabs(text):
            return os.path.normpath(text)
        start = struct.unpack("<i", struct.pack("<Q", arguments[folder])[:4])[0] if folder else -100
        if folder == 0:
            start = struct.unpack("<i", struct.pack("<Q", arguments[0])[:4])[0]
        at = os.readlink(f"/proc/{tid}/cwd" if start < 0 else f"/proc/{tid}/fd/{start}")
        return os.path.normpath(os.path.join(at, text))
    except OSError:
        return ""


def _is_written(tid, number):
    """Tell whether a descriptor was opened to write."""
    with open(f"/proc/{tid}/fdinfo/{number}", encoding="ascii") as file:
        flags = next(line for line in file if line.startswith("flags:"))
    return bool(int(flags.split()[1], 8) & (os.O_WRONLY | os.O_RDWR))


def _find_process(tid):
    """Give the process of a thread."""
    with contextlib.suppress(OSError), open(f"/proc/{tid}/status", encoding="ascii") as file:
        for line in file:
            if line.startswith("Tgid:"):
                return int(line.split()[1])
    return tid
