"""Delays are a promise: they stand in the documentation, and whoever changes one changes it here as well."""

from monitor.alarms.inventory import INVENTORY

AT_ONCE = """pole-silent supply-lost head-end-silent margin-drifting port-left-off device-unknown device-moved
address-claimed-twice vlan-beside-plan port-slow class-beside-plan ports-struck drill history-not-written
history-damaged sockets-short started-after-failure job-failed callouts-not-going-out centre-not-told site-silent
centre-cut-off"""
"""What asks again by itself before it says anything, is compared rather than measured, or is said once."""
ON_OFF = {
    (2, 2): """credentials-refused battery-low stream-lossy light-low light-high volts-low volts-high amperes-high
        poe-watts-high port-watts-high poe-port-fault disk-nearly-full clock-doubted rounds-late""",
    (4, 2): "agent-silent",
    (3, 2): "load-silent service-refused light-beside-plan answer-garbled load-quiet",
    (2, 1): "stream-broken stream-thin clock-off sign-of-life-lost",
    (3, 3): "light-fell never-full",
    (1, 3): "link-restless port-cut",
    (3, 5): "frames-broken",
    (3, 10): "optic-hot",
    (10, 10): "loop-rose",
    (5, 5): "uplink-full tree-restless agent-slow",
    (2, 3): "broadcast-flood",
    (20, 3): "not-charging",
    (2, 10): "port-restless",
}
"""(on-delay, off-delay) in rounds → alarm types."""


def test_every_delay_is_the_promised_one() -> None:
    promised = {name: delays for delays, names in ON_OFF.items() for name in names.split()}
    promised |= dict.fromkeys(AT_ONCE.split(), (1, 1))
    assert {name: (kind.on_rounds, kind.off_rounds) for name, kind in INVENTORY.items()} == promised
