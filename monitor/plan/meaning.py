"""What a plan's fields mean together: each check yields (path, message) for what cannot be right."""

from collections import Counter
from collections.abc import Callable, Iterator
from difflib import get_close_matches

from monitor.plan.datasheets import Sheets
from monitor.plan.parts import Fibre, MainsSupply, Plan, Pole, Sensor, SolarSupply
from monitor.plan.text import Path, check

Found = Iterator[tuple[Path, str]]

_SNMP = ("snmpv1", "snmpv2c", "snmpv3")


def read_plan(text: str, sheets: Sheets, file: str = "") -> Plan:
    """The plan in ``text``; raises NotRight with every problem of form and of meaning at once."""
    return check(text, Plan, file, lambda plan, mended: problems_of(plan, sheets, mended))


def problems_of(plan: Plan, sheets: Sheets, mended: bool = False) -> Found:
    """Everything in a well-formed plan that cannot be right; of a ``mended`` one, not its values."""
    for one in CHECKS if not mended else CHECKS[:-2]:
        yield from one(plan, sheets)


def _unknown(what: str, name: str, known: list[str]) -> str:
    close = next(iter(get_close_matches(name, known, 1, 0.5)), None)
    return f"{name!r} is no known {what}" + (f"; did you mean {close}?" if close else "")


def _poles(plan: Plan) -> Iterator[tuple[Path, Pole]]:
    for i, pole in enumerate(plan.poles):
        yield ("poles", i), pole


def _names(plan: Plan, _: Sheets) -> Found:
    places = [plan.headend.name, *(pole.name for pole in plan.poles)]
    twice = {name for name, n in Counter(places).items() if n > 1} | {"supply", "farpole"}
    for path, pole in _poles(plan):
        if pole.name in twice:
            yield (*path, "name"), f"{pole.name!r} is used twice or is a word that farpole itself uses"
    loads = Counter(load.name for pole in plan.poles for load in pole.loads)
    for path, pole in _poles(plan):
        for k, load in enumerate(pole.loads):
            if loads[load.name] > 1:
                yield (*path, "loads", k, "name"), f"{load.name!r} is used twice"
    supplies = Counter(supply.name for supply in plan.supplies)
    for i, supply in enumerate(plan.supplies):
        if supplies[supply.name] > 1:
            yield ("supplies", i, "name"), f"{supply.name!r} is used twice"


def _was(plan: Plan, _: Sheets) -> Found:
    now = {plan.headend.name, *(pole.name for pole in plan.poles)}
    for path, pole in _poles(plan):
        if pole.was in now:
            yield (*path, "was"), f"{pole.was!r} is the name of a place of this plan"


def _site(plan: Plan, sheets: Sheets) -> Found:
    zone = plan.site.timezone
    if sheets.timezones and zone not in sheets.timezones:
        yield ("site", "timezone"), _unknown("time zone", zone, sorted(sheets.timezones))
    if plan.site.coldest_c >= plan.site.hottest_c:
        yield ("site", "coldest_c"), f"{plan.site.coldest_c:g} is not below hottest_c {plan.site.hottest_c:g}"


def _ports_of(pole: Pole) -> Iterator[tuple[Path, str]]:
    if pole.fibre:
        yield ("fibre", "to", "port"), pole.fibre.end.port
    for k, load in enumerate(pole.loads):
        yield ("loads", k, "port"), load.port


def _ports(plan: Plan, _: Sheets) -> Found:
    used: dict[tuple[str, str], str] = {}
    for path, pole in _poles(plan):
        ends: list[tuple[Path, str, str]] = [(where, pole.name, port) for where, port in _ports_of(pole)]
        if pole.fibre:
            ends.append((("fibre", "from", "port"), pole.fibre.start.pole or plan.headend.name, pole.fibre.start.port))
        for where, place, port in ends:
            what = pole.name if where[-2] == "from" else f"{pole.name} {where[0]}"
            if (place, port) in used:
                yield (*path, *where), f"{port!r} of {place} is used twice (also by {used[place, port]})"
            used.setdefault((place, port), what)


def _ways(plan: Plan, _: Sheets) -> Found:
    poles = {pole.name: pole for pole in plan.poles}
    radios = {load.name: pole.name for pole in plan.poles for load in pole.loads if load.kind == "radio-link"}
    for path, pole in _poles(plan):
        if pole.fibre and pole.fibre.start.pole not in (None, *poles):
            message = _unknown("pole", pole.fibre.start.pole or "", list(poles))
            yield (*path, "fibre", "from", "pole"), message
        if pole.reached_by and pole.reached_by.radio not in radios:
            yield ((*path, "reached_by", "radio"), _unknown("radio link", pole.reached_by.radio, list(radios)))
        if pole.feeder and pole.feeder.start and pole.feeder.start not in poles:
            yield (*path, "feeder", "from"), _unknown("pole", pole.feeder.start, list(poles))
        elif pole.feeder and pole.feeder.start and not poles[pole.feeder.start].feeder:
            yield (*path, "feeder", "from"), f"{pole.feeder.start} has no feeder to go on from"
    for way, above in (("path", _above_by_path), ("feeder", _above_by_feeder)):
        for path, pole in _poles(plan):
            if pole.name in _circle(poles, pole.name, above, radios):
                yield (*path, "name"), f"the {way} of {pole.name} leads back to itself"


def _above_by_path(pole: Pole, radios: dict[str, str]) -> str | None:
    if pole.fibre:
        return pole.fibre.start.pole
    return radios.get(pole.reached_by.radio) if pole.reached_by else None


def _above_by_feeder(pole: Pole, _: dict[str, str]) -> str | None:
    return pole.feeder.start if pole.feeder else None


def _circle(
    poles: dict[str, Pole], name: str, above: Callable[[Pole, dict[str, str]], str | None], radios: dict[str, str]
) -> set[str]:
    seen: set[str] = set()
    step = above(poles[name], radios)
    while step is not None and step in poles and step not in seen:
        seen.add(step)
        step = above(poles[step], radios)
    return seen if name in seen else set()


def _optics(plan: Plan, sheets: Sheets) -> Found:
    for path, pole in _poles(plan):
        if pole.fibre:
            yield from ((("poles", path[1], "fibre", *where), message) for where, message in _run(pole.fibre, sheets))


def _run(fibre: Fibre, sheets: Sheets) -> Found:
    if fibre.type not in sheets.fibres:
        yield ("type",), _unknown("fibre", fibre.type, list(sheets.fibres))
    for where, name in (("from", fibre.start.optic), ("to", fibre.end.optic)):
        if name not in sheets.optics:
            yield (where, "optic"), _unknown("optic", name, list(sheets.optics))
    near, far = sheets.optics.get(fibre.start.optic), sheets.optics.get(fibre.end.optic)
    if near is None or far is None:
        return
    if near.strands != far.strands:
        yield ("to", "optic"), "one end takes one strand and the other takes two"
    elif near.strands == 1 and near.tx_nm.value == far.tx_nm.value:
        yield (
            ("to", "optic"),
            f"both ends send at {near.tx_nm.value:g} nm; a BiDi pair needs one of each colour "
            f"(such as …-bx10-d and …-bx10-u)",
        )
    elif near.tx_nm.value != far.rx_nm.value or far.tx_nm.value != near.rx_nm.value:
        yield ("to", "optic"), "one end does not receive the wavelength that the other sends"
    if near.megabits_per_s != far.megabits_per_s:
        yield ("to", "optic"), f"{near.megabits_per_s:g} Mb/s at one end, {far.megabits_per_s:g} at the other"
    fibre_sheet = sheets.fibres.get(fibre.type)
    if fibre_sheet and fibre_sheet.medium != near.medium:
        yield ("type",), f"{fibre.type} is {fibre_sheet.medium}, the optics are {near.medium}"


def _power(plan: Plan, _: Sheets) -> Found:
    supplies = {supply.name: supply for supply in plan.supplies}
    feeds: set[str] = set()
    for path, pole in _poles(plan):
        name = pole.supply or (pole.feeder.supply if pole.feeder else None)
        if name is None:
            continue
        where: Path = (*path, "supply") if pole.supply else (*path, "feeder", "supply")
        feeds.add(name)
        if name not in supplies:
            yield where, _unknown("supply", name, list(supplies))
            continue
        yield from ((where, message) for message in _feeds(supplies[name], pole))
    for i, supply in enumerate(plan.supplies):
        if supply.name not in feeds:
            yield ("supplies", i, "name"), f"{supply.name!r} feeds nothing"


def _feeds(supply: MainsSupply | SolarSupply, pole: Pole) -> Iterator[str]:
    low, high = pole.switch.minimum_volts, pole.switch.maximum_volts
    if isinstance(supply, SolarSupply) and supply.converter is None:
        if not low <= supply.battery.volts <= high:
            yield (
                f"{supply.name!r} is a battery of {supply.battery.volts:g} V and {pole.name}'s switch takes "
                f"{low:g} to {high:g} V: a converter is missing between them"
            )
        return
    volts = supply.volts if isinstance(supply, MainsSupply) else supply.converter.output_volts  # type: ignore[union-attr]  # returned above without a converter
    if not low <= volts <= high:
        yield f"{supply.name!r} gives {volts:g} V and {pole.name}'s switch takes {low:g} to {high:g} V"


def _sensors(plan: Plan) -> Iterator[tuple[Path, Sensor]]:
    for name, sensor in plan.headend.feeder_sensors.items():
        yield ("headend", "feeder_sensors", name), sensor
    for i, supply in enumerate(plan.supplies):
        sensor_field = "volts_sensor" if isinstance(supply, MainsSupply) else "controller"
        found = getattr(supply, sensor_field)
        if found:
            yield ("supplies", i, sensor_field), found
    for path, pole in _poles(plan):
        if pole.feeder and pole.feeder.protection and pole.feeder.protection.contact:
            yield (*path, "feeder", "protection", "contact"), pole.feeder.protection.contact


def _asking(plan: Plan, sheets: Sheets) -> Found:
    switches: list[tuple[Path, str, str]] = [
        (("headend", "switch"), plan.headend.switch.datasheet, plan.headend.switch.credentials)
    ]
    switches += [((*path, "switch"), pole.switch.datasheet, pole.switch.credentials) for path, pole in _poles(plan)]
    for path, sheet, credentials in switches:
        if sheet not in sheets.devices:
            yield (*path, "datasheet"), _unknown("device datasheet", sheet, list(sheets.devices))
        if credentials not in plan.credentials:
            yield (*path, "credentials"), _unknown("entry of credentials", credentials, list(plan.credentials))
        elif plan.credentials[credentials].kind not in _SNMP:
            yield (*path, "credentials"), f"{credentials!r} is not for SNMP"
    for path, pole in _poles(plan):
        writing = pole.switch.write_credentials
        if writing is None:
            continue
        if writing not in plan.credentials:
            yield (
                (*path, "switch", "write_credentials"),
                _unknown("entry of credentials", writing, list(plan.credentials)),
            )
        elif plan.credentials[writing].kind not in _SNMP:
            yield (*path, "switch", "write_credentials"), f"{writing!r} is not for SNMP"
        elif writing == pole.switch.credentials:
            yield (*path, "switch", "write_credentials"), "those for reading never write: give others"
    for path, sensor in _sensors(plan):
        if sensor.kind == "snmp" and sensor.datasheet not in sheets.devices:
            yield (*path, "datasheet"), _unknown("device datasheet", sensor.datasheet, list(sheets.devices))
        if sensor.kind == "modbus-tcp" and sensor.datasheet not in sheets.modbus:
            yield (*path, "datasheet"), _unknown("Modbus datasheet", sensor.datasheet, list(sheets.modbus))
    metered = {s.name for s in plan.supplies if isinstance(s, MainsSupply) and s.volts_sensor}
    fed = {pole.name: pole.feeder.supply for pole in plan.poles if pole.feeder and pole.feeder.supply}
    for name, sensor in plan.headend.feeder_sensors.items():
        at: Path = ("headend", "feeder_sensors", name)
        if name not in fed:
            yield at, _unknown("pole with a feeder from a supply", name, list(fed))
        elif sensor.address is None and fed[name] not in metered:
            yield (*at, "address"), "is missing, and the feeder's supply has no volts_sensor to share it with"


def _loads(plan: Plan, sheets: Sheets) -> Found:
    vlans = {row.id for row in plan.vlans}
    addresses = Counter(
        [
            plan.headend.switch.address,
            *(pole.switch.address for pole in plan.poles),
            *(load.address for pole in plan.poles for load in pole.loads if load.address),
        ]
    )
    for path, pole in _poles(plan):
        if addresses[pole.switch.address] > 1:
            yield (*path, "switch", "address"), f"{pole.switch.address} is used twice"
        for k, load in enumerate(pole.loads):
            at: Path = (*path, "loads", k)
            if load.address and addresses[load.address] > 1:
                yield (*at, "address"), f"{load.address} is used twice"
            if load.cable not in sheets.cables:
                yield (*at, "cable"), _unknown("cable", load.cable, list(sheets.cables))
            if load.vlan and vlans and load.vlan not in vlans:
                yield (*at, "vlan"), f"{load.vlan} is not in vlans"
            if "tcp" in load.reach and load.kind != "camera" and load.tcp_port is None and not load.stream:
                yield (*at, "reach"), "has tcp; say which with tcp_port"
            sheet = sheets.poe_classes.get(load.poe_class)
            if sheet and max(load.watts, load.night_watts or 0) > sheet.pd_watts:
                yield (
                    (*at, "watts"),
                    (
                        f"a class {load.poe_class} device may draw {sheet.pd_watts:g} W, the plan "
                        f"says {max(load.watts, load.night_watts or 0):g} W"
                    ),
                )


def _port_exists(plan: Plan, sheets: Sheets) -> Found:
    for path, pole in _poles(plan):
        sheet = sheets.devices.get(pole.switch.datasheet)
        if sheet is None or not sheet.poe_ports:
            continue
        for k, load in enumerate(pole.loads):
            if load.port not in sheet.poe_ports:
                yield (
                    (*path, "loads", k, "port"),
                    f"{load.port!r} is no PoE port of {pole.name}'s switch ({', '.join(sheet.poe_ports)})",
                )


def _people(plan: Plan, _: Sheets) -> Found:
    twice = {name for name, n in Counter(person.name for person in plan.callouts).items() if n > 1}
    for i, person in enumerate(plan.callouts):
        if person.name in twice:
            yield ("callouts", i, "name"), f"{person.name!r} is used twice"


_Check = Callable[[Plan, Sheets], Found]
CHECKS: tuple[_Check, ...] = (
    _names,
    _was,
    _site,
    _ports,
    _ways,
    _optics,
    _asking,
    _port_exists,
    _people,
    _loads,
    _power,
)
"""The last two judge values as well as names."""
