//! Reading what a person names on the command line: small files whole, folders by their endings.

use crate::exit::Exit;
use crate::failure::Failure;
use std::fs::{self, File};
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};

/// Ending of a bundle's file name.
pub(crate) const BUNDLE_ENDING: &str = "carrylog";
/// Largest form or mapping that is read.
const MAX_FORM_FILE_BYTES: u64 = 1 << 20;
/// Most files looked at in one folder.
const MAX_FILES: usize = 10_000;

/// Reads a form.
///
/// # Errors
/// [`Failure`] if the file is not there or is too long for a form.
pub(crate) fn read_form(path: &Path) -> Result<Vec<u8>, Failure> {
    let file = File::open(path).map_err(|e| Failure::unreadable(path, &e))?;
    let mut bytes = Vec::new();
    file.take(MAX_FORM_FILE_BYTES + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| Failure::unreadable(path, &e))?;
    if bytes.len() as u64 > MAX_FORM_FILE_BYTES {
        let message = "the file is too long for a form";
        return Err(
            Failure::new(Exit::Input, message, "check that this is the right file").in_file(path),
        );
    }
    Ok(bytes)
}

/// The path with an ending put after its last name.
pub(crate) fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut path = path.as_os_str().to_owned();
    path.push(ending);
    path.into()
}

/// Opens a file for streaming.
///
/// # Errors
/// [`Failure`] if it cannot be opened.
pub(crate) fn open(path: &Path) -> Result<BufReader<File>, Failure> {
    let file = File::open(path).map_err(|e| Failure::unreadable(path, &e))?;
    let is_dir = file.metadata().is_ok_and(|m| m.is_dir());
    if is_dir {
        return Err(Failure::unreadable(
            path,
            &std::io::ErrorKind::IsADirectory.into(),
        ));
    }
    Ok(BufReader::with_capacity(256 * 1024, file))
}

/// The bundles that a path stands for: itself, or all bundle files in the folder, sorted by name.
///
/// # Errors
/// [`Failure`] if the path is not there or the folder holds no bundle.
pub(crate) fn bundles(path: &Path) -> Result<Vec<PathBuf>, Failure> {
    let meta = fs::metadata(path).map_err(|e| Failure::unreadable(path, &e))?;
    if !meta.is_dir() {
        return Ok(vec![path.to_owned()]);
    }
    let mut found = Vec::new();
    for entry in fs::read_dir(path)
        .map_err(|e| Failure::unreadable(path, &e))?
        .take(MAX_FILES)
    {
        let entry = entry.map_err(|e| Failure::unreadable(path, &e))?;
        let candidate = entry.path();
        let named = candidate
            .extension()
            .is_some_and(|ending| ending.eq_ignore_ascii_case(BUNDLE_ENDING));
        // Only plain files: a link on a stick could lead anywhere.
        if named && entry.file_type().is_ok_and(|t| t.is_file()) {
            found.push(candidate);
        }
    }
    found.sort();
    if found.is_empty() {
        let message = "the folder holds no file that ends in .carrylog";
        let next = "check the folder; `carrylog pack` or the server writes such files";
        return Err(Failure::new(Exit::Input, message, next).in_file(path));
    }
    Ok(found)
}
