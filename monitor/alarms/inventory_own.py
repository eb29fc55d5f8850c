"""The alarm types of farpole itself: its history, its disk, its clock, its way out."""

from typing import Final

from monitor.alarms.alarm_type import AlarmType
from monitor.alarms.states import Severity

OWN: Final = (
    AlarmType(
        "drill",
        "a drill: a pole that answers is taken for silent, to walk and time the whole way to people",
        "unavailable",
        "acknowledge it, which ends the drill; nobody needs to go",
        Severity.CRITICAL,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "history-not-written",
        "farpole cannot write its history",
        "storageCapacityProblem",
        "look at the disk: full, read-only or failing; monitoring goes on from memory",
        Severity.MAJOR,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "history-damaged",
        "a part of the history could not be read and was put aside",
        "corruptData",
        "a card or disk that damages files is about to fail: make a backup (farpole backup), replace it, and delete "
        "what was put aside; monitoring goes on",
        Severity.WARNING,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "disk-nearly-full",
        "the disk on which the history lies is nearly full",
        "storageCapacityProblem",
        "make room, or give the history a smaller quota (--history-gb); until then readings may be lost",
        Severity.MAJOR,
    ),
    AlarmType(
        "clock-doubted",
        "the clock of farpole's own machine is not kept right",
        "timingProblem",
        "give the machine a time service (NTP) or a clock with a battery; readings get their time when it is right",
        Severity.WARNING,
    ),
    AlarmType(
        "rounds-late",
        "farpole cannot keep its rounds in time",
        "resourceAtOrNearingCapacity",
        "look what else runs on the machine; give longer rounds in the plan",
        Severity.WARNING,
    ),
    AlarmType(
        "sockets-short",
        "farpole may not open as many files and sockets as asking the plan's devices needs",
        "resourceAtOrNearingCapacity",
        "give the service more (LimitNOFILE), and look who holds connections open (farpole status --self); what could "
        "not be asked is not called silent, and a pole that drops now may be told of late",
        Severity.MAJOR,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "sign-of-life-lost",
        "the outbound sign of life does not go out",
        "communicationsSubsystemFailure",
        "look at the internet line and at the address; whoever watches it may already be asking",
        Severity.WARNING,
        on_rounds=2,
        off_rounds=1,
    ),
    AlarmType(
        "started-after-failure",
        "farpole started without having been stopped in order",
        "unavailable",
        "was there a power cut? A head-end without a battery cannot call when it goes",
        Severity.WARNING,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "callouts-not-going-out",
        "messages wait in the outbox and cannot be sent",
        "communicationsSubsystemFailure",
        "look at the internet line and at the mail account in the secrets file",
        Severity.MAJOR,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "job-failed",
        "a job of farpole failed",
        "softwareError",
        "look at the alarm text and at the log: an hour later the job is tried again, and the alarm clears when it "
        "succeeds; report a fault that comes again",
        Severity.MAJOR,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "centre-not-told",
        "the centre to which this site reports has not answered for long",
        "communicationsSubsystemFailure",
        "nothing is lost: it is told everything as soon as it answers; look at the internet line and at the router",
        Severity.WARNING,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "site-silent",
        "a site of this centre gives no sign of life",
        "unavailable",
        "call whoever is there: is there power, does the head-end box run, is there internet? Its own callouts may "
        "still go; its poles are unknown here, not broken",
        Severity.MAJOR,
        on_rounds=1,
        off_rounds=1,
    ),
    AlarmType(
        "centre-cut-off",
        "this centre hears no site at all",
        "communicationsSubsystemFailure",
        "look at the centre first: its router, its line, its clock; the sites watch themselves and call out",
        Severity.CRITICAL,
        on_rounds=1,
        off_rounds=1,
    ),
)
"""Raised for the resource ``farpole``; the last two at a centre."""
