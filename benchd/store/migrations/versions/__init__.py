"""One file per schema version, oldest first. A published one is never changed."""
