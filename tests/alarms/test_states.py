"""The life cycle against the sentences of RFC 8632 (quoted from the YANG module ietf-alarms and section 3)."""

import itertools

import pytest

from monitor.alarms import states
from monitor.alarms.inventory import INVENTORY
from monitor.alarms.states import Event, Life, Operator, Severity


def test_severities_are_those_of_the_rfc_as_words() -> None:
    # typedef severity: indeterminate, minor, warning, major, critical; indeterminate is mapped to warning.
    assert [s.value for s in states.SEVERITY_ORDER] == ["warning", "minor", "major", "critical"]
    assert all(isinstance(s.value, str) for s in Severity)


def test_operator_states_are_those_of_the_rfc() -> None:
    # typedef writable-operator-state: none, ack, closed; typedef operator-state adds shelved, un-shelved.
    assert {o.value for o in Operator} == {"none", "ack", "closed", "shelved", "un-shelved"}


def test_an_alarm_is_raised_changed_cleared_and_raised_again() -> None:
    # Section 3.5.1: "The alarm life cycle ... raise, change of severity, clear"; an alarm that clears stays in the
    # list with is-cleared true and the same entry is used when it is raised again.
    life = Life.NEVER
    for event, then in [
        (Event.RAISE, Life.RAISED),
        (Event.CHANGE, Life.RAISED),
        (Event.CLEAR, Life.CLEARED),
        (Event.RAISE, Life.RAISED),
    ]:
        after = states.after(life, event)
        assert after is then
        life = then


@pytest.mark.parametrize(
    ("life", "event"),
    [
        (Life.NEVER, Event.CLEAR),
        (Life.NEVER, Event.CHANGE),
        (Life.CLEARED, Event.CLEAR),
        (Life.CLEARED, Event.CHANGE),
        (Life.RAISED, Event.RAISE),
    ],
)
def test_what_is_not_in_the_table_is_no_transition(life: Life, event: Event) -> None:
    assert states.after(life, event) is None


def test_only_a_shelved_alarm_is_unshelved_and_none_is_never_written() -> None:
    for now, wanted in itertools.product(Operator, Operator):
        if wanted is Operator.UNSHELVED:
            assert states.may_follow(now, wanted) == (now is Operator.SHELVED)
        if wanted is Operator.NONE or now is wanted:
            assert not states.may_follow(now, wanted)


def test_what_a_person_may_do_with_an_alarm() -> None:
    """RFC 8632: an alarm is acknowledged or closed by the operator (3.5.2); a closed one is not taken back to ack."""
    may = {(now, wanted) for now, wanted in itertools.product(Operator, Operator) if states.may_follow(now, wanted)}
    by_hand = {Operator.ACK, Operator.CLOSED, Operator.SHELVED}
    for now in (Operator.NONE, Operator.UNSHELVED):
        assert {wanted for was, wanted in may if was is now} == by_hand, "as if new"
    assert {wanted for was, wanted in may if was is Operator.ACK} == {Operator.CLOSED, Operator.SHELVED}
    assert {wanted for was, wanted in may if was is Operator.CLOSED} == {Operator.SHELVED}
    assert {wanted for was, wanted in may if was is Operator.SHELVED} == {Operator.UNSHELVED}


def test_a_new_occurrence_wants_a_new_answer_but_a_shelf_stays() -> None:
    assert states.on_raise_again(Operator.ACK) is Operator.NONE
    assert states.on_raise_again(Operator.CLOSED) is Operator.NONE
    assert states.on_raise_again(Operator.SHELVED) is Operator.SHELVED


def test_the_diagram_draws_every_transition() -> None:
    drawn = states.diagram()
    assert drawn.startswith("stateDiagram-v2\n"), "as Mermaid's state diagrams begin"
    assert drawn.count("-->") == len(states.LIFE) + len(states.OPERATOR)
    assert "[*] --> raised: raise" in drawn
    assert "none --> ack: by a person" in drawn
    assert "shelved --> unshelved: by a person" in drawn


# X.733 probable causes as IANA registers them from RFC 3877 (IANAItuProbableCause), names as there.
X733 = {
    "unavailable",
    "powerProblem",
    "unauthorizedAccessAttempt",
    "softwareError",
    "degradedSignal",
    "timingProblem",
    "thresholdCrossed",
    "temperatureUnacceptable",
    "congestion",
    "resourceAtOrNearingCapacity",
    "corruptData",
    "storageCapacityProblem",
    "communicationsSubsystemFailure",
    "configurationOrCustomizationError",
}


def test_every_alarm_type_says_what_it_means_why_and_what_to_do() -> None:
    for name, kind in INVENTORY.items():
        assert name == kind.name
        assert kind.probable_cause in X733, name
        assert kind.meaning
        assert kind.to_do
        assert kind.on_rounds >= 1
        assert kind.off_rounds >= 1
