//! Words for files that are not read, and notes on files that are: the file, the value, what is allowed, what to do.

use std::path::Path;

use super::ClipError;
use super::limits::RATES_HZ;

/// Rates in Hz that sound devices and programs run at.
const USUAL_RATES: [u32; 19] = [
    8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 37_800, 44_056, 44_100, 48_000, 50_000, 64_000,
    88_200, 96_000, 176_400, 192_000, 352_800, 384_000,
];

/// A complaint about a file.
pub(super) fn refuse(path: &Path, message: &str) -> ClipError {
    ClipError(format!("{}: {message}", path.display()))
}

/// A file that the operating system does not let be read.
pub(super) fn unreadable(path: &Path, error: &std::io::Error) -> ClipError {
    let remedy = match error.kind() {
        std::io::ErrorKind::NotFound => {
            return refuse(path, "there is no such file; in a session, paths start from its folder");
        }
        std::io::ErrorKind::PermissionDenied => {
            "give yourself the right to read it, or copy it to a folder of your own"
        }
        _ => "copy it to a disk of this computer and try again",
    };
    refuse(path, &format!("cannot be read: {error}; {remedy}", error = crate::files::reason(error)))
}

/// Refuses what is there but is no ordinary file: a folder, a pipe, a device.
pub(super) fn check_ordinary(path: &Path) -> Result<(), ClipError> {
    let facts = std::fs::metadata(path).map_err(|error| unreadable(path, &error))?;
    if facts.is_dir() {
        return Err(refuse(path, "this is a folder; a sound file is expected"));
    }
    if !facts.is_file() {
        return Err(refuse(
            path,
            "this is a pipe or a device, and a clip is read more than once; save it as a file first",
        ));
    }
    if facts.len() == 0 {
        return Err(refuse(path, "the file is empty; copy or export it again"));
    }
    Ok(())
}

/// Refuses rates and channel counts that are not played.
pub(super) fn check_shape(path: &Path, rate_hz: u32, channels: usize) -> Result<(), ClipError> {
    if !RATES_HZ.contains(&rate_hz) {
        return Err(refuse(
            path,
            &format!(
                "a sample rate of {rate_hz} Hz is not allowed, {} to {} Hz are; export it at 44.1 or 48 kHz",
                RATES_HZ.start(),
                RATES_HZ.end()
            ),
        ));
    }
    if !(1..=2).contains(&channels) {
        return Err(refuse(
            path,
            &format!("{channels} channels; one or two are allowed: mix it down to stereo first"),
        ));
    }
    Ok(())
}

/// What to know of a rate that nothing usually runs at.
pub(super) fn rate_note(path: &Path, rate_hz: u32) -> Option<String> {
    if USUAL_RATES.contains(&rate_hz) {
        return None;
    }
    let nearest = USUAL_RATES.iter().min_by_key(|usual| usual.abs_diff(rate_hz)).copied().unwrap_or(rate_hz);
    Some(format!(
        "{} says that its sample rate is {rate_hz} Hz, which is unusual: a device that cannot run at it gets it \
         resampled; if {nearest} Hz is meant, correct the file",
        path.display()
    ))
}

/// What to know of a file whose coder threw sound away.
pub(super) fn lossy_note(path: &Path, codec: &str) -> String {
    format!(
        "{} is a lossy file ({codec}): its coder has thrown sound away before Earwitness got it. That is the same for \
         both sides, so the trials are fair; but what is gone may be what the difference lives in. A lossless file \
         (FLAC, WAV) gives the listener a better chance",
        path.display()
    )
}
