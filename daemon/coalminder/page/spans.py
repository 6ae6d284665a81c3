"""Units at the edge: °C and kg inside, on the page also °F and lb. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from coalminder.units import LB_KG, c_from_f, f_from_c, in_unit


@dataclass(frozen=True, slots=True)
class Units:
    """Shown = scale * °C + offset: the phone draws with these."""

    temp: str = "°C"
    scale: float = 1.0
    offset: float = 0.0
    mass: str = "kg"
    mass_kg: float = 1.0

    def shown(self, temp_c: float) -> float:
        """From °C to the unit on the page."""
        return f_from_c(temp_c) if self.temp == "°F" else temp_c

    def celsius(self, shown: float) -> float:
        """From the unit on the page to °C."""
        return c_from_f(shown) if self.temp == "°F" else shown

    def text(self, temp_c: float | None, digits: int = 0) -> str:
        """'93 °C' with a space that does not break, or 'not known'."""
        return (
            "not known" if temp_c is None else f"{self.shown(temp_c):.{digits}f}\N{NO-BREAK SPACE}{self.temp}"
        )

    def limit(self, temp_c: float) -> str:
        """A limit as a figure; whole where it is, or nearly (121 °C is 250 °F): no excess may be hidden."""
        value = self.shown(temp_c)
        return f"{value:.{0 if abs(value - round(value)) < NEARLY else 1}f}"

    def words(self, text: str) -> str:
        """A sentence with its `57 °C` and `5 to 57 °C` in these units."""
        return in_unit(text, self.shown, self.temp)


NEARLY = 0.25
METRIC = Units()
DAY_MIN = 1440.0
US = Units("°F", 1.8, 32.0, "lb", LB_KG)


def units(name: str) -> Units:
    """'metric' or 'us'."""
    return US if name == "us" else METRIC


def span(minutes: float) -> str:
    """A length of time for a person: '45 min', '3 h 10 min'. To 5 min from an hour on."""
    if minutes > DAY_MIN:
        return "more than a day"
    if minutes < 60:
        text = f"{max(minutes, 0):.0f} min"
    else:
        hours, rest = divmod(5 * round(minutes / 5), 60)
        text = f"{hours} h {rest} min" if rest else f"{hours} h"
    return text.replace(" ", "\N{NO-BREAK SPACE}")
