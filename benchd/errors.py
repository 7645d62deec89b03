"""The two error families. Any other exception that reaches a user is a bug.

`ExternalError`: the world did something (a link, a file, a broker). Exit code 1.
`UsageError`: the caller did (a setting, a rule, an argument). Exit code 2.
Every message says what happened, where (file and line, or offset) and what to do.
"""

from __future__ import annotations

import errno


class BenchError(Exception):
    """Base of all errors that benchd raises on purpose."""

    exit_code = 1


class ExternalError(BenchError):
    """Something outside the program failed: a port, a file, a broker."""

    exit_code = 1


class UsageError(BenchError):
    """The caller asked for something that cannot be: a setting, a rule, an argument."""

    exit_code = 2


_SYSTEM = {
    errno.ENOENT: "there is no such file or folder",
    errno.EISDIR: "it is a folder, not a file",
    errno.ENOTDIR: "part of its path is a file, not a folder",
    errno.EEXIST: "there is one of this name already",
    errno.ENOTEMPTY: "the folder is not empty",
    errno.EACCES: "you may not: its owner or mode forbids it (`ls -l` shows both)",
    errno.EPERM: "you may not: only its owner or the administrator may",
    errno.EROFS: "the disk can only be read",
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "your share of the disk is full",
    errno.EFBIG: "the file would be larger than is allowed",
    errno.EIO: "the disk or device failed",
    errno.ENXIO: "no device is behind it",
    errno.ENODEV: "no device is behind it",
    errno.ELOOP: "its links lead in a circle",
    errno.ENAMETOOLONG: "the name is too long",
    errno.EMFILE: "too many files are open",
    errno.ENFILE: "too many files are open on this computer",
    errno.ENOMEM: "memory is full",
    errno.EBUSY: "something else is using it",
    errno.ETXTBSY: "something else is using it",
    errno.ENOEXEC: "it is no program",
    errno.EADDRINUSE: "another program has this address",
    errno.EADDRNOTAVAIL: "this computer has no such address",
    errno.ECONNREFUSED: "nothing listens there",
    errno.ECONNRESET: "the far end ended the connection",
    errno.EPIPE: "the far end ended the connection",
    errno.ETIMEDOUT: "no answer in time",
    errno.EHOSTUNREACH: "no way leads to that computer",
    errno.ENETUNREACH: "no way leads to that network",
}


def system_words(error: BaseException) -> str:
    """Return in plain words what the operating system refused; its number and text only where there are none."""
    kind = type(error)
    if kind.__name__ == "gaierror":
        return "the host name is not known"
    # Numbers of the TLS library are its own: 1 is not EPERM there.
    number = None if kind.__module__ == "ssl" else getattr(error, "errno", None)
    if number in _SYSTEM:
        return _SYSTEM[number]
    text = str(getattr(error, "strerror", None) or error).strip() or kind.__name__
    return f"the system refuses it ({errno.errorcode.get(number, number)}: {text})" if number else text
