"""Packages of the npm registry that tests use: fetched once, kept in a cache outside the tree."""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import tempfile
from pathlib import Path


@functools.cache
def modules(*packages: str) -> Path:
    """Return a node_modules folder with `packages` (each NAME@VERSION)."""
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "benchd-tests"
    place = cache / "+".join(package.strip("@").replace("@", "-").replace("/", "-") for package in packages)
    if not (place / "node_modules").is_dir():
        cache.mkdir(parents=True, exist_ok=True)
        npm = shutil.which("npm")
        assert npm is not None, "peer npm is missing"
        with tempfile.TemporaryDirectory(dir=cache) as folder:
            done = subprocess.run(
                [npm, "install", "--prefix", folder, "--no-save", "--no-audit", "--no-fund", *packages],
                capture_output=True, text=True, timeout=240, check=False,
            )  # fmt: skip
            assert done.returncode == 0, f"npm could not install {packages}: {done.stderr[-800:]}"
            if not place.exists():
                shutil.copytree(folder, f"{folder}-whole", symlinks=True)
                os.replace(f"{folder}-whole", place)
    return place / "node_modules"
