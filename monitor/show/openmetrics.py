"""OpenMetrics from the picture: yielded when asked, from current state. Unknown is absent, age stands beside value.

Labels are resources of the plan and severities, so their number is bounded by the plan.
"""

from collections.abc import Iterator

from prometheus_client import CollectorRegistry
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from monitor.alarms.states import Severity
from monitor.show.views import MarginView, Picture

CONTENT_TYPE = CONTENT_TYPE_LATEST

_FAMILIES = {
    "rx_dbm": ("farpole_light_dbm", "farpole_light_margin_decibels", "light that arrives"),
    "input_volts": ("farpole_input_volts", "farpole_input_margin_volts", "volts at a pole's switch"),
    "supply_volts": ("farpole_supply_volts", "farpole_supply_margin_volts", "volts at a supply"),
    "feeder_amperes": ("farpole_feeder_amperes", "farpole_feeder_margin_amperes", "current into a feeder"),
    "poe_total_watts": ("farpole_poe_total_watts", "farpole_poe_margin_watts", "what a switch's PoE ports deliver"),
    "port_watts": ("farpole_port_watts", "farpole_port_margin_watts", "what a PoE port delivers"),
}


class PictureCollector(Collector):
    """Yields metric families from one picture."""

    def __init__(self, picture: Picture) -> None:
        self._picture = picture

    def collect(self) -> Iterator[Metric]:
        """All families."""
        picture = self._picture
        places = (picture.headend, *picture.poles)
        margins = [*(m for place in places for m in place.margins), *picture.supplies]
        for quantity, (value, margin, words) in _FAMILIES.items():
            mine = [m for m in margins if m.quantity == quantity and m.value is not None]
            yield _family(value, words, [(m.resource, m.value) for m in mine])
            yield _family(margin, f"distance from the limit: {words}", [(m.resource, m.margin) for m in mine])
        yield self._ages(margins)
        answers = GaugeMetricFamily(
            "farpole_place_answers", "1 answers, 0 silent; absent where it is not known", labels=["place"]
        )
        for place in places:
            if place.state in ("answers", "silent"):
                answers.add_metric([place.name], float(place.state == "answers"))
        yield answers
        standing = GaugeMetricFamily(
            "farpole_alarms_standing", "alarms that stand and that no other explains", labels=["severity"]
        )
        for severity in Severity:
            mine_now = [a for a in picture.alarms if a.severity == severity.value and not a.cleared and not a.root]
            standing.add_metric([severity.value], len(mine_now))
        yield standing

    def _ages(self, margins: list[MarginView]) -> Metric:
        ages = GaugeMetricFamily(
            "farpole_reading_age_seconds", "age of the reading beside it", labels=["resource", "quantity"]
        )
        for m in margins:
            if m.value is not None:
                ages.add_metric([m.resource, m.quantity], max(0.0, self._picture.at_s - m.at_s))
        return ages


def _family(name: str, words: str, rows: list[tuple[str, float | None]]) -> Metric:
    family = GaugeMetricFamily(name, words, labels=["resource"])
    for resource, value in rows:
        if value is not None:
            family.add_metric([resource], value)
    return family


def exposition(picture: Picture) -> bytes:
    """The picture in OpenMetrics text."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(PictureCollector(picture))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]  # the library's function has no types
    return text
