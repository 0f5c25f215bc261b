//! The seal: a secret, its commitment, the key that secret and hands give, and the stream of draws.
//!
//! # The written format, for strangers
//!
//! `v` is the journal's format, written as digits.
//!
//! - `secret`: 32 bytes from the operating system.
//! - `commitment = SHA-256("earwitness seal v" v || secret)`, published in the journal's first record; in format 2 each
//!   resumption has a fresh secret and publishes its commitment.
//! - `key = SHA-256("earwitness key v" v || secret || for each hand: its length in bytes as 8 bytes big-endian || its
//!   bytes)`, in the order of the journal: a typed hand (in format 1 called a phrase) stands where it was typed, a phone's
//!   where its hash was given.
//! - A phone's hand is 32 bytes, its hash `SHA-256("earwitness hand v2" || hand)`.
//! - The stream is the `ChaCha20` key stream (RFC 8439) under `key`, nonce of 12 zero bytes, counter from 0.
//! - `below(n)`, an unbiased whole number from 0 to n - 1: for n = 1 it is 0 and takes nothing from the stream.
//!   Otherwise take the next 4 bytes of the stream as a little-endian number `v`; if `v >= floor(2^32 / n) * n`, take
//!   the next 4 bytes instead, and so on; the result is `v mod n`.
//! - `shuffle(list)` (Fisher-Yates): for i from the last index down to 1, `j = below(i + 1)`, exchange items i and j.

use chacha20::ChaCha20;
use chacha20::cipher::{KeyIvInit, StreamCipher};
use rand::TryRng;
use zeroize::{Zeroize as _, Zeroizing};

use super::digest::Digest;

/// 32 bytes that nobody knows before the closing; wiped from memory when dropped.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret([u8; 32]);

impl Drop for Secret {
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("Secret(sealed)")
    }
}

impl Secret {
    /// 32 bytes from the operating system.
    pub fn draw() -> std::io::Result<Self> {
        let mut bytes = [0_u8; 32];
        rand::rngs::SysRng.try_fill_bytes(&mut bytes).map_err(|error| {
            std::io::Error::other(format!("the operating system gave no randomness: {error}"))
        })?;
        Ok(Self(bytes))
    }

    /// A secret that is already known: from its file, from an opened seal, in tests.
    pub fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// The bytes. Whoever shows or writes them before the closing breaks the seal.
    pub fn bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// What a journal of this format publishes before the first trial.
    pub fn commitment(&self, format: u32) -> Digest {
        Digest::of_parts(&[format!("earwitness seal v{format}").as_bytes(), &self.0])
    }

    /// The key of all draws in a journal of this format.
    pub fn key<'h>(&self, format: u32, hands: impl IntoIterator<Item = &'h [u8]>) -> Digest {
        // Long enough from the start: a vector that grows leaves copies behind.
        let hands: Vec<&[u8]> = hands.into_iter().collect();
        let mut bytes =
            Zeroizing::new(Vec::with_capacity(64 + hands.iter().map(|hand| hand.len() + 8).sum::<usize>()));
        bytes.extend_from_slice(format!("earwitness key v{format}").as_bytes());
        bytes.extend_from_slice(&self.0);
        for hand in hands {
            bytes.extend_from_slice(&(hand.len() as u64).to_be_bytes());
            bytes.extend_from_slice(hand);
        }
        Digest::of(&bytes)
    }
}

/// What a phone gives of its hand before the sealing.
pub fn hand_hash(hand: &Digest) -> Digest {
    Digest::of_parts(&[b"earwitness hand v2", &hand.0])
}

/// The stream that every draw is taken from.
pub struct Stream {
    cipher: ChaCha20,
}

impl std::fmt::Debug for Stream {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("Stream(sealed)")
    }
}

impl Stream {
    /// The stream under a key, from its beginning.
    pub fn new(key: Digest) -> Self {
        Self { cipher: ChaCha20::new(&key.0.into(), &[0_u8; 12].into()) }
    }

    /// The next bytes of the key stream.
    pub fn fill(&mut self, bytes: &mut [u8]) {
        bytes.fill(0);
        self.cipher.apply_keystream(bytes);
    }

    /// An unbiased whole number from 0 to `count - 1`; `count` is at least 1.
    pub fn below(&mut self, count: usize) -> usize {
        let count = (count as u64).clamp(1, 1 << 32);
        if count == 1 {
            return 0;
        }
        let limit = (1_u64 << 32) / count * count;
        loop {
            let mut bytes = [0_u8; 4];
            self.fill(&mut bytes);
            let value = u64::from(u32::from_le_bytes(bytes));
            if value < limit {
                return (value % count) as usize;
            }
        }
    }

    /// Fisher-Yates, from the last item down.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for index in (1..items.len()).rev() {
            let other = self.below(index + 1);
            items.swap(index, other);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chacha20_key_stream_of_rfc_8439() {
        // RFC 8439 A.1 test vector 1: zero key, zero nonce, counter 0.
        let mut stream = Stream::new(Digest([0; 32]));
        let mut bytes = [0_u8; 64];
        stream.fill(&mut bytes);
        let expected = "76b8e0ada0f13d90405d6ae55386bd28bdd219b8a08ded1aa836efcc8b770dc7\
                        da41597c5157488d7724e03fb8d84a376a43b8f41518a11cc387b669b2ee6586";
        assert_eq!(super::super::digest::hex(&bytes), expected);
        // RFC 8439 2.3.2: key 00..1f, its own nonce, counter 1; the same cipher as the stream's.
        let key: [u8; 32] = std::array::from_fn(|index| index as u8);
        let nonce = [0, 0, 0, 9, 0, 0, 0, 0x4a, 0, 0, 0, 0];
        let mut cipher = ChaCha20::new(&key.into(), &nonce.into());
        let mut bytes = [0_u8; 128];
        cipher.apply_keystream(&mut bytes);
        let expected = "10f1e7e4d13b5915500fdd1fa32071c4c7d1f4c733c068030422aa9ac3d46c4e\
                        d2826446079faa0914c2d705d98b02a2b5129cd1de164eb9cbd083e8a2503c4e";
        assert_eq!(super::super::digest::hex(&bytes[64..]), expected);
    }

    #[test]
    fn sha_256_of_fips_180_4() {
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(Digest::of(b"abc").hex(), abc);
        let empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";
        assert_eq!(Digest::of(b"").hex(), empty);
    }

    #[test]
    fn hands_cannot_be_cut_differently() {
        let secret = Secret::from_bytes([7; 32]);
        let key = |hands: &[&[u8]]| secret.key(2, hands.iter().copied());
        assert_ne!(key(&[b"ab", b"c"]), key(&[b"a", b"bc"]));
        assert_ne!(key(&[]), key(&[b""]));
        assert_ne!(key(&[]), secret.key(1, []));
    }
}
