"""Budgets on paper: one printable HTML file with a drawing of each run, no scripts, nothing from elsewhere."""

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, select_autoescape
from markupsafe import Markup, escape

from monitor.budgets.expected import PoleBudget, SiteBudget
from monitor.show.budget_text import sections
from monitor.show.budget_view import negative

_HERE = Path(__file__).parent


def drawing(pole: PoleBudget) -> Markup:
    """The run to a pole: supply and light at the left, what arrives at the right."""
    light = pole.optical.outward if pole.optical else None
    start = light.sends if light else (pole.feeder.supply if pole.feeder else "own supply")
    words = []
    if light:
        low, _, high = light.expected_rx_dbm
        words.append(
            f"{light.tx_dbm[0].value:g} to {light.tx_dbm[2].value:g} dBm in, {light.loss_db:.2f} dB lost, "
            f"{low:.1f} to {high:.1f} dBm out; margin {pole.optical.margin_db:.1f} dB"
            if pole.optical
            else ""
        )
    if pole.feeder and pole.feeder.worst.at:
        worst = pole.feeder.worst
        at = worst.at
        words.append(
            f"{pole.feeder.supply_volts:g} V in, {at.amperes:.2f} A, {at.volts:.1f} V out at the worst "
            f"({worst.case.name})"
            if at
            else ""
        )
    lines = "".join(f'<text x="110" y="{18 + 58 * i}">{escape(text)}</text>' for i, text in enumerate(words))
    return Markup(  # every word is escaped above or here
        '<svg viewBox="0 0 900 90" class="run" role="img">'
        f"<title>{escape(start)} – {escape(pole.pole)}</title>"
        '<line x1="100" y1="38" x2="790" y2="38"/>'
        '<line x1="100" y1="44" x2="790" y2="44" class="copper"/><circle cx="800" cy="41" r="9" class="pole"/>'
        f'<line x1="100" y1="24" x2="100" y2="58" class="bus"/>'
        f'<text x="92" y="46" text-anchor="end">{escape(start)}</text>'
        f'<text x="816" y="46">{escape(pole.pole)}</text>{lines}</svg>'
    )


def page(site: SiteBudget, name: str, imperial: bool) -> str:
    """The whole document."""
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=select_autoescape(default=True),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = Markup((_HERE / "static" / "farpole.css").read_text(encoding="utf-8"))  # our own style sheet
    poles = [
        {"name": pole.pole, "drawing": drawing(pole), "sections": list(sections(pole, imperial))}
        for pole in site.poles.values()
    ]
    template = environment.get_template("budget.html")
    return template.render(site=name, poles=poles, negative=negative(site), style=style)
