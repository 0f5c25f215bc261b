//! The secrets at rest: a file of the owner's beside the journal, plain or locked with somebody else's passphrase.
//!
//! # The written format
//!
//! One line of JSON. Plain: `{"earwitness_secret":2,"secrets":[HEX,...]}`, those of all sealings so far in order, and
//! perhaps one that was never committed to. Locked: `{"earwitness_secret":2,"nonce":HEX,"locked":HEX}`: the secrets one
//! after the other under XChaCha20-Poly1305 with the [lock](super::lock)'s file key and this nonce of 24 bytes.

use std::fs::OpenOptions;
use std::io::{Read as _, Write as _};
use std::path::Path;

use chacha20poly1305::aead::{Aead as _, KeyInit as _};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};
use rand::TryRng as _;
use serde::{Deserialize, Serialize};
use zeroize::Zeroizing;

use super::digest::{Digest, hex};
use super::lock::{LockError, LockKey};
use super::seal::Secret;
use crate::files;
use crate::system::OwnerOnly as _;

/// Version of the file.
const VERSION: u32 = 2;
/// Longest file that is read: thousands of interruptions.
const LONGEST: u64 = 1 << 20;

#[derive(Debug, Serialize, Deserialize)]
#[serde(untagged, deny_unknown_fields)]
enum Stored {
    Plain { earwitness_secret: u32, secrets: Vec<Digest> },
    Locked { earwitness_secret: u32, nonce: String, locked: String },
}

/// Why a secret cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// The file cannot be read or written.
    #[error("the sealed secret {file}: {}", crate::files::reason(source))]
    File {
        /// Which file.
        file: String,
        /// Why.
        source: std::io::Error,
    },
    /// The file is not a secret's.
    #[error("the sealed secret {0}: the file is damaged; without it this sitting cannot go on")]
    Damaged(String),
    /// A passphrase is needed.
    #[error("this sitting is locked: it goes on and ends only with the passphrase that locked it")]
    Locked,
    /// The journal says one thing about a lock, the file another.
    #[error(
        "the sealed secret {0}: the journal says that this sitting is locked, and the file is not: somebody put another \
         one in its place, and this sitting cannot go on"
    )]
    Exchanged(String),
    /// The lock does not open.
    #[error(transparent)]
    Lock(#[from] LockError),
}

/// Writes the secrets to a file that only its owner can read, in place of an earlier one, and waits until it is durable.
pub fn store(path: &Path, secrets: &[Secret], lock: Option<&LockKey>) -> Result<(), SecretError> {
    let failed = |source| SecretError::File { file: path.display().to_string(), source };
    let stored = match lock {
        None => Stored::Plain {
            earwitness_secret: VERSION,
            secrets: secrets.iter().map(|secret| Digest(*secret.bytes())).collect(),
        },
        Some(key) => {
            let mut nonce = [0_u8; 24];
            rand::rngs::SysRng
                .try_fill_bytes(&mut nonce)
                .map_err(|error| failed(std::io::Error::other(error)))?;
            let all: Zeroizing<Vec<u8>> =
                Zeroizing::new(secrets.iter().flat_map(|secret| *secret.bytes()).collect());
            let locked = XChaCha20Poly1305::new(&key.file_key().into())
                .encrypt(&XNonce::from(nonce), all.as_slice())
                .map_err(|error| LockError::Derivation(error.to_string()))?;
            Stored::Locked { earwitness_secret: VERSION, nonce: hex(&nonce), locked: hex(&locked) }
        }
    };
    let mut bytes = Zeroizing::new(serde_json::to_vec(&stored).map_err(|error| failed(error.into()))?);
    bytes.push(b'\n');
    // Whole or not at all: without the secrets so far a sitting could not go on.
    let part = path.with_extension("secret-part");
    let mut file = OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .owner_only()
        .open(&part)
        .map_err(failed)?;
    file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(failed)?;
    std::fs::rename(&part, path).map_err(failed)?;
    // Only now does the name survive a loss of power.
    files::sync_names(path).map_err(failed)
}

/// Reads the secrets. The file must be locked where `lock` is there, and plain where it is not.
pub fn fetch(path: &Path, lock: Option<&LockKey>) -> Result<Vec<Secret>, SecretError> {
    let name = path.display().to_string();
    let damaged = || SecretError::Damaged(name.clone());
    let mut bytes = Zeroizing::new(Vec::new());
    files::open(path)
        .and_then(|file| file.take(LONGEST).read_to_end(&mut bytes))
        .map_err(|source| SecretError::File { file: name.clone(), source })?;
    let stored: Stored = serde_json::from_slice(&bytes).map_err(|_| damaged())?;
    let (Stored::Plain { earwitness_secret, .. } | Stored::Locked { earwitness_secret, .. }) = &stored;
    if *earwitness_secret != VERSION {
        return Err(damaged());
    }
    match (stored, lock) {
        (Stored::Plain { secrets, .. }, None) => {
            Ok(secrets.into_iter().map(|secret| Secret::from_bytes(secret.0)).collect())
        }
        (Stored::Plain { .. }, Some(_)) => Err(SecretError::Exchanged(name)),
        (Stored::Locked { .. }, None) => Err(damaged()),
        (Stored::Locked { nonce, locked, .. }, Some(key)) => {
            let nonce: [u8; 24] =
                unhex(&nonce).and_then(|nonce| nonce.try_into().ok()).ok_or_else(damaged)?;
            let locked = unhex(&locked).ok_or_else(damaged)?;
            let all = XChaCha20Poly1305::new(&key.file_key().into())
                .decrypt(&XNonce::from(nonce), locked.as_slice())
                .map_err(|_| damaged())
                .map(Zeroizing::new)?;
            let (secrets, rest) = all.as_chunks::<32>();
            if !rest.is_empty() {
                return Err(damaged());
            }
            Ok(secrets.iter().map(|secret| Secret::from_bytes(*secret)).collect())
        }
    }
}

/// Removes the secrets in a folder of sittings that nobody needs, `needed` saying which journal still does: those of closed
/// sittings, and of such as a cut left before they were announced. An unfinished sitting needs its own, or its answers could
/// never be scored.
pub(super) fn sweep(folder: &Path, needed: impl Fn(&str) -> bool) {
    let Ok(files) = std::fs::read_dir(folder) else { return };
    for path in files.filter_map(Result::ok).map(|file| file.path()) {
        let name = crate::files::name(&path);
        let Some(hidden) = name.strip_prefix('.') else { continue };
        let whole = hidden.strip_suffix(".secret").map(|name| needed(&format!("{name}.jsonl")));
        if whole == Some(false) || hidden.ends_with(".secret-part") {
            // A file that stays is no worse than before.
            let _ = std::fs::remove_file(&path);
        }
    }
}

/// The bytes of lower-case hex digits.
fn unhex(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> =
        text.chars().map(|digit| digit.to_digit(16).map(|digit| digit as u8)).collect::<Option<_>>()?;
    digits
        .len()
        .is_multiple_of(2)
        .then(|| digits.chunks_exact(2).map(|pair| pair[0] * 16 + pair[1]).collect())
}
