"""How long `benchd map` takes for 64 windows beyond start-up. Run by hand: python tests/rom/speed_map.py

Prints the median of processor time (user and system) and of wall time of whole processes: other load on
the machine shows in the second figure only.
"""

from __future__ import annotations

import random
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.option_roms import option_rom

ROUNDS = 9


def crowd(where: Path) -> Path:
    """Write a map of 64 overlapping ROM windows with images and six jumper positions each."""
    rng = random.Random(3)
    text = '[scan]\npreset = "pnp-1.0a"\n'
    for n in range(64):
        (where / f"r{n}.bin").write_bytes(option_rom(16, n + 1))
        bases = [f'"{rng.randrange(0xC0000, 0xE8000, 0x800):05X}"' for _ in range(7)]
        text += f'[[window]]\nname = "w{n}"\nbase = {bases[0]}\nsize = "8K"\nimage = "r{n}.bin"\n'
        text += f"positions = [{', '.join(bases)}]\n"
    path = where / "crowd.toml"
    path.write_text(text)
    return path


def timed(*words: str) -> tuple[float, float]:
    """Return (processor seconds, wall seconds) of one run."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run([sys.executable, "-m", "benchd", *words], check=True, stdout=subprocess.DEVNULL)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        path = str(crowd(Path(name)))
        rows = {"start-up": ("map", "--help"), "map text": ("map", path), "map json": ("map", path, "--json")}
        base = None
        for title, words in rows.items():
            runs = [timed(*words) for _ in range(ROUNDS)]
            cpu, wall = (statistics.median(column) for column in zip(*runs, strict=True))
            base = base or (cpu, wall)
            more = (cpu - base[0], wall - base[1])
            print(f"{title:9} cpu {cpu:.3f} s (+{more[0]:.3f})   wall {wall:.3f} s (+{more[1]:.3f})")


if __name__ == "__main__":
    main()
