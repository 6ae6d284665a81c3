"""What the page shows, as one JSON document: words and figures are made here. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from coalminder.core.advice import TEXTS as ADVICE
from coalminder.food.agenda import AT_THE_FIRE
from coalminder.messages.commands import DEFAULT_LIMITS
from coalminder.messages.food_part import FoodPart
from coalminder.messages.payloads import FoodTemperature, StateMessage
from coalminder.page import alarms
from coalminder.page.board import Board
from coalminder.page.spans import DAY_MIN, span
from coalminder.page.words import (
    AWAY,
    FIRST,
    NEXT,
    NEXT_ALARMED,
    PHASES,
    PROBE_FAULTS,
    STANDS,
    Ask,
    asks,
    on_the_phone,
    plain,
)
from coalminder.safety.view import FIRE_PHASES
from coalminder.units import METRIC, Units
from coalminder.values import NO_FIRE, Phase

Trust = Literal["live", "old", "offline", "no_broker", "nothing"]
FOOD_OLD_S = 300.0  # while it cooks the daemon tells of the food at least once in a minute
CLOCK_APART_S = 5.0
TELL_OFF = frozenset({"food_done", "measure"})  # reminders that say what the step `off` says
NEAR_C = 0.005  # a limit told in whole degrees and sent back is that limit
# So near what was asked for the pit is held; kept warm at 65 °C a core is over 57 °C (settings/tending.py).
HELD_C = 4.0
NEAR_MASS = 1e-6  # of a thousandth: 0.1 + 0.2 is 0.3


@dataclass(frozen=True, slots=True)
class Link:
    """How the page stands with the broker; trouble: why there is no connection."""

    connected: bool
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Shown:
    """How to show it, and what may be asked: set points in °C, wood and charcoal at a time in kg."""

    units: Units = METRIC
    old_after_s: float = 15.0
    set_point_min_c: float = DEFAULT_LIMITS.set_point_min_c
    set_point_max_c: float = DEFAULT_LIMITS.set_point_max_c
    wood_max_kg: float = DEFAULT_LIMITS.wood_max_kg
    charcoal_max_kg: float = DEFAULT_LIMITS.charcoal_max_kg

    def limits(self) -> tuple[int, int]:
        """Least and most set point in whole degrees of the page, both inside the limits."""
        least, most = (self.units.shown(c) for c in (self.set_point_min_c, self.set_point_max_c))
        return math.ceil(least - NEAR_C), math.floor(most + NEAR_C)

    def celsius(self, shown: float) -> float:
        """From the page's unit to °C; what was meant for a limit is the limit, to the bit."""
        temp_c = self.units.celsius(shown)
        for limit_c in (self.set_point_min_c, self.set_point_max_c):
            if abs(temp_c - limit_c) < NEAR_C:
                return limit_c
        return temp_c

    def kilograms(self, shown: float) -> float:
        """From the page's unit to kg, down to 0.1 g: what was offered is never more than the daemon takes.

        Raises OverflowError and ValueError for what is no finite number.
        """
        return math.floor(shown * self.units.mass_kg * 1e4 + NEAR_MASS) / 1e4


def view(board: Board, link: Link, shown: Shown, utc_s: float, mono_s: float) -> dict[str, Any]:
    """The document for the browser. `utc_s`: wall clock, `mono_s`: the clock of `Board.take`."""
    document: dict[str, Any] = _in_words(_document(board, link, shown, utc_s, mono_s), shown.units)
    return document


def _in_words(part: Any, unit: Units) -> Any:
    """The same with every sentence in the page's units, whoever wrote it."""
    if isinstance(part, str):
        return unit.words(part)
    if isinstance(part, dict):
        return {name: _in_words(value, unit) for name, value in part.items()}
    return [_in_words(value, unit) for value in part] if isinstance(part, list) else part


def _document(board: Board, link: Link, shown: Shown, utc_s: float, mono_s: float) -> dict[str, Any]:
    state, unit = board.state, shown.units
    age_s = board.age_s(utc_s, mono_s)
    trust = _trust(board, link, shown, age_s, utc_s, mono_s)
    out: dict[str, Any] = {
        "grill": board.topics.grill,
        "clock_s": round(mono_s, 2),
        "trust": trust,
        "alarms": alarms.rows(board, mono_s),
        "unit": {"temp": unit.temp, "scale": unit.scale, "offset": unit.offset, "mass": unit.mass},
    }
    if state is None:
        return out | {"phase": None}
    food = board.food if _fresh_food(board, mono_s) else None
    pit = _pit(state, unit)
    offered = asks(
        state.phase,
        lid_off=state.lid_off,
        food_stage=board.food.stage if board.food else "",
        before_out=board.food is not None and board.food.before_out,
    )
    out |= {
        "phase": _phase(state, unit, pit["shape"]),
        "pit": pit,
        "temps": _temps(state, food, unit),
        "vents": _vents(state),
        "fuel": _fuel(state),
        "finish": _finish(state, food, board.food is not None),
        "next": [
            item | {"text": on_the_phone(item["text"], offered)}
            for item in _next(state, food, "" if trust["kind"] == "live" else trust["text"], _alarmed(board))
        ],
        "band": {
            "low": unit.shown(state.band.low_c),
            "high": unit.shown(state.band.high_c),
            "ceiling": unit.shown(state.band.ceiling_c),
        },
        "set_point": {
            "now": round(unit.shown(state.set_point_c), 1),
            "least": shown.limits()[0],
            "most": shown.limits()[1],
        },
        "asks": [
            {
                "kind": ask.kind,
                "label": ask.label,
                "fields": dict(ask.fields),
                "confirm": ask.confirm,
                "option": ask.option,
                "amount": _amount(ask, shown),
            }
            for ask in offered
        ],
        "machine": [plain(name) for name in state.machine],
    }
    return out


def _trust(
    board: Board, link: Link, shown: Shown, age_s: float | None, utc_s: float, mono_s: float
) -> dict[str, Any]:
    kind: Trust
    notes = []
    if not link.connected:
        kind, text = "no_broker", "The broker is away: alarms reach nobody. Go to the grill."
        notes.append(f"The broker: {link.trouble or 'not reached'}.")
    elif board.availability == "offline":
        kind, text = "offline", "The daemon is offline: nobody tends the fire. Go and look."
    elif board.state is None or age_s is None:
        kind, text = "nothing", f"No daemon of a grill named '{board.topics.grill}' has been heard yet."
    elif age_s > shown.old_after_s:
        kind, text = "old", "The daemon has gone silent. Go and look."
        if not board.retained and mono_s - (board.heard_s or 0.0) <= shown.old_after_s:
            text = "What comes is old: the grill's clock is behind, or words wait on their way. Go and look."
    else:
        kind, text = "live", ""
    if board.state is not None:
        ahead_s = board.state.utc.timestamp() - utc_s
        if ahead_s > CLOCK_APART_S + (0.0 if age_s is None else age_s):
            notes.append(f"The grill's clock is {span(ahead_s / 60)} ahead of the page's.")
    if board.unread:
        notes.append("Some messages could not be read: is the daemon of another version?")
    return {
        "kind": kind,
        "text": text,
        "age_s": None if age_s is None else round(age_s, 1),
        "old_after_s": shown.old_after_s,
        "notes": notes,
    }


def _phase(state: StateMessage, unit: Units, pit_shape: str) -> dict[str, str]:
    word, text = PHASES.get(state.phase, (plain(state.phase), ""))
    if state.phase in AWAY and pit_shape != "inside":
        text = AWAY[state.phase].get(pit_shape, "")
    return {
        "code": state.phase,
        "word": word,
        "text": text.format(set_point=unit.text(state.set_point_c)),
    }


def _pit(state: StateMessage, unit: Units) -> dict[str, Any]:
    """The pit in a figure, and its place in the band in words and a shape.

    Kept warm, or held outside the band, its place is told by what was asked for.
    """
    band, pit, asked_c = state.band, state.pit_c, state.set_point_c
    asked, easing = f"{unit.text(asked_c)} asked for", state.phase == Phase.EASING
    between = f"{unit.limit(band.low_c)} to {unit.limit(band.high_c)}\N{NO-BREAK SPACE}{unit.temp}"
    if pit is None:
        return {"figure": None, "shape": "none", "text": "No pit temperature: no probe can be trusted."}
    if pit > band.ceiling_c:
        shape, text = "over", f"over the ceiling of {unit.limit(band.ceiling_c)}\N{NO-BREAK SPACE}{unit.temp}"
    elif state.phase in FIRE_PHASES and (easing or not band.low_c <= asked_c <= band.high_c):
        away_c = pit - asked_c
        shape = "inside" if abs(away_c) <= HELD_C else "over" if away_c > 0.0 else "under"
        text = f"{'at' if shape == 'inside' else shape} the {asked}"
    elif pit > band.high_c:
        shape, text = "over", f"over the band ({between})"
    elif pit < band.low_c:
        shape, text = "under", f"under the band ({between})"
    else:
        shape, text = "inside", f"in the band ({between})"
    doubt = "" if state.probe_ok else ". The last reading was not used"
    return {"figure": round(unit.shown(pit), 1), "shape": shape, "text": text + doubt}


def _temps(state: StateMessage, food: FoodPart | None, unit: Units) -> list[dict[str, str]]:
    rows = [_food_row(item, unit) for item in state.foods]
    if food is not None and food.core_c is not None and not food.core_measured:
        low, high = food.core_low_c, food.core_high_c
        text = unit.text(food.core_c)
        if low is not None and high is not None:
            text = f"{unit.shown(low):.0f} to {unit.text(high)}"
        rows.append({"name": "Core, estimated", "text": text, "note": "9 times in 10"})
    for name, value in (
        ("Dome", state.dome_c),
        ("Second pit probe", state.pit_2_c),
        ("Air", state.ambient_c),
    ):
        if value is not None:
            rows.append({"name": name, "text": unit.text(value, 1), "note": ""})
    return rows


def _food_row(item: FoodTemperature, unit: Units) -> dict[str, str]:
    name = "Food" if item.name == "food" else f"Food: {item.name}"
    if item.temp_c is not None:
        return {"name": name, "text": unit.text(item.temp_c, 1), "note": ""}
    fault = item.fault or ""
    return {"name": name, "text": "not known", "note": PROBE_FAULTS.get(fault, plain(fault))}


def _vents(state: StateMessage) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "frac": frac,
            "text": "shut" if frac < 0.0005 else f"{100 * frac:.{1 if frac < 0.0995 else 0}f} % open",
        }
        for name, frac in (("Lower vent", state.lower_frac), ("Upper vent", state.upper_frac))
    ]


def _fuel(state: StateMessage) -> str:
    fire = state.fire
    if fire.fuel_left_min is None:
        return "not known"
    low, high = fire.fuel_left_low_min, fire.fuel_left_high_min
    text = span(fire.fuel_left_min)
    if fire.fuel_left_min <= DAY_MIN:
        text = f"about {text}"
    if low is not None and high is not None and low <= DAY_MIN:
        text += f"; 9 times in 10: {span(low)} " + (f"to {span(high)}" if high <= DAY_MIN else "or more")
    return text


def _finish(state: StateMessage, food: FoodPart | None, followed: bool) -> dict[str, Any] | None:
    """When the food is done; None when no food is followed. Times as UTC: the phone knows its zone."""
    if food is None:
        return {"text": "not known: the estimate is old"} if followed else None
    if food.done:
        return {"text": "done", "note": on_the_phone(food.reason, ())}
    if food.finish_min is None:
        return {"text": "not known" if food.stage == "cooking" else "not cooking", "note": food.finish_note}
    now_s = state.utc.timestamp()
    unseen = food.finish_min < 0.5 and not food.core_measured
    out: dict[str, Any] = {
        "text": "perhaps now: measure" if unseen else f"in about {span(max(food.finish_min, 1.0))}",
        "note": food.finish_note,
    }
    if not unseen:
        out["at_s"] = now_s + 60 * food.finish_min
    if food.finish_low_min is not None:
        out["low_s"] = now_s + 60 * food.finish_low_min
    if food.finish_high_min is not None:
        out["high_s"] = now_s + 60 * food.finish_high_min
    return out


def _alarmed(board: Board) -> bool:
    return bool(board.bare) or any(alarm.state in STANDS for alarm in board.alarms.values())


def _next(state: StateMessage, food: FoodPart | None, lost: str, alarmed: bool) -> list[dict[str, str]]:
    """What to do next, the most pressing first. level: alarm, warn or note. lost: what to do if it is old.

    alarmed: an alarm stands above.
    """
    items: list[dict[str, str]] = []
    if food is not None:
        items += [
            {"level": r.level if r.level in ("alarm", "warn") else "note", "text": r.text}
            for r in food.reminders
            if _fits(r.code.removeprefix("step_"), state, food)
        ]
        items.sort(key=lambda item: ("alarm", "warn", "note").index(item["level"]))
    items += [{"level": "note", "text": ADVICE.get(code, plain(code))} for code in state.advice]
    if food is not None and food.next_step is not None and _fits(food.next_step.code, state, food):
        step = food.next_step
        due = ""
        unforeseen = step.code == "off" and food.stage == "cooking" and food.finish_min is None
        if food.next_due_s is not None and food.at_s is not None and not unforeseen:
            minutes = (food.next_due_s - food.at_s) / 60
            due = " (now)" if minutes <= 0.5 else f" (in {span(minutes)})"
        text = f"{step.title}{due}" + (f": {step.text}" if step.text else "")
        said = any(step.text and step.text in item["text"] for item in items)
        if not said and not (step.code == "off" and any(r.code in TELL_OFF for r in food.reminders)):
            items.append({"level": "note", "text": text})
    if state.phase in FIRST or (not items and not lost and state.phase in NEXT):
        words = NEXT | NEXT_ALARMED if alarmed else NEXT
        items.insert(0, {"level": "note", "text": words[state.phase]})
    if lost:
        items.insert(0, {"level": "alarm", "text": lost})
    return items[:12]


def _fits(step: str, state: StateMessage, food: FoodPart) -> bool:
    """Whether a step of the plan can be done now: what needs a fire is told over one.

    Only a plan that still waits may ask for a fire.
    """
    if step == "light" and state.phase in NO_FIRE:
        return food.stage == "waiting"
    return step not in AT_THE_FIRE or state.phase in FIRE_PHASES


def _fresh_food(board: Board, mono_s: float) -> bool:
    return board.food_heard_s is not None and mono_s - board.food_heard_s <= FOOD_OLD_S


def _amount(ask: Ask, shown: Shown) -> dict[str, Any] | None:
    """The mass that goes with a command. Its ends and the usual mass are such as the daemon takes."""
    if ask.amount is None:
        return None
    label, *usual = ask.amount
    unit, most_kg = shown.units, shown.wood_max_kg if ask.kind == "wood" else shown.charcoal_max_kg
    most = math.floor(most_kg / unit.mass_kg * 1000.0 + NEAR_MASS) / 1000.0
    least, default = (min(round(value / unit.mass_kg, 3), most) for value in usual)
    in_small = f"{1000 * default:.0f} g" if unit.mass == "kg" else f"{16 * default:.1f} oz"
    return {
        "label": f"{label}, {unit.mass}",
        "least": least,
        "most": most,
        "default": default,
        "range": f"{least:g} to {most:g} {unit.mass} ({in_small} is {default:g})",
    }
