//! The tables, and how an older database becomes a newer one.

use super::error::{Result, StoreError};
use rusqlite::Connection;

/// Version of the tables below, in `PRAGMA user_version`.
const VERSION: i64 = 4;

const VERSION_1: &str = "
-- Truth: grows only.
CREATE TABLE authorities (
    key BLOB NOT NULL UNIQUE,
    chosen_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE statements (
    digest BLOB NOT NULL UNIQUE,
    sign1 BLOB NOT NULL,
    received_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE logs (
    id INTEGER PRIMARY KEY,
    log BLOB NOT NULL UNIQUE,
    key BLOB NOT NULL,
    -- The rest is a projection.
    size INTEGER NOT NULL DEFAULT 0,
    -- The frontier at `size`, while the log is one line in which everything counts; else NULL.
    frontier BLOB,
    state BLOB NOT NULL,
    report TEXT NOT NULL DEFAULT '{}'
) STRICT;
CREATE TABLE segments (
    log INTEGER NOT NULL REFERENCES logs (id),
    from_index INTEGER NOT NULL,
    to_index INTEGER NOT NULL,
    root BLOB NOT NULL,
    before BLOB NOT NULL,
    leaves BLOB NOT NULL,
    UNIQUE (log, from_index, to_index, root)
) STRICT;
CREATE TABLE entries (
    id INTEGER PRIMARY KEY,
    log INTEGER NOT NULL REFERENCES logs (id),
    idx INTEGER NOT NULL,
    leaf BLOB NOT NULL,
    kind INTEGER NOT NULL,
    unit INTEGER REFERENCES units (id),
    at_ms INTEGER NOT NULL,
    when_ms INTEGER NOT NULL,
    arrived_ms INTEGER NOT NULL,
    -- A projection; NULL: the log's key is not enrolled for it now, so that it stands for nothing.
    status INTEGER,
    bytes BLOB NOT NULL,
    -- The leaf first: the same index answers which entries a correction or sign-off means.
    UNIQUE (leaf, log, idx)
) STRICT;
CREATE INDEX entries_of_log ON entries (log, idx);
CREATE INDEX entries_of_unit ON entries (unit, when_ms) WHERE unit IS NOT NULL;
CREATE INDEX entries_without_status ON entries (log) WHERE status IS NULL;
CREATE INDEX station_events ON entries (log, idx) WHERE kind = 3;
CREATE INDEX sign_offs ON entries (id) WHERE kind = 5;
CREATE TABLE links (
    target BLOB NOT NULL,
    kind INTEGER NOT NULL,
    source INTEGER NOT NULL REFERENCES entries (id),
    UNIQUE (target, kind, source)
) STRICT;
CREATE INDEX links_of_source ON links (source);
CREATE TABLE seals (
    digest BLOB NOT NULL UNIQUE,
    log INTEGER NOT NULL REFERENCES logs (id),
    seq INTEGER NOT NULL,
    size INTEGER NOT NULL,
    root BLOB NOT NULL,
    at_ms INTEGER NOT NULL,
    arrived_ms INTEGER NOT NULL,
    sign1 BLOB NOT NULL
) STRICT;
CREATE INDEX seals_of_log ON seals (log, size);
CREATE TABLE traces (
    sha256 BLOB NOT NULL UNIQUE,
    compressed BLOB NOT NULL
) STRICT;
CREATE TABLE fleet_log (
    idx INTEGER PRIMARY KEY,
    -- The leaf's bytes: no leaf stands there twice.
    leaf BLOB NOT NULL UNIQUE,
    log INTEGER REFERENCES logs (id),
    seal BLOB UNIQUE REFERENCES seals (digest),
    -- Not a reference: an audit must see a statement that is gone.
    statement BLOB UNIQUE
) STRICT;
-- Sizes of the fleet log whose heads a station may hold: a return gives a proof from each.
CREATE TABLE held_heads (
    log INTEGER NOT NULL REFERENCES logs (id),
    size INTEGER NOT NULL,
    UNIQUE (log, size)
) STRICT;
-- Heads under this server's key that contradict its fleet log. While there is one, nothing is signed.
CREATE TABLE contradictions (
    name BLOB NOT NULL UNIQUE,
    fleet_log BLOB NOT NULL,
    -- The station's log in whose file it came.
    log INTEGER NOT NULL REFERENCES logs (id),
    kind TEXT NOT NULL,
    found TEXT NOT NULL,
    head BLOB NOT NULL,
    at_ms INTEGER NOT NULL
) STRICT;
CREATE INDEX fleet_log_of_log ON fleet_log (log);
CREATE TABLE deliveries (
    file BLOB NOT NULL UNIQUE,
    bytes INTEGER NOT NULL,
    first_ms INTEGER NOT NULL,
    last_ms INTEGER NOT NULL,
    times INTEGER NOT NULL,
    outcome TEXT NOT NULL
) STRICT;
CREATE TABLE kept (
    file BLOB NOT NULL UNIQUE,
    why TEXT NOT NULL,
    bytes INTEGER NOT NULL,
    kept_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE kept_parts (
    file BLOB NOT NULL REFERENCES kept (file) ON DELETE CASCADE,
    part INTEGER NOT NULL,
    bytes BLOB NOT NULL,
    UNIQUE (file, part)
) STRICT;
CREATE TABLE tokens (
    hash BLOB NOT NULL UNIQUE,
    role TEXT NOT NULL,
    name TEXT NOT NULL UNIQUE,
    added_ms INTEGER NOT NULL
) STRICT;
-- Projections: `rebuild` makes them again.
CREATE TABLE units (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    -- NULL: nothing to show under this key, for instance because an alias names another.
    part TEXT,
    verdict TEXT,
    next_due TEXT,
    anomalies INTEGER NOT NULL DEFAULT 0,
    summary TEXT
) STRICT;
CREATE INDEX units_shown ON units (key) WHERE summary IS NOT NULL;
CREATE INDEX units_by_verdict ON units (verdict) WHERE summary IS NOT NULL;
CREATE INDEX units_by_due ON units (next_due) WHERE summary IS NOT NULL;
CREATE TABLE anomalies (
    id BLOB NOT NULL UNIQUE,
    scope TEXT NOT NULL,
    resolved TEXT,
    body TEXT NOT NULL
) STRICT;
CREATE INDEX anomalies_of_scope ON anomalies (scope);
CREATE INDEX anomalies_open ON anomalies (id) WHERE resolved IS NULL;
";

/// Single entries from unit histories.
const VERSION_2: &str = "
-- Truth: grows only. The entry itself stands in `entries`.
CREATE TABLE singles (
    log INTEGER NOT NULL REFERENCES logs (id),
    idx INTEGER NOT NULL,
    leaf BLOB NOT NULL,
    seal BLOB NOT NULL REFERENCES seals (digest),
    proof BLOB NOT NULL,
    UNIQUE (log, idx, leaf, seal)
) STRICT;
";

/// Marks of the store.
const VERSION_3: &str = "
CREATE TABLE stamps (
    name TEXT NOT NULL UNIQUE,
    value BLOB NOT NULL
) STRICT;
-- Whoever has a token now had one once.
INSERT INTO stamps (name, value) SELECT 'had_token', x'01' FROM tokens LIMIT 1;
";

/// Queries under ids of their facts, and remembered results. The projections are made again.
const VERSION_4: &str = "
DROP TABLE anomalies;
CREATE TABLE queries (
    id BLOB NOT NULL UNIQUE,
    scope TEXT NOT NULL,
    resolved TEXT,
    body TEXT NOT NULL
) STRICT;
CREATE INDEX queries_of_scope ON queries (scope);
CREATE INDEX queries_open ON queries (id) WHERE resolved IS NULL;
-- Results by what they were computed from; may be emptied at any time.
CREATE TABLE computed (
    key BLOB NOT NULL UNIQUE,
    body TEXT NOT NULL
) STRICT;
DELETE FROM stamps WHERE name = 'projected_trust';
";

/// Makes the tables of a new database, or brings an older one up to date.
pub(super) fn prepare(connection: &mut Connection) -> Result<()> {
    let found: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    if found > VERSION {
        return Err(StoreError::Newer {
            found,
            known: VERSION,
        });
    }
    if found < VERSION {
        let tx = connection.transaction()?;
        if found == 0 {
            tx.execute_batch(VERSION_1)?;
        }
        if found < 2 {
            tx.execute_batch(VERSION_2)?;
        }
        if found < 3 {
            tx.execute_batch(VERSION_3)?;
        }
        tx.execute_batch(VERSION_4)?;
        tx.pragma_update(None, "user_version", VERSION)?;
        tx.commit()?;
    }
    Ok(())
}
