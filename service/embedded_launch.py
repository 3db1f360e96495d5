"""Becomes a PostgreSQL program that ends when the process that asked for it ends; run as a script, never imported.

Arguments: the asking process, then `user group other,groups` as numbers or three dashes to stay who we are, then the
program and its arguments. It is a process of its own so that nothing runs between fork and exec in a service that may
have threads, and so that an account without leave to run this Python can still be given the server.
"""

import ctypes
import os
import signal
import sys

_PR_SET_PDEATHSIG = 1


def become(asking: int, user: str, group: str, others: str, program: list[str]) -> None:
    """Take the account, ask the kernel for SIGINT at the death of `asking`, and turn into `program`."""
    if user != "-":
        os.setgroups([int(number) for number in others.split(",") if number])
        os.setgid(int(group))
        os.setuid(int(user))
    os.umask(0o077)
    # A service started in the background of a script has SIGINT ignored, and exec would hand that on.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_SETMASK, [])
    if sys.platform == "linux":
        # After setuid, which clears it.
        libc = ctypes.CDLL(None, use_errno=True)
        if libc.prctl(_PR_SET_PDEATHSIG, int(signal.SIGINT), 0, 0, 0) != 0:
            raise OSError(ctypes.get_errno(), "the kernel refused to tie the server to the service")
    if os.getppid() != asking:
        sys.exit("the service ended before its server began")
    # A full path: searching for it would import modules that the account may not be able to read.
    os.execv(program[0], program)


if __name__ == "__main__":
    become(int(sys.argv[1]), sys.argv[2], sys.argv[3], sys.argv[4], sys.argv[5:])
