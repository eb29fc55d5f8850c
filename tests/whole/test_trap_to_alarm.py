"""From the head-end switch's notification to the alarm, and the two rounds that it takes without one."""

import asyncio
import socket
import time

import pytest
from pysnmp.proto.api import v2c
from ruamel.yaml import YAML

from tests.lateness import standstill
from tests.whole.conftest import Farm
from tests.whole.test_daemon import settled_in

pytestmark = pytest.mark.whole


def link_down(if_index: int) -> bytes:
    """A v2c linkDown trap, as pysnmp writes it."""
    from pyasn1.codec.ber import encoder

    pdu = v2c.TrapPDU()
    v2c.apiTrapPDU.set_defaults(pdu)
    binds = v2c.apiTrapPDU.get_varbinds(pdu)[:1]
    trap_oid, link = (1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0), (1, 3, 6, 1, 6, 3, 1, 1, 5, 3)
    row = (1, 3, 6, 1, 2, 1, 2, 2, 1, 1, if_index)
    named = [
        (v2c.ObjectIdentifier(trap_oid), v2c.ObjectIdentifier(link)),
        (v2c.ObjectIdentifier(row), v2c.Integer(if_index)),
    ]
    v2c.apiTrapPDU.set_varbinds(pdu, [*binds, *named])
    whole = v2c.Message()
    v2c.apiMessage.set_defaults(whole)
    v2c.apiMessage.set_community(whole, b"farm-word")
    v2c.apiMessage.set_pdu(whole, pdu)
    return bytes(encoder.encode(whole))


def changed(farm: Farm, reach_s: float) -> int:
    """Slow rounds, so that it is the notification which counts; the port on which it is taken."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    yaml = YAML(typ="safe")
    plan = yaml.load(farm.settings.plan_file.read_text(encoding="utf-8"))
    plan["traps"] = {"address": "127.0.0.1", "port": port}
    plan["rounds"] |= {"reach_s": reach_s}
    with farm.settings.plan_file.open("w", encoding="utf-8") as file:
        yaml.dump(plan, file)
    return port


async def alarm_after(farm: Farm, seconds: float) -> float:
    """When the alarm was raised (UTC seconds)."""

    async def raised() -> bool:
        return "creek pole-silent" in await farm.standing()

    await farm.until(raised, seconds)
    return float((await farm.standing())["creek pole-silent"]["raised_s"])


async def test_the_alarm_is_raised_within_three_seconds_of_the_notification(farm: Farm) -> None:
    port = changed(farm, 60.0)
    daemon = await farm.daemon()
    try:
        await settled_in(farm)
        farm.breaks("feeder-open", "creek")
        sent_s = time.time()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender, standstill() as stood:
            sender.bind((str(farm.site.plan.headend.switch.address), 0))
            sender.sendto(link_down(1), ("127.0.0.1", port))
            assert await alarm_after(farm, 20) - sent_s <= 3.0 + stood.seconds
    finally:
        daemon.terminate()
        await daemon.wait()


async def test_without_a_notification_two_rounds_are_enough(farm: Farm) -> None:
    changed(farm, 6.0)
    daemon = await farm.daemon()
    try:
        await settled_in(farm)
        farm.breaks("feeder-open", "creek")
        broken_s = time.time()
        with standstill() as stood:
            assert await alarm_after(farm, 30) - broken_s <= 2 * 6.0 + stood.seconds
    finally:
        daemon.terminate()
        await daemon.wait()


async def test_a_notification_of_a_healthy_pole_changes_nothing(farm: Farm) -> None:
    port = changed(farm, 60.0)
    daemon = await farm.daemon()
    try:
        await settled_in(farm)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.bind((str(farm.site.plan.headend.switch.address), 0))
            for _ in range(20):
                sender.sendto(link_down(1), ("127.0.0.1", port))
        await asyncio.sleep(4)
        assert await farm.standing() == {}
    finally:
        daemon.terminate()
        await daemon.wait()
