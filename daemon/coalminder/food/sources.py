# ruff: noqa: E501  (one row of the table, one line)
"""Where each figure comes from, and how far it may be trusted.

Owns: the table of sources, their authority and grade. Must not know: what the figures are used for.
A figure graded `from memory` was not read in its source by the makers of this program: it is used
only on the safe side, and the output marks it. Local authority always comes first.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Authority(StrEnum):
    """Who says so, strongest first."""

    REGULATION = "regulation"
    GUIDANCE = "official guidance"
    EXTENSION = "extension service"
    HANDBOOK = "handbook or standard"
    PAPER = "paper"
    PRACTICE = "common practice"
    OURS = "estimate"


class Grade(StrEnum):
    """How we know that the source says so."""

    READ = "read"
    COMPUTED = "computed"
    MEMORY = "from memory"
    ESTIMATE = "estimate"


@dataclass(frozen=True, slots=True)
class Source:
    """One source. `note` says what was taken from it and on which side it is used."""

    key: str
    title: str
    authority: Authority
    grade: Grade
    note: str = ""

    @property
    def mark(self) -> str:
        """Short mark for a table: the grade, and `*` where the figure is only remembered."""
        return f"{self.grade.value}{'*' if self.grade is Grade.MEMORY else ''}"


@dataclass(frozen=True, slots=True)
class Figure:
    """A number for a person: name, value, unit and the key of its source in `SOURCES`."""

    name: str
    value: float
    unit: str
    source: str
    digits: int = 1

    def text(self) -> str:
        """`12.3 g` with the figure's digits."""
        return f"{self.value:.{self.digits}f} {self.unit}".strip()


_R, _G, _E, _H, _P, _C, _O = (
    Authority.REGULATION,
    Authority.GUIDANCE,
    Authority.EXTENSION,
    Authority.HANDBOOK,
    Authority.PAPER,
    Authority.PRACTICE,
    Authority.OURS,
)
_READ, _COMP, _MEM, _EST = Grade.READ, Grade.COMPUTED, Grade.MEMORY, Grade.ESTIMATE

_ROWS: tuple[tuple[str, str, Authority, Grade, str], ...] = (
    (
        "home-71",
        "PNW 238, Smoking Fish at Home Safely (reprint 2003)",
        _E,
        _READ,
        "71 °C core for 30 min, reached within 6 h (the stricter end of 6 to 8 h); for the refrigerator",
    ),
    (
        "fda-63",
        "FDA Fish and Fishery Products Hazards and Controls, ch. 13 and 16",
        _G,
        _MEM,
        "63 °C core for 30 min, with water-phase salt when packed without air",
    ),
    (
        "au-63",
        "Australian primary production standard for seafood, smoked fish",
        _R,
        _READ,
        "63 °C for 30 min and 3.5 % water-phase salt",
    ),
    (
        "fda-a3",
        "FDA Hazards Guide, Appendix 4, Table A-3 (Listeria 6D, z 7.5 °C)",
        _G,
        _MEM,
        "2 min at 70 °C; the table's lethal rates follow from its own z value",
    ),
    ("lm-70", "review of Listeria limits: 70 °C for 2 min is a 6D process", _P, _READ, ""),
    (
        "fsis-poultry",
        "FSIS poultry times, via a cookery book's table",
        _G,
        _READ,
        "fat level of the columns not stated",
    ),
    ("fsis-comeup", "FSIS Cooking Guideline (2021): 50 to 130 °F in at most 6 h", _G, _READ, ""),
    (
        "usda-chart",
        "USDA safe minimum internal temperature chart",
        _G,
        _READ,
        "fish 63 °C; whole red meat 63 °C and 3 min rest; ground 71 °C; poultry 74 °C",
    ),
    ("fc-cooling", "FDA Food Code 3-501.14: 57 to 21 °C in 2 h, to 5 °C in 6 h in all", _R, _READ, ""),
    ("fc-holding", "FDA Food Code 3-501.16: hot at 57 °C or more, cold at 5 °C or less", _R, _MEM, ""),
    ("fc-parasites", "FDA Food Code 3-402.11: -20 °C for 168 h, or -35 °C for 15 h", _R, _READ, ""),
    (
        "usda-2h",
        "USDA: no perishable food above 4.4 °C for more than 2 h, 1 h above 32 °C",
        _G,
        _MEM,
        "for what is not fish, whose own limits are in a2-raw",
    ),
    ("chill-38", "Michigan State University Extension: keep smoked fish at 3.3 °C or below", _E, _READ, ""),
    (
        "ny-brine",
        "New York rules for smoked fish: brine at most 15.6 °C; over 4 h at 3.3 °C; not reused",
        _R,
        _READ,
        "",
    ),
    (
        "a2-raw",
        "FDA Hazards Guide, Appendix 4, Table A-2, raw ready-to-eat: warm once, 2 h between 10 and 57 °C",
        _G,
        _READ,
        "not to be interpolated",
    ),
    ("a2-raw-cool", "FDA Appendix 4, Table A-2: never above 21 °C, 5 h above 10 °C", _G, _MEM, ""),
    (
        "a2-cooked",
        "FDA Appendix 4, Table A-2, cooked ready-to-eat: 1 h between 10 and 57 °C if above 27 °C, else "
        "up to 5 h",
        _G,
        _MEM,
        "",
    ),
    (
        "fda-7",
        "FDA Hazards Guide, ch. 7 (histamine): 4 h above 4.4 °C if ever above 21 °C, else 8 h; "
        "once frozen 12 and 24 h",
        _G,
        _MEM,
        "the shorter, never-frozen figures are the default",
    ),
    ("fda-histamine", "FDA CPG 540.525: heat does not remove histamine", _G, _READ, ""),
    (
        "fda-ready",
        "FDA and CDC on Listeria: people at risk eat no refrigerated smoked seafood unless heated to 74 °C",
        _G,
        _MEM,
        "",
    ),
    ("fc-reheat", "FDA Food Code 3-403.11: chilled food is heated to 74 °C within 2 h", _R, _MEM, ""),
    (
        "fda-gut",
        "FDA CPG 540.650: fish is gutted before it is salted, dried or smoked (botulinum lives in the gut)",
        _G,
        _MEM,
        "small species excepted there; not here",
    ),
    (
        "fda-6",
        "FDA Hazards Guide, ch. 6: cooking does not destroy toxins of algae in shellfish",
        _G,
        _MEM,
        "",
    ),
    (
        "msu-store",
        "Michigan State University Extension 01600816: home-smoked fish 14 d below 2.2 °C; frozen 2 to 3 months",
        _E,
        _READ,
        "",
    ),
    ("sec-store", "storage table (secondary): 3 °C fatty 6 d, white 8 d; 10 °C 2 to 3 d", _E, _READ, ""),
    ("fridge-cooked", "FoodKeeper: cooked fish or meat 3 to 4 d in the refrigerator", _G, _MEM, ""),
    ("fridge-raw", "FoodKeeper: raw fish, shellfish and poultry 1 to 2 d in the refrigerator", _G, _MEM, ""),
    (
        "wps",
        "water-phase salt = 100 salt/(salt + water)",
        _G,
        _MEM,
        "3.5 % is the packing rule; not offered as safe here",
    ),
    ("mi-wps", "Michigan State University Extension: water-phase salt over 3.0 %", _E, _READ, ""),
    ("salometer", "The Salometer and How to Use It: 100 degrees = 26.395 % by weight", _H, _READ, ""),
    ("nacl-density", "Poradnik fizykochemiczny (WNT 1974), density of salt solutions", _H, _READ, ""),
    ("sucrose", "ICUMSA/NBS C440, density of sugar solutions", _H, _MEM, ""),
    (
        "nacl-freezing",
        "CRC Handbook, freezing points of salt solutions",
        _H,
        _MEM,
        "agrees with CoolProp within 0.3 °C",
    ),
    ("eutectic", "Preparation of salt brines (SG 22): -21 °C at 23.3 %", _E, _READ, ""),
    (
        "salt-diffusion",
        "diffusion of salt in fish: 1e-11 to 1e-10 (flesh), 1e-14 to 1e-12 m2/s (skin and fat)",
        _P,
        _READ,
        "a recalled row says 1 to 3e-10 for salmon: both ends are used",
    ),
    (
        "salt-diffusion-fast",
        "diffusion of salt in salmon near 10 °C: 1 to 3e-10 m2/s",
        _P,
        _MEM,
        "the middle is used for times, both ends for the range",
    ),
    (
        "slab-model",
        "slab of flesh with properties from its composition; films, drying and their spread are estimates",
        _O,
        _EST,
        "checked on the simulated kettle; a core probe corrects it",
    ),
    ("crank", "Crank, The Mathematics of Diffusion, ch. 4 and 5", _H, _MEM, "series recomputed"),
    ("choi-okos", "Choi and Okos (1986), thermal properties from composition", _H, _READ, ""),
    ("ashrae-comp", "ASHRAE Refrigeration, ch. 9, Table 3: composition", _H, _MEM, ""),
    ("food-tables", "national food composition tables", _H, _MEM, "water, protein, fat within some %"),
    (
        "hyland-wexler",
        "Hyland and Wexler, saturation pressure of water (ASHRAE Fundamentals ch. 1)",
        _H,
        _COMP,
        "",
    ),
    ("lewis", "heat and mass transfer analogy (Chilton and Colburn; Lewis number 0.87)", _H, _MEM, ""),
    ("en1860", "EN 1860-2, lump charcoal: 29 to 33 MJ/kg", _H, _READ, ""),
    ("wood-ncv", "heating value of wood falls with moisture: NCV0(1-M) - 2.44 M", _H, _READ, ""),
    (
        "nfpa",
        "NFPA and fire departments: outdoors, 3 m from house and branches, attended, ash after 48 h",
        _G,
        _READ,
        "",
    ),
    ("co", "CPSC 5012: never burn charcoal indoors, in a garage, vehicle or tent", _G, _READ, ""),
    ("practice", "common practice", _C, _EST, ""),
    ("estimate", "estimate of this program's makers", _O, _EST, ""),
)

SOURCES: dict[str, Source] = {row[0]: Source(*row) for row in _ROWS}


def source_lines(keys: tuple[str, ...]) -> list[str]:
    """One line per distinct key, in order: mark, authority, title, note. Unknown keys raise KeyError."""
    lines = []
    for key in dict.fromkeys(keys):
        source = SOURCES[key]
        note = f"; {source.note}" if source.note else ""
        lines.append(f"[{key}] {source.mark}, {source.authority.value}: {source.title}{note}")
    return lines
