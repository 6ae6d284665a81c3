"""The real service on a simulated grill: same Tender, journal, link; only grill and clock are not real."""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from coalminder.core import Config, initial
from coalminder.errors import UserError
from coalminder.events import Event
from coalminder.grill.scenario import Disturbance
from coalminder.messages.options import LinkOptions
from coalminder.rehearse.fast import Run, attended
from coalminder.rehearse.hardware import SimulatedHardware
from coalminder.rehearse.summary import Trace
from coalminder.seams import Grill
from coalminder.service.assemble import Desk
from coalminder.service.clock import PacedClock
from coalminder.service.notify import Notifier
from coalminder.service.tender import Tender
from coalminder.values import Decision, Inputs, Reading
from coalminder.vents.by_hand import ending

_CONNECT_S = 5.0  # the broker is given this long before the clock starts to run fast

Show = Callable[[float, Decision, float | None], None]


class Cook:
    """The person of a rehearsal: what `attended` says, at the step after it is due."""

    def __init__(self, duration_s: float, script: Sequence[Disturbance]) -> None:
        asked = attended(duration_s, script)
        self._waiting = [(second, events) for second, events in sorted(asked.items())]

    def asks(self, now_s: float) -> tuple[Event, ...]:
        """What the cook asks for in this step."""
        asked: tuple[Event, ...] = ()
        while self._waiting and self._waiting[0][0] <= now_s:
            asked += self._waiting.pop(0)[1]
        return asked


async def run_live(
    grill: Grill,
    config: Config,
    script: Sequence[Disturbance],
    duration_s: float,
    *,
    speed: float,
    broker: LinkOptions,
    directory: Path,
    show: Show,
    must_connect: bool = False,
) -> Run:
    """Tend `grill` for `duration_s` of simulated time at `speed` with real sockets and a real record.

    must_connect: a broker that cannot be reached is a UserError; a real cook goes on without one.
    Ended by SIGTERM, or with its terminal, it takes itself out of hubs like one that is over.
    """
    hardware = SimulatedHardware(grill, script)
    trace = Trace()
    cook = Cook(duration_s, script)
    state = initial(config)
    with Desk(
        state, directory=directory, options=broker, settings={"rehearsal": True}, utc_s=time.time()
    ) as desk:
        desk.start()
        if not await _connected(desk) and must_connect:
            trouble = desk.link.trouble if desk.link is not None else ""
            raise UserError(
                f"--broker {broker.host}:{broker.port}: no connection within {_CONNECT_S:g} s ({trouble}); "
                "see that it runs and takes this name and password, or leave --broker out for one of its own"
            )
        clock = PacedClock(speed, time.time())
        began = time.monotonic()

        def listen(now_s: float, inputs: Inputs, decision: Decision) -> None:
            pit = inputs.pit.temp_c if isinstance(inputs.pit, Reading) else float("nan")
            core = next((s.temp_c for _, s in inputs.foods if isinstance(s, Reading)), None)
            trace.add(
                now_s,
                pit,
                core if core is not None else float("nan"),
                decision,
                hardware.lower,
                hardware.upper,
                hardware.lid_open,
            )
            show(now_s, decision, core)
            if now_s >= duration_s - 1.0:
                tender.stop()

        tender = Tender(
            state,
            hardware,
            clock,
            recorder=desk.recorder,
            messenger=desk.messenger,
            watch=desk.watch,
            notifier=Notifier(""),
            local_events=cook.asks,
            listeners=(listen,),
        )
        ended: list[int] = []

        def end(number: int) -> None:
            ended.append(number)
            tender.stop()

        for number in set(ending()) - {signal.SIGINT}:  # that one asyncio hears
            asyncio.get_running_loop().add_signal_handler(number, end, number)
        try:
            await tender.run()
        finally:
            desk.take_back()
        if ended:
            raise SystemExit(128 + ended[0])
        return Run(trace, time.monotonic() - began)


async def _connected(desk: Desk) -> bool:
    for _ in range(int(_CONNECT_S / 0.02)):
        if desk.link is None or desk.link.connected:
            return True
        await asyncio.sleep(0.02)
    return False
