"""I run a few lines in a program of their own and say how much memory it took at most.

In: Python text and arguments. Out: what it printed, and the peak in MiB.

The system's own counter for child processes (ru_maxrss) begins with what the parent held, so that a test run among
others would measure those; Linux keeps the peak of the new program apart.
"""

from __future__ import annotations

import subprocess
import sys

PEAK = """
def _peak_kib():
    import resource
    try:
        with open("/proc/self/status") as file:
            return next(int(line.split()[1]) for line in file if line.startswith("VmHWM"))
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print()
print(_peak_kib())
"""


def run_measured(code: str, *arguments: object) -> tuple[list[str], float]:
    """Words printed by `code` (sys.argv holds the arguments), and peak memory in MiB.

    Raises
    ------
    AssertionError : the program failed, or wrote to its error output.
    """
    command = [sys.executable, "-c", code + PEAK, *map(str, arguments)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert run.stderr == ""
    *words, peak = run.stdout.split()
    return words, int(peak) / 1024
