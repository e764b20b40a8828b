//! The shape of the station's database, and the way to it from an older one.
//!
//! A released step is never edited: a station that was made with it is on somebody's disk. A change of
//! the shape is one more step. The steps run in one transaction, so that a power cut leaves the older
//! shape or the newer one.

use super::store::StoreError;
use rusqlite::{Connection, Transaction, TransactionBehavior};

/// Marks a SQLite file as a station's database ("cLst").
const APPLICATION_ID: i32 = 0x634c_7374;

/// What makes version 1, what makes version 2 of it, and so on.
const STEPS: &[&str] = &["
    CREATE TABLE station (
        only INTEGER PRIMARY KEY CHECK (only = 1),
        public_key BLOB NOT NULL, authority_key BLOB NOT NULL,
        name TEXT NOT NULL, slots INTEGER NOT NULL
    );
    CREATE TABLE entries (idx INTEGER PRIMARY KEY, id BLOB NOT NULL UNIQUE, bytes BLOB NOT NULL);
    CREATE TABLE seals (seq INTEGER PRIMARY KEY, sign1 BLOB NOT NULL);
    CREATE TABLE traces (digest BLOB NOT NULL UNIQUE, compressed BLOB NOT NULL);
    CREATE TABLE statements (digest BLOB NOT NULL UNIQUE, sign1 BLOB NOT NULL);
    CREATE TABLE receipts (size INTEGER PRIMARY KEY, slip BLOB NOT NULL);
    CREATE TABLE heads (log BLOB NOT NULL UNIQUE, head BLOB NOT NULL);
    CREATE TABLE slots (slot INTEGER PRIMARY KEY, idx INTEGER NOT NULL);
"];

/// Makes the newest shape in an empty database.
pub(super) fn create(tx: &Transaction<'_>) -> Result<(), StoreError> {
    tx.pragma_update(None, "application_id", APPLICATION_ID)?;
    add(tx, STEPS, 0)
}

/// Brings an older database to the newest shape; one of a newer program is left alone.
pub(super) fn bring_up_to_date(db: &mut Connection) -> Result<(), StoreError> {
    let application: i32 = db.pragma_query_value(None, "application_id", |row| row.get(0))?;
    if application != APPLICATION_ID {
        return Err(StoreError::NotAStation);
    }
    run(db, STEPS)
}

/// Runs the steps that are still missing.
fn run(db: &mut Connection, steps: &[&str]) -> Result<(), StoreError> {
    let version = |db: &Connection| -> Result<usize, StoreError> {
        let found: i32 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
        usize::try_from(found)
            .ok()
            .filter(|done| *done <= steps.len())
            .ok_or(StoreError::Version {
                found,
                known: steps.len(),
            })
    };
    if version(db)? == steps.len() {
        return Ok(());
    }
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Another program may have done it between the look and the lock.
    add(&tx, steps, version(&tx)?)?;
    Ok(tx.commit()?)
}

fn add(tx: &Transaction<'_>, steps: &[&str], done: usize) -> Result<(), StoreError> {
    for step in steps.iter().skip(done) {
        tx.execute_batch(step)?;
    }
    Ok(tx.pragma_update(None, "user_version", steps.len() as i64)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::store::Store;
    use carrylog_format::cose::SecretKey;
    use std::path::Path;

    /// A station's database as the first version of the program made it.
    const MADE_BY_VERSION_1: &str = "
        PRAGMA application_id = 1665954676;
        PRAGMA user_version = 1;
        CREATE TABLE station (
            only INTEGER PRIMARY KEY CHECK (only = 1),
            public_key BLOB NOT NULL, authority_key BLOB NOT NULL,
            name TEXT NOT NULL, slots INTEGER NOT NULL
        );
        CREATE TABLE entries (idx INTEGER PRIMARY KEY, id BLOB NOT NULL UNIQUE, bytes BLOB NOT NULL);
        CREATE TABLE seals (seq INTEGER PRIMARY KEY, sign1 BLOB NOT NULL);
        CREATE TABLE traces (digest BLOB NOT NULL UNIQUE, compressed BLOB NOT NULL);
        CREATE TABLE statements (digest BLOB NOT NULL UNIQUE, sign1 BLOB NOT NULL);
        CREATE TABLE receipts (size INTEGER PRIMARY KEY, slip BLOB NOT NULL);
        CREATE TABLE heads (log BLOB NOT NULL UNIQUE, head BLOB NOT NULL);
        CREATE TABLE slots (slot INTEGER PRIMARY KEY, idx INTEGER NOT NULL);
        INSERT INTO slots VALUES (3, 17);
    ";

    fn version_1(path: &Path) -> Connection {
        let db = Connection::open(path).unwrap();
        db.execute_batch(MADE_BY_VERSION_1).unwrap();
        let key = SecretKey::from_seed([7; 32]).public().to_bytes();
        let sql = "INSERT INTO station VALUES (1, ?1, ?1, 'Bay 2', 4)";
        db.execute(sql, [key.as_slice()]).unwrap();
        db
    }

    fn user_version(db: &Connection) -> i32 {
        db.pragma_query_value(None, "user_version", |row| row.get(0))
            .unwrap()
    }

    #[test]
    fn the_database_of_the_first_version_opens_with_what_is_in_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("station.db");
        drop(version_1(&path));
        let store = Store::open_to_write(&path).unwrap();
        assert_eq!(store.identity().unwrap().name, "Bay 2");
        assert_eq!(store.slots().unwrap(), [(3, 17)]);
        drop(store);
        let store = Store::open_to_read(&path).unwrap();
        assert_eq!(store.slots().unwrap(), [(3, 17)]);
    }

    #[test]
    fn a_missing_step_runs_once_and_keeps_what_was_there() {
        let dir = tempfile::tempdir().unwrap();
        let mut db = version_1(&dir.path().join("station.db"));
        let steps = [
            STEPS[0],
            "ALTER TABLE slots ADD COLUMN taken_ms INTEGER NOT NULL DEFAULT 5",
        ];
        for _ in 0..2 {
            run(&mut db, &steps).unwrap();
            assert_eq!(user_version(&db), 2);
            let sql = "SELECT slot, idx, taken_ms FROM slots";
            let row = db.query_row(sql, [], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)));
            assert_eq!(row.unwrap(), (3, 17, 5));
        }
        let refused = run(&mut db, STEPS).unwrap_err();
        assert_eq!(refused, StoreError::Version { found: 2, known: 1 });
    }

    #[test]
    fn a_step_that_fails_leaves_the_older_shape() {
        let dir = tempfile::tempdir().unwrap();
        let mut db = version_1(&dir.path().join("station.db"));
        let steps = [
            STEPS[0],
            "ALTER TABLE slots ADD COLUMN taken_ms INTEGER; DROP TABLE no_such_table",
        ];
        run(&mut db, &steps).unwrap_err();
        assert_eq!(user_version(&db), 1);
        assert!(db.prepare("SELECT taken_ms FROM slots").is_err());
    }

    #[test]
    fn a_new_database_has_the_shape_of_the_newest_version() {
        let dir = tempfile::tempdir().unwrap();
        let shape = |db: &Connection| -> Vec<String> {
            let sql = "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name";
            let mut statement = db.prepare(sql).unwrap();
            let rows = statement.query_map([], |r| r.get::<_, String>(0)).unwrap();
            rows.map(|sql| sql.unwrap().split_whitespace().collect())
                .collect()
        };
        let old = version_1(&dir.path().join("old.db"));
        let mut new = Connection::open(dir.path().join("new.db")).unwrap();
        let tx = new.transaction().unwrap();
        create(&tx).unwrap();
        tx.commit().unwrap();
        assert_eq!(shape(&new), shape(&old), "one step: nothing was added yet");
    }
}
