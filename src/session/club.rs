//! Whose night it is: a club's name and logo, for the room's display, certificates and the report.
//!
//! Comes in: the table `[club]` and a PNG file. Goes out: a name, and the picture without anything but the picture.

use std::path::Path;

use super::input::Contents;
use super::picture::{Format, Limits, Picture};
use super::reader::{SessionError, Table};
use super::written::Written;
use crate::files;

/// Largest logo file in bytes.
const LARGEST: u64 = 256 * 1024;
/// Most pixels of a logo.
const LIMITS: Limits = Limits { side: 2000, pixels: 4_000_000 };

/// A club.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Club {
    /// Its name.
    pub name: Written,
    /// Its logo, if it has one.
    pub logo: Option<Logo>,
}

/// A club's logo. What is sealed and handed on is the picture alone, as of [photographs](super::Photograph).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logo {
    /// Its name as the session writes it.
    pub file: String,
    /// The picture.
    pub picture: Picture,
    /// The whole file, with whatever was written beside the picture: what earlier sittings sealed.
    pub whole: Contents,
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
            let picture = Picture::of(&bytes, &[Format::Png], LIMITS).map_err(|why| failed(&why))?;
            inner.reads(&written, &path, Some(&picture.bytes));
            Some(Logo { file: written, picture, whole: Contents::of(&bytes) })
        }
    };
    inner.finish()?;
    Ok(Some(Club { name: Written::new(name), logo }))
}

impl Club {
    /// The logo as an address that holds it whole, for a page that asks nobody for anything.
    pub fn logo_address(&self) -> Option<String> {
        self.logo.as_ref().map(|logo| logo.picture.address())
    }
}
