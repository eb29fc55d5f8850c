"""What the daemon does for itself, and what it acts on by itself: the sign of life, reviews, drills, a hung camera."""

from contextlib import suppress
from typing import TYPE_CHECKING

from monitor.daemon.acting import Acting
from monitor.daemon.desk import Desk
from monitor.daemon.drilling import Drilling
from monitor.daemon.rounds import Rounds
from monitor.daemon.schedule import Schedule
from monitor.daemon.secrets import Secrets, sign_of_life_url
from monitor.daemon.sending_reviews import SendingReviews
from monitor.daemon.standing import AtThePole
from monitor.daemon.systemd import watchdog_s
from monitor.daemon.timetable import without_answer
from monitor.daemon.to_centre import ToCentre
from monitor.daemon.turning_up import TurningUp
from monitor.daemon.watching import Watching
from monitor.history.trouble import NotKept

if TYPE_CHECKING:
    from monitor.daemon.run import Settings


def own_jobs(
    schedule: Schedule,
    rounds: Rounds,
    acting: Acting,
    secrets: Secrets,
    settings: "Settings",
    desk: Desk,
    reporting: ToCentre,
) -> None:
    """Put them all into the schedule of a season."""
    clock = schedule.clock
    plan = rounds.memory.plan
    url = sign_of_life_url(plan, secrets)
    watching = Watching(rounds, clock, settings.data, lambda: schedule.late + rounds.asking.unasked.total(), url)
    every_s = min(300.0, watchdog_s() or 300.0)
    schedule.every("watch", every_s, without_answer(watching.look), 20.0)
    if plan.sign_of_life is not None:
        schedule.every("sign of life", plan.sign_of_life.every_minutes * 60, without_answer(watching.tell), 10.0)
    reviews = SendingReviews(rounds.memory, rounds.keeper, clock, settings.plan_file, settings.history_url)
    if plan.reviews is not None:
        schedule.daily("review", plan.reviews.at, without_answer(reviews.look))
    schedule.every("act", 10.0, without_answer(acting.revive), 12.0)
    schedule.closing.append(acting.close)
    desk.drilling = Drilling(rounds, rounds.keeper, clock)
    desk.standing = AtThePole(rounds, rounds.keeper, clock, settings.data)
    desk.turns = TurningUp(rounds, rounds.keeper, clock)
    schedule.closing += [desk.standing.close, desk.turns.close]
    schedule.every("drill", 2.0, without_answer(desk.drilling.look), 2.0, a_round=False)

    async def told() -> None:
        with suppress(NotKept):  # a history that cannot be read is told of by itself
            await reporting.count()
        await rounds.step([rounds.own("centre-not-told", reporting.silent_for_long())])

    if settings.centre is not None:
        schedule.every("centre", 60.0, without_answer(told), 60.0, a_round=False)
