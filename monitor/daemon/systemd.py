"""Telling systemd that the daemon is ready and alive (sd_notify(3)): one datagram to the socket that it names."""

import os
import socket


def notify(state: str) -> bool:
    """Send one state, as ``READY=1`` or ``WATCHDOG=1``; False where systemd did not start us."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as to:
        try:
            to.connect("\0" + address[1:] if address.startswith("@") else address)
            to.send(state.encode())
        except OSError:
            return False
    return True


def watchdog_s() -> float | None:
    """How often a sign is wanted [s]: half of what systemd waits (sd_watchdog_enabled(3)); None: not at all."""
    microseconds = os.environ.get("WATCHDOG_USEC", "")
    for_us = os.environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
    return int(microseconds) / 2e6 if microseconds.isdigit() and int(microseconds) and for_us else None
