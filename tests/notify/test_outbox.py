from collections.abc import Sequence
from dataclasses import dataclass

from monitor.alarms.messages import Message
from monitor.notify.outbox import Lanes, Sent, aged, wait_s


@dataclass
class Waits:
    id: int
    message: Message
    attempts: int = 0


def message(to: str = "phone", happened_s: float = 100.0, not_before_s: float = 130.0) -> Message:
    return Message(
        "jo",
        to,
        "callout",
        "creek",
        "pole-silent",
        f"subject {happened_s:.0f}",
        "creek is silent",
        happened_s,
        not_before_s,
    )


def late(message: Message, now_s: float) -> str:
    return f"Happened t={message.happened_s:.0f}; this message could not leave until t={now_s:.0f}."


class Line:
    def __init__(self, *down: str) -> None:
        self.down, self.sent = set(down), list[tuple[str, str, str]]()

    async def send(self, to: str, title: str, body: str, attachment: str = "") -> str | None:
        if to in self.down:
            return "connection refused"
        self.sent.append((to, title, body))
        return None


async def sent(waiting: Sequence[Waits], line: Line, now_s: float) -> list[Sent]:
    """How each came out, in the order in which it did."""
    done: list[Sent] = []

    async def came(one: Sent) -> None:
        done.append(one)

    lanes = Lanes(line.send, late, came)
    lanes.start(waiting, now_s)
    await lanes.idle()
    return done


async def test_sent_in_the_order_in_which_things_happened() -> None:
    line = Line()
    done = await sent([Waits(1, message(happened_s=1)), Waits(2, message(happened_s=2))], line, 131.0)
    assert [title for _, title, _ in line.sent] == ["subject 1", "subject 2"]
    assert [(one.id, one.why) for one in done] == [(1, ""), (2, "")]


async def test_a_line_that_is_down_is_tried_once_and_the_others_go_on() -> None:
    line = Line("phone")
    waiting = [Waits(1, message()), Waits(2, message()), Waits(3, message("mail"))]
    done = await sent(waiting, line, 131.0)
    assert sorted((one.id, one.why, one.again_s) for one in done) == [
        (1, "connection refused", 136.0),
        (2, "connection refused", 136.0),
        (3, "", 0.0),
    ]
    assert [to for to, _, _ in line.sent] == ["mail"]


async def test_waits_grow_to_ten_minutes() -> None:
    assert [wait_s(n) for n in range(7)] == [5, 15, 60, 180, 600, 600, 600]


def test_a_late_message_says_its_age() -> None:
    assert aged(Waits(1, message()), 131.0, late) == "creek is silent"
    told = aged(Waits(1, message()), 12_700.0, late)
    assert told.startswith("Happened t=100; this message could not leave until t=12700.")
    assert told.endswith("creek is silent")


def test_one_that_failed_before_counts_from_when_it_happened() -> None:
    # Each failure moves the time of the next attempt; that must not make the message young again.
    tried = Waits(1, message(not_before_s=12_690.0), attempts=3)
    assert aged(tried, 12_700.0, late).startswith("Happened t=100")
    assert aged(Waits(1, message(not_before_s=140.0), attempts=1), 141.0, late) == "creek is silent"
