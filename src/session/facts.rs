//! Who sits and where, without names: facts that a session asks for once in each sitting and that the opening seals.

use serde::{Deserialize, Serialize};

use super::reader::{SessionError, Table};
use crate::units::foreign;

/// A fact about a sitting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fact {
    /// The listener's age, in bands.
    AgeBand,
    /// Whether the listener's hearing was tested in the last two years.
    HearingTested,
    /// Whether the listener has practised on such differences.
    Trained,
    /// Whether the host is in the room during the trials.
    HostInRoom,
    /// The room.
    Room,
    /// What plays the sound: amplifier, loudspeaker or headphones.
    Playback,
    /// The level measured at the listener's place in dBA.
    LevelDba,
}

/// Longest answer that is taken, in characters.
const LONGEST: usize = 120;

impl Fact {
    /// Every one of them.
    pub const ALL: [Self; 7] = [
        Self::AgeBand,
        Self::HearingTested,
        Self::Trained,
        Self::HostInRoom,
        Self::Room,
        Self::Playback,
        Self::LevelDba,
    ];

    /// Its name in a session file.
    pub fn name(self) -> &'static str {
        match self {
            Self::AgeBand => "age-band",
            Self::HearingTested => "hearing-tested",
            Self::Trained => "trained",
            Self::HostInRoom => "host-in-room",
            Self::Room => "room",
            Self::Playback => "playback",
            Self::LevelDba => "level-dba",
        }
    }

    /// What it is called in a table.
    pub fn title(self) -> &'static str {
        match self {
            Self::AgeBand => "age",
            Self::HearingTested => "hearing tested",
            Self::Trained => "trained",
            Self::HostInRoom => "host in the room",
            Self::Room => "room",
            Self::Playback => "playback",
            Self::LevelDba => "level, dBA",
        }
    }

    /// The question, as the listener reads it.
    pub fn question(self) -> &'static str {
        match self {
            Self::AgeBand => "How old are you?",
            Self::HearingTested => "Has your hearing been tested in the last two years?",
            Self::Trained => "Have you practised on such differences before?",
            Self::HostInRoom => "Is anybody else in the room during the trials?",
            Self::Room => "Which room is this?",
            Self::Playback => "What plays the sound: amplifier, loudspeaker or headphones?",
            Self::LevelDba => "How loud is it at your place, measured in dBA? (Above 85 dBA, keep it short.)",
        }
    }

    /// The answers that are taken; empty where any text is.
    pub fn answers(self) -> &'static [&'static str] {
        match self {
            Self::AgeBand => &["under 20", "20-29", "30-39", "40-49", "50-59", "60-69", "70 or over"],
            Self::HearingTested | Self::Trained | Self::HostInRoom => &["yes", "no"],
            Self::Room | Self::Playback | Self::LevelDba => &[],
        }
    }

    /// Whether it could tell who somebody is, so that an anonymous report withholds it.
    pub fn identifies(self) -> bool {
        matches!(self, Self::AgeBand | Self::Room | Self::Playback)
    }

    /// An answer as it is kept; nothing for an empty one.
    ///
    /// # Errors
    /// What is allowed.
    pub fn taken(self, typed: &str) -> Result<Option<String>, String> {
        let typed = typed.trim();
        if typed.is_empty() {
            return Ok(None);
        }
        if typed.chars().count() > LONGEST || typed.chars().any(char::is_control) {
            return Err(format!("{}: at most {LONGEST} characters of plain text, please", self.name()));
        }
        if self == Self::LevelDba {
            let level = typed.trim_end_matches("dBA").trim().parse::<f64>().ok();
            return match level.filter(|level| (20.0..=130.0).contains(level)) {
                Some(level) => Ok(Some(level.to_string())),
                None => {
                    Err(format!("{}: \"{typed}\" is not a level from 20 to 130 dBA, such as 72", self.name()))
                }
            };
        }
        let answers = self.answers();
        match answers.iter().find(|answer| answer.eq_ignore_ascii_case(typed)) {
            Some(answer) => Ok(Some((*answer).to_owned())),
            None if answers.is_empty() => Ok(Some(typed.to_owned())),
            None => Err(format!("{}: \"{typed}\" is not one of: {}", self.name(), answers.join(", "))),
        }
    }
}

/// A fact of one sitting, as its opening seals it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SittingFact {
    /// Which.
    pub fact: Fact,
    /// The answer.
    pub answer: String,
}

/// The key `facts`: which facts each sitting is asked for.
pub(super) fn facts(table: &mut Table<'_>) -> Result<Vec<Fact>, SessionError> {
    let mut asked = Vec::new();
    for name in table.texts("facts")?.unwrap_or_default() {
        let known = Fact::ALL.into_iter().find(|fact| fact.name() == name);
        match known {
            Some(fact) if !asked.contains(&fact) => asked.push(fact),
            _ => {
                let names = Fact::ALL.map(Fact::name).join("\", \"");
                return Err(table.error_at(
                    "facts",
                    format!(
                        "\"{}\" is unknown or stands there twice; what can be asked is \"{names}\"",
                        foreign::shortened(&name)
                    ),
                ));
            }
        }
    }
    Ok(asked)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_taken_as_they_are_meant() {
        assert_eq!(Fact::Trained.taken(" YES "), Ok(Some("yes".to_owned())));
        assert_eq!(Fact::LevelDba.taken("72.5 dBA"), Ok(Some("72.5".to_owned())));
        assert_eq!(Fact::Room.taken("Studio 2"), Ok(Some("Studio 2".to_owned())));
        assert_eq!(Fact::AgeBand.taken(""), Ok(None));
        for (fact, wrong) in [
            (Fact::Trained, "perhaps"),
            (Fact::LevelDba, "loud"),
            (Fact::LevelDba, "900"),
            (Fact::Room, "a\u{7}b"),
        ] {
            assert!(fact.taken(wrong).is_err_and(|why| why.starts_with(fact.name())), "{wrong}");
        }
        assert!(Fact::Room.taken(&"x".repeat(121)).is_err());
    }
}
