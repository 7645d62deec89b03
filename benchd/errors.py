"""The two error families. Any other exception that reaches a user is a bug.

`ExternalError`: the world did something (a link, a file, a broker). Exit code 1.
`UsageError`: the caller did (a setting, a rule, an argument). Exit code 2.
Every message says what happened, where (file and line, or offset) and what to do.
"""

from __future__ import annotations


class BenchError(Exception):
    """Base of all errors that benchd raises on purpose."""

    exit_code = 1


class ExternalError(BenchError):
    """Something outside the program failed: a port, a file, a broker."""

    exit_code = 1


class UsageError(BenchError):
    """The caller asked for something that cannot be: a setting, a rule, an argument."""

    exit_code = 2
