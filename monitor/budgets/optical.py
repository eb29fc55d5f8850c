"""The light budget of a fibre run: loss, expected level at each end, margin to sensitivity and overload."""

from dataclasses import dataclass

from monitor.budgets.terms import Term, need, total
from monitor.plan.datasheets import FibreSheet, OpticSheet
from monitor.plan.parts import Fibre


@dataclass(frozen=True, slots=True)
class Direction:
    """Light going one way over a run. All levels in dBm (average power), all losses in dB."""

    sends: str
    receives: str
    wavelength_nm: float
    loss_terms: tuple[Term, ...]
    allowance_terms: tuple[Term, ...]
    penalty_terms: tuple[Term, ...]
    tx_dbm: tuple[Term, Term, Term]
    """Minimum, typical, maximum."""
    sensitivity_dbm: Term
    overload_dbm: Term

    @property
    def loss_db(self) -> float:
        """Loss of the plant as built: fibre, connectors, splices."""
        return total(self.loss_terms)

    @property
    def expected_rx_dbm(self) -> tuple[float, float, float]:
        """Level at the receiver: low, typical, high."""
        low, typical, high = (term.value - self.loss_db for term in self.tx_dbm)
        return low, typical, high

    @property
    def margin_db(self) -> float:
        """What is left over sensitivity after loss, allowances and penalties, with the weakest transmitter.

        Tx_min − loss − allowances − penalties − sensitivity; source: IEEE 802.3 clause 58.6 and FOA "loss
        budget". A published power budget may already contain penalties: never subtract them twice.
        """
        return (
            self.expected_rx_dbm[0]
            - total(self.allowance_terms)
            - total(self.penalty_terms)
            - self.sensitivity_dbm.value
        )

    @property
    def overload_margin_db(self) -> float:
        """What is left below the receiver's overload with the strongest transmitter; negative: attenuate."""
        return self.overload_dbm.value - self.expected_rx_dbm[2]

    def terms(self) -> tuple[Term, ...]:
        """Every line from the weakest transmitter to the margin, signed as it enters the sum."""
        minus = (*self.loss_terms, *self.allowance_terms, *self.penalty_terms)
        return (
            self.tx_dbm[0],
            *(Term(t.name, -t.value, t.unit, t.source) for t in minus),
            Term("receiver sensitivity", -self.sensitivity_dbm.value, "dBm", self.sensitivity_dbm.source),
        )


@dataclass(frozen=True, slots=True)
class OpticalBudget:
    """Both directions of a run. ``outward`` goes to the pole, ``inward`` comes back."""

    outward: Direction
    inward: Direction

    @property
    def margin_db(self) -> float:
        """The smallest of the four margins (two directions, sensitivity and overload)."""
        return min(min(way.margin_db, way.overload_margin_db) for way in (self.outward, self.inward))


def loss_terms(
    fibre: FibreSheet, wavelength_nm: float, length_m: float, connectors: int, splices: int
) -> tuple[Term, ...]:
    """Loss of a run [dB] at a wavelength [nm]: length [m] × attenuation [dB/km], connectors, splices.

    Loss = α·L + n_c·a_c + n_s·a_s. Source: FOA "Calculating fibre optic loss budgets"; values by datasheet.
    Valid for 0 to 200 km. ValueError where the datasheet has no attenuation at that wavelength.
    """
    need("length of the run", length_m, 0, 200_000, "m")
    attenuation = fibre.db_per_km.get(round(wavelength_nm))
    if attenuation is None:
        known = ", ".join(map(str, sorted(fibre.db_per_km)))
        raise ValueError(f"the fibre's datasheet has no attenuation at {wavelength_nm:g} nm (only {known} nm)")
    return (
        Term(
            f"fibre, {length_m:g} m at {wavelength_nm:g} nm",
            length_m / 1000 * attenuation.value,
            "dB",
            attenuation.source,
        ),
        Term(
            f"{connectors} connectors", connectors * fibre.db_per_connector.value, "dB", fibre.db_per_connector.source
        ),
        Term(f"{splices} splices", splices * fibre.db_per_splice.value, "dB", fibre.db_per_splice.source),
    )


def _transmits(optic: OpticSheet) -> tuple[Term, Term, Term]:
    low, high, typical = optic.tx_min_dbm, optic.tx_max_dbm, optic.tx_typical_dbm
    middle = (
        Term("transmitter, typical", typical.value, "dBm", typical.source)
        if typical
        else Term(
            "transmitter, middle",
            (low.value + high.value) / 2,
            "dBm",
            "middle of minimum and maximum, since no typical level is published",
        )
    )
    return (
        Term("transmitter, weakest", low.value, "dBm", low.source),
        middle,
        Term("transmitter, strongest", high.value, "dBm", high.source),
    )


def _direction(
    run: Fibre, fibre: FibreSheet, names: tuple[str, str], sender: OpticSheet, receiver: OpticSheet
) -> Direction:
    allowances = tuple(Term(f"allowance: {name}", db, "dB", "the plan") for name, db in run.allowances_db.items())
    penalties = tuple(Term(f"penalty: {name}", db.value, "dB", db.source) for name, db in receiver.penalties_db.items())
    return Direction(
        sends=names[0],
        receives=names[1],
        wavelength_nm=sender.tx_nm.value,
        loss_terms=loss_terms(fibre, sender.tx_nm.value, run.length_m, run.connectors, run.splices),
        allowance_terms=allowances,
        penalty_terms=penalties,
        tx_dbm=_transmits(sender),
        sensitivity_dbm=Term(
            "receiver sensitivity", receiver.rx_sensitivity_dbm.value, "dBm", receiver.rx_sensitivity_dbm.source
        ),
        overload_dbm=Term("receiver overload", receiver.rx_overload_dbm.value, "dBm", receiver.rx_overload_dbm.source),
    )


def link(
    run: Fibre, fibre: FibreSheet, near: OpticSheet, far: OpticSheet, near_name: str, far_name: str
) -> OpticalBudget:
    """The light budget of a run between the optic at ``near_name`` (head-end side) and at ``far_name``."""
    return OpticalBudget(
        outward=_direction(run, fibre, (near_name, far_name), near, far),
        inward=_direction(run, fibre, (far_name, near_name), far, near),
    )
