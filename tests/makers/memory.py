"""Peak memory of a piece of Python run in a process of its own."""

from __future__ import annotations

import resource
import subprocess
import sys

from tests import REPO

PEAK = """
def _peak():
    with open("/proc/self/status") as status:
        return next(int(s.split()[1]) for s in status if s.startswith("VmHWM:")) / 1024
"""


def peak_mb(setup: str, work: str, *args: str, limit_mb: int = 8000) -> tuple[float, float]:
    """Peak memory in MiB after ``setup`` (the imports) and after ``work``.

    ``args`` are sys.argv[1:] of the code. Linux: VmHWM, not getrusage's ru_maxrss, which a
    child inherits from the process that forked it.
    """
    code = f"import sys\n{PEAK}\n{setup}\n_before = _peak()\n{work}\nprint(_before, _peak())\n"
    limit = limit_mb << 20
    done = subprocess.run(
        [sys.executable, "-c", code, *args], capture_output=True, text=True, timeout=900, cwd=REPO,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    before, after = done.stdout.split()[-2:]
    return float(before), float(after)
