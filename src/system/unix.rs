//! Linux, and what macOS and the BSDs share with it: calls of POSIX, made through rustix.

use std::fs::{File, FileType, OpenOptions, Permissions};
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::fs::{FileTypeExt as _, MetadataExt as _, OpenOptionsExt as _, PermissionsExt as _};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};
use rustix::time::{ClockId, clock_gettime};

use super::Output;

/// Opening waits for nobody: neither for the other end of a named pipe nor for a device.
pub fn never_wait(options: &mut OpenOptions) {
    options.custom_flags(rustix::fs::OFlags::NONBLOCK.bits().cast_signed());
}

/// A new file is read and written by its owner alone.
pub fn for_owner(options: &mut OpenOptions) {
    options.mode(0o600);
}

/// A new file is made as other programs make theirs: the user's mask takes away what it wants.
pub fn as_masked(builder: &mut tempfile::Builder<'_, '_>) {
    builder.permissions(Permissions::from_mode(0o666));
}

/// An open file is its owner's alone from now on.
///
/// # Errors
/// The file system refuses.
pub fn keep_to_owner(file: &File) -> io::Result<()> {
    file.set_permissions(Permissions::from_mode(0o600))
}

/// Sets who may read, write and enter.
///
/// # Errors
/// It is not there, belongs to somebody else, or its file system knows no permissions.
pub fn set_mode(path: &Path, mode: u32) -> io::Result<()> {
    std::fs::set_permissions(path, Permissions::from_mode(mode))
}

/// Which file it is, of all on this machine.
///
/// # Errors
/// The system does not say.
pub fn identity(file: &File) -> io::Result<(u64, u64)> {
    file.metadata().map(|about| (about.dev(), about.ino()))
}

/// Which file stands at a path. A link stands for itself.
///
/// # Errors
/// Nothing is there, or it cannot be looked at.
pub fn identity_at(path: &Path) -> io::Result<(u64, u64)> {
    std::fs::symlink_metadata(path).map(|about| (about.dev(), about.ino()))
}

/// What something is that is no regular file.
pub fn kind(kind: FileType) -> &'static str {
    match kind {
        _ if kind.is_fifo() => "a named pipe",
        _ if kind.is_socket() => "a socket",
        _ if kind.is_char_device() || kind.is_block_device() => "a device",
        _ => "a folder",
    }
}

/// Makes the names in a folder durable.
///
/// # Errors
/// The folder cannot be opened, or the disk did not take it.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// Keeps the memory of this process to itself: no core dump, no look into it and no debugger from another program of the same user
/// (the superuser may), and no page swapped out where the system lets a program lock all it needs (a limit of `memlock` that is
/// not "unlimited" is too small).
pub fn keep_memory_private() {
    let _ = setrlimit(Resource::Core, Rlimit { current: Some(0), maximum: Some(0) });
    // A handler of core dumps that the system pipes them to heeds no limit: only this keeps them from it.
    #[cfg(target_os = "linux")]
    let _ = rustix::process::set_dumpable_behavior(rustix::process::DumpableBehavior::NotDumpable);
    // Pages can be locked as they come into use on Linux alone.
    #[cfg(target_os = "linux")]
    if getrlimit(Resource::Memlock).current.is_none() {
        use rustix::mm::{MlockAllFlags, mlockall};
        let _ = mlockall(MlockAllFlags::CURRENT | MlockAllFlags::FUTURE | MlockAllFlags::ONFAULT);
    }
}

/// Asks for so many open files, connections among them; where the limit cannot be raised so far, for as many as there can be.
pub fn allow_files(wanted: u64) {
    let Rlimit { current, maximum } = getrlimit(Resource::Nofile);
    if current.is_some_and(|current| current < wanted) {
        let current = Some(maximum.map_or(wanted, |most| wanted.min(most)));
        let _ = setrlimit(Resource::Nofile, Rlimit { current, maximum });
    }
}

/// Processor seconds of all threads of this process so far.
pub fn processor_seconds() -> f64 {
    let spent = clock_gettime(ClockId::ProcessCPUTime);
    spent.tv_sec as f64 + 1e-9 * spent.tv_nsec as f64
}

/// What the system says of this process under a name; only Linux does.
fn status(name: &str) -> Option<String> {
    let all = std::fs::read_to_string("/proc/self/status").ok()?;
    all.lines()
        .find_map(|line| line.strip_prefix(name)?.strip_prefix(':'))
        .map(|value| value.trim().to_owned())
}

/// Most bytes of memory that this process had so far, where the system says it.
pub fn most_memory() -> Option<u64> {
    status("VmHWM")?.strip_suffix("kB")?.trim().parse::<u64>().ok().map(|kilobytes| 1024 * kilobytes)
}

/// The process's umask, read and not changed: changing it would show in files that other threads make just then. Where it is not told
/// it is taken for the usual one.
pub fn umask() -> u32 {
    status("Umask").and_then(|octal| u32::from_str_radix(&octal, 8).ok()).unwrap_or(0o022)
}

/// Whether nobody is at the other end any more: a window was closed, a connection broke.
pub fn is_hung_up(of: &impl AsFd) -> bool {
    // Nothing is asked for: a hang-up is told in any case.
    let mut ask = [PollFd::new(of, PollFlags::empty())];
    poll(&mut ask, Some(&Timespec::default())).is_ok()
        && ask[0].revents().intersects(PollFlags::HUP | PollFlags::ERR)
}

/// From now on each request to end from outside (a terminate, hang-up or interrupt signal) is told to `asked` on a thread of its own,
/// and ends the process only where that says so.
///
/// # Errors
/// No thread can be had, or the system does not tell of signals.
pub fn on_request_to_end(asked: impl Fn() -> bool + Send + 'static) -> io::Result<()> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let mut signals = signal_hook::iterator::Signals::new([SIGTERM, SIGINT, SIGHUP])?;
    std::thread::Builder::new().name("requests to end".to_owned()).spawn(move || {
        for signal in signals.forever() {
            if asked() {
                let _ = signal_hook::low_level::emulate_default_handler(signal);
            }
        }
    })?;
    Ok(())
}

/// Standard output, to be written without its lock.
///
/// # Errors
/// It is closed, or no descriptor is left.
pub fn standard_output() -> io::Result<Output> {
    Ok(Box::new(File::from(io::stdout().as_fd().try_clone_to_owned()?)))
}

/// How standard input's terminal is set.
#[derive(Debug)]
pub struct Typing(Termios);

impl Typing {
    /// As it is now.
    ///
    /// # Errors
    /// Standard input is no terminal.
    pub fn now() -> io::Result<Self> {
        Ok(Self(tcgetattr(io::stdin())?))
    }

    /// The same, showing nothing of what is typed but the end of its line.
    #[must_use]
    pub fn hidden(&self) -> Self {
        let mut hidden = self.0.clone();
        hidden.local_modes.remove(LocalModes::ECHO);
        hidden.local_modes.insert(LocalModes::ECHONL);
        Self(hidden)
    }

    /// Sets the terminal so.
    ///
    /// # Errors
    /// The terminal is gone.
    pub fn set(&self) -> io::Result<()> {
        Ok(tcsetattr(io::stdin(), OptionalActions::Now, &self.0)?)
    }
}

/// Standard error as it was; put back on the way out, by panic too.
struct Restore(OwnedFd);

impl Drop for Restore {
    fn drop(&mut self) {
        let _ = rustix::stdio::dup2_stderr(&self.0);
    }
}

/// Runs `action` while standard error leads nowhere, for a library that prints its own complaints there.
pub fn quietly<T>(action: impl FnOnce() -> T) -> T {
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _guard = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let saved = io::stderr().as_fd().try_clone_to_owned();
    let nowhere = OpenOptions::new().write(true).open("/dev/null");
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
