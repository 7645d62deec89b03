"""The store's schema versions."""

VERSIONS = ("0001", "0002", "0003", "0004", "0005", "0006", "0007")
"""Every schema this benchd can read and upgrade, oldest first; the last is the current one."""
VERSION_TABLE = "benchd_schema"
