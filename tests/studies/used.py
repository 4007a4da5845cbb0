"""What another process has taken of this machine."""

import os
from pathlib import Path

MB = 1024.0


def used_s(pid: int) -> float:
    """Return the processor time that a process has taken, s."""
    stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8")
    after_name = stat.rpartition(")")[2].split()
    return (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Return how much of a process is resident, MB."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    (found,) = [one for one in lines if one.startswith("VmRSS:")]
    return int(found.split()[1]) / MB
