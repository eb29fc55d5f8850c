"""The demo: the simulated site and the daemon on it, in one process, with callouts to a receiver of its own."""

import asyncio
import contextlib
import secrets as chance
import socket
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.daemon.clock import Clock, SystemClock
from monitor.daemon.files import as_yaml, load_plan, shipped
from monitor.daemon.filling import fill_past
from monitor.daemon.page import Page
from monitor.daemon.run import Daemon, Settings
from monitor.plan.parts import Plan, Traps
from monitor.simulation.faults import Fault
from monitor.simulation.live import LiveSite, on_loopback
from monitor.simulation.past import tarrow_downs
from monitor.simulation.receiver import Receiver
from monitor.simulation.timeline import Scene, faults, scenes
from monitor.simulation.world import World

BOOT_S = 8.0
ROUNDS: dict[str, float] = {"reach_s": 5, "measure_s": 10, "learn_s": 86_400, "hold_s": 3, "stream_s": 20}
"""The demo's pace: a real site asks every 15 and 60 s and holds a callout for 30 s."""
TCP_OFFSET = 20_000
REVIEW_AT_S = 170.0
WRITING = chance.token_urlsafe(12)
"""The community by which the demo's ports are switched; of this run only."""


@dataclass
class Told:
    """What the demo has seen happen, in seconds after the first scene began."""

    alarm_s: float | None = None
    callout_s: float | None = None
    alarm: dict[str, Any] = field(default_factory=dict)


@dataclass
class Demo:
    """One run of the demo. ``say`` takes each line for the viewer."""

    seed: int
    wanted: Sequence[str]
    page: Page | None
    say: Callable[[str], None]
    until_callout: bool = False
    speed: float = 1.0
    """The story plays so many times as fast."""
    clock: Clock = field(default_factory=SystemClock)
    told: Told = field(default_factory=Told)
    daemon: Daemon | None = None
    """The daemon on the simulated site, once it has been started."""
    _standing: list[Fault] = field(default_factory=list)

    async def run(self) -> dict[str, Any] | None:
        """Run until stopped, or until the first scene has been called out; then the document of it."""
        plan, sheets = load_plan(shipped() / "tarrow-downs.yaml")
        story = tuple(scene.hurried(self.speed) for scene in scenes(self.wanted, plan))
        with tempfile.TemporaryDirectory(prefix="farpole-demo-") as folder:
            receiver = Receiver(self._took)
            await receiver.open()
            community = chance.token_urlsafe(12)
            site = await open_site(may_act(plan), community, self.seed, self.clock.wall_s(), ROUNDS, WRITING)
            receiver.line_up = lambda: site.world.internet
            if self.page is not None:
                began_s = self.clock.monotonic_s()
                now_s = self.clock.wall_s()
                before = tarrow_downs(site.plan, now_s)
                kept = await asyncio.to_thread(fill_past, Path(folder), site.plan, sheets, self.seed, now_s, before)
                self._standing = before.standing(now_s)
                for visit in before.visits:
                    site.world.visited(visit)
                took_s = self.clock.monotonic_s() - began_s
                self.say(
                    f"fourteen months behind it: {kept} rounds, hourly, the last week by the minute ({took_s:.0f} s)"
                )
            settings = lay_out(Path(folder), site.plan, community, receiver.port, self.page)
            try:
                return await self._play(Daemon(settings, self.clock), site, story)
            finally:
                site.close()
                receiver.close()

    async def _play(self, daemon: Daemon, site: LiveSite, story: Sequence[Scene]) -> dict[str, Any] | None:
        start_s = self.clock.wall_s()
        site.world.faults = [*self._standing, *faults(story, start_s)]
        self._first = start_s + story[0].start_s
        self._pole = story[0].pole
        self.daemon = daemon
        done = asyncio.create_task(daemon.run(), name="daemon")
        helpers = [
            asyncio.create_task(site.run(self.clock.wall_s, self.clock.sleep), name="site"),
            asyncio.create_task(self._narrate(story), name="story"),
            asyncio.create_task(self._watch(), name="watch"),
        ]
        try:
            await asyncio.wait([done, *helpers], return_when=asyncio.FIRST_COMPLETED)
            daemon.stopping.set()
            await done
            for helper in helpers:
                if helper.done():
                    helper.result()
        finally:
            for helper in helpers:
                helper.cancel()
            await asyncio.gather(*helpers, return_exceptions=True)
        return self._document()

    async def _narrate(self, story: Sequence[Scene]) -> None:
        moments = sorted(
            [(s.start_s, f"now breaks: {s.words}") for s in story]
            + [(s.end_s, f"repaired: {s.fault} at {s.pole}") for s in story]
            + ([(REVIEW_AT_S, self._review_words())] if self.page is not None else [])
        )
        before = 0.0
        for at_s, words in moments:
            await self.clock.sleep(at_s - before)
            before = at_s
            self.say(words)
        await asyncio.Event().wait()

    def _review_words(self) -> str:
        host, port = (self.page.host, self.page.port) if self.page else ("", 0)
        return f"the review of the months behind it, with what is next: http://{host}:{port}/review"

    async def _watch(self) -> None:
        """Ends when the first scene's alarm has been called out, where that was asked for."""
        while self.told.callout_s is None or not self.until_callout:
            await self.clock.sleep(0.1)
            rounds = self.daemon.rounds if self.daemon is not None else None
            if self.told.alarm_s is None and rounds is not None:
                raised = [
                    alarm
                    for alarm in rounds.memory.book.raised()
                    if alarm.key.resource.split("/")[0] == self._pole or self._pole in alarm.impacted
                ]
                if raised and self.clock.wall_s() >= self._first:
                    alarm = raised[0]
                    self.told.alarm_s = alarm.raised_s - self._first
                    self.told.alarm = {
                        "pole": self._pole,
                        "alarm": alarm.key.type,
                        "cause": alarm.cause.group if alarm.cause else None,
                        "fault": alarm.cause.name if alarm.cause else None,
                        "sentence": alarm.text,
                    }

    def _took(self, title: str, message: str) -> None:
        self.say(f"callout received: {title}")
        for line in message.splitlines():
            self.say(f"    {line}")
        if self.told.alarm_s is not None and self.told.callout_s is None:
            self.told.callout_s = self.clock.wall_s() - self._first

    def _document(self) -> dict[str, Any] | None:
        if self.told.alarm_s is None or self.told.callout_s is None:
            return None
        return {
            **self.told.alarm,
            "seconds_to_alarm": round(self.told.alarm_s, 1),
            "seconds_to_callout": round(self.told.callout_s, 1),
        }


def may_act(plan: Plan) -> Plan:
    """The same plan with ports that may be switched, and cameras that are revived: it is all on loopback here."""
    data = plan.model_dump(mode="json", by_alias=True, exclude_none=True)
    data["credentials"]["writing"] = {"kind": "snmpv2c", "secret": "tarrow-writing"}
    data["acting"] = {"cycle": "allowed", "revive_hung_camera": "on", "v2c_writing": "accepted in clear"}
    for pole in data["poles"]:
        pole["switch"]["write_credentials"] = "writing"
    return Plan.model_validate(data)


def lay_out(folder: Path, plan: Plan, community: str, port: int, page: Page | None) -> Settings:
    """Plan and secrets as files, as a user has them; callouts go to a receiver on ``port`` of 127.0.0.1."""
    plan_file, secrets_file = folder / "plan.yaml", folder / "secrets.yaml"
    plan_file.write_text(as_yaml(plan.model_dump(mode="json", by_alias=True, exclude_none=True)), encoding="utf-8")
    hook = {"kind": "webhook", "url": f"http://127.0.0.1:{port}/callout"}
    secrets_file.touch(mode=0o600)
    switches = {"kind": "snmpv2c", "community": community}
    secrets = {"tarrow-switches": switches, "tarrow-owner-phone": hook, "tarrow-owner-mail": hook}
    if "writing" in plan.credentials:
        secrets["tarrow-writing"] = {"kind": "snmpv2c", "community": WRITING}
    secrets_file.write_text(as_yaml({"secrets": secrets}), encoding="utf-8")
    return Settings(plan_file, folder / "data", secrets_file, page)


async def open_site(
    plan: Plan, community: str, seed: int, now_s: float, rounds: dict[str, float], writing: str = ""
) -> LiveSite:
    """The simulated site on a free loopback network; several may run beside each other."""
    for network in range(64, 127):
        moved = on_loopback(plan, network, free_port(), TCP_OFFSET)
        moved = moved.model_copy(
            update={
                "rounds": moved.rounds.model_copy(update=rounds),
                "traps": Traps(address="127.0.0.1", port=free_port()),
            }
        )
        site = LiveSite(World(moved, seed, now_s, BOOT_S), moved, community)
        site.writing = writing
        with contextlib.suppress(OSError):
            await site.open()
            return site
    raise OSError("no free loopback network for the simulated site (127.64 to 127.126 are all in use)")


def free_port() -> int:
    """A UDP port of loopback that nobody has now."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
