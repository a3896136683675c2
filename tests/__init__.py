"""Tests, benchmarks and proofs read this tree, never an installed copy; so do the programs that they start."""

import os
import sys
from pathlib import Path

DATA = Path(__file__).parent / "data"
TREE = str(Path(__file__).resolve().parents[1] / ".src")

if TREE not in sys.path:
    sys.path.insert(0, TREE)
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [TREE, os.environ.get("PYTHONPATH", "")]))
