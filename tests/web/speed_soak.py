"""What the page costs: eight machines, both links at a full 115,200 baud, watched by Chromium; a shortened hour.

Run: python tests/web/speed_soak.py [SECONDS, 60 by default]. Not collected by pytest. The floods, the daemon
and the browser share the machine. Bars (for an hour): browser under 20 % of a core, page under 100 MB; memory is
sampled over the run, so that growth would show, and carried on to an hour by its slope after the first third.
CPU is that of all the browser's processes (user and system, from /proc); page memory is the JavaScript heap after
collection, and beside it the proportional set size of the page's own process, which holds Chromium itself too.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path
from types import SimpleNamespace

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.flood import Flood
from web import conftest, rig

MACHINES = 8
BYTES_PER_S = 11_520
"""115,200 bits per second, ten bits a byte."""
SAMPLE_S = 2.0
WIDTH = 1920
"""All eight panels are at least partly in view at this width."""
TICK = os.sysconf("SC_CLK_TCK")


def family(root: int) -> list[int]:
    """A process and all its descendants."""
    parents: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                parents.setdefault(int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1]), []).append(
                    int(entry.name)
                )
            except OSError:
                continue
    out, todo = [], [root]
    while todo:
        out.append(todo.pop())
        todo += parents.get(out[-1], [])
    return out


def cpu_s(pids: list[int]) -> float:
    total = 0
    for pid in pids:
        try:
            fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        total += int(fields[11]) + int(fields[12])
    return total / TICK


def page_process(pids: list[int]) -> int:
    """The renderer that has worked most."""
    renderers = []
    for pid in pids:
        try:
            if b"--type=renderer" in Path(f"/proc/{pid}/cmdline").read_bytes():
                renderers.append(pid)
        except OSError:
            continue
    return max(renderers, key=lambda pid: cpu_s([pid]))


def pss_mb(pid: int) -> float:
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) / 1024
    return 0.0


def main(seconds: float) -> None:
    names = tuple(f"bench pc {n + 1}" for n in range(MACHINES))
    folder = Path(tempfile.mkdtemp(prefix="benchd-soak-"))
    bench = rig.Rig(folder, machines=names)
    for sim in bench.sims.values():
        sim.close()
    settings = (folder / "bench.toml").read_text().replace("[[machine.link]]\n", "[[machine.link]]\nspeed = 115200\n")
    (folder / "bench.toml").write_text(settings)
    floods = [
        Flood(BYTES_PER_S, seed=n, links={"post": folder / f"port{n}-post", "console": folder / f"port{n}-console"})
        for n in range(MACHINES)
    ]
    with conftest.launched() as driver:
        driver.driver.execute_cdp_cmd("Performance.enable", {})
        soak(bench, floods, driver, names[0], seconds)


def soak(bench: rig.Rig, floods: list[Flood], driver: conftest.Browser, machine: str, seconds: float) -> None:
    try:
        rig.save_many(bench.store, 1000, machine=machine)
        bench.start()
        blank = pss_mb(page_process(family(driver.driver.service.process.pid)))
        driver.open(bench.url + "/", width=WIDTH)
        driver.size(WIDTH, 1080)
        paints = driver.js(
            "return [performance.getEntriesByName('first-contentful-paint')[0].startTime,"
            " performance.getEntriesByName('shown')[0].startTime]"
        )
        for flood in floods:
            flood.start()
        time.sleep(5)
        pids = family(driver.driver.service.process.pid)
        assert bench.process is not None
        page = page_process(pids)
        began, cpu, own = time.monotonic(), cpu_s(pids), cpu_s([bench.process.pid])
        heaps: list[SimpleNamespace] = []
        while time.monotonic() - began < seconds:
            time.sleep(SAMPLE_S)
            metrics = driver.driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
            values = {one["name"]: one["value"] for one in metrics}
            heaps.append(
                SimpleNamespace(
                    t=time.monotonic() - began,
                    heap=values["JSHeapUsedSize"] / 1e6,
                    nodes=values["Nodes"],
                    pss=pss_mb(page),
                )
            )
        spent = time.monotonic() - began
        share = (cpu_s(family(driver.driver.service.process.pid)) - cpu) / spent
        daemon = (cpu_s([bench.process.pid]) - own) / spent
        driver.driver.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
        metrics = driver.driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
        after = next(one["value"] for one in metrics if one["name"] == "JSHeapUsedSize") / 1e6
        old = driver.js("return document.body.dataset.old")
        results = [flood.finish() for flood in floods]
        offered = sum(sum(one.offered.values()) for one in results)
        lost = sum(sum(one.lost.values()) for one in results)
        tail = heaps[len(heaps) // 3 :]
        slope = statistics.linear_regression([one.t for one in tail], [one.pss for one in tail]).slope
        print(f"{MACHINES} machines, {2 * MACHINES} links at 115,200 baud, {spent:.0f} s; cores: {os.cpu_count()}")
        print(f"first paint {paints[0]:.0f} ms, view shown {paints[1]:.0f} ms, with 1,000 stored boots")
        print(f"bytes offered {offered:,}, lost before the daemon read them {lost:,} ({lost / offered:.1%})")
        print(f"browser: {share:.1%} of a core (all processes); daemon: {daemon:.1%} of a core; page is old: {old}")
        print(f"page: heap after collection {after:.1f} MB, highest while running {max(h.heap for h in heaps):.1f} MB")
        print(f"page: nodes {heaps[0].nodes:.0f} at first, {heaps[-1].nodes:.0f} at last")
        last, hour = heaps[-1].pss, heaps[-1].pss + slope * max(0.0, 3600 - spent)
        print(
            f"page process before any page (about:blank): {blank:.0f} MB; with the page {heaps[-1].pss - blank:+.0f} MB"
        )
        print(f"page process (PSS, with Chromium in it): {heaps[0].pss:.0f} MB at first, {last:.0f} MB at last")
        print(f"its slope after the first third: {slope * 60:+.2f} MB a minute; carried on to an hour {hour:.0f} MB")
    finally:
        for flood in floods:
            flood.close()
        bench.close()


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0)
