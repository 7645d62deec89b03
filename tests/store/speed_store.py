"""What the store costs: saving a boot, listing 1,000, learned times, opening.

Run: python tests/store/speed_store.py [PATH OR URL OF A NEW STORE]. Not collected by pytest.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from benchd.store import Store
from benchd.vocabulary.models import Boot, Finding, Stage

START = datetime(2026, 3, 1, tzinfo=UTC)


def milliseconds(work: Callable[[], object], rounds: int = 7) -> float:
    taken = []
    for _ in range(rounds):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return statistics.median(taken) * 1e3


def main(place: str) -> None:
    print(f"opening a new store: {milliseconds(lambda: Store.open(place).close(), 1):.1f} ms")
    print(f"opening it again: {milliseconds(lambda: Store.open(place).close()):.1f} ms")
    findings = [Finding(kind="slow", rule="r", stage="s9", t=1.0, means="m", try_=["a", "b"])] * 2
    stages = [Stage(name=f"s{n}", t=n, u=0.01) for n in range(12)]
    with Store.open(place) as store:
        taken = []
        for number in range(1000):
            boot = Boot(
                id=f"b{number:06d}",
                machine="at286",
                table="t",
                started=(START + timedelta(minutes=number)).isoformat(),
                outcome="finished",
                stages=stages,
                findings=findings,
            )
            begun = time.perf_counter()
            store.save_boot(boot, capture="c.pcapng")
            taken.append(time.perf_counter() - begun)
        taken.sort()
        print(f"saving a boot: median {taken[500] * 1e3:.2f} ms, 99th of 100 {taken[990] * 1e3:.2f} ms")
        print(f"listing 1,000 boots: {milliseconds(lambda: store.boots(limit=1000)):.0f} ms")
        print(f"one boot by prefix: {milliseconds(lambda: store.boot('b000777')):.1f} ms")
        print(f"good times of all stages: {milliseconds(lambda: store.good_times('at286', 't')):.1f} ms")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(sys.argv[1])
    else:
        with tempfile.TemporaryDirectory() as room:
            main(f"{room}/bench.db")
