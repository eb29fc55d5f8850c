"""OpenMetrics from the picture: yielded when asked, from current state. Unknown is absent, age stands beside value.

Labels are resources of the plan and severities, so their number is bounded by the plan.
"""

from collections import Counter
from collections.abc import Iterator

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from monitor.alarms.states import Severity
from monitor.show.farms import Farms
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


class FarmsCollector(Collector):
    """Yields metric families over all sites of a centre."""

    def __init__(self, farms: Farms) -> None:
        self._farms = farms

    def collect(self) -> Iterator[Metric]:
        """All families; what is not known is absent."""
        farms = self._farms
        ages = GaugeMetricFamily("farpole_site_heard_age_seconds", "since a site was last heard", labels=["site"])
        silent = GaugeMetricFamily("farpole_site_silent", "1 silent, 0 heard", labels=["site"])
        poles = GaugeMetricFamily("farpole_site_poles_silent", "poles that a site calls silent", labels=["site"])
        standing = GaugeMetricFamily(
            "farpole_alarms_standing", "alarms that stand and that no other explains", labels=["site", "severity"]
        )
        for one in farms.sites:
            if one.heard_s is not None:
                ages.add_metric([one.name], max(0.0, farms.at_s - one.heard_s))
                silent.add_metric([one.name], float(one.silent))
                poles.add_metric([one.name], len(one.silent_poles))
        for (site, severity), count in Counter((a.site, a.severity) for a in farms.standing).items():
            standing.add_metric([site, severity], count)
        yield from (ages, silent, poles, standing)


class _Labelled(Collector):
    """The same families with the name of a site on every sample."""

    def __init__(self, collector: Collector, site: str) -> None:
        self._collector, self._site = collector, site

    def collect(self) -> Iterator[Metric]:
        """All families."""
        for family in self._collector.collect():
            family.samples = [one._replace(labels={"site": self._site, **one.labels}) for one in family.samples]
            yield family


class DoorCollector(Collector):
    """Yields what the door of the page has seen; no names and no addresses, whose number strangers choose."""

    def __init__(self, wrong_passwords: int) -> None:
        self._wrong = wrong_passwords

    def collect(self) -> Iterator[Metric]:
        """All families."""
        yield CounterMetricFamily("farpole_wrong_passwords", "wrong passwords at the page", value=self._wrong)


def exposition(what: Picture | Farms, site: str = "", wrong_passwords: int | None = None) -> bytes:
    """A picture in OpenMetrics text; with a site's name where it is one of many."""
    registry = CollectorRegistry(auto_describe=False)
    collector = PictureCollector(what) if isinstance(what, Picture) else FarmsCollector(what)
    registry.register(_Labelled(collector, site) if site else collector)
    if wrong_passwords is not None:
        registry.register(DoorCollector(wrong_passwords))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]  # the library's function has no types
    return text
