"""Trials: comparison, timing, causes and the next trial. Pure: no storage, files, clock or screens."""
