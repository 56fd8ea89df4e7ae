"""What a command costs: a child process's wall clock, CPU seconds and peak memory."""

import os
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What one child process cost.

    Attributes
    ----------
    wall_s, cpu_s : float
        Seconds of the clock, and of all its threads.
    peak_mb : float
        The most memory that was resident, MB.
    stages : tuple of (str, float)
        Seconds up to each line that it printed, by the line's first word.
    """

    wall_s: float
    cpu_s: float
    peak_mb: float
    stages: tuple[tuple[str, float], ...] = ()


def measured(module: str, *arguments: object) -> Cost:
    """Run a module of this project in a process of its own; return what it cost.

    Raises
    ------
    RuntimeError
        It did not end with 0; what it said is in the message.
    """
    command = [sys.executable, "-m", module, *map(str, arguments)]
    begun = time.perf_counter()
    child = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    lines = [(line, time.perf_counter() - begun) for line in child.stdout or ()]
    _, status, usage = os.wait4(child.pid, 0)
    wall_s = time.perf_counter() - begun
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode != 0:
        raise RuntimeError(
            f"{' '.join(command)}\n" + "".join(line for line, _ in lines)
        )
    return Cost(
        wall_s=wall_s,
        cpu_s=usage.ru_utime + usage.ru_stime,
        peak_mb=usage.ru_maxrss / 1024,
        stages=tuple((line.split()[0], at) for line, at in lines if line.split()),
    )


def median(costs: Sequence[Cost]) -> Cost:
    """Return the run whose wall time is in the middle."""
    return sorted(costs, key=lambda cost: cost.wall_s)[len(costs) // 2]
