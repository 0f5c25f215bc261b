//! SHA-256 (FIPS 180-4) digests as values that read and write as 64 hex digits.

pub(crate) use crate::stimulus::hex;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest as _, Sha256};

/// A SHA-256 digest, or any other 32 bytes that journals write as 64 lower-case hex digits.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest(pub [u8; 32]);

impl Digest {
    /// The chain field of a file's first record: nothing stands before it.
    pub const NOTHING: Self = Self([0; 32]);

    /// SHA-256 of bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self::of_parts(&[bytes])
    }

    /// SHA-256 of several pieces put one after the other.
    pub fn of_parts(parts: &[&[u8]]) -> Self {
        let mut hasher = Sha256::new();
        for part in parts {
            hasher.update(part);
        }
        Self(hasher.finalize().into())
    }

    /// SHA-256 of a beginning, and of the whole that goes on with `rest`.
    pub(super) fn of_beginning_and_whole(beginning: &[u8], rest: &[u8]) -> (Self, Self) {
        let mut hasher = Sha256::new();
        hasher.update(beginning);
        let first = Self(hasher.clone().finalize().into());
        hasher.update(rest);
        (first, Self(hasher.finalize().into()))
    }

    /// 64 lower-case hex digits.
    pub fn hex(&self) -> String {
        hex(&self.0)
    }

    /// From 64 hex digits of either case.
    pub fn from_hex(text: &str) -> Option<Self> {
        let bytes = text.as_bytes();
        if bytes.len() != 64 {
            return None;
        }
        let mut value = [0_u8; 32];
        for (byte, pair) in value.iter_mut().zip(bytes.chunks_exact(2)) {
            let high = char::from(pair[0]).to_digit(16)?;
            let low = char::from(pair[1]).to_digit(16)?;
            *byte = (high * 16 + low) as u8;
        }
        Some(Self(value))
    }
}

impl std::fmt::Debug for Digest {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(&self.hex())
    }
}

impl std::fmt::Display for Digest {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str(&self.hex())
    }
}

impl Serialize for Digest {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.hex())
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        Self::from_hex(&text).ok_or_else(|| D::Error::custom("64 hex digits are expected"))
    }
}
