"""Boots: where one starts and ends, the ladder, stalls, loops, skipped and late stages. Pure."""

from benchd.boots.limits import Limit
from benchd.boots.tracker import BootTracker

__all__ = ["BootTracker", "Limit"]
