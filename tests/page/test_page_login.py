"""Passwords, sessions and the limits on guessing."""

from __future__ import annotations

import pytest
from argon2 import extract_parameters
from argon2.low_level import Type

from coalminder.errors import UserError
from coalminder.page.login import (
    MAX_ADDRESSES,
    MAX_SESSIONS,
    Guesses,
    Rate,
    Sessions,
    check_hash,
    hash_password,
    password_fits,
)

PASSWORD = "alder and char"


@pytest.fixture(scope="module")
def hashed() -> str:
    return hash_password(PASSWORD)


def test_the_hash_is_argon2id_with_the_published_parameters(hashed: str) -> None:
    # RFC 9106, section 4, second recommended option: Argon2id, t=3, p=4, m=2^16 (64 MiB),
    # salt of 128 bits, tag of 256 bits
    parameters = extract_parameters(hashed)
    assert parameters.type is Type.ID
    assert (parameters.time_cost, parameters.parallelism, parameters.memory_cost) == (3, 4, 2**16)
    assert (parameters.salt_len, parameters.hash_len) == (16, 32)
    assert PASSWORD not in hashed
    assert hash_password(PASSWORD) != hashed, "every hash has a salt of its own"


def test_only_the_password_fits(hashed: str) -> None:
    assert password_fits(PASSWORD, hashed)
    for wrong in ("", PASSWORD + " ", PASSWORD.upper(), "x" * 10_000):
        assert not password_fits(wrong, hashed)


@pytest.mark.parametrize("password", ["", "seven77", "x" * 129], ids=["empty", "7 characters", "129"])
def test_passwords_of_bad_length_are_refused(password: str) -> None:
    with pytest.raises(UserError, match="8 to 128"):
        hash_password(password)


@pytest.mark.parametrize("text", ["", "secret", "$2b$12$abc", "$argon2id$broken"])
def test_what_is_no_hash_is_refused_with_the_way_to_make_one(text: str) -> None:
    with pytest.raises(UserError, match="--set-password"):
        check_hash(text)


def test_a_session_is_known_by_its_token_until_it_ends() -> None:
    sessions = Sessions(lasts_s=100.0)
    token, session = sessions.open(0.0)
    assert sessions.find(token, 99.0) is session
    assert sessions.find(token + "x", 99.0) is None
    assert sessions.find(None, 0.0) is None
    assert sessions.find(token, 100.0) is None
    assert not sessions.holds(session, 100.0)


def test_logging_out_ends_a_session_at_once() -> None:
    sessions = Sessions(100.0)
    token, session = sessions.open(0.0)
    sessions.close(session)
    assert sessions.find(token, 1.0) is None
    assert not sessions.holds(session, 1.0)


def test_tokens_are_not_kept_and_never_alike() -> None:
    sessions = Sessions(100.0)
    made = [sessions.open(0.0) for _ in range(MAX_SESSIONS + 5)]
    assert len({token for token, _ in made}) == len({s.csrf for _, s in made}) == len(made)
    assert all(token not in repr(sessions.__dict__) for token, _ in made)
    assert sum(sessions.find(token, 1.0) is not None for token, _ in made) == MAX_SESSIONS
    assert sessions.find(made[0][0], 1.0) is None, "the oldest goes"


def test_guessing_is_slow_from_one_address() -> None:
    guesses, tries = Guesses(), 0
    for second in range(3600):
        for _ in range(3):
            tries += guesses.wait_s("192.0.2.1", float(second)) == 0.0
    assert tries <= 5 + 3600 / 30 + 1


def test_guessing_is_slow_from_many_addresses_and_memory_bounded() -> None:
    guesses, tries = Guesses(), 0
    for second in range(600):
        for i in range(50):
            tries += guesses.wait_s(f"2001:db8::{second * 50 + i:x}", float(second)) == 0.0
    assert tries <= 20 + 600 / 5 + 1
    assert len(guesses._by_address) <= MAX_ADDRESSES


def test_the_right_password_forgives_the_typing_errors_before() -> None:
    guesses = Guesses()
    for _ in range(5):
        assert guesses.wait_s("192.0.2.1", 0.0) == 0.0
    assert guesses.wait_s("192.0.2.1", 0.0) == pytest.approx(30.0)
    assert guesses.wait_s("192.0.2.2", 0.0) == 0.0, "another phone is not held up"
    guesses.forgive("192.0.2.1")
    assert guesses.wait_s("192.0.2.1", 0.0) == 0.0


def test_a_rate_gives_its_burst_and_then_one_at_a_time() -> None:
    rate = Rate(burst=2, every_s=10.0)
    went = []
    for second in range(40):
        if rate.wait_s(float(second)) == 0.0:
            rate.take(float(second))
            went.append(second)
    assert went == [0, 1, 10, 20, 30]
