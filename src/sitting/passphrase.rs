//! Somebody else's passphrase: chosen or diced at an opening, asked for again when a sitting or night goes on.
//!
//! What is typed is wiped from the memory of this file's callers as soon as the lock's key is made.

use zeroize::Zeroizing;

use super::SittingError;
use super::face::Face;
use super::pages::{self, id};
use crate::screen::{Block, Entry, Intent, Notice, PageScene, Scene, StageKind};
use crate::trial::lock::LockError;
use crate::trial::rest::SecretError;
use crate::trial::{SittingsError, words};

/// Shortest passphrase that is taken, in characters (common practice, no source).
pub const SHORTEST: usize = 10;
/// Fewest different characters in one (common practice, no source).
const DIFFERENT: usize = 5;
/// Words of a diced one: 60 bits, ten by the word.
const DICED_WORDS: usize = 6;
/// How often a passphrase is asked for when a sitting goes on.
const TRIES: u32 = 3;

/// A passphrase, wiped when it is dropped.
pub type Passphrase = Zeroizing<String>;

/// Shows a page and a notice, and hands back what the person wants.
pub type Show<'s> = dyn FnMut(PageScene, Option<String>) -> Result<Vec<Intent>, SittingError> + 's;

/// Whose passphrase it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// The listener's opponent's, in a sitting.
    OtherParty,
    /// A guest's, on a night.
    Guest,
}

impl Whose {
    /// Who types it, who does not, and what is locked.
    fn words(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Self::OtherParty => ("The other party", "the listener", "sitting"),
            Self::Guest => ("A guest", "the host", "night"),
        }
    }
}

/// What a page asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Asking {
    /// A new passphrase.
    New,
    /// The new one once more.
    Again,
    /// These words, which the computer diced.
    Diced(String),
    /// The one that locked what goes on.
    Unlock,
}

/// The page that asks for a passphrase.
pub fn page(asking: &Asking, whose: Whose) -> PageScene {
    let (who, not, what) = whose.words();
    let (number, heading) = match asking {
        Asking::New => (id::PASSPHRASE, format!("{who} locks the draws")),
        Asking::Again => (id::REPEAT, format!("{who} locks the draws")),
        Asking::Diced(_) => (id::DICED, format!("{who} writes these words down")),
        Asking::Unlock => (id::PASSPHRASE, format!("{who} unlocks the {what}")),
    };
    let mut page = pages::page(StageKind::Typing, number, heading);
    page.blocks = match asking {
        Asking::Again => vec![Block::text(
            "Type the passphrase a second time, so that no slip of the finger locks you out. If it differs, you choose again.",
        )],
        Asking::New => vec![
            Block::text(format!(
                "{who}, not {not}, now chooses a passphrase. Without it nobody can read the draws from this disk, and the \
                 {what} cannot go on or end behind your back."
            )),
            Block::text(
                "Keep it. You need it after an interruption, and `earwitness verify --passphrase` proves with it that nobody \
                 went on without you.",
            ),
            Block::text(format!(
                "At least {SHORTEST} characters. Or leave the line empty: the computer then dices {DICED_WORDS} words that are \
                 hard to guess. Nobody can say that of words you choose."
            )),
        ],
        Asking::Diced(words) => vec![
            Block::text("Everybody else looks away. Write the words down, then type them here."),
            Block::Gap,
            Block::loud(words.clone()),
            Block::Gap,
            // 2^60 of them, half of which are tried on average: 2^59 / (1000 * 100) seconds.
            Block::text(
                "Strength: 60 bits. A thousand computers that try a hundred each second would need about 180,000 years.",
            ),
        ],
        Asking::Unlock => vec![Block::text(format!(
            "This {what} is locked. {who}, not {not}, types the passphrase that was chosen at the opening."
        ))],
    };
    let label = match asking {
        Asking::New | Asking::Unlock => "Passphrase:",
        Asking::Again => "The same passphrase once more:",
        Asking::Diced(_) => "The six words:",
    };
    page.entry = Some(Entry { label: label.to_string(), hidden: true, others: false });
    page.proceed = Some("take it".to_string());
    page
}

/// Why a passphrase is too easy to guess; `None`: it is taken.
fn too_weak(typed: &str) -> Option<String> {
    let different: std::collections::BTreeSet<char> = typed.chars().collect();
    if typed.chars().count() < SHORTEST {
        return Some(format!(
            "Use at least {SHORTEST} characters, or leave the line empty to have one diced."
        ));
    }
    (different.len() < DIFFERENT).then(|| {
        format!("Use at least {DIFFERENT} different characters, or leave the line empty to have one diced.")
    })
}

/// Six words from the operating system's randomness.
fn dice() -> Result<Passphrase, SittingError> {
    let bytes = crate::trial::Secret::draw()
        .map_err(|error| SittingError::Refused(format!("no passphrase can be diced: {error}")))?;
    let numbers = bytes.bytes().chunks_exact(2).take(DICED_WORDS);
    let word = |pair: &[u8]| words::words()[usize::from(u16::from_be_bytes([pair[0], pair[1]]) % 1024)];
    Ok(Zeroizing::new(numbers.map(word).collect::<Vec<_>>().join(" ")))
}

/// Somebody chooses a passphrase and types it twice, or lets one be diced and types it once; `None`: left.
///
/// # Errors
/// The face failed, or the system gives no randomness.
pub fn choose(whose: Whose, show: &mut Show<'_>) -> Result<Option<Passphrase>, SittingError> {
    let mut asking = Asking::New;
    let mut first: Option<Passphrase> = None;
    let mut notice = None;
    loop {
        for intent in show(page(&asking, whose), notice.clone())? {
            let typed = match intent {
                Intent::Leave => return Ok(None),
                Intent::Typed(typed) => Zeroizing::new(typed),
                Intent::Proceed => Passphrase::default(),
                _ => continue,
            };
            notice = None;
            match first.take() {
                None if typed.is_empty() => {
                    let diced = dice()?;
                    asking = Asking::Diced(diced.to_string());
                    first = Some(diced);
                }
                None => match too_weak(&typed) {
                    Some(why) => notice = Some(why),
                    None => (asking, first) = (Asking::Again, Some(typed)),
                },
                Some(before) if typed == before => return Ok(Some(typed)),
                Some(before) if matches!(asking, Asking::Diced(_)) => {
                    notice = Some("Those were other words. Type them once more.".to_string());
                    first = Some(before);
                }
                Some(_) => {
                    asking = Asking::New;
                    notice = Some("The two were not the same. Start again.".to_string());
                }
            }
        }
    }
}

/// The passphrase that locked what goes on, in a few tries; `open` tries one. `None`: left.
///
/// # Errors
/// The face failed, the passphrase was wrong too often, or it cannot be opened for another reason.
pub fn unlock<T>(
    whose: Whose,
    show: &mut Show<'_>,
    mut open: impl FnMut(&str) -> Result<T, SittingsError>,
) -> Result<Option<T>, SittingError> {
    let mut left = TRIES;
    let mut notice = None;
    loop {
        for intent in show(page(&Asking::Unlock, whose), notice.clone())? {
            let typed = match intent {
                Intent::Leave => return Ok(None),
                Intent::Typed(typed) => Zeroizing::new(typed),
                _ => continue,
            };
            match open(&typed) {
                Ok(opened) => return Ok(Some(opened)),
                Err(SittingsError::Secret(SecretError::Lock(LockError::WrongPassphrase))) if left > 1 => {
                    left -= 1;
                    let tries =
                        if left == 1 { "one more try".to_string() } else { format!("{left} more tries") };
                    notice = Some(format!("Wrong passphrase: {tries}."));
                }
                Err(SittingsError::Secret(SecretError::Lock(LockError::WrongPassphrase))) => {
                    return Err(SittingError::Refused(format!(
                        "the passphrase was wrong {TRIES} times. Nothing was changed: the same command asks again"
                    )));
                }
                Err(error) => return Err(error.into()),
            }
        }
    }
}

/// Lends `work` a face that shows pages under this title.
///
/// # Errors
/// Those of `work`.
pub fn on_face<T>(
    face: &mut dyn Face,
    (title, person): (&str, &str),
    work: impl FnOnce(&mut Show<'_>) -> Result<T, SittingError>,
) -> Result<T, SittingError> {
    work(&mut |page, notice| {
        face.show(&Scene {
            title: title.to_owned(),
            listener: person.to_owned(),
            marks: Vec::new(),
            notice: notice.map(Notice::Warning),
            stage: crate::screen::Stage::Page(page),
        })?;
        if crate::conduct::environment::asked_to_end() {
            return Ok(vec![Intent::Leave]);
        }
        Ok(face.wait(super::face::TICK)?)
    })
}
