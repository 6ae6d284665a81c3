"""docs/safety.md from the fault table: what is written there is what runs."""

# ruff: noqa: E501 - the page's lines are the page's

from __future__ import annotations

from coalminder.safety.alarms import LATCHED, UNLATCHED, Table
from coalminder.safety.fault import Fault
from coalminder.safety.faults import FAULTS
from coalminder.safety.limits import Limits, describe
from coalminder.values import Phase

_HEAD = """# Safety: cut-offs and alarms

This page is made from the program's own fault table (`coalminder drill --write-safety docs/safety.md`); a
test keeps it equal. Figures of the campaign that provokes every row are in [fault-campaign.md](fault-campaign.md).

**Charcoal makes carbon monoxide: outdoors only, never in a garage, tent, hut or under a roof with walls.**
Keep the grill away from walls, eaves and branches (3 m is a usual advice; your fire authority's word comes
first). Somebody stays at home, awake, and able to reach the grill. Have a bucket of sand or a fire blanket
near; never pour water on burning fat. Coalminder is never the only thing between a fire and a house, and its
food figures defer to your local food authority.

## What a cut-off is

Shutting the vents is not switching a heater off. The coals stay hot for an hour or more. After a cut-off:

- Leave the lid on. Air on starved, hot coals flares up in your face.
- Look that both vents are really shut; shut them by hand if not.
- If fat burns: keep the lid on, keep away, never water, call for help.
- The vents stay shut until a person resets the fault, and only if its cause is gone. Without a broker there is no way to
  say so: stop the service, look at the grill, and begin a new cook with `sudo -u coalminder coalminder tend --fresh`
  (and `--lit` when the coals are lit). Ctrl-C, and start the service: it goes on with that cook.

## Actions, weakest first

| action | what the daemon does |
|---|---|
| note | writes it down |
| warn | tells the person |
| throttle | gives only the air floor: as little air as keeps the fire alive, until the fault is gone |
| snuff | shuts both vents and keeps them shut until a person resets |
| snuff and stop | the same, and does not try to go on after a restart |

The strongest action in force wins. Silencing an alarm (acknowledge, shelve) never ends its action.
"""

_NOT_COVERED = """## What is not covered

- **Power loss while a vent is open.** An ordinary servo holds its place, or goes slack, when its supply is
  gone: the vents stay as they were. Use a vent that falls shut by its own weight or by a spring, or a supply
  with a battery that shuts the vents when the mains goes.
- **The servos' own supply.** Nothing on the board measures it: `servo_supply_low` is told only by hardware of your own
  and by the drill. A servo without power looks like one that says it moved and did not. One that
  shares the board's supply pulls that down as well, and `under_voltage` may tell.
- **A lid left off.** The vents then rule nothing. Unless somebody says so the daemon knows a lid lift only by the
  fall of the pit; an open fire that has grown can bring the grate back to cooking heat and looks well tended.
- **Burning fat.** Shut vents starve it slowly or not at all if the lid leaks. The daemon tells, and that is all.
- **A servo that says it moved and did not** is seen only when the pit does not answer, which takes a quarter of
  an hour or more; until then it looks like wind or a dying fire.
- **A probe that is wrong but plausible** (a few K off, or slowly drifting). A second pit probe shows it, once
  the two are further apart than `disagree_c`. Without one nothing shows it until a food probe is over the
  ceiling, or the dome over the hard limit. A probe that shows °F as °C, or half of what it should, ruins the
  food, or lets the grill get far too hot. If another probe hangs beside it, you are warned before the fire is
  lit; with a single probe nobody is. Look at all probes while the grill is cold: they must agree. Calibrate.
  What wrong wires, resistors and thermocouples show stands in [wiring.md](wiring.md).
- **A food probe that hangs loose near the coals** looks like a pit probe that reads too low. Until somebody has put it
  right and acknowledged the alarm the vents open little, and the pit may sink under its band: the fire is safe, the
  food is late.
- **Carbon monoxide.** Nothing here measures it.
- **Sparks, a grill blown over, children, pets, a bowl rusted through.**
- **The daemon's machine on fire or under water.** The watchdog restarts a dead process; it cannot mend a board.
- **Alarms that reach nobody**: a flat phone, no network. The unattended limit exists for that.

## The last line outside the process

systemd's watchdog ends a daemon that stops completing control steps, and `ExecStopPost` then calls
`coalminder snuff`, which needs nothing but the vent part of the configuration. Both are independent of
the control code, not of the board, its supply and the servos. So add something mechanical: a damper that a
spring or a weight shuts when the servo has no power, or a bimetal or fusible link on the lower vent, and a
lid that sits tight. Try it cold: pull the plug and look that the vents fall shut.
"""


def _delay(fault: Fault, limits: Limits) -> str:
    within_s = fault.detected_within_s(limits)
    text = f"{within_s:g} s" if within_s < 120 else f"{within_s / 60:.3g} min"
    return "at once" if within_s == 0 else text


def _suppressed(fault: Fault) -> str:
    return ", ".join(phase.value for phase in Phase if phase in fault.suppressed_in) or "–"


def _states(table: Table) -> list[str]:
    signals = list(next(iter(table.values())))
    lines = ["| state | " + " | ".join(signal.value for signal in signals) + " |"]
    lines.append("|" + "---|" * (len(signals) + 1))
    for state, row in table.items():
        cells = ("–" if row[signal] is state else row[signal].value for signal in signals)
        lines.append(f"| {state.value} | " + " | ".join(cells) + " |")
    return lines


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, (int, float)) else ("none" if value == () else str(value))


def _lasts(fault: Fault) -> str:
    return "yes" if fault.latched else "wary" if fault.until_acknowledged else "no"


def markdown() -> str:
    """The whole page."""
    limits = Limits()
    lines = [_HEAD, "## The faults", ""]
    lines += [
        "`within`: longest time from the beginning of the fault to its alarm (delay plus the time the condition",
        "itself needs). `latched`: stays until a person resets it; `wary`: when it is gone the vents open no further",
        "than usually holds (`hold_opening` in `[loop]`) until a person has acknowledged it or lit the next fire; it cannot be",
        "shelved.",
        "",
        "| code | condition | within | action | latched | priority | suppressed in |",
        "|---|---|---|---|---|---|---|",
    ]
    for fault in FAULTS:
        told = " ".join((fault.condition.__doc__ or "").split())
        lines.append(
            f"| `{fault.code}` | {told} | {_delay(fault, limits)} | {fault.action.value.replace('_', ' ')} "
            f"| {_lasts(fault)} | {fault.priority} | {_suppressed(fault)} |"
        )
    lines += ["", "### What the person is told", "", "| code | message | remedy |", "|---|---|---|"]
    lines += [f"| `{fault.code}` | {fault.message}. | {fault.remedy}. |" for fault in FAULTS]
    lines += ["", "## The limits", "", "Those in the section `[safety]` of the configuration can be set.", ""]
    lines += ["| limit | value | meaning | source |", "|---|---|---|---|"]
    lines += [
        f"| `{name}` | {_shown(value)} | {meaning} | {source} |"
        for name, value, meaning, source in describe()
    ]
    cut = [fault.code for fault in FAULTS if fault.cuts_off]
    lines += [
        "",
        "## The life of an alarm",
        "",
        "States and terms are those of ISA-18.2 (2016) / IEC 62682 (from memory). A deadband and an off-delay keep",
        "an alarm from chattering (three times a minute or more); an on-delay keeps what lasts a moment from raising "
        "one.",
        "The first alarm that acts on the vents while no other does is marked as the first-out: look there for the "
        "cause.",
        f"More than {limits.flood_start} new alarms in {limits.flood_window_s / 60:g} minutes are a flood: until it "
        "ends, alarms of low priority that",
        "act on nothing are held back. While a condition cannot be judged (a temperature without its probe), its "
        "alarm stays as it is.",
        "",
        "In the two tables a row is the state that an alarm is in, and a column is what happens to it:",
        "",
        "- `raise`: its condition has held for the on-delay; `join`: it holds for one more thing, such as a second "
        "food;",
        "  `clear`: it has been gone for the off-delay;",
        "- `acknowledge`, `reset`, `shelve`, `remove` (take out of service): a person asks for it;",
        "- `suppress`: the phase makes the alarm meaningless, or a flood holds it back;",
        "- `back_active`, `back_clear`: it is no longer shelved, suppressed or out of service, and its condition "
        "holds, or is gone.",
        "",
        "Alarms that do not latch ('–': the alarm stays as it is):",
        "",
        *_states(UNLATCHED),
        "",
        "Alarms that latch ("
        + ", ".join(f"`{code}`" for code in cut)
        + "). They cannot be shelved, suppressed",
        "or taken out of service, and a reset is refused, with the reason, while the cause of any of them is there",
        "or cannot be told:",
        "",
        *_states(LATCHED),
        "",
        "## After a restart",
        "",
        "The daemon takes up the cook from its journal: phase, set point, alarms, latched faults, and what the",
        "conditions remember. It says how long it was blind. A latched fault is still latched, a fire that",
        "was put out stays out, and no vent opens. That holds even when the disk was full or read-only as the fault "
        "came,",
        "but not after a power cut with a read-only disk.",
        "Trends start afresh; times (unattended, food between 5 and 57 °C) go on through the gap.",
        "",
        _NOT_COVERED,
    ]
    return "\n".join(lines).rstrip() + "\n"
