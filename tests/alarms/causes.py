"""A cause as the daemon would find it from the evidence on a silence."""

from monitor.alarms.cause import Cause, cause_of
from monitor.alarms.evidence import Evidence, signs_of, spoken


def caused(evidence: Evidence) -> Cause:
    """Evidence → signs → cause."""
    signs, contexts = signs_of(evidence)
    return cause_of(signs, contexts, spoken(evidence))
