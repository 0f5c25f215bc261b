//! Keeps the sound system's own complaints off standard error, where they would tear a terminal screen.
//!
//! ALSA's library prints to standard error whenever a device cannot be opened. What matters of it reaches the user in our
//! own words, so for the few milliseconds of an opening standard error leads nowhere.

/// Standard error as it was; put back on the way out, by panic too.
#[cfg(unix)]
struct Restore(std::os::fd::OwnedFd);

#[cfg(unix)]
impl Drop for Restore {
    fn drop(&mut self) {
        let _ = rustix::stdio::dup2_stderr(&self.0);
    }
}

/// Runs `action` with standard error closed off.
#[cfg(unix)]
pub(super) fn quietly<T>(action: impl FnOnce() -> T) -> T {
    use std::os::fd::AsFd;
    use std::sync::{Mutex, PoisonError};

    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _guard = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let saved = std::io::stderr().as_fd().try_clone_to_owned();
    let nowhere = std::fs::OpenOptions::new().write(true).open("/dev/null");
    let _restore = match (saved, nowhere) {
        (Ok(saved), Ok(nowhere)) => {
            let restore = Restore(saved);
            let _ = rustix::stdio::dup2_stderr(&nowhere);
            Some(restore)
        }
        _ => None,
    };
    action()
}

/// Runs `action`; other systems' sound libraries are quiet.
#[cfg(not(unix))]
pub(super) fn quietly<T>(action: impl FnOnce() -> T) -> T {
    action()
}
