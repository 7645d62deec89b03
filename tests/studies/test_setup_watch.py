"""Reports held against their trials' setups as boots are stored: each state of a report is looked at, once."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

import pytest
from studies.test_setup_differs import EARLY, LATE, NOW, machine, read

from benchd.store import Store
from benchd.vocabulary.measured import Measured, SetupDiffers
from benchd.vocabulary.models import Boot
from benchd.watch.setups import SetupWatch

WHOLE, OTHER = read(machine(0xD0000, EARLY)), read(machine(0xD0000, LATE))
PART = WHOLE.model_copy(update={"complete": False, "blocks": WHOLE.blocks[:20]})


class Noted:
    """A watcher's place: keeps what is noted."""

    def __init__(self) -> None:
        self.notes: list[tuple[str, str]] = []

    def note(self, kind: str, text: str) -> None:
        self.notes.append((kind, text))


def stored(measured: Measured, boot: str = "x") -> Boot:
    return Boot(id=boot, machine="at286", trial="T1", started=NOW, outcome="running", measured=measured)


def differs(boot: Boot) -> SetupDiffers:
    return SetupDiffers(boot=boot.id, factor="rom-base", declared="D000", level=None, means="m", detail="d")


def watch(tmp_path: Path, look: Callable[[Store, Boot], Sequence[SetupDiffers]]) -> tuple[SetupWatch, Noted]:
    noted = Noted()
    return SetupWatch(Store.open(str(tmp_path / "x.db")), cast(Any, {"at286": noted}), look), noted


def test_a_report_that_grows_while_it_is_looked_at_is_looked_at_again(tmp_path: Path) -> None:
    looking, go_on = threading.Event(), threading.Event()

    def look(store: Store, boot: Boot) -> Sequence[SetupDiffers]:
        looking.set()
        assert go_on.wait(60)
        assert boot.measured is not None
        return [differs(boot)] if boot.measured.complete else []

    setups, noted = watch(tmp_path, look)

    async def story() -> None:
        setups.saved(stored(PART))
        work = asyncio.create_task(setups.work())
        assert await asyncio.to_thread(looking.wait, 60)
        setups.saved(stored(WHOLE))
        go_on.set()
        await work
        await setups.work()

    asyncio.run(story())
    setups.close()
    assert noted.notes == [("differs", differs(stored(WHOLE)).label)]


def test_another_report_with_as_many_blocks_is_looked_at_and_the_same_one_is_not(tmp_path: Path) -> None:
    seen: list[Boot] = []

    def look(store: Store, boot: Boot) -> Sequence[SetupDiffers]:
        seen.append(boot)
        return ()

    setups, _ = watch(tmp_path, look)
    assert len(WHOLE.blocks) == len(OTHER.blocks) and WHOLE.blocks != OTHER.blocks

    async def story() -> None:
        for measured in (WHOLE, WHOLE, OTHER, OTHER):
            setups.saved(stored(measured))
            await setups.work()

    asyncio.run(story())
    setups.close()
    assert [boot.measured for boot in seen] == [WHOLE, OTHER]


def test_what_fails_is_told_once_and_holds_up_no_other(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    def look(store: Store, boot: Boot) -> Sequence[SetupDiffers]:
        if boot.id == "bad":
            raise KeyError("a slip of benchd's own")
        return [differs(boot)]

    setups, noted = watch(tmp_path, look)

    async def story() -> None:
        setups.saved(stored(WHOLE, "bad"))
        setups.saved(stored(WHOLE, "good"))
        await setups.work()
        setups.saved(stored(WHOLE, "bad"))
        await setups.work()

    asyncio.run(story())
    setups.close()
    assert len(noted.notes) == 1
    assert [record.getMessage() for record in caplog.records if record.name == "benchd.watch.setups"] == [
        "setup of boot bad cannot be held against its report"
    ]
