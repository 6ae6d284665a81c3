"""How long food has been warm, against the published limits.

Owns: the account of warm time and the clocks made from it. Must not know: fire, plans. Limits are never
interpolated between their rows, as the guidance asks; a figure from memory is the shorter of what is known.
"""

from __future__ import annotations

from dataclasses import dataclass

HOUR_S = 3600.0

COLD_C = 5.0
"""Cold holding, Food Code 3-501.16 [fc-holding, from memory; 41 °F read in 3-501.14]."""
HOT_C = 57.0
"""Hot holding (135 °F), same."""
WARM_C = 21.1
GROWTH_C = 10.0
HISTAMINE_C = 4.4
COOKED_C = 54.4
"""130 °F: the come-up clock of the FSIS guideline ends [fsis-comeup, read]."""

RAW_WARM_S = 2 * HOUR_S
RAW_COOL_S = 5 * HOUR_S
COME_UP_S = 6 * HOUR_S
STANDING_S = 1 * HOUR_S
OUT_S = 2 * HOUR_S
OUT_HOT_S = 1 * HOUR_S
HOT_DAY_C = 32.2
"""Out of the refrigerator, where nothing tells how warm it is; and in air over 32.2 °C (90 °F) [usda-2h]."""
COOL_1_S = 2 * HOUR_S
COOL_2_S = 6 * HOUR_S
COOLED_TO_C = {"cool_21": 21.0, "cool_5": COLD_C}
"""Where the stages of the cooling rule end."""
SCOMBROID_S = {(False, True): 4 * HOUR_S, (False, False): 8 * HOUR_S, (True, True): 12 * HOUR_S,
               (True, False): 24 * HOUR_S}  # fmt: skip
"""(once frozen, ever above 21 °C) -> longest time above 4.4 °C in all [fda-7, from memory]."""

SOON_FRAC = 0.75
REMINDERS = frozenset({"standing"})
"""The hour on the table asks to eat or to chill; only the cooling rule after it says to throw away."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Seconds spent warm so far: above 4.4 °C, and between 10 and 57 °C; and whether ever above 21.1 °C."""

    above_4_s: float = 0.0
    growth_s: float = 0.0
    ever_warm: bool = False


NO_EXPOSURE = Exposure()


def add_time(exposure: Exposure, temp_c: float, dt_s: float) -> Exposure:
    """`dt_s` (>= 0) more at `temp_c`. Hot food (57 °C or more) adds nothing."""
    if dt_s <= 0.0 or not HISTAMINE_C < temp_c < HOT_C:
        return exposure
    return Exposure(
        above_4_s=exposure.above_4_s + dt_s,
        growth_s=exposure.growth_s + (dt_s if temp_c > GROWTH_C else 0.0),
        ever_warm=exposure.ever_warm or temp_c > WARM_C,
    )


@dataclass(frozen=True, slots=True)
class Clock:
    """One running limit. `source` is a key of sources.SOURCES; state: ok, soon (from 75 %) or over.

    measured: readings say so. A clock that runs by an estimate alone is never more than `soon`: it asks to
    measure.
    """

    code: str
    used_s: float
    limit_s: float
    source: str
    text: str
    measured: bool = True

    @property
    def left_s(self) -> float:
        """Seconds to the limit, negative when over it."""
        return self.limit_s - self.used_s

    @property
    def state(self) -> str:
        """`ok`, `soon` or `over`."""
        if self.measured and self.used_s > self.limit_s:
            return "over"
        return "soon" if self.used_s >= SOON_FRAC * self.limit_s else "ok"

    @property
    def level(self) -> str:
        """How it is told: "" while it is ok, `warn`, or `alarm` when it is over; a reminder is no more."""
        if self.state == "over" and self.code not in REMINDERS:
            return "alarm"
        return "" if self.state == "ok" else "warn"


def raw_clock(exposure: Exposure) -> Clock:
    """Raw food before the cook: 2 h between 10 and 57 °C once it was above 21 °C, else 5 h."""
    if exposure.ever_warm:
        return Clock(
            "raw_warm", exposure.growth_s, RAW_WARM_S, "a2-raw", "raw food warm (2 h once above 21 °C)"
        )
    return Clock("raw_warm", exposure.growth_s, RAW_COOL_S, "a2-raw-cool", "raw food above 10 °C")


def scombroid_clock(exposure: Exposure, frozen_before: bool = False) -> Clock:
    """Histamine-forming species: all time above 4.4 °C until it is cooked; heat does not undo what formed."""
    limit = SCOMBROID_S[frozen_before, exposure.ever_warm]
    return Clock(
        "histamine", exposure.above_4_s, limit, "fda-7", "histamine: time above 4.4 °C, all together"
    )


def come_up_clock(since_loading_s: float) -> Clock:
    """From loading until the core passes 54.4 °C."""
    return Clock(
        "come_up", since_loading_s, COME_UP_S, "fsis-comeup", "core to 54.4 °C within 6 h of loading"
    )


def reach_clock(since_loading_s: float, core_c: float) -> Clock:
    """From loading until the core is at the home rule's temperature."""
    return Clock(
        "reach", since_loading_s, COME_UP_S, "home-71", f"core to {core_c:.0f} °C within 6 h of loading"
    )


def cooling_clocks(since_57_s: float, core_c: float) -> tuple[Clock, ...]:
    """The two-stage cooling rule since the core fell below 57 °C; stages already met are left out."""
    clocks = []
    if core_c > COOLED_TO_C["cool_21"]:
        clocks.append(Clock("cool_21", since_57_s, COOL_1_S, "fc-cooling", "57 to 21 °C within 2 h"))
    if core_c > COOLED_TO_C["cool_5"]:
        clocks.append(Clock("cool_5", since_57_s, COOL_2_S, "fc-cooling", "57 to 5 °C within 6 h"))
    return tuple(clocks)


def standing_clock(exposure_after: Exposure) -> Clock:
    """Cooked food outside cold and heat."""
    return Clock(
        "standing", exposure_after.growth_s, STANDING_S, "a2-cooked", "cooked food between 10 and 57 °C"
    )


def kept_clock(since_57_s: float) -> Clock:
    """Cooked food that is kept on the grill below hot holding: it would have to be at 21 °C by then."""
    return Clock("kept", since_57_s, COOL_1_S, "fc-cooling", "cooked food below 57 °C on the grill")


def batch_out_clock(since_off_s: float, hot_day: bool = False) -> Clock:
    """Cooked food that came off and was not reported chilled, and which no probe follows any more."""
    limit_s = OUT_HOT_S if hot_day else OUT_S
    return Clock("batch_before", since_off_s, limit_s, "usda-2h", "the batch before, since it came off")
