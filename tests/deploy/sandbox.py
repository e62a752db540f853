"""Runs what a unit of deploy/systemd starts in the restrictions that it names, where systemd itself does not run.

Not all of them: what is set here is no new privileges, the user, a file system that is read-only but for the unit's folder, homes and
devices hidden, a /tmp and processes of its own, the families of addresses, system calls, and memory that is never both written
and run. The groups of system calls are those of the systemd that is installed. Needs root, bwrap and libseccomp.

As a program: python sandbox.py UNIT NUMERIC_USER COMMAND..., which takes on the filter and the user and becomes the command.
"""

import ctypes
import errno
import os
import re
import socket
import subprocess
import sys
from pathlib import Path

_ALLOW, _EPERM, _EAFNOSUPPORT = 0x7FFF0000, 0x00050000 | errno.EPERM, 0x00050000 | errno.EAFNOSUPPORT
_NOT_EQUAL, _EQUAL, _MASKED_EQUAL = 1, 4, 7  # of libseccomp's scmp_compare
_PROT_WRITE, _PROT_EXEC, _SHM_EXEC = 2, 4, 0o100000
_NO_NEW_PRIVILEGES = 38  # of prctl
READ = (
    sys.base_prefix,
    sys.prefix,
    str(Path(__file__).parents[2]),
)  # Python and linklag, wherever they were put


class Comparison(ctypes.Structure):
    """libseccomp's scmp_arg_cmp."""

    _fields_ = (
        ("argument", ctypes.c_uint),
        ("how", ctypes.c_int),
        ("value", ctypes.c_uint64),
        ("other", ctypes.c_uint64),
    )


def calls_allowed(unit: str, groups: str) -> set[str]:
    """Return the system calls that SystemCallFilter leaves, by what `systemd-analyze syscall-filter` lists of its groups."""
    members = {
        part.split("\n", 1)[0].strip(): [
            line.strip() for line in part.split("\n")[1:] if line.strip() and "#" not in line
        ]
        for part in re.split(r"(?m)^(?=@)", groups)
        if part.startswith("@")
    }

    def calls_of(name: str) -> set[str]:
        if not name.startswith("@"):
            return {name}
        return set().union(*(calls_of(each) for each in members[name]))

    allowed: set[str] = set()
    for value in re.findall(r"(?m)^SystemCallFilter=(.*)$", unit):
        calls = set().union(*(calls_of(name) for name in value.lstrip("~").split()))
        allowed = allowed - calls if value.startswith("~") else allowed | calls
    return allowed | calls_of("@default")


def take_on(unit: str, groups: str) -> None:
    """Take on the filter of the unit, for good."""
    seccomp = ctypes.CDLL("libseccomp.so.2", use_errno=True)
    seccomp.seccomp_init.restype = ctypes.c_void_p
    seccomp.seccomp_load.argtypes = [ctypes.c_void_p]
    seccomp.seccomp_rule_add_array.argtypes = [
        ctypes.c_void_p, ctypes.c_uint32, ctypes.c_int, ctypes.c_uint, ctypes.POINTER(Comparison),
    ]  # fmt: skip

    def load(otherwise: int, rules: list[tuple[int, str, list[Comparison]]]) -> None:
        context = seccomp.seccomp_init(otherwise)
        for action, call, comparisons in rules:
            number = seccomp.seccomp_syscall_resolve_name(call.encode())
            if number < 0:  # none of this machine's
                continue
            array = (Comparison * max(1, len(comparisons)))(*comparisons)
            done = seccomp.seccomp_rule_add_array(context, action, number, len(comparisons), array)
            if done:
                raise OSError(-done, f"rule for {call}")
        if done := seccomp.seccomp_load(context):
            raise OSError(-done, "filter")

    both = _PROT_WRITE | _PROT_EXEC
    load(_ALLOW, [
        (_EPERM, "mmap", [Comparison(2, _MASKED_EQUAL, both, both)]),
        (_EPERM, "mprotect", [Comparison(2, _MASKED_EQUAL, _PROT_EXEC, _PROT_EXEC)]),
        (_EPERM, "pkey_mprotect", [Comparison(2, _MASKED_EQUAL, _PROT_EXEC, _PROT_EXEC)]),
        (_EPERM, "shmat", [Comparison(2, _MASKED_EQUAL, _SHM_EXEC, _SHM_EXEC)]),
    ])  # fmt: skip
    (families,) = re.findall(r"(?m)^RestrictAddressFamilies=(.*)$", unit)
    kept = {int(getattr(socket, name)) for name in families.split()}
    load(_ALLOW, [
        (_EAFNOSUPPORT, "socket", [Comparison(0, _EQUAL, family)]) for family in range(46) if family not in kept
    ])  # fmt: skip
    load(_EPERM, [(_ALLOW, call, []) for call in sorted(calls_allowed(unit, groups))])


def wrapped(unit: Path, user: int, folder: Path, command: list[str]) -> list[str]:
    """Return the command line that runs a command as the unit says, its folder (StateDirectory) being the only one to write."""
    places = [*map(Path, READ), folder, unit]
    above = sorted({str(each) for place in places for each in place.parents if str(each) != "/"})
    return [
        "bwrap", "--die-with-parent", "--unshare-pid", "--unshare-ipc", "--unshare-uts", "--hostname", "sandbox",
        "--ro-bind", "/", "/", "--proc", "/proc", "--dev", "/dev",
        "--perms", "0755", "--tmpfs", "/home", "--perms", "0755", "--tmpfs", "/root", "--perms", "1777", "--tmpfs", "/tmp",  # noqa: S108 (it is the sandbox's own)
        *(word for place in above for word in ("--perms", "0755", "--dir", place)),
        *(word for place in READ for word in ("--ro-bind", place, place)), "--bind", str(folder), str(folder), "--ro-bind", str(unit), str(unit), "--chdir", str(folder),
        "--cap-add", "CAP_SETUID", "--cap-add", "CAP_SETGID",
        sys.executable, "-P", __file__, str(unit), str(user), *command,
    ]  # fmt: skip


def main() -> None:
    """Take on user and filter, and become the command."""
    unit, user, *command = sys.argv[1:]
    text = Path(unit).read_text(encoding="utf-8")
    groups = subprocess.run(
        ["systemd-analyze", "syscall-filter", "--no-pager"], capture_output=True, text=True, check=True
    ).stdout
    os.setgroups([])
    os.setgid(int(user))
    os.setuid(int(user))
    if ctypes.CDLL(None).prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0):
        raise OSError("no new privileges could not be set")
    take_on(text, groups)
    os.execv(command[0], command)  # noqa: S606 (that is what it is for)


if __name__ == "__main__":
    main()
