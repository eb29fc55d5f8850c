"""The usual cautions of the trade, on every van list that touches what can hurt. Local codes prevail."""

from typing import Final

DC: Final = (
    "Isolate the feeder before touching DC, and see that people are clear before it is switched on "
    "again; unplugging under load draws an arc."
)
FIBRE: Final = "Never look into a fibre or an optic: 1310, 1490 and 1550 nm are invisible and can hurt the eye."
LADDER: Final = "Ladder only with a second person, and not in wind."
STORM: Final = "Not before the storm has passed: lightning finds the pole and the cable."
BATTERY: Final = (
    "Batteries, lithium and lead-acid alike, give short-circuit currents that burn: insulated tools, no rings."
)
MAINS: Final = "Mains only by licensed people."
SHORT: Final = "A short that burns on heats the cable: switch the feeder off before anything else."
CODES: Final = "Local codes and licensed practice prevail over this list."
