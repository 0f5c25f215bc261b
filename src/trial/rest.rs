//! The secret at rest: a file of the owner's beside the journal, plain or locked with the other party's passphrase.
//!
//! # The written format
//!
//! One line of JSON. Plain: `{"earwitness_secret":1,"secret":HEX}`. Locked:
//! `{"earwitness_secret":1,"memory_kib":M,"passes":T,"lanes":P,"salt":HEX,"nonce":HEX,"locked":HEX}`: Argon2id (RFC 9106,
//! version 0x13) with these parameters makes a key of 32 bytes from passphrase and salt; `locked` is the secret under
//! XChaCha20-Poly1305 with that key and nonce, the commitment's 32 bytes as additional data.

use std::fs::OpenOptions;
use std::io::{Read as _, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

use argon2::{Algorithm, Argon2, Params, Version};
use chacha20poly1305::aead::{Aead as _, KeyInit as _, Payload};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};
use rand::TryRng as _;
use serde::{Deserialize, Serialize};

use super::digest::{Digest, hex};
use super::seal::Secret;

/// Argon2id's cost: memory in KiB, passes, lanes (RFC 9106 section 4, second recommended option).
const COST: (u32, u32, u32) = (64 * 1024, 3, 4);

#[derive(Debug, Serialize, Deserialize)]
#[serde(untagged, deny_unknown_fields)]
enum Stored {
    Plain {
        earwitness_secret: u32,
        secret: Digest,
    },
    Locked {
        earwitness_secret: u32,
        memory_kib: u32,
        passes: u32,
        lanes: u32,
        salt: String,
        nonce: String,
        locked: String,
    },
}

/// Why a secret cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// The file cannot be read or written.
    #[error("the sealed secret {file}: {source}")]
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
    #[error("the secret is locked: the other party's passphrase is needed")]
    Locked,
    /// The passphrase is wrong.
    #[error("the passphrase is not the one that locked the secret")]
    WrongPassphrase,
    /// The key could not be derived.
    #[error("the passphrase could not be turned into a key: {0}")]
    Derivation(String),
}

fn derive(passphrase: &str, salt: &[u8], cost: (u32, u32, u32)) -> Result<[u8; 32], SecretError> {
    let failed = |error: argon2::Error| SecretError::Derivation(error.to_string());
    let parameters = Params::new(cost.0, cost.1, cost.2, Some(32)).map_err(failed)?;
    let mut key = [0_u8; 32];
    Argon2::new(Algorithm::Argon2id, Version::V0x13, parameters)
        .hash_password_into(passphrase.as_bytes(), salt, &mut key)
        .map_err(failed)?;
    Ok(key)
}

fn random<const N: usize>() -> std::io::Result<[u8; N]> {
    let mut bytes = [0_u8; N];
    rand::rngs::SysRng.try_fill_bytes(&mut bytes).map_err(std::io::Error::other)?;
    Ok(bytes)
}

fn unhex(text: &str) -> Option<Vec<u8>> {
    let digits: Vec<u8> =
        text.chars().map(|digit| digit.to_digit(16).map(|digit| digit as u8)).collect::<Option<_>>()?;
    digits
        .len()
        .is_multiple_of(2)
        .then(|| digits.chunks_exact(2).map(|pair| pair[0] * 16 + pair[1]).collect())
}

/// Writes the secret to a new file that only its owner can read, and waits until it is durable.
pub fn store(path: &Path, secret: &Secret, passphrase: Option<&str>) -> Result<(), SecretError> {
    let failed = |source| SecretError::File { file: path.display().to_string(), source };
    let stored = match passphrase {
        None => Stored::Plain { earwitness_secret: 1, secret: Digest(*secret.bytes()) },
        Some(passphrase) => {
            let salt: [u8; 16] = random().map_err(failed)?;
            let nonce: [u8; 24] = random().map_err(failed)?;
            let key = derive(passphrase, &salt, COST)?;
            let commitment = secret.commitment();
            let payload = Payload { msg: secret.bytes(), aad: &commitment.0 };
            let locked = XChaCha20Poly1305::new(&key.into())
                .encrypt(&XNonce::from(nonce), payload)
                .map_err(|error| SecretError::Derivation(error.to_string()))?;
            Stored::Locked {
                earwitness_secret: 1,
                memory_kib: COST.0,
                passes: COST.1,
                lanes: COST.2,
                salt: hex(&salt),
                nonce: hex(&nonce),
                locked: hex(&locked),
            }
        }
    };
    let mut bytes = serde_json::to_vec(&stored).map_err(|error| failed(error.into()))?;
    bytes.push(b'\n');
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map_err(failed)?;
    file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(failed)
}

/// Whether the secret in the file is locked with a passphrase.
pub fn is_locked(path: &Path) -> Result<bool, SecretError> {
    Ok(matches!(stored(path)?, Stored::Locked { .. }))
}

fn stored(path: &Path) -> Result<Stored, SecretError> {
    let name = path.display().to_string();
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(1 << 16).read_to_end(&mut bytes))
        .map_err(|source| SecretError::File { file: name.clone(), source })?;
    let stored: Stored = serde_json::from_slice(&bytes).map_err(|_| SecretError::Damaged(name.clone()))?;
    let (Stored::Plain { earwitness_secret, .. } | Stored::Locked { earwitness_secret, .. }) = &stored;
    if *earwitness_secret == 1 { Ok(stored) } else { Err(SecretError::Damaged(name)) }
}

/// Reads the secret that `commitment` commits to.
pub fn fetch(path: &Path, commitment: Digest, passphrase: Option<&str>) -> Result<Secret, SecretError> {
    let damaged = || SecretError::Damaged(path.display().to_string());
    let secret = match stored(path)? {
        Stored::Plain { secret, .. } => Secret::from_bytes(secret.0),
        Stored::Locked { memory_kib, passes, lanes, salt, nonce, locked, .. } => {
            let passphrase = passphrase.ok_or(SecretError::Locked)?;
            // A file that somebody changed must not take all memory.
            if memory_kib > 4 * COST.0 || passes > 4 * COST.1 {
                return Err(damaged());
            }
            let salt = unhex(&salt).ok_or_else(damaged)?;
            let nonce: [u8; 24] =
                unhex(&nonce).and_then(|nonce| nonce.try_into().ok()).ok_or_else(damaged)?;
            let locked = unhex(&locked).ok_or_else(damaged)?;
            let key = derive(passphrase, &salt, (memory_kib, passes, lanes))?;
            let payload = Payload { msg: &locked, aad: &commitment.0 };
            let opened = XChaCha20Poly1305::new(&key.into())
                .decrypt(&XNonce::from(nonce), payload)
                .map_err(|_| SecretError::WrongPassphrase)?;
            Secret::from_bytes(opened.try_into().map_err(|_| damaged())?)
        }
    };
    if secret.commitment() == commitment { Ok(secret) } else { Err(damaged()) }
}
