//! Letters that no reader of PDF brings along, drawn as outlines from a font of this machine. The program brings no font.
//!
//! Only letters that are set one after the other from left to right: a script whose letters join, or run from right to left,
//! would be drawn wrongly, and a question mark is honest.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use ttf_parser::{Face, OutlineBuilder};

use crate::files;

/// A piece of an outline, in shares of the letter's size; y grows upwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Piece {
    Move([f32; 2]),
    Line([f32; 2]),
    /// Two control points and the end.
    Curve([[f32; 2]; 3]),
    Close,
}

/// A letter as a shape.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Outline {
    /// How far the next letter stands, as a share of the size.
    pub(super) advance: f64,
    pub(super) pieces: Vec<Piece>,
}

/// Letters that were looked for: `None`, no font has them.
type Found = BTreeMap<(char, bool), Option<Arc<Outline>>>;
static FOUND: Mutex<Found> = Mutex::new(BTreeMap::new());

/// First and last letter of the blocks whose letters stand one after the other (names of blocks: the Unicode Standard).
const BLOCKS: [(u32, u32); 11] = [
    (0x0100, 0x02FF),   // Latin Extended, phonetic letters
    (0x0370, 0x058F),   // Greek, Cyrillic, Armenian
    (0x10A0, 0x10FF),   // Georgian
    (0x1E00, 0x1FFF),   // Latin Extended Additional, Greek Extended
    (0x2010, 0x2027),   // punctuation
    (0x2030, 0x2BFF),   // signs, arrows, shapes
    (0x2E80, 0x9FFF),   // kana, Han
    (0xAC00, 0xD7A3),   // Hangul syllables
    (0xF900, 0xFAFF),   // Han
    (0xFF01, 0xFFEE),   // full-width forms
    (0x20000, 0x3FFFF), // Han
];

/// Largest font that is read, and how deep folders of fonts are looked into.
const LARGEST_BYTES: u64 = 64 * 1024 * 1024;
const DEEPEST: usize = 5;

/// The outlines of these letters, of those that a font of this machine has and that can be set by themselves.
pub(super) fn of(letters: impl Iterator<Item = char>, bold: bool) -> BTreeMap<char, Arc<Outline>> {
    let alone =
        |letter: &char| BLOCKS.iter().any(|(first, last)| (*first..=*last).contains(&u32::from(*letter)));
    let wanted: BTreeSet<char> = letters.filter(alone).collect();
    let mut found = FOUND.lock().unwrap_or_else(PoisonError::into_inner);
    let new: BTreeSet<char> =
        wanted.iter().copied().filter(|letter| !found.contains_key(&(*letter, bold))).collect();
    if !new.is_empty() {
        let drawn = look_for(new.clone(), &fonts(bold));
        found.extend(new.into_iter().map(|letter| ((letter, bold), drawn.get(&letter).cloned())));
    }
    let known = |letter: char| Some((letter, found.get(&(letter, bold))?.clone()?));
    wanted.into_iter().filter_map(known).collect()
}

/// Takes each letter from the first font that has it.
fn look_for(mut letters: BTreeSet<char>, fonts: &[PathBuf]) -> BTreeMap<char, Arc<Outline>> {
    let mut found = BTreeMap::new();
    for path in fonts {
        if letters.is_empty() {
            break;
        }
        let Ok(bytes) = files::read(path, LARGEST_BYTES) else { continue };
        // A collection's faces have the same letters.
        let Ok(face) = Face::parse(&bytes, 0) else { continue };
        letters.retain(|letter| match outline(&face, *letter) {
            Some(outline) => {
                found.insert(*letter, Arc::new(outline));
                false
            }
            None => true,
        });
    }
    found
}

fn outline(face: &Face<'_>, letter: char) -> Option<Outline> {
    let glyph = face.glyph_index(letter)?;
    let size = f32::from(face.units_per_em());
    let mut pen = Pen { scale: 1.0 / size, at: [0.0; 2], pieces: Vec::new() };
    face.outline_glyph(glyph, &mut pen)?;
    Some(Outline { advance: f64::from(face.glyph_hor_advance(glyph)?) / f64::from(size), pieces: pen.pieces })
}

/// Takes down an outline.
struct Pen {
    scale: f32,
    at: [f32; 2],
    pieces: Vec<Piece>,
}

impl Pen {
    fn point(&self, x: f32, y: f32) -> [f32; 2] {
        [x * self.scale, y * self.scale]
    }
}

impl OutlineBuilder for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        self.at = self.point(x, y);
        self.pieces.push(Piece::Move(self.at));
    }

    fn line_to(&mut self, x: f32, y: f32) {
        self.at = self.point(x, y);
        self.pieces.push(Piece::Line(self.at));
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        // PDF has cubic curves only: the same parabola has its control points two thirds of the way to this one.
        let (from, control, to) = (self.at, self.point(x1, y1), self.point(x, y));
        let towards = |end: [f32; 2]| [0, 1].map(|axis| end[axis] + 2.0 / 3.0 * (control[axis] - end[axis]));
        self.pieces.push(Piece::Curve([towards(from), towards(to), to]));
        self.at = to;
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        self.at = self.point(x, y);
        self.pieces.push(Piece::Curve([self.point(x1, y1), self.point(x2, y2), self.at]));
    }

    fn close(&mut self) {
        self.pieces.push(Piece::Close);
    }
}

/// Fonts of this machine, those first that go with Helvetica: upright ones without serifs, of the same weight.
fn fonts(bold: bool) -> Vec<PathBuf> {
    let home = std::env::var_os("HOME").map(PathBuf::from);
    let own = home.iter().flat_map(|home| [home.join(".local/share/fonts"), home.join(".fonts")]);
    // The last are those of Windows, seen from WSL.
    let shared = ["/usr/share/fonts", "/usr/local/share/fonts", "/mnt/c/Windows/Fonts"].map(PathBuf::from);
    let mut found = Vec::new();
    own.chain(shared).for_each(|folder| gather(&folder, DEEPEST, &mut found));
    found.sort_by_cached_key(|path| (misfit(path, bold), path.clone()));
    found
}

fn gather(folder: &Path, deep: usize, found: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for path in entries.flatten().map(|entry| entry.path()) {
        let kind = path.extension().and_then(|kind| kind.to_str()).unwrap_or_default().to_ascii_lowercase();
        if matches!(kind.as_str(), "ttf" | "otf" | "ttc") {
            found.push(path);
        } else if deep > 0 && path.is_dir() {
            gather(&path, deep - 1, found);
        }
    }
}

/// How little a font goes with Helvetica, by its file's name.
fn misfit(path: &Path, bold: bool) -> u32 {
    let name = path.file_stem().map(|name| name.to_string_lossy().to_lowercase()).unwrap_or_default();
    let weight = if bold {
        !name.contains("bold")
    } else {
        ["bold", "light", "thin", "black"].iter().any(|word| name.contains(word))
    };
    let unlike = |words: &[&str], by: u32| if words.iter().any(|word| name.contains(word)) { by } else { 0 };
    u32::from(!name.contains("sans")) * 4
        + u32::from(weight)
        + unlike(&["mono"], 2)
        + unlike(&["condensed"], 2)
        + unlike(&["italic", "oblique"], 16)
        + unlike(&["serif"], 4)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parabola_stays_the_same_curve() {
        let mut pen = Pen { scale: 0.5, at: [0.0; 2], pieces: Vec::new() };
        pen.move_to(0.0, 0.0);
        pen.quad_to(3.0, 6.0, 6.0, 0.0);
        assert_eq!(pen.pieces, [Piece::Move([0.0, 0.0]), Piece::Curve([[1.0, 2.0], [2.0, 2.0], [3.0, 0.0]])]);
    }

    #[test]
    fn fonts_that_go_with_helvetica_come_first_and_joined_scripts_are_not_drawn() {
        let mut names = [
            "a/Serif.ttf",
            "a/NovaSans-Oblique.ttf",
            "a/NovaSansMono.ttf",
            "a/NovaSans-Bold.ttf",
            "a/NovaSans.ttf",
        ]
        .map(PathBuf::from);
        names.sort_by_cached_key(|path| misfit(path, false));
        assert_eq!(names[0], Path::new("a/NovaSans.ttf"));
        names.sort_by_cached_key(|path| misfit(path, true));
        assert_eq!(names[0], Path::new("a/NovaSans-Bold.ttf"));
        // Arabic joins its letters, Hebrew runs from right to left, Devanagari puts letters round each other.
        assert_eq!(of("\u{633}\u{5d0}\u{915}".chars(), false), BTreeMap::new());
    }
}
