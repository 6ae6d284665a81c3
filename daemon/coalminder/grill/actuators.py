"""Servo and vent plate: from a commanded position to an open area. Math only, so that it compiles too."""

from __future__ import annotations


def servo_move(
    position: float,
    command: float,
    seconds: float,
    strokes_per_s: float,
    backlash_frac: float,
    stiction_frac: float,
) -> float:
    """Where the plate stands after `seconds`, all positions 0..1.

    The plate follows the horn with a play of `backlash_frac` (whole width), at most `strokes_per_s`,
    and does not start for an error under `stiction_frac`.
    """
    command = min(1.0, max(0.0, command))
    play = 0.5 * backlash_frac
    target = position
    if command > position + play:
        target = command - play
    elif command < position - play:
        target = command + play
    if backlash_frac > 0.0 and (command <= 0.0 or command >= 1.0):
        target = command  # the stop takes the play out
    if abs(target - position) < stiction_frac and 0.0 < command < 1.0:
        return position
    reach = strokes_per_s * seconds
    return min(position + reach, max(position - reach, target))


def vent_area_frac(position: float, dead_frac: float, shape: float, ease: float) -> float:
    """Open share of a vent at a servo position 0..1.

    dead_frac: travel before the slots uncover. shape: exponent of the start (1 = slots, 1.5 = round
    holes under a round shutter). ease: flattening towards the end, 0..shape.
    """
    if position <= dead_frac:
        return 0.0
    travel: float = min(1.0, (position - dead_frac) / (1.0 - dead_frac))
    opened: float = travel**shape * (1.0 + ease - ease * travel)
    return opened
