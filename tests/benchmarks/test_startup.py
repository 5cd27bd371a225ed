"""How long the program takes to say what it can do."""

import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MOST = 2.5
"""Times the time of loading Typer and Rich, without which there is no command line."""


def best_s(*words: str) -> float:
    """The shortest of seven runs of this Python with these words."""
    times = []
    for _ in range(7):
        start = time.perf_counter()
        subprocess.run([sys.executable, *words], capture_output=True, check=True, cwd=ROOT)
        times.append(time.perf_counter() - start)
    return min(times)


@pytest.mark.benchmark
def test_help_is_quick() -> None:
    ratio = best_s("rundown.py", "--help") / best_s("-c", "import typer, rich")
    print(f"rundown --help takes {ratio:.2f} times as long as loading typer and rich")
    assert ratio <= MOST
