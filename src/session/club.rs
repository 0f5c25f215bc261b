//! Whose night it is: a club's name and logo, for the room's display, certificates and the report.
//!
//! Comes in: the table `[club]` and a PNG file (ISO/IEC 15948). Goes out: a name, and the picture without anything but the
//! picture: no texts, times, camera data or colour profiles.

use std::path::Path;

use super::reader::{SessionError, Table};
use crate::files;

/// Largest logo file in bytes.
const LARGEST: u64 = 256 * 1024;
/// Most pixels along a side.
const MOST_PIXELS: u32 = 2000;
/// What every PNG file begins with.
const SIGNATURE: [u8; 8] = [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n'];
/// The chunks that make the picture. Everything else is left out.
const KEPT: [&[u8; 4]; 5] = [b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"];

/// A club.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Club {
    /// Its name.
    pub name: String,
    /// Its logo as a PNG file, if it has one.
    pub logo: Option<Vec<u8>>,
}

/// The table `club`.
pub(super) fn club(table: &mut Table<'_>, folder: &Path) -> Result<Option<Club>, SessionError> {
    let Some(mut inner) = table.table("club")? else { return Ok(None) };
    let name = inner.text("name")?.ok_or_else(|| inner.missing("name", "\"Lower Mill listening circle\""))?;
    if name.trim().is_empty() || name.chars().count() > 80 {
        return Err(inner.error_at("name", "a club's name has 1 to 80 characters"));
    }
    let logo = match inner.text("logo")? {
        None => None,
        Some(written) => {
            let path = folder.join(&written);
            let failed = |why: &dyn std::fmt::Display| {
                inner.error_at("logo", format!("\"{written}\" cannot be used as {}: {why}", path.display()))
            };
            let bytes = files::read(&path, LARGEST).map_err(|error| failed(&error))?;
            let picture = picture(&bytes).map_err(|why| failed(&why))?;
            inner.reads(&written, &path, Some(&bytes));
            Some(picture)
        }
    };
    inner.finish()?;
    Ok(Some(Club { name, logo }))
}

/// The picture of a PNG file, and nothing else of it.
fn picture(bytes: &[u8]) -> Result<Vec<u8>, String> {
    let mut rest = bytes.strip_prefix(&SIGNATURE).ok_or("it is not a PNG file")?;
    let mut kept = SIGNATURE.to_vec();
    let mut first = true;
    loop {
        let cut = "it ends in the middle of a PNG file";
        let (length, after) = rest.split_first_chunk::<4>().ok_or(cut)?;
        // Length, type, data, check.
        let whole =
            (u32::from_be_bytes(*length) as usize).checked_add(12).filter(|&whole| whole <= rest.len());
        let chunk = &rest[..whole.ok_or(cut)?];
        let (kind, data) = after.split_first_chunk::<4>().ok_or(cut)?;
        if first {
            let side = |at: usize| {
                data.get(at..at + 4).and_then(|four| four.try_into().ok()).map_or(0, u32::from_be_bytes)
            };
            if kind != b"IHDR" || [side(0), side(4)].iter().any(|side| !(1..=MOST_PIXELS).contains(side)) {
                return Err(format!("a logo has 1 to {MOST_PIXELS} pixels along each side"));
            }
            first = false;
        }
        if KEPT.contains(&kind) {
            kept.extend_from_slice(chunk);
        }
        if kind == b"IEND" {
            return Ok(kept);
        }
        rest = &rest[chunk.len()..];
    }
}

impl Club {
    /// The logo as an address that holds it whole, for a page that asks nobody for anything.
    pub fn logo_address(&self) -> Option<String> {
        use base64ct::Encoding as _;
        let encoded = base64ct::Base64::encode_string(self.logo.as_ref()?);
        Some(format!("data:image/png;base64,{encoded}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chunk(kind: [u8; 4], data: &[u8]) -> Vec<u8> {
        let length = u32::try_from(data.len()).expect("small").to_be_bytes();
        [&length[..], &kind, data, &[0; 4]].concat()
    }

    fn header(width: u32, height: u32) -> Vec<u8> {
        chunk(*b"IHDR", &[&width.to_be_bytes()[..], &height.to_be_bytes(), &[8, 2, 0, 0, 0]].concat())
    }

    #[test]
    fn only_the_picture_is_kept() {
        let told = chunk(*b"tEXt", b"Author\0Ida of Mill Lane 7");
        let camera = chunk(*b"eXIf", b"where it was taken");
        let (pixels, end) = (chunk(*b"IDAT", b"pixels"), chunk(*b"IEND", b""));
        let file =
            [&SIGNATURE[..], &header(64, 32), &told, &camera, &pixels, &end, b"hidden behind"].concat();
        let expected = [&SIGNATURE[..], &header(64, 32), &pixels, &end].concat();
        assert_eq!(picture(&file), Ok(expected));
    }

    #[test]
    fn what_is_no_picture_of_a_fair_size_is_refused() {
        let end = chunk(*b"IEND", b"");
        let refused = |bytes: &[u8]| picture(bytes).expect_err("refused");
        assert!(refused(b"<svg onload=alert(1)>").contains("not a PNG file"));
        assert!(refused(&[&SIGNATURE[..], &header(60_000, 60_000), &end].concat()).contains("pixels"));
        assert!(refused(&[&SIGNATURE[..], &end].concat()).contains("pixels"));
        assert!(refused(&[&SIGNATURE[..], &header(64, 64)].concat()).contains("middle"));
        let endless = [&SIGNATURE[..], &header(64, 64), &u32::MAX.to_be_bytes(), b"IDAT"].concat();
        assert!(refused(&endless).contains("middle"));
    }
}
