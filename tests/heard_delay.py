"""Figures of replay/learned.py: the delay that the core hears while it tends, and the kettle's dead time.

Run: PYTHONPATH=tests python tests/heard_delay.py [DRAWN]

For the grills of other making and DRAWN kettles (default 12): one cook is tended and listened to; a second
copy is held at 93 °C and its draught stepped up by a tenth beside a twin that is not stepped, so that gusts
and noise cancel. A lag with dead time is fitted to the difference of the first 10 min by least squares.
"""

from __future__ import annotations

import copy
import math
import sys

import numpy as np
from foreign_grill import OTHER_MAKING, ForeignGrill
from replay_figures import grill, recorded

from coalminder.core import Config, pit
from coalminder.core.config import LoopConfig, SplitConfig
from coalminder.grill import Kettle
from coalminder.replay.fopdt import Fopdt, unit_response
from coalminder.replay.learned import end_of
from coalminder.vents.curve import DEFAULT_CURVE

LEAK = SplitConfig().leak_opening
STEP = 0.1
SETTLED_S, SEEN_S = 9000, 600


def turn(one: Kettle | ForeignGrill, v: float) -> None:
    """A second at draught exp(v), with the upper vent open."""
    opening = min(max(math.exp(v) * (1.0 + LEAK) - LEAK, 0.0), 1.0)
    one.advance(1.0, DEFAULT_CURVE.position(opening), 1.0)


def stepped(one: Kettle | ForeignGrill) -> Fopdt:
    """The model of `one` around 93 °C."""
    one = copy.deepcopy(one)
    v = math.log(0.07)
    for second in range(SETTLED_S):
        error_c = 93.0 - one.true_pit_c
        v += 2e-5 * error_c * (second > 1200)
        turn(one, v + 0.01 * error_c)
    twin, rise_c = copy.deepcopy(one), []
    for _ in range(SEEN_S):
        turn(one, v + STEP)
        turn(twin, v)
        rise_c.append((one.true_pit_c - twin.true_pit_c) / STEP)
    rise = np.array(rise_c)
    up = np.concatenate([[0.0], np.ones(SEEN_S)])
    best, model = math.inf, Fopdt(1.0, 1.0, 0.0)
    for tau_s in (150.0, 300.0, 600.0, 1100.0, 2000.0, 4000.0):
        for theta_s in np.arange(0.0, 200.0, 1.0):
            x = unit_response(up, 1.0, tau_s, float(theta_s))[1:]
            k = float(x @ rise / (x @ x))
            left = float(np.sum((rise - k * x) ** 2))
            if left < best:
                best, model = left, Fopdt(k, tau_s, float(theta_s))
    return model


def main() -> None:
    drawn = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    grills: dict[str, Kettle | ForeignGrill] = {
        f"drawn {k}": grill(k, 0, foreign=False) for k in range(drawn)
    }
    grills |= {f"foreign {k}": grill(k, 0, foreign=True) for k in range(6)}
    grills |= {name: ForeignGrill(**values) for name, values in OTHER_MAKING.items()}  # type: ignore[arg-type]
    print(f"{'grill':36} {'heard':>6} {'dead time':>9} {'share':>6}  slope, K/s per v")
    for name, one in grills.items():
        cook = recorded(copy.deepcopy(one), LoopConfig(), name)
        model = stepped(one)
        delay_s = end_of(cook).response.delay_s
        if delay_s is None:
            print(f"{name:36} {'-':>6} {model.theta_s:9.0f} {'':6}  {model.slope_per_s:.3f}", flush=True)
            continue
        delay_s -= pit.smooth_s(Config().pit, cook.noise_c)
        share = model.theta_s / delay_s
        print(
            f"{name:36} {delay_s:6.0f} {model.theta_s:9.0f} {share:6.2f}  {model.slope_per_s:.3f}", flush=True
        )


if __name__ == "__main__":
    main()
