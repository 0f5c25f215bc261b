//! What lets people in: the room's code, the room display's key, and each seat's token.
//!
//! All three come from one secret of 32 bytes that has nothing to do with the seal: it says who may vote, never what was
//! drawn. It is kept in a file of the owner's until the night is closed, so that a restart knows every phone again
//! without keeping a list of tokens.

use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::NightError;
use crate::files;
use crate::system::OwnerOnly as _;
use crate::trial::{Digest, Secret};
use crate::units::foreign;

/// Letters and digits that nobody confuses when they are read aloud or from a distance: 28 of them.
const ALPHABET: &[u8; 28] = b"ACDEFHJKLMNPQRTUVWXY23456789";
/// Characters of the room's code: 28^6 is 4.8e8, and wrong ones are counted and slowed down.
const CODE_LENGTH: usize = 6;
/// Characters of a witness's code.
const WITNESS_CODE_LENGTH: usize = 16;
/// Most bytes of a pass file: thousands of seats.
const LARGEST_BYTES: u64 = 4 * 1024 * 1024;
/// Hex digits of a token's or key's proof: 128 bits.
const PROOF_DIGITS: usize = 32;

/// The address that phones open, with the room's code behind the hash sign: browsers do not send that part.
pub(super) fn join_address(address: SocketAddr, code: &str) -> String {
    format!("http://{address}/#{code}")
}

/// The secret that passes are made from.
#[derive(Clone, PartialEq, Eq)]
pub struct Passes {
    secret: [u8; 32],
}

impl std::fmt::Debug for Passes {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.write_str("Passes(secret)")
    }
}

/// A seat's token as it was understood: which seat, and which holder of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Holder {
    /// Number of the seat, from 1.
    pub seat: u32,
    /// 1 for who took the seat first, one more for each time that the host gave it to another phone.
    pub generation: u32,
}

impl Passes {
    /// New passes, from the operating system's randomness.
    pub fn draw() -> std::io::Result<Self> {
        Ok(Self { secret: *Secret::draw()?.bytes() })
    }

    /// Passes from a known secret: from its file, in tests.
    pub fn from_bytes(secret: [u8; 32]) -> Self {
        Self { secret }
    }

    /// The secret, for the pass file.
    pub(crate) fn secret(&self) -> &[u8; 32] {
        &self.secret
    }

    /// The code that joining needs: six letters and digits.
    pub fn room_code(&self) -> String {
        self.code("room code", CODE_LENGTH)
    }

    /// The code that witnesses need: sixteen letters and digits, 77 bits, as it is never guessed by asking.
    pub fn witness_code(&self) -> String {
        self.code("witness code", WITNESS_CODE_LENGTH)
    }

    fn code(&self, purpose: &str, length: usize) -> String {
        let digest = self.proof(purpose, &[]);
        // 28^16 is 1.4e23 and 2^128 is 3.4e38: no code is likelier than another by more than 1e-15.
        let mut number = u128::from_be_bytes(digest.0[..16].try_into().expect("16 of 32 bytes"));
        let mut code = String::with_capacity(length);
        for _ in 0..length {
            code.push(char::from(ALPHABET[(number % 28) as usize]));
            number /= 28;
        }
        code
    }

    /// Whether `typed` is the room's code; case and spaces do not matter.
    pub fn is_room_code(&self, typed: &str) -> bool {
        let typed: String = typed
            .chars()
            .filter(|c| !c.is_whitespace() && *c != '-')
            .map(|c| c.to_ascii_uppercase())
            .collect();
        same(typed.as_bytes(), self.room_code().as_bytes())
    }

    /// The key of the room's display.
    pub fn display_key(&self) -> String {
        self.proof("room display", &[]).hex()[..PROOF_DIGITS].to_owned()
    }

    /// Whether this is the display's key.
    pub fn is_display_key(&self, key: &str) -> bool {
        same(key.as_bytes(), self.display_key().as_bytes())
    }

    /// A short name of the night, for the cookie's name: two nights on one machine do not disturb each other.
    pub fn cookie_name(&self) -> String {
        format!("seat-{}", &self.proof("cookie", &[]).hex()[..8])
    }

    /// The token of a seat's holder: `SEAT-GENERATION-PROOF`.
    pub fn token(&self, holder: Holder) -> String {
        let proof = self.proof("seat", &[holder.seat, holder.generation]).hex();
        format!("{}-{}-{}", holder.seat, holder.generation, &proof[..PROOF_DIGITS])
    }

    /// Who holds this token; `None` for anything that these passes did not make.
    pub fn holder(&self, token: &str) -> Option<Holder> {
        let mut parts = token.split('-');
        let (seat, generation, _) = (parts.next()?, parts.next()?, parts.next()?);
        let holder = Holder { seat: seat.parse().ok()?, generation: generation.parse().ok()? };
        // The whole text is compared, so that no second spelling of a token is one.
        same(token.as_bytes(), self.token(holder).as_bytes()).then_some(holder)
    }

    /// SHA-256 over a purpose, the secret and numbers. The secret has a fixed length and stands before everything that
    /// others choose; the digest is cut where it is shown, so it cannot be continued.
    fn proof(&self, purpose: &str, numbers: &[u32]) -> Digest {
        let mut bytes = format!("earwitness night pass v1 {purpose}\n").into_bytes();
        bytes.extend_from_slice(&self.secret);
        for number in numbers {
            bytes.extend_from_slice(&number.to_be_bytes());
        }
        Digest::of(&bytes)
    }
}

/// Compares in a time that does not depend on where the difference is.
fn same(left: &[u8], right: &[u8]) -> bool {
    left.len() == right.len() && left.iter().zip(right).fold(0_u8, |all, (l, r)| all | (l ^ r)) == 0
}

/// What a restart must know besides the journal. Kept beside the journal, readable by the owner only. After the
/// closing it lets phones see their results again; there is nothing left to vote on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PassFile {
    /// The passes' secret, 64 hex digits.
    pub secret: Digest,
    /// Address and port that the phones know.
    pub address: SocketAddr,
    /// After the closing: index of the last step of the reveal that was shown.
    #[serde(default)]
    pub shown: usize,
}

impl PassFile {
    /// The pass file that belongs to a journal.
    pub fn beside(journal: &Path) -> PathBuf {
        journal.with_extension("passes")
    }

    /// Writes the file, readable and writable by the owner only, whole or not at all.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), NightError> {
        let failed = |error: std::io::Error| NightError::file(path, "written", &error);
        let text = serde_json::to_string(self).expect("a pass file is plain data");
        let temporary = path.with_extension("passes-new");
        let mut file = std::fs::OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(true)
            .owner_only()
            .open(&temporary)
            .map_err(failed)?;
        file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(failed)?;
        std::fs::rename(&temporary, path).and_then(|()| files::sync_names(path)).map_err(failed)
    }

    /// Reads a pass file; `None` if there is none.
    ///
    /// # Errors
    /// It is there and cannot be read or understood.
    pub fn read(path: &Path) -> Result<Option<Self>, NightError> {
        let text = match files::read(path, LARGEST_BYTES) {
            Ok(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(NightError::file(path, "read", &error)),
        };
        serde_json::from_str(&text).map(Some).map_err(|error| NightError::File {
            file: path.to_path_buf(),
            message: format!(
                "this is not the pass file of a night ({}); phones of that night must join again",
                foreign::message(&error)
            ),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_known_again_and_nothing_else_is() {
        let passes = Passes::from_bytes([3; 32]);
        let holder = Holder { seat: 12, generation: 2 };
        let token = passes.token(holder);
        assert_eq!(passes.holder(&token), Some(holder));
        for other in
            ["", "12", "12-2", "12-2-", "012-2-0", &token[1..], &token.to_uppercase(), &format!("0{token}")]
        {
            assert_eq!(passes.holder(other), None, "{other}");
        }
        let stolen = token.replacen("12-", "13-", 1);
        assert_eq!(passes.holder(&stolen), None, "a token for one seat opens no other");
        let older = token.replacen("12-2-", "12-1-", 1);
        assert_eq!(passes.holder(&older), None, "nor another generation");
        assert_eq!(Passes::from_bytes([4; 32]).holder(&token), None, "nor another night");
    }

    #[test]
    fn codes_are_read_whatever_the_case_and_spacing() {
        let passes = Passes::from_bytes([9; 32]);
        let code = passes.room_code();
        assert_eq!(code.len(), CODE_LENGTH);
        assert!(passes.is_room_code(&code.to_lowercase()));
        assert!(passes.is_room_code(&format!(" {} {}", &code[..3], &code[3..])));
        assert!(!passes.is_room_code(""));
        assert!(!passes.is_room_code(&code[1..]));
        assert!(!passes.is_room_code(&format!("{code}A")));
        assert_ne!(passes.display_key(), Passes::from_bytes([8; 32]).display_key());
    }

    #[test]
    fn a_pass_file_is_the_owners_only() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("night.passes");
        assert_eq!(PassFile::read(&path).expect("no file is no error"), None);
        let file = PassFile {
            secret: Digest([5; 32]),
            address: "127.0.0.1:8410".parse().expect("an address"),
            shown: 3,
        };
        file.write(&path).expect("written");
        assert_eq!(PassFile::read(&path).expect("read"), Some(file));
        assert_eq!(std::fs::metadata(&path).expect("there").permissions().mode() & 0o777, 0o600);
        std::fs::write(&path, "{").expect("written");
        assert!(PassFile::read(&path).is_err());
    }
}
