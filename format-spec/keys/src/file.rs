//! Key files on disk: small, new, and readable by nobody but their owner if they are secret.

use crate::error::{KeyFileError, KeyFormError};
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::Path;
use zeroize::Zeroizing;

/// Largest key file that is read.
pub(crate) const MAX_KEY_FILE_BYTES: u64 = 16 * 1024;

/// Reads a file that anybody may read.
pub(crate) fn read_small(path: &Path) -> Result<Vec<u8>, KeyFileError> {
    let length = fs::metadata(path)
        .map_err(|e| KeyFileError::io(path, e))?
        .len();
    if length > MAX_KEY_FILE_BYTES {
        return Err(KeyFormError::TooLarge { bytes: length }.in_file(path));
    }
    fs::read(path).map_err(|e| KeyFileError::io(path, e))
}

/// Reads a file that only its owner may read.
pub(crate) fn read_secret(path: &Path) -> Result<Zeroizing<Vec<u8>>, KeyFileError> {
    owner_only(path)?;
    Ok(Zeroizing::new(read_small(path)?))
}

/// Writes a new file for everybody; never over one that is there.
pub(crate) fn write_new(path: &Path, bytes: &[u8]) -> Result<(), KeyFileError> {
    create(path, bytes, OpenOptions::new().write(true).create_new(true))
}

/// Writes a new file that only its owner can read; never over one that is there.
pub(crate) fn write_new_secret(path: &Path, bytes: &[u8]) -> Result<(), KeyFileError> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    restrict(&mut options);
    create(path, bytes, &options)
}

fn create(path: &Path, bytes: &[u8], options: &OpenOptions) -> Result<(), KeyFileError> {
    let mut file = options.open(path).map_err(|e| KeyFileError::io(path, e))?;
    file.write_all(bytes)
        .and_then(|()| file.sync_all())
        .map_err(|e| KeyFileError::io(path, e))
}

/// Puts `bytes` in the place of a secret file, all of them or none; `check` sees the new file before
/// the old one goes.
pub(crate) fn replace_secret(
    path: &Path,
    bytes: &[u8],
    check: impl FnOnce(&Path) -> Result<(), KeyFileError>,
) -> Result<(), KeyFileError> {
    // A link is followed, so that the file that it names is the one that changes.
    let path = &fs::canonicalize(path).map_err(|e| KeyFileError::io(path, e))?;
    let fault = |e| KeyFileError::io(path, e);
    let folder = path.parent().unwrap_or(Path::new("/"));
    // The library makes the file with mode 0600 (tempfile, `NamedTempFile`: «Security»).
    let mut new = tempfile::NamedTempFile::new_in(folder).map_err(fault)?;
    new.write_all(bytes)
        .and_then(|()| new.as_file().sync_all())
        .map_err(fault)?;
    check(new.path())?;
    new.persist(path)
        .map_err(|e| KeyFileError::io(path, e.error))?;
    sync_folder(folder).map_err(fault)
}

#[cfg(unix)]
fn sync_folder(folder: &Path) -> io::Result<()> {
    fs::File::open(folder)?.sync_all()
}

/// Elsewhere a folder cannot be opened as a file; the system writes it in its own time.
#[cfg(not(unix))]
fn sync_folder(_folder: &Path) -> io::Result<()> {
    Ok(())
}

#[cfg(unix)]
fn restrict(options: &mut OpenOptions) {
    use std::os::unix::fs::OpenOptionsExt;
    options.mode(0o600);
}

/// Elsewhere the rights of the folder decide, as for every file of the user.
#[cfg(not(unix))]
fn restrict(_options: &mut OpenOptions) {}

/// Refuses a secret that other users can read: they may have it already.
#[cfg(unix)]
pub(crate) fn owner_only(path: &Path) -> Result<(), KeyFileError> {
    use std::os::unix::fs::PermissionsExt;
    let mode = fs::metadata(path)
        .map_err(|e| KeyFileError::io(path, e))?
        .permissions()
        .mode();
    if mode & 0o077 == 0 {
        return Ok(());
    }
    Err(KeyFileError::OpenToOthers {
        path: path.to_owned(),
        mode: mode & 0o777,
    })
}

#[cfg(not(unix))]
pub(crate) fn owner_only(_path: &Path) -> Result<(), KeyFileError> {
    Ok(())
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn a_secret_that_others_can_read_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.key");
        write_new_secret(&path, b"secret").unwrap();
        let mode = fs::metadata(&path).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
        for mode in [0o644, 0o640, 0o604, 0o660] {
            fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
            let refused = read_secret(&path).unwrap_err();
            assert!(
                matches!(refused, KeyFileError::OpenToOthers { .. }),
                "{mode:o}"
            );
        }
    }

    #[test]
    fn a_replacement_that_does_not_check_leaves_the_old_file() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.key");
        write_new_secret(&path, b"old").unwrap();
        let refuse = |_: &Path| Err(KeyFileError::NoRandomness("a fault".into()));
        assert!(replace_secret(&path, b"new", refuse).is_err());
        assert_eq!(fs::read(&path).unwrap(), b"old");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }
}
