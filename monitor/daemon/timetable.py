"""Which jobs run when: the rounds of every device, audits, letters, and what notifications bring forward."""

import logging
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.daemon.asking import Asking
from monitor.daemon.auditing import Auditing
from monitor.daemon.clock import Clock
from monitor.daemon.failing import Failing
from monitor.daemon.folding import Folding
from monitor.daemon.judging import Judging
from monitor.daemon.keeper import Keeper
from monitor.daemon.letters import Letters
from monitor.daemon.memory import Memory
from monitor.daemon.mending import Mending
from monitor.daemon.polling import Polling
from monitor.daemon.post import Post
from monitor.daemon.powering import Asked, Powering, asked_by_modbus
from monitor.daemon.proving import PROVE_AFTER_S, Proving
from monitor.daemon.rounds import Rounds
from monitor.daemon.schedule import Job, Schedule
from monitor.daemon.secrets import StreamLogin
from monitor.daemon.streaming import Streaming
from monitor.daemon.trapping import Trapping, own_engine
from monitor.devices.ask.snmp import Community, User
from monitor.devices.questions import MEASURE, REACH, Device, LoadToAsk
from monitor.plan.parts import Callout

if TYPE_CHECKING:
    from monitor.devices.ask.snmp_traps import TrapReceiver

log = logging.getLogger(__name__)

AT_ONCE = 20
"""So many places are asked one right after the other."""
LEARNT_S = 2.0
"""After a link has changed: time for the switch to learn who is there."""


def timetable(
    rounds: Rounds,
    keeper: Keeper,
    post: Post,
    clock: Clock,
    write: Callable[[], Awaitable[None]],
    logins: Mapping[str, StreamLogin],
) -> Schedule:
    """The schedule of one season; starts are spread over the period."""
    design, plan = rounds.memory.design, rounds.memory.plan
    schedule = Schedule(clock, design.zone)
    failing = Failing(rounds)
    schedule.begins, schedule.ended = failing.begin, failing.ended
    asking_jobs(schedule, rounds)
    auditing = Auditing(rounds.memory, rounds.asking, keeper, rounds, clock)
    for i, place in enumerate(design.places):
        first_s = 20.0 + i * min(5.0, plan.rounds.audit_s / len(design.places))
        schedule.every(f"audit {place}", plan.rounds.audit_s, _audits(auditing, place), first_s)
    rounds.link_changed = lambda place: schedule.now(f"audit {place}", LEARNT_S)
    streaming = Streaming(rounds, logins, clock)
    cameras = [load for at in design.loads.values() for load in at if load.stream or load.onvif_port]
    for i, load in enumerate(cameras):
        first_s = 30.0 + i * min(10.0, plan.rounds.stream_s / len(cameras))
        schedule.every(f"stream {load.resource}", plan.rounds.stream_s, _streams(streaming, load), first_s)
    powering = Powering(rounds, clock)
    schedule.closing.append(powering.close)
    for i, asked in enumerate(asked_by_modbus(plan)):
        feeder = asked.resource.endswith("/feeder")  # its amperes are evidence of a silence: as often as that is asked
        period_s = plan.rounds.reach_s if feeder else plan.rounds.measure_s
        schedule.every(f"power {asked.resource}", period_s, _powers(powering, asked), 1.0 + 0.5 * i)
    schedule.every("write", min(plan.rounds.reach_s, 15.0), without_answer(write), 2.0)
    _people(schedule, rounds, post)
    schedule.every("mend", 3600.0, _mends(rounds, Mending(keeper, clock)), 10.0)
    schedule.every("fold", 3600.0, _folds(Folding(design, keeper, clock), Judging(rounds, keeper, clock)), 60.0)
    return schedule


def asking_jobs(schedule: Schedule, rounds: Polling) -> None:
    """Every place and device in its rounds."""
    design, plan = rounds.memory.design, rounds.memory.plan
    # A farm is read at once; where there are more, the box and the network work evenly over the period.
    many = len(design.places) > AT_ONCE
    apart_s = plan.rounds.reach_s / len(design.places) if many else 0.05
    for i, place in enumerate(design.places):
        schedule.every(f"reach {place}", plan.rounds.reach_s, _reaches(rounds, place), apart_s * i)
    spread_s = plan.rounds.measure_s if many else 5.0
    for i, device in enumerate(design.devices.values()):
        share, meter = i / len(design.devices), device in design.meters
        tier, period_s = (REACH, plan.rounds.reach_s) if meter else (MEASURE, plan.rounds.measure_s)
        first_s = 0.3 + min(share * period_s, spread_s)
        schedule.every(f"{tier} {device.name}", period_s, _asks(rounds, device, tier), first_s)
        learn_s = plan.rounds.learn_s
        schedule.every(f"learn {device.name}", learn_s, _learns(rounds, device), learn_s * (1 + share))


def _people(schedule: Schedule, rounds: Rounds, post: Post) -> None:
    """What people are told, and when."""
    letters = Letters(rounds, rounds.keeper, schedule.clock)
    schedule.every("send", 1.0, without_answer(post.send), 1.0, a_round=False)
    schedule.every("shelve", 10.0, without_answer(rounds.shelve), 4.0)
    schedule.every("remind", 10.0, without_answer(rounds.telling.remind), 5.0)
    schedule.every("prove", 600.0, without_answer(Proving(rounds, rounds.keeper, schedule.clock).look), PROVE_AFTER_S)
    for person in rounds.memory.plan.callouts:
        if person.at:
            schedule.daily(f"letter {person.name}", person.at, _writes(letters, person, True))
            missed = _writes(letters, person, False)
            schedule.every(f"missed letter {person.name}", 3600.0, missed, PROVE_AFTER_S, a_round=False)


def _writes(letters: Letters, person: Callout, first: bool) -> Job:
    return without_answer(lambda: letters.look(person, first))


def _reaches(rounds: Polling, place: str) -> Job:
    async def job() -> float | None:
        return await rounds.reach(place)

    return job


def _asks(rounds: Polling, device: Device, tier: str) -> Job:
    async def job() -> float | None:
        await rounds.ask(device, tier)
        return rounds.sooner(device, tier)

    return job


def _learns(rounds: Polling, device: Device) -> Job:
    return without_answer(lambda: rounds.learn(device))


def _audits(auditing: Auditing, place: str) -> Job:
    return without_answer(lambda: auditing.audit(place))


def _folds(folding: Folding, judging: Judging) -> Job:
    async def job() -> None:
        try:
            await folding.run()
        finally:  # what is folded already can be judged
            await judging.run()

    return job


def _mends(rounds: Rounds, mending: Mending) -> Job:
    async def job() -> None:
        await mending.run()
        await rounds.step([rounds.own("history-damaged", mending.trouble)])

    return job


def _streams(streaming: Streaming, load: LoadToAsk) -> Job:
    return without_answer(lambda: streaming.check(load))


def _powers(powering: Powering, asked: Asked) -> Job:
    return without_answer(lambda: powering.check(asked))


def without_answer(act: Callable[[], Awaitable[None]]) -> Job:
    """A job that always runs again at its usual time."""

    async def job() -> None:
        await act()

    return job


def listen(
    memory: Memory, credentials: Mapping[str, Community | User], schedule: Schedule, asking: Asking, data: Path
) -> tuple["TrapReceiver | None", tuple[str, ...]]:
    """Take the devices' notifications, before the first device is asked; a note where that cannot be."""
    from monitor.devices.ask.snmp_traps import TrapReceiver  # pysnmp is heavy: only where traps are taken

    traps = memory.plan.traps
    if traps == "off":
        return None, ()

    def ask_now(place: str, _: str, doubted: bool) -> None:
        if doubted:
            memory.hurried.add(place)
        schedule.now(f"reach {place}")
        schedule.now(f"audit {place}", LEARNT_S)

    trapping = Trapping(memory, schedule.clock, ask_now)
    try:
        receiver = TrapReceiver(traps.address, traps.port, own_engine(data), credentials.values(), trapping.heard)
    except OSError as error:
        words = f"notifications are not taken: {traps.address}:{traps.port} cannot be opened ({error.strerror})"
        log.warning("%s; devices are asked as usual", words)
        return None, (words,)

    async def engines() -> None:
        for engine_id in asking.engine_ids():
            receiver.know(engine_id)

    schedule.every("engines", 30.0, engines, 5.0)
    return receiver, ()
