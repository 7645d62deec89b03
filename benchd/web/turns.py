"""Reading the store and captures for the page, bounded: so many at once, so many waiting, the rest is sent away."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from fastapi import HTTPException

AT_ONCE = 3
"""Requests that read at the same time. Their threads are the server's, not those that store and sync."""
WAITING_MOST = 32


class Turns:
    """A dependency of the routes that read: waits for a turn. Raises HTTPException 503 where too many wait."""

    def __init__(self, at_once: int = AT_ONCE, waiting: int = WAITING_MOST) -> None:
        self._free = asyncio.Semaphore(at_once)
        self._most = at_once + waiting
        self._inside = 0

    async def __call__(self) -> AsyncIterator[None]:
        if self._inside >= self._most:
            raise HTTPException(
                503, f"{self._inside} requests are being read for already; ask again", {"Retry-After": "2"}
            )
        self._inside += 1
        try:
            async with self._free:
                yield
        finally:
            self._inside -= 1
