//! Durable files on removable media: the one recipe for writing and reading back.
//!
//! 1. write to a temporary name in the same folder, so that a torn file never has the final name;
//! 2. fsync the file, so that the bytes are on the medium before their name is;
//! 3. rename, which replaces an older file of that name at once (on FAT a power cut may still tear
//!    it: the reader finds that by itself, each element has its digest);
//! 4. fsync the folder, so that the name is on the medium as well;
//! 5. drop the cached pages and read back: what is compared is what the medium delivers. The drive's
//!    own cache cannot be reached from here.

mod error;
mod hashing;
mod system;

pub use error::MediaError;
pub use hashing::HashingReader;

use carrylog_format::ids::FileDigest;
use carrylog_format::recovery::{self, Percent};
use hashing::HashingWriter;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

const BUFFER_BYTES: usize = 256 * 1024;
/// Ending of a file that is not finished; a reader never opens it.
const TEMPORARY_ENDING: &str = "part";

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Number of bytes.
    pub bytes: u64,
    /// SHA-256 of all bytes.
    pub sha256: FileDigest,
}

/// Writes a file by the recipe, steps 1 to 4; `fill` gives the bytes.
///
/// # Errors
/// [`MediaError`]; the temporary file is removed where the medium still allows it, and a file that
/// had the name before is left as it was.
pub fn write_file(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<Written, MediaError> {
    write_bundle(path, None, fill)
}

/// The same for a bundle, with `recovery` percent of recovery data after its end.
///
/// # Errors
/// As [`write_file`].
pub fn write_bundle(
    path: &Path,
    recovery: Option<Percent>,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<Written, MediaError> {
    let folder = folder_of(path);
    if !folder.is_dir() {
        return Err(MediaError::Missing {
            path: folder.to_owned(),
        });
    }
    let temporary = temporary_name(path);
    let result = write_temporary(&temporary, recovery, fill).and_then(|written| {
        fs::rename(&temporary, path)?;
        system::sync_folder(folder)?;
        Ok(written)
    });
    result.map_err(|e| {
        // Best effort: on a medium that is gone there is nothing to remove.
        let _ = fs::remove_file(&temporary);
        MediaError::of(path, &e)
    })
}

/// Reads a file that was just written, from the medium and not from memory (step 5).
///
/// # Errors
/// [`MediaError::Differs`] if the medium delivers other bytes than were written.
pub fn read_back<T>(
    path: &Path,
    written: &Written,
    read: impl FnOnce(&mut dyn Read) -> T,
) -> Result<T, MediaError> {
    let file = File::open(path).map_err(|e| MediaError::of(path, &e))?;
    system::drop_cached_pages(&file);
    let mut input = HashingReader::new(BufReader::with_capacity(BUFFER_BYTES, file));
    let value = read(&mut input);
    let found = input.finish().map_err(|e| MediaError::of(path, &e))?;
    if found == *written {
        Ok(value)
    } else {
        Err(MediaError::Differs {
            path: path.to_owned(),
        })
    }
}

/// Copies, and keeps a fault of the reader apart from one of the writer.
///
/// # Errors
/// What the writer reports; after a fault of the reader, which is then in `fault`, any.
pub fn copy(
    input: &mut impl Read,
    out: &mut dyn Write,
    fault: &mut Option<io::Error>,
) -> io::Result<()> {
    let mut buffer = vec![0; 64 * 1024];
    loop {
        match input.read(&mut buffer) {
            Ok(0) => return Ok(()),
            Ok(n) => out.write_all(buffer.get(..n).unwrap_or_default())?,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => {
                *fault = Some(e);
                return Err(io::ErrorKind::InvalidData.into());
            }
        }
    }
}

/// SHA-256 and length of a file.
///
/// # Errors
/// [`MediaError`] if it cannot be read.
pub fn digest_of(path: &Path) -> Result<Written, MediaError> {
    let file = File::open(path).map_err(|e| MediaError::of(path, &e))?;
    let input = HashingReader::new(BufReader::with_capacity(BUFFER_BYTES, file));
    input.finish().map_err(|e| MediaError::of(path, &e))
}

/// The folder that holds `path`.
pub fn folder_of(path: &Path) -> &Path {
    path.parent()
        .filter(|p| !p.as_os_str().is_empty())
        .unwrap_or(Path::new("."))
}

/// A part of a file name that FAT32 and exFAT accept: lower-case letters, digits and hyphens.
pub fn safe_name(text: &str) -> String {
    const MAX_LENGTH: usize = 32;
    let mut name = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() {
            name.push(c.to_ascii_lowercase());
        } else if !name.is_empty() && !name.ends_with('-') {
            name.push('-');
        }
        if name.len() >= MAX_LENGTH {
            break;
        }
    }
    let name = name.trim_end_matches('-');
    if name.is_empty() {
        "station".to_owned()
    } else {
        name.to_owned()
    }
}

fn write_temporary(
    path: &Path,
    recovery: Option<Percent>,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> io::Result<Written> {
    let file = OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .open(path)?;
    let mut out = HashingWriter::new(BufWriter::with_capacity(BUFFER_BYTES, file));
    fill(&mut out)?;
    out.flush()?;
    if let Some(percent) = recovery {
        // Read through a handle of its own: the writer stays at the end.
        recovery::append(&mut File::open(path)?, &mut out, percent)?;
        out.flush()?;
    }
    let (out, written) = out.finish();
    let file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
    file.sync_all()?;
    Ok(written)
}

fn temporary_name(path: &Path) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".");
    name.push(TEMPORARY_ENDING);
    path.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        entries
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect()
    }

    #[test]
    fn a_file_is_written_whole_and_reads_back_the_same() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.carrylog");
        let written = write_file(&path, |out| out.write_all(&[7; 1_000_000])).unwrap();
        assert_eq!(written.bytes, 1_000_000);
        assert_eq!(
            names(dir.path()),
            ["a.carrylog"],
            "no temporary file is left"
        );
        let mut first = [0u8; 10];
        read_back(&path, &written, |input| {
            input.read_exact(&mut first).unwrap()
        })
        .unwrap();
        assert_eq!(first, [7; 10]);
        assert_eq!(digest_of(&path).unwrap(), written);
    }

    #[test]
    fn sha256_of_a_file_is_that_of_fips_180_4() {
        // FIPS 180-4 example "abc".
        let dir = tempfile::tempdir().unwrap();
        let written = write_file(&dir.path().join("abc"), |out| out.write_all(b"abc")).unwrap();
        let expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(written.sha256.to_string(), expected);
    }

    #[test]
    fn a_changed_byte_is_found_when_reading_back() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.carrylog");
        let written = write_file(&path, |out| out.write_all(b"one")).unwrap();
        fs::write(&path, b"oNe").unwrap();
        let refused = read_back(&path, &written, |_| ()).unwrap_err();
        assert_eq!(refused, MediaError::Differs { path });
    }

    #[test]
    fn a_fault_while_writing_leaves_the_older_file_and_no_torn_one() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.carrylog");
        write_file(&path, |out| out.write_all(b"older")).unwrap();
        let faults = [
            (
                io::ErrorKind::StorageFull,
                MediaError::Full { path: path.clone() },
            ),
            (
                io::ErrorKind::ReadOnlyFilesystem,
                MediaError::ReadOnly { path: path.clone() },
            ),
            (
                io::ErrorKind::PermissionDenied,
                MediaError::NoRight { path: path.clone() },
            ),
        ];
        for (kind, expected) in faults {
            // The Nth write fails, for N before, inside and after the buffer.
            for writes in [0, 1, 40] {
                let refused = write_file(&path, |out| {
                    for _ in 0..writes {
                        out.write_all(&[1; 10_000])?;
                    }
                    Err(kind.into())
                });
                assert_eq!(refused, Err(expected.clone()));
                assert_eq!(names(dir.path()), ["a.carrylog"]);
                assert_eq!(fs::read(&path).unwrap(), b"older");
            }
        }
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_medium_that_goes_away_is_called_so() {
        for errno in [5, 6, 19] {
            let e = io::Error::from_raw_os_error(errno);
            assert!(
                matches!(MediaError::of(Path::new("x"), &e), MediaError::Gone { .. }),
                "{e}"
            );
        }
        let e = io::Error::from_raw_os_error(28);
        assert!(matches!(
            MediaError::of(Path::new("x"), &e),
            MediaError::Full { .. }
        ));
    }

    /// The device that is always full: the system's own "no space left on device".
    #[cfg(target_os = "linux")]
    #[test]
    fn the_full_device_of_the_system_is_reported_as_full() {
        let mut full = OpenOptions::new().write(true).open("/dev/full").unwrap();
        let e = full.write_all(b"x").unwrap_err();
        assert!(matches!(
            MediaError::of(Path::new("x"), &e),
            MediaError::Full { .. }
        ));
    }

    #[test]
    fn a_folder_that_is_not_there_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("stick");
        let refused = write_file(&folder.join("a"), |_| Ok(())).unwrap_err();
        assert_eq!(refused, MediaError::Missing { path: folder });
    }

    #[test]
    fn names_are_safe_on_every_medium() {
        assert_eq!(safe_name("Bay 2 / Nord: «Süd»"), "bay-2-nord-s-d");
        assert_eq!(safe_name("***"), "station");
        assert_eq!(safe_name("CON"), "con");
        assert!(safe_name(&"a b".repeat(40)).len() <= 32);
    }
}
