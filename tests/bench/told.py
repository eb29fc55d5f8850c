"""Is what people are told true? ``python -m tests.bench.told --minutes 40 [--speed N]``; prints one JSON line.

The bench plays the demo with the fourteen months behind it. At each change it looks at the page, at the API and at
what would be said of each place: headline, first alarm and evidence must be of one alarm, no cause may outlive its
alarm, and nobody may be sent out with tools for something else. The table below of which tools belong to which kind of
alarm is the bench's own (common practice of the trade, no source), not the program's. With a speed the story plays so
many times as fast, and so does the bench; rounds keep their own pace.
"""

import argparse
import asyncio
import html
import json
import logging
import re
import socket
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from monitor.alarms import cautions
from monitor.daemon.clock import SystemClock
from monitor.daemon.demo import Demo
from monitor.daemon.desk import Desk
from monitor.daemon.page import Page
from monitor.show.door import Visitor
from monitor.show.pages import Pages
from monitor.show.views import AlarmView, Picture

FIBRE: Final = frozenset(("fibre cleaner and inspection scope", "two spare optics of each kind", "visual fault finder"))
FEEDER: Final = frozenset(("multimeter and DC clamp", "spare fuses", "insulation tester"))
SUN: Final = frozenset(("battery tester", "portable charger", "brush for the panel"))
CAMERA: Final = frozenset(("spare camera", "cable tester", "plugs, jacks and crimp tool"))
EVERY: Final = FIBRE | FEEDER | SUN | CAMERA

WHOLE: Final = FIBRE | FEEDER | SUN
"""Whoever goes to a silent pole may need everything but what belongs to one load."""
TOOLS: Final = {
    **dict.fromkeys(("pole-silent", "supply-lost", "head-end-silent", "drill"), WHOLE),
    **dict.fromkeys(("light-low", "light-fell", "link-restless"), FIBRE),
    **dict.fromkeys(("load-quiet", "stream-thin", "stream-broken", "service-refused", "port-restless"), CAMERA),
    **dict.fromkeys(("load-silent", "poe-port-fault", "port-cut", "ports-struck"), CAMERA),
    **dict.fromkeys(("loop-rose", "volts-low"), FEEDER),
    **dict.fromkeys(("battery-low", "not-charging", "never-full"), SUN | FEEDER),
    "frames-broken": FIBRE | CAMERA,
}
DRIFTS: Final = {
    "rx_dbm": FIBRE,
    "bias_milliamperes": FIBRE,
    "loop_ohms": FEEDER,
    "held_watt_hours": SUN | FEEDER,
}
"""What a drift of a quantity may need."""
NAMED_PERCENT: Final = 5.0
"""What is less likely is named in no sentence and packs no tool."""
SILENCES: Final = ("pole-silent", "supply-lost", "head-end-silent", "drill")
OF_SILENCE: Final = (
    "nothing on the pole answers",
    "the feeder no longer carries its current",
    "link at the port towards",
)
"""Beginnings of evidence that only a silence has."""


def may_take(alarm: AlarmView) -> frozenset[str]:
    """The tools that an alarm may tell somebody to take along. Where lightning may be its cause, what struck
    a load may have struck the pole's power as well."""
    tools = DRIFTS[alarm.qualifier] if alarm.type == "margin-drifting" else TOOLS.get(alarm.type, frozenset())
    suspects = alarm.cause["suspects"] if alarm.cause else ()
    struck = any(one["fault"] == "lightning" and one["percent"] >= NAMED_PERCENT for one in suspects)
    return tools | FEEDER if struck and tools >= CAMERA else tools


@dataclass
class Looking:
    """Looks at a site as people do, each time that something has changed."""

    desk: Desk
    checks: Counter[str] = field(default_factory=Counter)
    violations: list[str] = field(default_factory=list)
    seen: Counter[str] = field(default_factory=Counter)
    """How often each alarm type stood when it was looked."""

    def look(self) -> None:
        """Look at page, API and each place, as they stand now."""
        picture = self.desk.picture()
        self.checks["looks"] += 1
        self.seen.update({alarm.type for alarm in picture.alarms if not alarm.cleared})
        for name, found in (
            ("one_alarm", self._one_alarm(picture)),
            ("order", self._order(picture)),
            ("own_time", self._own_time(picture)),
            ("own_tools", self._own_tools(picture)),
        ):
            for what in found:
                self.checks[name] += 1
                if what:
                    self.violations.append(f"{name}: {what}")

    def _one_alarm(self, picture: Picture) -> Iterator[str]:
        """Headline, block beneath it, and the first alarm of the API."""
        page = bytes(Pages(self.desk).site(Visitor("", "operator", "")).body).decode()
        said = html.unescape(re.findall(r'<h1 class="headline">(.*?)</h1>', page, re.DOTALL)[0])
        yield "" if said == picture.headline else f"the page says {said!r}, the picture {picture.headline!r}"
        standing = [alarm for alarm in picture.json()["alarms"] if not alarm["cleared"]]
        block = re.findall(r'<dl class="cause">(.*?)</dl>', page.partition("<figure")[0], re.DOTALL)
        if not standing:
            yield "a block stands beneath, and no alarm does" if block else ""
            return
        first = standing[0]
        yield "" if first["text"] in said else f"the headline {said!r} is not of {first['resource']} {first['type']}"
        rows = [
            html.unescape(re.sub(r"<[^>]*>", "", row)) for row in re.findall(r"<dd>(.*?)</dd>", block[0], re.DOTALL)
        ]
        yield "" if rows == self._rows(first) else f"beneath {said!r} stands {rows}"

    @staticmethod
    def _rows(alarm: dict[str, Any]) -> list[str]:
        cause = alarm["cause"]
        if cause is None:
            return [alarm["meaning"], alarm["to_do"]]
        several = ("; ".join(cause["evidence"]), cause["look_first"], ", ".join(cause["van_list"]))
        return [*several, "".join(cause["cautions"])]

    def _order(self, picture: Picture) -> Iterator[str]:
        """The worst first, of equals what stands for itself, then the oldest; what is over comes last."""
        worst = ["critical", "major", "minor", "warning"]
        keys = [(a.cleared, worst.index(a.severity), bool(a.root), a.raised_s) for a in picture.alarms if not a.cleared]
        yield "" if keys == sorted(keys) else f"alarms stand in the order {keys}"

    def _own_time(self, picture: Picture) -> Iterator[str]:
        """What was seen in a silence is told of that silence alone, and of no place at which nothing stands."""
        for alarm in picture.alarms:
            if alarm.cleared or alarm.cause is None or alarm.type in SILENCES:
                continue
            outlived = [line for line in alarm.cause["evidence"] if line.startswith(OF_SILENCE)]
            yield f"{alarm.resource} {alarm.type} is told with {outlived}" if outlived else ""
        kept = set(self.desk.rounds.memory.silences)
        stand = {alarm.resource for alarm in picture.alarms if not alarm.cleared and alarm.type in SILENCES}
        yield f"evidence is kept of silences that are over: {kept - stand}" if kept - stand else ""
        for place in (picture.headend, *picture.poles):
            told = self.desk.why(place.name)
            stands = [a for a in picture.alarms if not a.cleared and self._at(a, place.name)]
            if not stands:
                yield f"{place.name} is well and told with {told['sentence']}" if told["causes"] else ""
            else:
                right = told["alarm"]["resource"] == stands[0].resource and told["alarm"]["type"] == stands[0].type
                yield "" if right else f"{place.name}: {told['alarm']} is explained, not {stands[0].type}"

    @staticmethod
    def _at(alarm: AlarmView, place: str) -> bool:
        return alarm.resource.split("/")[0] == place or place in alarm.impacted

    def _own_tools(self, picture: Picture) -> Iterator[str]:
        """Van list and cautions are of what the alarm is about; no certainty is above ninety percent."""
        for alarm in picture.alarms:
            if alarm.cleared:
                continue
            name, cause = f"{alarm.resource} {alarm.type} {alarm.qualifier}", alarm.cause
            if cause is None:
                yield f"{name}: nobody has looked for its cause" if may_take(alarm) and not alarm.root else ""
                continue
            wrong = (EVERY & set(cause["van_list"])) - may_take(alarm)
            yield f"{name}: take along {sorted(wrong)}" if wrong else ""
            light = cautions.FIBRE in cause["cautions"] and not FIBRE & may_take(alarm)
            yield f"{name}: warns of light" if light else ""
            most = max([cause["percent"], *(one["percent"] for one in cause["suspects"])])
            yield f"{name}: {most} %" if most > 90 else ""

    def told(self) -> dict[str, Any]:
        """The figures."""
        return {
            "checks": dict(self.checks),
            "violations": len(self.violations),
            "first": sorted(set(self.violations))[:10],
            "alarms_seen": dict(self.seen),
        }


class AtEachChange(asyncio.Event):
    """Stands among the desk's listeners, and looks at the very moment at which it is told of a change."""

    def __init__(self, looking: Looking) -> None:
        super().__init__()
        self._looking = looking

    def set(self) -> None:
        """Something has changed."""
        self._looking.look()


async def played(minutes: float, speed: float) -> dict[str, Any]:
    """Play the demo; look at each change, and each second, since figures of a cause may change without news."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        page = Page(port=probe.getsockname()[1])
    clock = SystemClock()
    demo = Demo(1, (), page, lambda line: None, speed=speed)
    running = asyncio.create_task(demo.run())
    looking: Looking | None = None
    began_s = clock.monotonic_s()
    while clock.monotonic_s() - began_s < minutes * 60 / speed and not running.done():
        await clock.sleep(1.0)
        daemon = demo.daemon
        if looking is None and daemon is not None and daemon.rounds is not None:
            looking = Looking(daemon.desk)
            daemon.desk.listen(AtEachChange(looking))
            began_s = clock.monotonic_s()
        if looking is not None:
            looking.look()
    if running.done():
        running.result()
    assert looking is not None, "the demo has not begun"
    assert demo.daemon is not None
    demo.daemon.stopping.set()
    await running
    return {"bench": "told", "minutes": minutes, "speed": speed, **looking.told()}


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=40.0)
    parser.add_argument("--speed", type=float, default=1.0)
    given = parser.parse_args()
    logging.disable(logging.WARNING)
    print(json.dumps(asyncio.run(played(given.minutes, given.speed)), ensure_ascii=False))


if __name__ == "__main__":
    main()
