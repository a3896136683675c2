"""Libraries that are laid under a program by LD_PRELOAD: compiled once a process."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path


@cache
def compiled(name: str) -> Path:
    """The library of `NAME.c`, which lies here."""
    compiler = shutil.which("cc")
    assert compiler is not None, "a C compiler is needed: apt-get install gcc libc6-dev"
    path = Path(tempfile.mkdtemp(prefix=f"{name}-"), f"{name}.so")
    source = Path(__file__).with_name(f"{name}.c")
    subprocess.run([compiler, "-O2", "-Wall", "-shared", "-fPIC", "-o", str(path), str(source), "-ldl"], check=True)
    return path
