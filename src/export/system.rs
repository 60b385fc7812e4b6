//! The three things asked of the operating system that the standard library does not offer. Where
//! they cannot be had the answer is no, and the callers do without.

use std::fs::File;
use std::io;
use std::path::Path;

/// Puts the folder `a` in the place of the folder `b` and `b` in that of `a`, in one step.
///
/// # Errors
/// When the system or the file system cannot.
pub(super) fn exchange(a: &Path, b: &Path) -> io::Result<()> {
    #[cfg(target_os = "linux")]
    {
        use rustix::fs::{CWD, RenameFlags, renameat_with};
        renameat_with(CWD, a, CWD, b, RenameFlags::EXCHANGE).map_err(io::Error::from)
    }
    #[cfg(not(target_os = "linux"))]
    {
        let _ = (a, b);
        Err(io::ErrorKind::Unsupported.into())
    }
}

/// Whether a lock on an open file or folder was free and is now held, until it is closed or the
/// process ends, however it ends.
pub(super) fn lock(open: &File) -> bool {
    #[cfg(target_os = "linux")]
    {
        use rustix::fs::{FlockOperation, flock};
        flock(open, FlockOperation::NonBlockingLockExclusive).is_ok()
    }
    #[cfg(not(target_os = "linux"))]
    {
        let _ = open;
        false
    }
}

/// What tells one file or folder from every other: device and inode, and its owners. `None` where
/// the system has no such thing.
pub(super) fn identity(path: &Path) -> Option<Identity> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let found = std::fs::symlink_metadata(path).ok()?;
        Some(Identity {
            device: found.dev(),
            inode: found.ino(),
            owners: (found.uid(), found.gid()),
        })
    }
    #[cfg(not(unix))]
    {
        let _ = path;
        None
    }
}

/// See [`identity`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Identity {
    pub device: u64,
    pub inode: u64,
    pub owners: (u32, u32),
}
