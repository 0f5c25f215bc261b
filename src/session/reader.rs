//! Reading TOML tables so that every complaint names file, line and key.
//!
//! A [`Table`] hands out its keys one by one and remembers which were asked for; [`Table::finish`] refuses the rest
//! and suggests the nearest known key.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::{Range, RangeInclusive};
use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::input::{Contents, Input};
use crate::units::printed::written;
use crate::units::{self, Dimension, foreign};

/// What is wrong with a session file, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}{}: {message}", file.display(), line.map(|line| format!(":{line}")).unwrap_or_default())]
pub struct SessionError {
    /// The file.
    pub file: PathBuf,
    /// Line in the file, from 1, where there is one.
    pub line: Option<usize>,
    /// What was tried, with which value, what is allowed, what to do.
    pub message: String,
}

/// The file that is being read: its name and text.
#[derive(Debug)]
pub struct Document {
    /// Name for messages.
    pub file: PathBuf,
    /// Text.
    pub text: String,
    /// Files that the session reads, in the order of reading, each once.
    inputs: RefCell<Vec<Input>>,
}

impl Document {
    /// A file's text.
    pub fn new(file: &Path, text: &str) -> Self {
        Self { file: file.to_path_buf(), text: text.to_owned(), inputs: RefCell::default() }
    }

    /// Files that its tables [read](Table::reads).
    pub fn inputs(&self) -> Vec<Input> {
        self.inputs.borrow().clone()
    }

    /// Line number, from 1, of a byte position.
    pub fn line(&self, position: usize) -> usize {
        let end = position.min(self.text.len());
        self.text.as_bytes()[..end].iter().filter(|&&byte| byte == b'\n').count() + 1
    }

    /// An error at a byte position.
    pub fn error(&self, position: usize, message: impl Into<String>) -> SessionError {
        SessionError { file: self.file.clone(), line: Some(self.line(position)), message: message.into() }
    }

    /// The root table of the text.
    pub fn root(&self) -> Result<Spanned<DeTable<'_>>, SessionError> {
        DeTable::parse(&self.text).map_err(|error| SessionError {
            file: self.file.clone(),
            line: error.span().map(|span| self.line(span.start)),
            message: format!("this is not TOML: {}", foreign::message(&error.message())),
        })
    }
}

/// A TOML table with its place in the file.
#[derive(Debug)]
pub struct Table<'d> {
    document: &'d Document,
    table: &'d DeTable<'d>,
    span: Range<usize>,
    /// Full name for messages, such as `cables.flex`; empty for the root.
    name: String,
    known: BTreeSet<&'static str>,
}

/// Sizes in metres: far more than any cable has, and little enough for their squares and products to be numbers. Other quantities
/// have limits of their own where they are read. Common practice, no source.
const SIZES_METRES: RangeInclusive<f64> = 1e-24..=1e15;

impl<'d> Table<'d> {
    /// The root of a document.
    pub fn root(document: &'d Document, root: &'d Spanned<DeTable<'d>>) -> Self {
        Self::new(document, root.get_ref(), root.span(), String::new())
    }

    fn new(document: &'d Document, table: &'d DeTable<'d>, span: Range<usize>, name: String) -> Self {
        Self { document, table, span, name, known: BTreeSet::new() }
    }

    /// The table's full name, such as `cables.flex`.
    pub fn name(&self) -> &str {
        &self.name
    }

    fn path(&self, key: &str) -> String {
        if self.name.is_empty() { key.to_owned() } else { format!("{}.{key}", self.name) }
    }

    fn place(&self) -> String {
        if self.name.is_empty() { "the session".to_owned() } else { format!("[{}]", self.name) }
    }

    /// An error about the whole table.
    pub fn error(&self, message: impl Into<String>) -> SessionError {
        self.document.error(self.span.start, format!("[{}] {}", self.name, message.into()))
    }

    /// An error about the value of a key (or the table, if the key is absent).
    pub fn error_at(&self, key: &str, message: impl Into<String>) -> SessionError {
        let position = self.table.get(key).map_or(self.span.start, |value| value.span().start);
        self.document.error(position, format!("{}: {}", self.path(key), message.into()))
    }

    fn get(&mut self, key: &'static str) -> Option<&'d Spanned<DeValue<'d>>> {
        self.known.insert(key);
        self.table.get(key)
    }

    /// Whether the key is there; marks it as known.
    pub fn has(&mut self, key: &'static str) -> bool {
        self.get(key).is_some()
    }

    /// Whether the value of a key is a table; marks the key as known.
    pub fn is_table(&mut self, key: &'static str) -> bool {
        self.get(key).is_some_and(|value| value.get_ref().is_table())
    }

    /// Whether the value of a key is a text; marks the key as known.
    pub fn is_text(&mut self, key: &'static str) -> bool {
        self.get(key).is_some_and(|value| value.get_ref().is_str())
    }

    fn wrong_type(&self, key: &str, value: &DeValue<'_>, expected: &str) -> SessionError {
        self.error_at(key, format!("{} was given, {expected} is expected", describe(value)))
    }

    /// A text.
    pub fn text(&mut self, key: &'static str) -> Result<Option<String>, SessionError> {
        match self.get(key) {
            None => Ok(None),
            Some(value) => match value.get_ref().as_str() {
                Some(text) => match foreign::complaint(text) {
                    None => Ok(Some(text.to_owned())),
                    Some(complaint) => Err(self.error_at(key, complaint)),
                },
                None => Err(self.wrong_type(key, value.get_ref(), "a text in quotes")),
            },
        }
    }

    /// Notes that the session reads a file, so that each sitting seals it: its `name` as the session writes it, and the
    /// bytes if they were read already.
    pub fn reads(&self, name: &str, path: &Path, bytes: Option<&[u8]>) {
        let mut inputs = self.document.inputs.borrow_mut();
        if !inputs.iter().any(|input| input.name == name) {
            let read = bytes.map(Contents::of);
            inputs.push(Input { name: name.to_owned(), path: path.to_path_buf(), read });
        }
    }

    /// A text that must be there.
    pub fn required_text(&mut self, key: &'static str, example: &str) -> Result<String, SessionError> {
        self.text(key)?.ok_or_else(|| self.missing(key, example))
    }

    /// The error for a key that must be there; `example` shows one.
    pub fn missing(&self, key: &str, example: &str) -> SessionError {
        // Whoever misspelt it wrote it: the slip is what has to be mended.
        let slip = self.table.keys().find(|there| {
            let name = there.get_ref().as_ref();
            // Closer than for a suggestion: `b`, which nobody asked for yet, is no slip of `a`.
            !self.known.contains(name) && near(name, key).is_some_and(|distance| distance <= key.len() / 3)
        });
        if let Some(slip) = slip {
            let name = foreign::shown(slip.get_ref().as_ref());
            return self.document.error(
                slip.span().start,
                format!("unknown key `{name}` in {}; did you mean `{key}`?", self.place()),
            );
        }
        let place = self.place();
        self.document
            .error(self.span.start, format!("{place} needs the key `{key}`, for example {key} = {example}"))
    }

    /// A quantity with its unit, in SI. A bare number is an error that names the units it could be.
    pub fn quantity(&mut self, key: &'static str, dimension: Dimension) -> Result<Option<f64>, SessionError> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let text = match value.get_ref() {
            DeValue::String(text) => match foreign::complaint(text) {
                None => text.to_string(),
                Some(complaint) => return Err(self.error_at(key, complaint)),
            },
            // The parser of units words the complaint about a missing unit.
            DeValue::Integer(number) => number.to_string(),
            DeValue::Float(number) => number.to_string(),
            other => return Err(self.wrong_type(key, other, "a quantity in quotes")),
        };
        let value = units::parse(&text, dimension).map_err(|error| self.error_at(key, error.to_string()))?;
        let is_size = matches!(dimension, Dimension::Length | Dimension::WireSize);
        if is_size && value != 0.0 && !SIZES_METRES.contains(&value.abs()) {
            let (least, most) = SIZES_METRES.into_inner();
            let shown: String = text.chars().take(30).collect();
            let text = format!(
                "{shown} is no size that anything has; from {least:e} m to {most:e} m can be computed"
            );
            return Err(self.error_at(key, text));
        }
        Ok(Some(value))
    }

    /// A number without unit, finite.
    pub fn number(&mut self, key: &'static str) -> Result<Option<f64>, SessionError> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let parsed = match value.get_ref() {
            DeValue::Integer(number) => number.to_string().replace('_', "").parse::<f64>().ok(),
            DeValue::Float(number) => number.to_string().replace('_', "").parse::<f64>().ok(),
            other => return Err(self.wrong_type(key, other, "a number without quotes")),
        };
        match parsed {
            Some(number) if number.is_finite() => Ok(Some(number)),
            _ => Err(self.error_at(key, "the number is not finite")),
        }
    }

    /// A probability strictly between 0 and 1.
    pub(super) fn probability(&mut self, key: &'static str) -> Result<Option<f64>, SessionError> {
        match self.number(key)? {
            Some(number) if number <= 0.0 || number >= 1.0 => Err(self.error_at(
                key,
                format!("{} is not a probability between 0 and 1, such as 0.05", written(number)),
            )),
            other => Ok(other),
        }
    }

    /// A number within bounds, both included.
    pub fn number_within(
        &mut self,
        key: &'static str,
        least: f64,
        most: f64,
    ) -> Result<Option<f64>, SessionError> {
        match self.number(key)? {
            Some(number) if number < least || number > most => Err(self
                .error_at(key, format!("{} is outside what is allowed, {least} to {most}", written(number)))),
            other => Ok(other),
        }
    }

    /// A whole number within bounds, both included.
    pub fn whole(&mut self, key: &'static str, least: u64, most: u64) -> Result<Option<u64>, SessionError> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let DeValue::Integer(integer) = value.get_ref() else {
            return Err(self.wrong_type(key, value.get_ref(), "a whole number without quotes"));
        };
        let parsed = i128::from_str_radix(&integer.as_str().replace('_', ""), integer.radix());
        match parsed {
            Ok(number) if number >= i128::from(least) && number <= i128::from(most) => {
                Ok(Some(number as u64))
            }
            _ => Err(self.error_at(
                key,
                format!("{} is outside what is allowed, {least} to {most}", integer.as_str()),
            )),
        }
    }

    /// true or false.
    pub fn flag(&mut self, key: &'static str) -> Result<Option<bool>, SessionError> {
        let Some(value) = self.get(key) else { return Ok(None) };
        value
            .get_ref()
            .as_bool()
            .map(Some)
            .ok_or_else(|| self.wrong_type(key, value.get_ref(), "true or false"))
    }

    /// One of a few words.
    pub fn choice<T: Copy>(
        &mut self,
        key: &'static str,
        choices: &[(&str, T)],
    ) -> Result<Option<T>, SessionError> {
        let Some(text) = self.text(key)? else { return Ok(None) };
        match choices.iter().find(|(name, _)| *name == text) {
            Some((_, meaning)) => Ok(Some(*meaning)),
            None => {
                let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
                Err(self.error_at(key, not_among(&text, &names)))
            }
        }
    }

    /// A list of whole numbers from `least` to `most`, each larger than the one before.
    pub fn growing(
        &mut self,
        key: &'static str,
        least: u64,
        most: u64,
    ) -> Result<Option<Vec<u64>>, SessionError> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let wanted = format!("a list of growing whole numbers from {least} to {most} in brackets");
        let Some(items) = value.get_ref().as_array() else {
            return Err(self.wrong_type(key, value.get_ref(), &wanted));
        };
        let mut numbers = Vec::new();
        for item in items {
            let number = item
                .get_ref()
                .as_integer()
                .and_then(|found| u64::from_str_radix(&found.as_str().replace('_', ""), found.radix()).ok());
            let before = numbers.last().map_or(least, |last| last + 1);
            match number.filter(|number| (before..=most).contains(number)) {
                Some(number) => numbers.push(number),
                None => {
                    let message = format!(
                        "{}: {} stands in it, and {wanted} is expected",
                        self.path(key),
                        describe(item.get_ref())
                    );
                    return Err(self.document.error(item.span().start, message));
                }
            }
        }
        Ok(Some(numbers))
    }

    /// A list of texts.
    pub fn texts(&mut self, key: &'static str) -> Result<Option<Vec<String>>, SessionError> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let Some(items) = value.get_ref().as_array() else {
            return Err(self.wrong_type(key, value.get_ref(), "a list of texts in brackets"));
        };
        let mut texts = Vec::new();
        for item in items {
            match item.get_ref().as_str() {
                Some(text) if foreign::complaint(text).is_none() => texts.push(text.to_owned()),
                Some(text) => {
                    let complaint = foreign::complaint(text).unwrap_or_default();
                    let message = format!("{}: {complaint}", self.path(key));
                    return Err(self.document.error(item.span().start, message));
                }
                None => {
                    let message =
                        format!("{}: {} stands in a list of texts", self.path(key), describe(item.get_ref()));
                    return Err(self.document.error(item.span().start, message));
                }
            }
        }
        Ok(Some(texts))
    }

    /// A sub-table.
    pub fn table(&mut self, key: &'static str) -> Result<Option<Table<'d>>, SessionError> {
        let Some(value) = self.get(key) else { return Ok(None) };
        match value.get_ref().as_table() {
            Some(table) => Ok(Some(Table::new(self.document, table, value.span(), self.path(key)))),
            None => Err(self.wrong_type(key, value.get_ref(), "a table")),
        }
    }

    /// The tables of an array such as `[[comparisons]]`; absent is empty.
    pub fn tables(&mut self, key: &'static str) -> Result<Vec<Table<'d>>, SessionError> {
        let Some(value) = self.get(key) else { return Ok(Vec::new()) };
        let Some(items) = value.get_ref().as_array() else {
            return Err(self.wrong_type(key, value.get_ref(), "an array of tables in double brackets"));
        };
        let mut tables = Vec::new();
        for (index, item) in items.iter().enumerate() {
            let name = format!("{}[{}]", self.path(key), index + 1);
            match item.get_ref().as_table() {
                Some(table) => tables.push(Table::new(self.document, table, item.span(), name)),
                None => return Err(self.wrong_type(key, item.get_ref(), "a table")),
            }
        }
        Ok(tables)
    }

    /// All sub-tables of a table whose keys are names of the user's own, in file order.
    pub fn named_tables(&self) -> Result<Vec<(String, Table<'d>)>, SessionError> {
        let mut tables = Vec::new();
        for (key, value) in self.table {
            let name = key.get_ref().to_string();
            if let Some(complaint) = foreign::complaint(&name) {
                let message = format!("[{}]: {complaint}", foreign::shown(&self.path(&name)));
                return Err(self.document.error(key.span().start, message));
            }
            match value.get_ref().as_table() {
                Some(table) => {
                    let full = self.path(&name);
                    tables.push((name, Table::new(self.document, table, value.span(), full)));
                }
                None => return Err(self.wrong_type(&name, value.get_ref(), "a table")),
            }
        }
        Ok(tables)
    }

    /// All texts of a table whose keys are names of the user's own, in file order.
    pub fn named_texts(&self) -> Result<Vec<(String, String)>, SessionError> {
        let mut texts = Vec::new();
        for (key, value) in self.table {
            let name = key.get_ref().to_string();
            match value.get_ref().as_str() {
                Some(text) => texts.push((name, text.to_owned())),
                None => return Err(self.wrong_type(&name, value.get_ref(), "a text in quotes")),
            }
        }
        Ok(texts)
    }

    /// Refuses every key that nobody asked for, and suggests the nearest known one.
    pub fn finish(self) -> Result<(), SessionError> {
        for (key, _) in self.table {
            let name = key.get_ref().as_ref();
            if !self.known.contains(name) {
                let known: Vec<&str> = self.known.iter().copied().collect();
                let place = self.place();
                let name = &foreign::shortened(name);
                let message = format!("unknown key `{name}` in {place}{}", suggestion(name, &known));
                return Err(self.document.error(key.span().start, message));
            }
        }
        Ok(())
    }
}

/// "X is not one of ..., did you mean ...?"
pub fn not_among(text: &str, names: &[&str]) -> String {
    format!("\"{}\" is not known{}", foreign::shortened(text), suggestion(text, names))
}

fn suggestion(text: &str, names: &[&str]) -> String {
    let nearest = names.iter().filter_map(|name| near(text, name).map(|distance| (distance, *name))).min();
    match nearest {
        Some((_, name)) => format!("; did you mean `{name}`? Known: {}", names.join(", ")),
        None => format!("; known: {}", names.join(", ")),
    }
}

/// How many letters a text is from a name, if it may be a slip of it.
fn near(text: &str, name: &str) -> Option<usize> {
    Some(strsim::damerau_levenshtein(text, name)).filter(|distance| *distance <= 2.max(name.len() / 3))
}

fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text \"{}\"", foreign::shortened(text)),
        DeValue::Integer(number) => format!("the number {}", foreign::shortened(&number.to_string())),
        DeValue::Float(number) => format!("the number {}", foreign::shortened(&number.to_string())),
        DeValue::Boolean(flag) => format!("{flag}"),
        DeValue::Datetime(date) => format!("the date {date}"),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}
