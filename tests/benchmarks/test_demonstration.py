"""The demonstration as a newcomer runs it: wall time, memory, first output. Reported, not asserted.

Aims on 2 cores: the whole run within 10 s and 600 MB, first output within 0.2 s.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
SITE = ROOT / "configs" / "alder-hanger" / "site.toml"


def measured(arguments: list[str]) -> tuple[float, float]:
    """Wall time in seconds and the most memory held at once in MB, of one fresh process."""
    start = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-m", "riskcast", *arguments],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    assert child.returncode == 0
    return time.perf_counter() - start, usage.ru_maxrss / 1024


@pytest.mark.parametrize("as_of", ["2025-10-27", "2026-01-12", "2026-03-30"])
def test_whole_demonstration_run(benchmark, tmp_path, as_of):
    arguments = ["run", str(SITE), "--as-of", as_of, "--out", str(tmp_path)]
    memory = []

    def once() -> None:
        memory.append(measured(arguments)[1])

    benchmark.pedantic(once, rounds=3, warmup_rounds=1)
    benchmark.extra_info["most_memory_mb"] = round(max(memory))
    print(f"\n{as_of}: {benchmark.stats.stats.median:.1f} s, {max(memory):.0f} MB")


def test_first_output(benchmark):
    """From the start of the process to the first line on stderr."""

    def once() -> None:
        child = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "riskcast",
                "run",
                str(SITE),
                "--verbose",
                "--as-of",
                "2025-10-27",
                "--out",
                os.devnull,
            ],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        assert child.stderr is not None
        assert child.stderr.readline()
        child.kill()
        child.communicate()

    benchmark.pedantic(once, rounds=5, warmup_rounds=1)
    print(f"\nfirst output after {benchmark.stats.stats.median:.2f} s")
