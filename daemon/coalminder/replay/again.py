"""A recorded cook through today's core, bit for bit; where and why it parts from the record."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

from coalminder.codec import CodecError, from_plain
from coalminder.core import Config, State, step
from coalminder.journal import Header, Record, Step

_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Difference:
    """One field in which today's decision is not the recorded one."""

    n: int
    now_s: float
    field: str
    recorded: object
    now: object


@dataclass(frozen=True, slots=True)
class Again:
    """How the replay went. same: every decision is equal. differences: of the first step that parts, and
    whether later ones do; parted_steps: how many parted. gaps: steps that the record lacks.
    reasons: why the parts may differ (version, settings), from the header.
    """

    steps: int
    parted_steps: int
    differences: tuple[Difference, ...]
    gaps: int
    skipped: int
    reasons: tuple[str, ...]
    damage: str

    @property
    def same(self) -> bool:
        """Every decision equals the recorded one."""
        return self.parted_steps == 0 and self.skipped == 0


def replay(
    record: Record,
    version: str,
    change: Callable[[Config], Config] | None = None,
    recorded: Iterable[Step] | None = None,
) -> Again:
    """Run every recorded step through the core.

    change: other settings, applied to the recorded ones. recorded: the record's steps, where they were read
    before. Steps after a gap go on from the state that the record kept there; steps that have none are
    skipped and counted.
    """
    steps = parted = gaps = skipped = 0
    first: list[Difference] = []
    state: State | None = None
    for item, begins, gap in _stretches(record, record.steps() if recorded is None else recorded):
        gaps += gap
        if begins:
            state = _state_before(record, item.n)
            if state is not None and change is not None:
                state = replace(state, config=change(state.config))
        if state is None:
            skipped += 1
            continue
        steps += 1
        try:
            state, decision = step(state, item.inputs, item.now_s)
        except ValueError as error:
            parted += 1
            first.append(Difference(item.n, item.now_s, "step", "a decision", str(error)))
            state = None
            continue
        if decision != item.decision:
            parted += 1
            if len(first) < _SHOWN:
                first += list(differences(item, decision))[: _SHOWN - len(first)]
    reasons = _reasons(record.headers, version, change)
    if record.damage:
        reasons = (*reasons, "the record is damaged")
    return Again(steps, parted, tuple(first), gaps, skipped, reasons, record.damage)


def begun(record: Record, steps: Iterable[Step]) -> dict[int, State]:
    """Recorded states before the first step of each run, and of what follows each gap, by its number."""
    first = (item.n for item, begins, _ in _stretches(record, steps) if begins)
    return {n: state for n in first if (state := _state_before(record, n)) is not None}


def differences(item: Step, decision: object) -> Iterable[Difference]:
    """The fields that differ, nested ones by their path."""
    for path, old, new in _walk("", item.decision, decision):
        yield Difference(item.n, item.now_s, path, old, new)


def _walk(path: str, old: Any, new: Any) -> Iterable[tuple[str, Any, Any]]:
    if old == new:
        return
    if type(old) is type(new) and dataclasses.is_dataclass(old):
        for field in dataclasses.fields(old):
            name = f"{path}.{field.name}" if path else field.name
            yield from _walk(name, getattr(old, field.name), getattr(new, field.name))
        return
    if isinstance(old, tuple) and isinstance(new, tuple) and len(old) == len(new):
        for i, (a, b) in enumerate(zip(old, new, strict=True)):
            yield from _walk(f"{path}[{i}]", a, b)
        return
    yield path, old, new


def _stretches(record: Record, steps: Iterable[Step]) -> Iterator[tuple[Step, bool, bool]]:
    """Each step, whether a state on record has to begin with it, and whether steps are missing before it."""
    runs = {header.first_n for header in record.headers}
    expected = None
    for item in steps:
        gap = expected is not None and item.n != expected
        yield item, expected is None or gap or item.n in runs, gap
        expected = item.n + 1


def _state_before(record: Record, n: int) -> State | None:
    plain = record.state_before(n)
    if plain is None:
        return None
    try:
        state: State = from_plain(State, plain)
    except CodecError:
        return None
    return state


def _reasons(
    headers: tuple[Header, ...], version: str, change: Callable[[Config], Config] | None
) -> tuple[str, ...]:
    reasons = [
        f"recorded by version {v}, this is {version}"
        for v in sorted({header.version for header in headers if header.version != version})
    ]
    if change is not None:
        reasons.append("other settings were asked for")
    return tuple(reasons)
