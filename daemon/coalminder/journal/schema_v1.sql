-- One file per cook. Times: now_s is the control clock, utc_s seconds since 1970-01-01 UTC.
-- Blobs are JSON of coalminder.codec, deflated with dictionary_v1.json as the preset dictionary.

-- One row per run of the daemon in this cook: what it ran and from which state.
CREATE TABLE header (
    run INTEGER PRIMARY KEY,
    version TEXT NOT NULL,
    settings TEXT NOT NULL,          -- canonical JSON
    settings_sha256 TEXT NOT NULL,
    started_utc_s REAL NOT NULL,
    first_n INTEGER NOT NULL,        -- its first step
    state BLOB NOT NULL              -- of the core before that step
) STRICT;

CREATE TABLE steps (
    n INTEGER PRIMARY KEY,           -- a gap in n is a step that could not be written
    now_s REAL NOT NULL,
    utc_s REAL NOT NULL,
    inputs BLOB NOT NULL,
    decision BLOB NOT NULL,          -- without its alarms
    alarm_set INTEGER                -- its alarms; NULL: none
) STRICT;

-- The alarms of a step are the same for a long time: written once, as JSON.
CREATE TABLE alarm_sets (
    id INTEGER PRIMARY KEY,
    alarms TEXT NOT NULL
) STRICT;

-- Every transition of every alarm, committed at once.
CREATE TABLE alarms (
    id INTEGER PRIMARY KEY,
    n INTEGER NOT NULL,
    now_s REAL NOT NULL,
    utc_s REAL NOT NULL,
    code TEXT NOT NULL,
    state TEXT NOT NULL,
    active INTEGER NOT NULL,
    action TEXT NOT NULL,
    priority TEXT NOT NULL,
    message TEXT NOT NULL
) STRICT;

CREATE TABLE commands (
    id INTEGER PRIMARY KEY,
    utc_s REAL NOT NULL,
    event_id TEXT NOT NULL,
    sender TEXT NOT NULL,            -- as far as the broker tells
    topic TEXT NOT NULL,
    payload TEXT NOT NULL,
    accepted INTEGER NOT NULL,
    reason TEXT NOT NULL
) STRICT;

-- The newest state of the core (kept = 0, one row) and the state after each gap (kept = 1).
CREATE TABLE snapshots (
    n INTEGER NOT NULL,              -- the state is the one after step n
    kept INTEGER NOT NULL,
    now_s REAL NOT NULL,
    utc_s REAL NOT NULL,
    phase TEXT NOT NULL,
    state BLOB NOT NULL,
    PRIMARY KEY (kept, n)
) STRICT;

-- Messages that the broker has not taken yet, in order.
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    utc_s REAL NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL,
    qos INTEGER NOT NULL,
    retain INTEGER NOT NULL
) STRICT;

-- What befell the record itself: gaps, restarts, a damaged file set aside.
CREATE TABLE notes (
    id INTEGER PRIMARY KEY,
    utc_s REAL NOT NULL,
    text TEXT NOT NULL
) STRICT;
