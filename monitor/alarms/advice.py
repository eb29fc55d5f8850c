"""What to say and take along for each fault: words, first check, van list, cautions. Common practice, no source."""

from dataclasses import dataclass, field
from typing import Final

from monitor.alarms import cautions
from monitor.facts.words import say

_METER: Final = ("multimeter and DC clamp",)
_POWER: Final = (*_METER, "spare fuses", "spare supply", "glands, terminals, sealant")
_PATH: Final = (
    "fibre cleaner and inspection scope",
    "two spare optics of each kind",
    "patch leads",
    "visual fault finder",
)
_DROP: Final = ("cable tester", "plugs, jacks and crimp tool", "glands and sealant", "spare surge protector")
_CAMERA: Final = ("spare camera", "laptop and patch lead")
_SOLAR: Final = (*_METER, "portable charger", "battery tester", "brush for the panel", "spare fuses")
_CHAIR: Final = ("nothing: it is done from the chair",)

_WITH_DC: Final = (cautions.DC, cautions.LADDER, cautions.STORM, cautions.CODES)
_WITH_LIGHT: Final = (cautions.FIBRE, cautions.LADDER, cautions.STORM, cautions.CODES)
_WITH_BATTERY: Final = (cautions.BATTERY, cautions.DC, cautions.LADDER, cautions.CODES)
_WITH_MAINS: Final = (cautions.MAINS, cautions.DC, cautions.CODES)
_UP_THERE: Final = (cautions.LADDER, cautions.STORM, cautions.CODES)
_NONE: Final = (cautions.CODES,)


@dataclass(frozen=True, slots=True)
class Advice:
    """What people are told of a fault."""

    words: str
    look_first: str
    van_list: tuple[str, ...]
    cautions: tuple[str, ...]
    """The last is that on local codes."""
    from_the_chair: bool = field(init=False)
    """Nobody has to drive, so nothing is taken along."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "from_the_chair", self.van_list is _CHAIR)
        for name in ("words", "look_first"):
            object.__setattr__(self, name, say(getattr(self, name)))
        for name in ("van_list", "cautions"):
            object.__setattr__(self, name, tuple(say(line) for line in getattr(self, name)))


ADVICE: Final[dict[str, Advice]] = {
    "feeder-dead": Advice(
        "the feeder is dead at this pole: breaker, fuse or an open joint",
        "the feeder's protection at the head-end; reset it once only: a second trip is a fault",
        (*_POWER, "key of the pole's box"),
        _WITH_DC,
    ),
    "supply-lost": Advice(
        "the common supply has failed: all its poles went within one round",
        "stay home first: the supply's mains, fuses and output at the head-end",
        (*_METER, "spare supply", "spare fuses"),
        _WITH_MAINS,
    ),
    "head-end-off": Advice(
        "the head-end: its switch or this box's own connection, not the poles",
        "stay home first: see whether the head-end switch has power and its link lamps are lit",
        ("spare switch", "patch leads"),
        _WITH_MAINS,
    ),
    "fibre-cut": Advice(
        "the fibre is cut or a connector is pulled; the pole has its power",
        "both ends' connectors, then signs of digging, rodents or vehicles along the run",
        _PATH,
        _WITH_LIGHT,
    ),
    "connector-loose": Advice(
        "a fibre connector is not home: the light comes and goes",
        "push both ends' connectors home until they click",
        _PATH,
        _WITH_LIGHT,
    ),
    "cable-cut": Advice(
        "the whole composite cable is cut: fibre and copper in one moment",
        "switch the feeder off, then walk the run: digging, vehicles, rodents",
        ("splice kit and closure", *_PATH, *_POWER),
        (cautions.FIBRE, *_WITH_DC),
    ),
    "feeder-short": Advice(
        "a short on the feeder that its protection has not cut: it heats the cable",
        "switch this feeder off now, then measure its resistance with it isolated",
        ("insulation tester", *_POWER),
        (cautions.SHORT, *_WITH_DC),
    ),
    "dirty-connector": Advice(
        "a connector is dirty or damaged: both wavelengths lose alike",
        "inspect, clean, and inspect both ends again",
        _PATH,
        _WITH_LIGHT,
    ),
    "fibre-bend": Advice(
        "the fibre is bent, crushed or pressed by ice: the longer wavelength loses more",
        "open the trays, drain and re-dress; measure at two wavelengths",
        ("dual-wavelength light source and meter", *_PATH),
        _WITH_LIGHT,
    ),
    "corroded-joint": Advice(
        "a joint of the feeder has risen in resistance: corrosion or a loose terminal",
        "measure the drop across each joint under load",
        _POWER,
        _WITH_DC,
    ),
    "feeder-too-thin": Advice(
        "the feeder is too thin for this load: the volts fall with the night's load at the resistance of old",
        "from the chair: stagger the start, cap the infrared; then the supply's volts within its limits",
        (*_METER, "spare supply"),
        _WITH_DC,
    ),
    "wet-gland": Advice(
        "water in a gland of a camera's cable: it comes with the wet and dries out",
        "power that port off now, it can burn; then remake the end and its gland",
        _DROP,
        (cautions.DC, *_UP_THERE),
    ),
    "port-short": Advice(
        "a short or overload on a camera's port",
        "unplug at the pole: if it clears, it is the cable's or the camera's side",
        (*_DROP, *_CAMERA),
        (cautions.DC, *_UP_THERE),
    ),
    "poe-denied": Advice(
        "the PoE budget is used up: a port was refused its power",
        "no trip: set priorities and start delays from the chair",
        _CHAIR,
        _NONE,
    ),
    "camera-hung": Advice(
        "the camera hangs: it has power and gives no picture",
        "switch its port off and on once and wait 90 s; at most twice a day",
        _CAMERA,
        _UP_THERE,
    ),
    "camera-reboots": Advice(
        "the camera starts again and again",
        "lower its infrared from the chair; then swap it",
        _CAMERA,
        _UP_THERE,
    ),
    "copper-drop": Advice(
        "the camera's cable is marginal: a bad pair or plug",
        "re-terminate and test the cable",
        _DROP,
        _UP_THERE,
    ),
    "lightning": Advice(
        "surge or lightning: a protector has given its life, or ports are dead",
        "replace what is dead, and check the earth and every protector there",
        ("spare switch", "spare surge protectors", "earth tester", *_CAMERA, *_POWER),
        (cautions.STORM, cautions.DC, cautions.LADDER, cautions.CODES),
    ),
    "solar-deficit": Advice(
        "too little sun: the battery has not been full for days",
        "brush the panel, look for shade; shed load from the chair",
        _SOLAR,
        _WITH_BATTERY,
    ),
    "battery-aged": Advice(
        "the battery is aged, cold or sulphated: full early, and empty the same night",
        "load-test the battery; replace the whole bank",
        ("replacement bank", *_SOLAR),
        _WITH_BATTERY,
    ),
    "charging-stopped": Advice(
        "charging has stopped though the sun shines: fuse, cable, controller or frost lock-out",
        "panel volts: none is fuse or cable, high is the controller; below 0 °C lithium is locked out",
        ("spare charge controller", *_SOLAR),
        _WITH_BATTERY,
    ),
    "optic-hot": Advice(
        "the optic runs hot: the link drops in the afternoon",
        "shade and vent the box; put in an industrial optic",
        ("industrial optic", *_PATH),
        _WITH_LIGHT,
    ),
    "laser-ageing": Advice(
        "a laser ages: its bias creeps up at equal temperature",
        "replace the optic at that end",
        ("spare optic", *_PATH),
        _WITH_LIGHT,
    ),
    "wrong-optic": Advice(
        "a wrong optic, or a pair exchanged, since the last visit",
        "compare wavelength, rate and reach of both optics with the plan",
        ("right pair of optics", "attenuator", *_PATH),
        _WITH_LIGHT,
    ),
    "uplink-full": Advice(
        "the uplink is full: frames are thrown away, none is broken",
        "no trip: see which port grew, and cap its bit rate from the chair",
        _CHAIR,
        _NONE,
    ),
    "broadcast-storm": Advice(
        "a loop: broadcast fills the pole's ports",
        "from the chair: shut the port with most broadcast coming in",
        ("patch leads", "laptop and patch lead"),
        _NONE,
    ),
    "address-trouble": Advice(
        "a device has another address, or its address is claimed twice",
        "no trip: find its hardware address in the survey and set it right",
        _CHAIR,
        _NONE,
    ),
    "switch-hang": Advice(
        "the pole's switch hangs or restarts: it has power and light",
        "wait two minutes for a restart; then switch its feeder off and on once",
        ("spare switch", "console lead"),
        _WITH_DC,
    ),
    "camera-service": Advice(
        "a camera's clock or service decays",
        "no trip: give it the head-end as its time server, look at its storage",
        _CHAIR,
        _NONE,
    ),
    # The next three are from memory, no source.
    "ground-fault": Advice(
        "current leaks to earth when it is wet",
        "measure the insulation with the feeder isolated at both ends",
        ("insulation tester", *_POWER),
        _WITH_DC,
    ),
    "reverse-polarity": Advice(
        "plus and minus are exchanged since the last visit",
        "the polarity at the pole's terminals, before anything is switched on",
        _POWER,
        _WITH_DC,
    ),
    "supply-ageing": Advice(
        "the supply sags, or its setting has moved",
        "the supply's volts at the head-end, with load and without",
        (*_METER, "spare supply"),
        _WITH_MAINS,
    ),
    "class-mismatch": Advice(
        "the device asks for too low a class: off whenever its infrared comes on",
        "set the port's mode to what the device needs",
        _CAMERA,
        _UP_THERE,
    ),
    "mps-absent": Advice(
        "the port cuts a device that sleeps too deeply",
        "no trip: switch off the device's sleep",
        _CHAIR,
        _NONE,
    ),
    "duplex-mismatch": Advice(
        "one end of the cable is set to half duplex: late collisions under load",
        "no trip: both ends to automatic",
        _CHAIR,
        _NONE,
    ),
    "unknown-device": Advice(
        "a device that is not in the plan hangs on a port",
        "look at the cameras: somebody may be at the pole; shut the port from the chair",
        ("laptop and patch lead",),
        _NONE,
    ),
    "spanning-tree-flap": Advice(
        "the spanning tree changes: short gaps of all loads on a branch",
        "no trip: set the ports of cameras as edge ports",
        _CHAIR,
        _NONE,
    ),
    "internet-out": Advice(
        "the farm's internet, this box's disk or its clock: the poles are well",
        "stay home: the router, then farpole's own state",
        _CHAIR,
        _NONE,
    ),
}
"""Fault → what people are told of it."""

GROUPS: Final = {
    "power": say("its power"),
    "path": say("the way to it"),
    "supply": say("the common supply"),
    "head-end": say("the head-end"),
    "cable": say("the whole cable"),
    "short": say("a short"),
    "light": say("the light on its fibre"),
    "drop": say("a camera's cable"),
    "camera": say("a camera"),
    "budget": say("the PoE budget"),
    "solar": say("its panel or battery"),
    "switch": say("its switch"),
    "network": say("the network"),
    "security": say("a stranger"),
}
"""Group of faults → how a sentence names it."""
