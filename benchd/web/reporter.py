"""The reporter program over HTTP: an image built as asked for, to download."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import Response

from benchd.errors import BenchError
from benchd.reporter import build as images
from benchd.reporter import options as given
from benchd.reporter.options import Wrapper

NAMES: dict[Wrapper, str] = {"rom": "reporter.rom", "floppy": "reporter.img", "com": "REPORTER.COM"}


def reporter_routes() -> APIRouter:
    """Return the route of reporter images."""
    routes = APIRouter(prefix="/api")

    @routes.get("/reporter/{kind}", response_class=Response)
    def reporter(
        kind: str,
        base: Annotated[str, Query(max_length=12, description="where the rom will stand")] = "C8000",
        uart: Annotated[str, Query(max_length=6, description="I/O base of the serial port")] = "3F8",
        speed: Annotated[int, Query(description="bits per second")] = 9600,
        disk: Annotated[str, Query(max_length=6, description="360K, 720K, 1.2M, 1.44M")] = "360K",
    ) -> Response:
        """Build the program with which the machine reports itself: rom, floppy or com. It only reads."""
        wrapper = next((one for one in given.WRAPPERS if one == kind), None)
        if wrapper is None:
            raise HTTPException(404, f"no reporter is built as {kind!r}: one of {', '.join(NAMES)}")
        try:
            data = built(wrapper, base=base, uart=uart, speed=speed, disk=disk)
        except (ValueError, BenchError) as error:
            raise HTTPException(422, str(error)) from None
        headers = {"Content-Disposition": f'attachment; filename="{NAMES[wrapper]}"'}
        return Response(data, media_type="application/octet-stream", headers=headers)

    return routes


def built(kind: Wrapper, *, base: str, uart: str, speed: int, disk: str) -> bytes:
    """Return the image. Raises ValueError for options that cannot be."""
    if disk not in images.DISKS:
        raise ValueError(f"{disk!r} is no floppy: one of {', '.join(images.DISKS)}")
    options = given.Options(
        kind, uart=given.parse_uart(uart), speed=given.parse_speed(speed), base=given.parse_base(base), disk=disk
    )
    given.check(options)
    return images.build(options)
