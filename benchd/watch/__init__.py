"""Watching machines: records in, events out, live or from captures."""
