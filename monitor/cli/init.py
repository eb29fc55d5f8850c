"""``farpole init``: a few plain questions, and a commented plan to go on from."""

import getpass
import hashlib
import secrets
import sys
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path

from monitor.cli.main import BAD_INPUT, FAILED, OK
from monitor.daemon.files import load_sheets
from monitor.plan.meaning import read_plan
from monitor.plan.text import NotRight

QUESTIONS: tuple[tuple[str, str, str], ...] = (
    ("site", "Name of the site", "My farm"),
    ("latitude", "Latitude in degrees (south is negative)", "-36"),
    ("longitude", "Longitude in degrees (west is negative)", "148"),
    ("timezone", "Time zone", "Australia/Sydney"),
    ("coldest", "Coldest night in °C (or like 14F)", "-9"),
    ("hottest", "Hottest day in °C (or like 110F)", "44"),
    ("network", "Network of the switches and cameras; a survey stays inside it", "10.20.0.0/22"),
    ("headend", "Name of the head-end", "office"),
    ("headend_address", "IP address of the head-end switch", "10.20.0.2"),
    ("headend_port", "Its port that leads to the pole", "9"),
    ("volts", "DC volts of the supply", "54"),
    ("supply_watts", "Its limit in watts", "240"),
    ("pole", "Name of the first pole", "creek"),
    ("pole_address", "IP address of the pole's switch", "10.20.1.2"),
    ("length", "Length of the cable in metres (or like 2100ft)", "640"),
    ("conductor", "Conductor in mm² (or like 8AWG)", "10"),
    ("cameras", "How many cameras (0 to 4)", "1"),
    ("first_camera", "IP address of the first camera (the others follow)", "10.20.1.11"),
)


def ask(read: Callable[[str], str]) -> dict[str, str]:
    """The answers; an empty one takes what stands in brackets."""
    return {key: read(f"{question} [{usual}]: ").strip() or usual for key, question, usual in QUESTIONS}


def _either(answer: str, ending: str, imperial: str, metric: str) -> str:
    """``2100ft`` → ``length_ft: 2100``; a bare number is metric."""
    if answer.lower().endswith(ending.lower()):
        return f"{imperial}: {answer[: -len(ending)].strip()}"
    return f"{metric}: {answer}"


def plan_text(a: dict[str, str]) -> str:
    """A commented plan of these answers; raises ValueError where a number is none."""
    length = _either(a["length"], "ft", "length_ft", "length_m")
    first, last = a["first_camera"].rsplit(".", 1)
    cameras = "".join(
        f'\n      - {{name: {a["pole"]}-camera-{n + 1}, kind: camera, port: "{n + 1}", '
        f"address: {first}.{int(last) + n}, "
        "poe_class: 3, watts: 5.5, night_watts: 9.5, cable_m: 10, reach: [icmp, tcp], "
        "stream: {path: /main, kilobits_per_s: 6000}}"
        for n in range(int(a["cameras"]))
    )
    return f"""# The plan of {a["site"]}: what was designed and built. Check it with: farpole budget THIS-FILE
# Lengths also as length_ft, conductors as conductor_awg, temperatures as coldest_f: one form each.
site:
  name: {a["site"]}
  latitude: {a["latitude"]}             # for dusk and dawn
  longitude: {a["longitude"]}
  timezone: {a["timezone"]}
  {_either(a["coldest"], "F", "coldest_f", "coldest_c")}
  {_either(a["hottest"], "F", "hottest_f", "hottest_c")}
  subnets: [{a["network"]}]     # farpole survey stays inside these

credentials:                    # the words themselves stand in secrets.yaml (chmod 600), under this name:
  switches: {{kind: snmpv2c, secret: switches}}

supplies:
  - {{name: supply, kind: mains, volts: {a["volts"]}, limit_watts: {a["supply_watts"]}}}
    # with a DC meter: volts_sensor: {{kind: snmp, datasheet: dc-meter, address: ...}}; it tells power from path

headend:
  name: {a["headend"]}
  switch: {{address: {a["headend_address"]}, datasheet: standard-mibs, credentials: switches}}

poles:
  - name: {a["pole"]}
    place: ""                   # how to find it
    access: ""                  # keys, ladder, what floods
    # Take the switch's own figures from its datasheet:
    switch:
      address: {a["pole_address"]}
      datasheet: standard-mibs
      credentials: switches
      minimum_volts: 44
      maximum_volts: 57
      own_watts: 6
      poe_budget_watts: 60
      poe_input: boost          # or pass-through: then its input must reach what its ports need
      uplink_megabits_per_s: 1000
    fibre:
      from: {{port: "{a["headend_port"]}", optic: 1000base-bx10-d}}
      to: {{port: "5", optic: 1000base-bx10-u}}   # the port of the pole's switch
      type: OS2
      {length}
      connectors: 4
      splices: 0
      allowances_db: {{repair: 1.0, ageing: 1.0}}
    feeder: {{supply: supply, {_either(a["conductor"], "AWG", "conductor_awg", "conductor_mm2")}, {length}, joints: 2}}
    loads:{cameras or " []"}

callouts:                       # who is told; the accounts stand in secrets.yaml under these names
  - {{name: owner, to: owner, severities: [critical, major]}}
"""


LEAST_PASSWORD = 12
"""Characters; NIST SP 800-63B asks for eight at least."""


def log_in(name: str, role: str) -> int:
    """Ask for a password twice and print the entry."""
    from argon2 import PasswordHasher  # needed for this alone

    try:
        password = getpass.getpass(f"Password of {name}: ")
        again = getpass.getpass("Once more: ")
    except EOFError:
        print("\nfarpole: no password was given", file=sys.stderr)
        return BAD_INPUT
    if len(password) < LEAST_PASSWORD or password != again:
        said = "they differ" if password != again else f"it must have at least {LEAST_PASSWORD} characters"
        print(f"farpole: {said}; nothing was made", file=sys.stderr)
        return BAD_INPUT
    print("Put this line under 'secrets:' in the secrets file, then reload farpole:")
    print(f"  {name}: {{kind: log-in, role: {role}, password_argon2: '{PasswordHasher().hash(password)}'}}")
    return OK


def token(name: str, role: str) -> int:
    """Make a token, show it once, and print the entry."""
    made = secrets.token_urlsafe(32)
    print(f"The token, shown this once: {made}")
    print("Put this line under 'secrets:' in the secrets file, then reload farpole:")
    print(f"  {name}: {{kind: token, role: {role}, token_sha256: {hashlib.sha256(made.encode()).hexdigest()}}}")
    return OK


def main(given: Namespace) -> int:
    """Ask, write, check."""
    if given.log_in or given.token:
        return log_in(given.log_in, given.role) if given.log_in else token(given.token, given.role)
    if given.file is None:
        print("farpole: name the plan to write, or --log-in or --token", file=sys.stderr)
        return BAD_INPUT
    file: Path = given.file
    if file.exists():
        print(f"farpole: {file} is there already and is not overwritten", file=sys.stderr)
        return FAILED
    try:
        text = plan_text(ask(input))
        read_plan(text, load_sheets(), str(file))
    except EOFError:
        print("\nfarpole: the questions ended early; nothing was written", file=sys.stderr)
        return BAD_INPUT
    except NotRight as error:
        print(f"{error}\nfarpole: nothing was written", file=sys.stderr)
        return BAD_INPUT
    except ValueError as error:
        print(f"farpole: {error}; nothing was written", file=sys.stderr)
        return BAD_INPUT
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        print(f"farpole: {file} cannot be written: {error.strerror}", file=sys.stderr)
        return FAILED
    print(f"\nWrote {file}. See its budgets: farpole budget {file}")
    print(f"Fill in what is on the network: sudo farpole survey --plan {file} --write-plan found.yaml")
    return OK
