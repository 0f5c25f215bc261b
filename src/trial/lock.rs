//! A lock: a passphrase of somebody else's, without which a sitting neither goes on nor ends.
//!
//! # The written format, for strangers
//!
//! The opening's `lock` holds the parameters of Argon2id (RFC 9106, version 0x13); its salt is the opening's commitment, 32
//! bytes that no other sitting has. Of the passphrase's UTF-8 bytes Argon2id makes the lock's `key` of 32 bytes, and then:
//!
//! - `verifier = HMAC-SHA-256(key, "earwitness verifier v2")` (RFC 2104), in the opening;
//! - `proof = HMAC-SHA-256(key, chain)` in every resumption and in the closing, `chain` the 32 bytes of that line's chain;
//! - the file of the secrets at rest is encrypted under `HMAC-SHA-256(key, "earwitness secret v2")`.
//!
//! Whoever knows the passphrase can check each proof; whoever does not can make none.

use argon2::{Algorithm, Argon2, Params, Version};
use hmac::{Hmac, KeyInit as _, Mac as _};
use serde::{Deserialize, Serialize};
use sha2::Sha256;
use zeroize::Zeroize as _;

use super::digest::Digest;

/// Argon2id's cost: memory in KiB, passes, lanes (RFC 9106 section 4, second recommended option).
const COST: (u32, u32, u32) = (64 * 1024, 3, 4);

/// What an opening publishes of its lock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LockTerms {
    /// Argon2id's memory in KiB.
    pub memory_kib: u32,
    /// Argon2id's passes.
    pub passes: u32,
    /// Argon2id's lanes.
    pub lanes: u32,
    /// Tells the right passphrase from others.
    pub verifier: Digest,
}

/// Why a lock does not open.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LockError {
    /// The passphrase is wrong.
    #[error("the passphrase is not the one that locked this sitting")]
    WrongPassphrase,
    /// The key could not be derived.
    #[error("the passphrase could not be turned into a key: {0}")]
    Derivation(String),
}

/// The key that a passphrase gives. Shows itself to nobody; wiped from memory when dropped.
#[derive(Clone, PartialEq, Eq)]
pub struct LockKey([u8; 32]);

impl Drop for LockKey {
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl std::fmt::Debug for LockKey {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("LockKey(sealed)")
    }
}

impl LockKey {
    /// A new lock under a passphrase, for the sitting with this commitment in its opening.
    ///
    /// # Errors
    /// The key cannot be derived.
    pub fn new(commitment: Digest, passphrase: &str) -> Result<(LockTerms, Self), LockError> {
        let key = derive(passphrase, &commitment.0, COST)?;
        let verifier = key.verifier();
        let (memory_kib, passes, lanes) = COST;
        Ok((LockTerms { memory_kib, passes, lanes, verifier }, key))
    }

    /// The key of the lock of the sitting with this commitment, with the passphrase that it was made with.
    ///
    /// # Errors
    /// It is another passphrase, or the terms ask for what no sitting asks for.
    pub fn open(terms: &LockTerms, commitment: Digest, passphrase: &str) -> Result<Self, LockError> {
        // A file that somebody changed must not take all memory or all day.
        if terms.memory_kib > 4 * COST.0 || terms.passes > 4 * COST.1 {
            return Err(LockError::Derivation("its cost is beyond what this program asks for".to_owned()));
        }
        let key = derive(passphrase, &commitment.0, (terms.memory_kib, terms.passes, terms.lanes))?;
        if key.verifier() == terms.verifier { Ok(key) } else { Err(LockError::WrongPassphrase) }
    }

    /// The key itself, for whoever checks the proofs elsewhere. Once the sitting is closed it guards nothing any more.
    pub fn to_check_with(&self) -> Digest {
        Digest(self.0)
    }

    fn verifier(&self) -> Digest {
        hmac_sha256(&self.0, b"earwitness verifier v2")
    }

    /// What a record proves with whose line has this chain.
    pub fn proof(&self, chain: Digest) -> Digest {
        hmac_sha256(&self.0, &chain.0)
    }

    /// The key of the secrets' file.
    pub(super) fn file_key(&self) -> [u8; 32] {
        hmac_sha256(&self.0, b"earwitness secret v2").0
    }
}

/// HMAC-SHA-256 (RFC 2104).
pub fn hmac_sha256(key: &[u8], message: &[u8]) -> Digest {
    let mut mac = Hmac::<Sha256>::new_from_slice(key).expect("HMAC takes keys of any length");
    mac.update(message);
    Digest(mac.finalize().into_bytes().into())
}

fn derive(passphrase: &str, salt: &[u8], cost: (u32, u32, u32)) -> Result<LockKey, LockError> {
    let failed = |error: argon2::Error| LockError::Derivation(error.to_string());
    let parameters = Params::new(cost.0, cost.1, cost.2, Some(32)).map_err(failed)?;
    let mut key = [0_u8; 32];
    Argon2::new(Algorithm::Argon2id, Version::V0x13, parameters)
        .hash_password_into(passphrase.as_bytes(), salt, &mut key)
        .map_err(failed)?;
    Ok(LockKey(key))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hmac_sha_256_of_rfc_4231() {
        // RFC 4231 test cases 1, 2 and 6 (a key longer than a block).
        let cases: [(&[u8], &[u8], &str); 3] = [
            (&[0x0b; 20], b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
            (
                b"Jefe",
                b"what do ya want for nothing?",
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
            ),
            (
                &[0xaa; 131],
                b"Test Using Larger Than Block-Size Key - Hash Key First",
                "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
            ),
        ];
        for (key, message, expected) in cases {
            assert_eq!(hmac_sha256(key, message).hex(), expected);
        }
    }

    #[test]
    fn another_passphrase_or_salt_is_another_key() {
        let (one, other) = (Digest([1; 32]), Digest([2; 32]));
        let (terms, key) = LockKey::new(one, "Jorin's own words").expect("a lock");
        assert_eq!(LockKey::open(&terms, one, "Jorin's own words"), Ok(key.clone()));
        assert_eq!(LockKey::open(&terms, one, "Jorin's own words "), Err(LockError::WrongPassphrase));
        assert_eq!(LockKey::open(&terms, other, "Jorin's own words"), Err(LockError::WrongPassphrase));
        assert!(!format!("{key:?}").contains(&Digest(key.0).hex()));
        let dear = LockTerms { memory_kib: u32::MAX, ..terms };
        assert!(matches!(LockKey::open(&dear, one, "x"), Err(LockError::Derivation(_))));
    }
}
