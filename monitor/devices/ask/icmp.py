"""ICMP echo by icmplib, where the system lets us; where it does not, nothing is asked, never "silent"."""

from icmplib import ICMPLibError, NameLookupError, SocketPermissionError, async_ping

from monitor.devices.ask.own import CouldNotAsk, is_ours

_LOOPBACK = "127."


async def permitted() -> bool | str:
    """May this process send echo requests? True for both ways, or the reason why not."""
    for privileged in (False, True):
        try:
            await async_ping("127.0.0.1", count=1, timeout=0.5, privileged=privileged)
        except SocketPermissionError:
            continue
        except (ICMPLibError, OSError) as error:
            return f"ping does not work here: {error}"
        _Way.privileged = privileged
        return True
    return (
        "ping is not permitted for this user; allow it with sysctl net.ipv4.ping_group_range or give the "
        "service CAP_NET_RAW"
    )


class _Way:
    """Which kind of socket worked; set once by permitted()."""

    privileged = False


def worth_asking(address: str) -> bool:
    """The kernel itself answers for all of 127/8, so there an answer would say nothing of a device."""
    return not address.startswith(_LOOPBACK)


async def ping(address: str, timeout_s: float = 1.0) -> float | None:
    """Round trip [s] of one echo, or None where none came back in time. Raises CouldNotAsk."""
    try:
        host = await async_ping(address, count=1, timeout=timeout_s, privileged=_Way.privileged)
    except (ICMPLibError, NameLookupError, OSError) as error:
        if is_ours(error):
            raise CouldNotAsk(str(error)) from None
        return None
    return host.avg_rtt / 1000 if host.is_alive else None
