"""Becomes another program that is told to stop when its parent dies, however the parent dies.

Run as a script, by path: ``python -I -S tethered.py PARENT_PID USER PROGRAM [ARGUMENT...]``. USER may be empty; a name
is only for a parent that is root. Linux has the means (prctl(2), PR_SET_PDEATHSIG); elsewhere PROGRAM simply runs.
"""

import ctypes
import os
import pwd
import signal
import sys

PR_SET_PDEATHSIG = 1


def become_user(name: str) -> None:
    """Give up root for `name`. Before the tether: the kernel cuts it when the user changes."""
    account = pwd.getpwnam(name)
    os.setgroups([])
    os.setgid(account.pw_gid)
    os.setuid(account.pw_uid)
    os.environ.update(HOME=account.pw_dir, USER=name, LOGNAME=name)


def tether(parent: int) -> None:
    """Ask the kernel for SIGTERM at the death of `parent`, and leave at once when it is dead already."""
    if sys.platform == "linux":
        ctypes.CDLL(None, use_errno=True).prctl(PR_SET_PDEATHSIG, signal.SIGTERM, 0, 0, 0)
        if os.getppid() != parent:
            sys.exit(1)


if __name__ == "__main__":
    parent_pid, user, *program = sys.argv[1:]
    if user:
        become_user(user)
    tether(int(parent_pid))
    os.execvp(program[0], program)
