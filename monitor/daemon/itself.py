"""How the program itself is doing: for ``farpole status --self`` and the page's foot."""

import platform
import shutil
from pathlib import Path
from typing import Any

from monitor.daemon import descriptors
from monitor.daemon.asking import Asking
from monitor.daemon.clock import Clock
from monitor.daemon.keeper import Keeper
from monitor.daemon.memory import Memory
from monitor.daemon.post import Post
from monitor.daemon.schedule import Schedule
from monitor.daemon.version import own_version

MB = 1e6


def about(
    plan_file: Path, started_s: float, schedule: Schedule, keeper: Keeper, asking: Asking, post: Post, memory: Memory
) -> dict[str, Any]:
    """Rounds, queue, disk, quota, memory, clock, the way to people, versions. What is not known is null."""
    clock: Clock = schedule.clock
    return {
        "version": own_version(),
        "python": platform.python_version(),
        "plan": str(plan_file.resolve()),
        "running_s": round(clock.monotonic_s() - started_s),
        "late_rounds": schedule.late,
        "late_jobs": schedule.late_jobs(),
        "last_failure": schedule.failed,
        "clock_trusted": clock.trusted(),
        "clock_jumps": schedule.jumps,
        "memory_mb": memory_mb(),
        **disk(keeper.folder, keeper.path, keeper.quota_octets),
        "not_written": keeper.waiting,
        "dropped": keeper.dropped,
        "history_trouble": keeper.trouble,
        "callouts_waiting": post.waiting,
        "not_proven": [str(line) for line in memory.unproven],
        "snmp_not_believed": asking.rejected,
        "not_asked": {fault.name.lower(): count for fault, count in asking.unasked.items() if count},
        "longest_standstill_s": round(asking.pulse.worst_s, 2),
        "descriptors_open": open_descriptors(),
        "descriptors_limit": descriptors.limit(),
    }


def memory_mb() -> float | None:
    """Resident memory of this process [MB]: VmRSS of proc(5)."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    kib = next((line.split()[1] for line in lines if line.startswith("VmRSS:")), None)
    return round(int(kib) * 1024 / MB, 1) if kib is not None else None


def open_descriptors() -> int | None:
    """Files and sockets that this process has open now (proc(5))."""
    try:
        return len(list(Path("/proc/self/fd").iterdir())) - 1
    except OSError:
        return None


def disk(folder: Path, history: Path, quota_octets: int | None) -> dict[str, float | None]:
    """Room on the disk, and what the history takes and may take [MB]."""
    try:
        free = shutil.disk_usage(folder).free
        took = sum(file.stat().st_size for file in folder.glob(f"{history.name}*"))
    except OSError:
        return {"disk_free_mb": None, "history_mb": None, "quota_mb": None}
    quota = round(quota_octets / MB) if quota_octets else None
    return {"disk_free_mb": round(free / MB), "history_mb": round(took / MB, 1), "quota_mb": quota}
