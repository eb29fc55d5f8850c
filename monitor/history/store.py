"""The store: the history of one site. Plain records go in and come out; no row or session leaves.

Every call is short, synchronous and meant for one thread; the daemon gives it one.
"""

from monitor.history.alarm_rows import AlarmRows
from monitor.history.days import Days
from monitor.history.engine import NotKept
from monitor.history.feature_rows import FeatureRows
from monitor.history.leases import Leases
from monitor.history.outbound import Outbound
from monitor.history.renaming import Renaming
from monitor.history.rounds import Rounds
from monitor.history.salvaged import Salvaged

__all__ = ["NotKept", "Store"]


class Store(Rounds, Days, FeatureRows, AlarmRows, Salvaged, Renaming, Outbound, Leases):
    """Readings, days, alarms and messages of one site, in one SQLite file or one PostgreSQL database."""
