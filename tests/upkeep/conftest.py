"""The PostgreSQL cluster of the store's tests serves here too."""

from store.conftest import cluster

__all__ = ["cluster"]
