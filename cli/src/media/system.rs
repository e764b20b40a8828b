//! What differs between operating systems.

#[cfg(not(unix))]
pub(super) use elsewhere::{drop_cached_pages, is_gone, sync_folder};
#[cfg(unix)]
pub(super) use unix::{drop_cached_pages, is_gone, sync_folder};

#[cfg(unix)]
mod unix {
    use std::fs::File;
    use std::io;
    use std::path::Path;

    pub(in crate::media) fn sync_folder(folder: &Path) -> io::Result<()> {
        match File::open(folder)?.sync_all() {
            // Some file systems cannot sync a folder and say so; the file itself is synced.
            Err(e) if e.raw_os_error() == Some(rustix::io::Errno::INVAL.raw_os_error()) => Ok(()),
            other => other,
        }
    }

    #[cfg(any(target_os = "linux", target_os = "android", target_os = "freebsd"))]
    pub(in crate::media) fn drop_cached_pages(file: &File) {
        // Advisory: where the system declines, the read back checks the cache instead.
        let _ = rustix::fs::fadvise(file, 0, None, rustix::fs::Advice::DontNeed);
    }

    #[cfg(not(any(target_os = "linux", target_os = "android", target_os = "freebsd")))]
    pub(in crate::media) fn drop_cached_pages(_file: &File) {}

    pub(in crate::media) fn is_gone(e: &io::Error) -> bool {
        use rustix::io::Errno;
        [Errno::IO, Errno::NODEV, Errno::NXIO, Errno::STALE]
            .iter()
            .any(|errno| e.raw_os_error() == Some(errno.raw_os_error()))
    }
}

/// The file is synced and read back all the same, but the folder cannot be synced on its own and cached
/// pages cannot be dropped.
#[cfg(not(unix))]
mod elsewhere {
    use std::fs::File;
    use std::io;
    use std::path::Path;

    pub(in crate::media) fn sync_folder(_folder: &Path) -> io::Result<()> {
        Ok(())
    }

    pub(in crate::media) fn drop_cached_pages(_file: &File) {}

    pub(in crate::media) fn is_gone(e: &io::Error) -> bool {
        // Windows: ERROR_NOT_READY, ERROR_DEV_NOT_EXIST, ERROR_FILE_INVALID, ERROR_NO_SUCH_DEVICE.
        matches!(e.raw_os_error(), Some(21 | 55 | 1006 | 433))
    }
}
