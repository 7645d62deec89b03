"""A boot's report, as the page gets it, names the images of the boot's study, as `benchd show` does."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import httpx
import pytest
from fastapi import FastAPI
from studies.conftest import Commands
from studies.test_setup_differs import EARLY, Bench, machine, read

from benchd.web.boots import boot_routes


def test_a_boot_over_http_names_the_same_images(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    benchd = Commands(tmp_path, capsys)
    bench = Bench(benchd.folder, benchd.store())
    bench.boot(bench.trial(), read(machine(0xD0000, EARLY)))
    app = FastAPI()
    app.include_router(boot_routes(cast(Any, SimpleNamespace(store=bench.store)), cast(Any, None)))

    async def ask() -> httpx.Response:
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://bench") as client:
            return await client.get("/api/boots/b1")

    told = asyncio.run(ask()).json()
    bench.store.close()
    assert [one["image"] for one in told["measured"]["roms"] if one["at"] == "D0000"] == ["early.bin"]
    assert told == benchd.json("show", "b1")
