"""No payload crashes the daemon, and none that is invalid changes anything.

The short form runs here. The long form, 100 000 payloads each through `judge` and over a real broker:

    python tests/messages/test_command_fuzz.py 100000
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest
from brokers import Mosquitto, Watcher, wait_for
from hypothesis import given, settings
from hypothesis import strategies as st

from coalminder.messages.commands import DEFAULT_LIMITS, Accepted, Memory, Received, Refusal, judge
from coalminder.messages.link import Link
from coalminder.messages.options import LinkOptions
from coalminder.messages.payloads import COMMANDS
from coalminder.messages.topics import Topics
from coalminder.values import HEALTHY, Decision, Phase

NOW_S = 1_700_000_000.0
TOPICS = Topics("kettle")
KINDS = sorted(COMMANDS)

json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
times = st.sampled_from(
    ["2023-11-14T22:13:19Z", "2023-11-14T22:13:19+00:00", "1700000000", 1_700_000_000, ""]
)
near_misses = st.fixed_dictionaries(
    {},
    optional={
        "id": st.text(max_size=70) | json_values,
        "issued_utc": times | json_values,
        "version": st.sampled_from([1, 1.0, "1", 2, True]),
        "client": st.text(max_size=70) | json_values,
        "temp_c": st.floats() | st.integers() | json_values,
        "mass_kg": st.floats() | json_values,
        "lid_open": st.booleans() | json_values,
        "code": st.text(max_size=40) | json_values,
        "for_s": st.floats() | json_values,
        "step": st.text(max_size=8) | json_values,
        "extra": json_values,
    },
).map(lambda value: json.dumps(value).encode())
payloads = st.binary(max_size=300) | json_values.map(lambda value: json.dumps(value).encode()) | near_misses


def check(kind: str, payload: bytes, retained: bool, memory: Memory) -> Memory:
    """One payload: the verdict is sound, and a refusal has left the memory as it was."""
    after, verdict = judge(
        memory, Received(TOPICS.command(kind), payload, NOW_S, retained), TOPICS, DEFAULT_LIMITS
    )
    if isinstance(verdict, Refusal):
        assert (after.recent, after.newest) == (memory.recent, memory.newest)
        assert verdict.reason
        assert "\n" not in verdict.reason
        assert kind != "snuff" or retained
        return memory
    assert isinstance(verdict, Accepted)
    assert not retained
    assert verdict.kind == kind
    if kind != "snuff":
        fields = json.loads(payload)  # nothing but a JSON object of the right fields may pass
        assert {"id", "issued_utc"} <= set(fields) <= {*COMMANDS[kind].model_fields}
        assert 55.0 <= float(fields.get("temp_c", 60.0)) <= 110.0
        assert 0.0 < float(fields.get("mass_kg", 1.0)) <= 4.0
    return Memory()  # each is judged afresh, or the flood limit would hide the rest


@given(kind=st.sampled_from(KINDS), payload=payloads, retained=st.booleans())
@settings(max_examples=500, deadline=None)
def test_no_payload_crashes_and_no_invalid_one_passes(kind: str, payload: bytes, retained: bool) -> None:
    check(kind, payload, retained, Memory())


def mutations(seed: int, count: int) -> list[tuple[str, bytes]]:
    """Valid commands with something broken: bytes flipped, cut, doubled, swapped with another kind's."""
    rng = random.Random(seed)
    issued = datetime.fromtimestamp(NOW_S - 1, UTC).isoformat()
    fields = {
        "temp_c": 95.0, "lid_open": True, "mass_kg": 0.1, "code": "fire_out", "step": "loaded", "for_s": 60,
        "lit": False,
    }  # fmt: skip
    made = []
    for number in range(count):
        kind = rng.choice(KINDS)
        own = {key: fields[key] for key in fields if key in COMMANDS[kind].model_fields}
        raw = bytearray(json.dumps({"id": f"m{number}", "issued_utc": issued, **own}).encode())
        for _ in range(rng.randint(1, 4)):
            at = rng.randrange(len(raw))
            what = rng.randrange(5)
            if what == 0:
                raw[at] = rng.randrange(256)
            elif what == 1:
                del raw[at : at + rng.randint(1, 20)]
            elif what == 2:
                raw[at:at] = raw[: rng.randint(1, 40)]
            elif what == 3:
                raw[at:at] = bytes(rng.randrange(256) for _ in range(rng.randint(1, 8)))
            else:
                kind = rng.choice(KINDS)
            if not raw:
                raw = bytearray(b"{")
        made.append((kind, bytes(raw)))
    return made


def test_broken_commands_do_not_crash_and_none_outside_the_limits_passes() -> None:
    for kind, payload in mutations(1, 3000):
        check(kind, payload, False, Memory())


def over_a_broker(broker: Mosquitto, count: int, seed: int) -> Counter[str]:
    """Send `count` invalid payloads through a broker; the daemon must refuse each and stay as it is."""
    rng = random.Random(seed)
    link = Link(LinkOptions(host=broker.host, port=broker.port))
    link.start()
    wait_for(lambda: link.connected)
    calm = Decision(Phase.TENDING, 93.0, 0.05, 0.3, pit_c=92.0)
    found: Counter[str] = Counter()
    kinds = [kind for kind in KINDS if kind != "snuff"]
    with Watcher(broker, link.topics.reply) as attacker:
        sent = kept = 0
        while sent < count:
            batch = min(200, count - sent)
            for _ in range(batch):
                payload = bytes(rng.randrange(256) for _ in range(rng.randint(0, 60)))
                attacker.client.publish(f"coalminder/kettle/command/{rng.choice(kinds)}", payload, qos=0)
            sent += batch
            deadline = time.monotonic() + 10
            while sum(found.values()) < sent and time.monotonic() < deadline:
                link.offer(calm, HEALTHY, float(sent), NOW_S + sent)
                found["events"] += len(link.take_events())
                found["refused"] = sum(not json.loads(m.payload)["accepted"] for m in attacker.messages)
                kept += len(link.take_records())
                time.sleep(0.002)
    assert 0 < kept < min(count, 200)  # a flood of refusals must not fill the disk
    assert link.connected
    link.stop()
    return found


@pytest.mark.broker
def test_junk_over_a_real_broker_is_refused_piece_by_piece(mosquitto: Mosquitto) -> None:
    assert over_a_broker(mosquitto, 1000, 2) == Counter(refused=1000)


def main(count: int) -> None:
    began = time.monotonic()
    verdicts: Counter[str] = Counter()
    for kind, payload in mutations(3, count):
        before = Memory()
        verdicts["accepted" if check(kind, payload, False, before) is not before else "refused"] += 1
    print(f"{count} broken commands: {dict(verdicts)}, {time.monotonic() - began:.1f} s")
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder))
        broker.start()
        found = over_a_broker(broker, count, 4)
        broker.kill()
    print(f"{count} pieces of junk over mosquitto: {dict(found)}, {time.monotonic() - began:.1f} s")
    assert found == Counter(refused=count)


if __name__ == "__main__":
    main(int(sys.argv[1]))
