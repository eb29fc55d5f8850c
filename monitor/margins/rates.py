"""What two readings of a counter say: the increase, or nothing where it cannot be known."""


def counter_increase(before: float, now: float, bits: int, restarted: bool = False) -> float | None:
    """How much a counter of 32 or 64 bits has grown; None where it restarted in between.

    A lower value means that it wrapped once: RFC 2863 section 3.1.6. A 32-bit octet counter wraps in 34 s at
    1 Gb/s, so 64-bit counters are asked for first.

    >>> counter_increase(4294967000, 704, 32)
    1000.0
    """
    if restarted:
        return None
    grown = now - before
    if grown >= 0:
        return float(grown)
    # A 64-bit counter does not wrap in a lifetime (RFC 2863): lower means it was reset.
    return float(grown + 2**32) if bits == 32 else None


def restarted_between(uptime_before_s: float, uptime_now_s: float, elapsed_s: float) -> bool:
    """Did the agent restart between two readings of its uptime [s], ``elapsed_s`` apart?

    Its uptime must have grown by about the time elapsed; sysUpTime itself wraps after 497 days (2³² hundredths
    of a second, RFC 2579), which is no restart. An agent's clock may run 5 % off, or 30 s late.

    >>> restarted_between(5000, 5060, 60), restarted_between(5000, 12, 60), restarted_between(42949660, 7, 20)
    (False, True, False)
    """
    wrap_s = 2**32 / 100
    expected = (uptime_before_s + elapsed_s) % wrap_s
    difference = min(abs(uptime_now_s - expected), wrap_s - abs(uptime_now_s - expected))
    return difference > (5.0 if uptime_now_s < uptime_before_s else max(30.0, 0.05 * elapsed_s))
