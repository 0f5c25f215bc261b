//! What each column of the table of trials holds: the data dictionary.

use crate::evidence::State;
use crate::session::Fact;
use crate::stats::Protocol;
use crate::trial::protocol::{Definition, Side};

/// Type of a column. An empty field is unknown or does not apply, in every type.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ColumnKind {
    /// Text.
    Text,
    /// One of a few texts.
    Category,
    /// A whole number.
    Whole,
    /// A number with a decimal point.
    Number,
    /// `TRUE` or `FALSE`.
    Truth,
}

impl ColumnKind {
    /// Name of the type, as the dictionary writes it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Category => "category",
            Self::Whole => "whole number",
            Self::Number => "number",
            Self::Truth => "truth value",
        }
    }

    /// A field of the table as a JSON value; nothing for an empty one.
    pub fn typed(self, text: &str) -> serde_json::Value {
        if text.is_empty() {
            return serde_json::Value::Null;
        }
        match self {
            Self::Text | Self::Category => text.into(),
            Self::Whole => text.parse::<u64>().map_or_else(|_| text.into(), Into::into),
            Self::Number => text.parse::<f64>().map_or_else(|_| text.into(), Into::into),
            Self::Truth => (text == "TRUE").into(),
        }
    }
}

/// A column of the table of trials.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Its head, with the unit where it has one.
    pub name: &'static str,
    /// Type.
    pub kind: ColumnKind,
    /// Unit; empty without one.
    pub unit: &'static str,
    /// What it holds.
    pub meaning: &'static str,
}

impl Column {
    /// The texts of a category, separated by `|`; empty for other types.
    pub fn values(&self, protocol: Protocol) -> String {
        let definition = Definition::of(protocol);
        let join = |texts: Vec<&str>| texts.join("|");
        match self.name {
            "state" => join(State::ALL.iter().map(|state| state.code()).collect()),
            "part" => "qualification|warm-up|main".to_owned(),
            "answer_for_side" => "A|B".to_owned(),
            "answer" | "right_answer" => {
                join(definition.alternatives.iter().map(|alternative| alternative.name).collect())
            }
            "presented" => {
                let letter = |side: &Side| if *side == Side::A { 'A' } else { 'B' };
                let orders: Vec<String> =
                    definition.orders.iter().map(|sides| sides.iter().map(letter).collect()).collect();
                orders.join("|")
            }
            _ => Fact::ALL
                .into_iter()
                .find(|fact| fact.name().replace('-', "_") == self.name)
                .map_or_else(String::new, |fact| fact.answers().join("|")),
        }
    }
}

const fn column(name: &'static str, kind: ColumnKind, unit: &'static str, meaning: &'static str) -> Column {
    Column { name, kind, unit, meaning }
}

use ColumnKind::{Category, Number, Text, Truth, Whole};

/// The columns of the table of trials, in order.
pub const COLUMNS: [Column; 42] = [
    column("place", Text, "", "Place whose journals were joined; empty where only one is reported"),
    column("sitting", Whole, "", "Number of the sitting in the report, from 1"),
    column("listener", Text, "", "Name shown; with --anonymous a number"),
    column("seat", Whole, "", "Seat of a night; empty at home"),
    column("table", Whole, "", "Table of a night; empty where it has none"),
    column(
        "counted",
        Truth,
        "",
        "The answer is in the result: its sitting and listener count, and it is a counted trial",
    ),
    column("state", Category, "", "How the sitting stands"),
    column("simulated", Truth, "", "A program answered; nobody listened"),
    column("silent", Truth, "", "Nothing was played aloud"),
    column("opened_utc", Text, "UTC", "When the sitting was opened; with --anonymous the date"),
    column("receipt_sha256", Text, "", "SHA-256 of the journal's last record"),
    column("journal", Text, "", "File name of the journal; empty where it holds a hidden name"),
    column("journal_line", Whole, "", "Line of the journal, from 1, that holds the answer"),
    column("part", Category, "", "Part of the sitting: only main holds counted trials and controls"),
    column("trial", Whole, "", "Trial within its part, from 1"),
    column("attempt", Whole, "", "1, and one more for each disturbed attempt before it"),
    column("void", Truth, "", "The attempt was disturbed, and repeated with a fresh draw"),
    column(
        "comparison",
        Text,
        "",
        "Name of the comparison; of a control the one whose cable a it starts from; empty while the seal is closed",
    ),
    column(
        "side_a",
        Text,
        "",
        "Cable that was side A in this sitting, for whom the panel has it drawn; a control alters the cable a of the session, and stands in the place of its b",
    ),
    column("side_b", Text, "", "Cable that was side B in this sitting"),
    column("clip", Text, "", "Name of the clip"),
    column("control", Text, "", "What a control adds; empty for a comparison"),
    column(
        "size",
        Number,
        "multiple or dB",
        "Size of the difference where a threshold is looked for: a multiple of the real difference or length, of a yardstick decibels",
    ),
    column(
        "presented",
        Category,
        "",
        "The side in each slot in the order of the protocol; empty while the seal is closed",
    ),
    column(
        "answer",
        Category,
        "",
        "The alternative that was answered; empty for a disturbed attempt and a vote that never came",
    ),
    column("right_answer", Category, "", "The right alternative; empty for a preference"),
    column("correct", Whole, "", "1 right, 0 wrong; empty for a preference"),
    column("answer_for_side", Category, "", "The side that the answer points to, where it points to one"),
    column("confidence_1_to_5", Whole, "", "1 guessing to 5 certain, where it was asked"),
    column("took_s", Number, "s", "From the start of the attempt to its end"),
    column("heard_s", Number, "s", "Sound heard, all slots together"),
    column("listens", Whole, "", "Times that a slot was started or switched to"),
    column("switches", Whole, "", "Switches from one slot to another"),
    column(
        "presentations",
        Whole,
        "",
        "Presentations over real cables that were begun; empty where none are switched",
    ),
    column(
        "longest_silence_s",
        Number,
        "s",
        "The longest silence between the sound over one real cable and the sound over the next",
    ),
    column(
        "age_band",
        Category,
        "",
        "Age of the listener, in bands; this and the columns after it are empty where nobody was asked or said it",
    ),
    column("hearing_tested", Category, "", "Whether the listener's hearing was tested in the last two years"),
    column("trained", Category, "", "Whether the listener had practised on such differences before"),
    column("host_in_room", Category, "", "Whether anybody else was in the room during the trials"),
    column("room", Text, "", "The room, in the listener's words"),
    column("playback", Text, "", "What played the sound, in the listener's words"),
    column("level_dba", Number, "dBA", "Level measured at the listener's place"),
];
