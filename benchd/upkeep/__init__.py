"""Keeping a bench for years: backups, moving to another computer, running as a service."""
