//! The text of a table as cells, whoever exported it.
//!
//! Understood: UTF-8, UTF-16 with a byte order mark, Windows-1252; any line ends; separators `;`, tab, `,` or blanks;
//! decimal points, or decimal commas where the separator is another sign; lines before the header; a row of units under
//! it; units in cells. What could be read in two ways is refused.

use super::TableError;
use super::columns::{Column, FREQUENCY, Unit, factor, head_and_unit};
use crate::units;

/// The text of a file's bytes: UTF-8, UTF-16 with a byte order mark, or else Windows-1252 (whose letters outside Latin-1
/// no table has a use for).
pub fn decode(bytes: &[u8]) -> String {
    let wide = |rest: &[u8], join: fn([u8; 2]) -> u16| {
        let letters: Vec<u16> = rest.chunks_exact(2).map(|pair| join([pair[0], pair[1]])).collect();
        String::from_utf16_lossy(&letters)
    };
    match bytes {
        [0xff, 0xfe, rest @ ..] => wide(rest, u16::from_le_bytes),
        [0xfe, 0xff, rest @ ..] => wide(rest, u16::from_be_bytes),
        _ => match std::str::from_utf8(bytes) {
            Ok(text) => text.trim_start_matches('\u{feff}').to_owned(),
            Err(_) => bytes.iter().map(|byte| char::from(*byte)).collect(),
        },
    }
}

/// How cells are told apart.
#[derive(Clone, Copy, PartialEq)]
enum Separator {
    Sign(char),
    Blanks,
}

/// A text as cells with their lines.
pub(super) struct Sheet<'t> {
    name: &'t str,
    header_line: usize,
    heads: Vec<(String, String)>,
    rows: Vec<(usize, Vec<&'t str>)>,
    decimal_comma: bool,
}

impl<'t> Sheet<'t> {
    /// Finds the header and cuts every row under it into cells.
    pub(super) fn read(text: &'t str, name: &'t str) -> Result<Self, TableError> {
        let text = text.trim_start_matches('\u{feff}');
        let lines: Vec<(usize, &str)> = text
            .split(['\n', '\r'])
            .zip(line_numbers(text))
            .map(|(line, number)| (number, line.trim()))
            .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'))
            .collect();
        let Some(&(first_line, first)) = lines.first() else {
            return Err(TableError::new(
                name,
                None,
                "the table is empty; a header and at least two rows are needed",
            ));
        };
        // Meters write who and when before the header: that is the first line with a head for the frequency.
        let header = lines.iter().position(|(_, line)| {
            let cells = cells(line, separator_of(line));
            cells.len() > 1
                && !cells.iter().any(|cell| begins_a_number(cell))
                && cells.iter().any(|cell| FREQUENCY.heads.contains(&head_and_unit(cell).0.as_str()))
        });
        let Some(header) = header else {
            let cells = cells(first, separator_of(first));
            if cells.iter().any(|cell| number(cell, false).is_some()) || cells.len() < 2 {
                return Err(TableError::new(
                    name,
                    first_line,
                    format!(
                        "a header such as \"frequency_hz,...\" is expected, \"{}\" was found",
                        shortened(first)
                    ),
                ));
            }
            let heads = cells.iter().map(|cell| head_and_unit(cell)).collect();
            let sheet = Self { name, header_line: first_line, heads, rows: Vec::new(), decimal_comma: false };
            return Err(sheet.missing(&FREQUENCY));
        };
        let (header_line, written) = lines[header];
        let separator = separator_of(written);
        let mut heads: Vec<(String, String)> =
            cells(written, separator).iter().map(|cell| head_and_unit(cell)).collect();
        while heads.last().is_some_and(|(head, unit)| head.is_empty() && unit.is_empty()) {
            heads.pop();
        }
        let mut rows: Vec<(usize, Vec<&str>)> = Vec::new();
        for &(line, row) in &lines[header + 1..] {
            let mut row = cells(row, separator);
            while row.len() > heads.len() && row.last().is_some_and(|cell| cell.is_empty()) {
                row.pop();
            }
            if row.len() != heads.len() {
                let hint = if separator == Separator::Sign(',') && row.len() > heads.len() {
                    "; if the decimal sign is a comma, export with semicolons between cells"
                } else {
                    ""
                };
                return Err(TableError::new(
                    name,
                    line,
                    format!(
                        "{} cells stand under {} heads; each row needs one per head{hint}",
                        row.len(),
                        heads.len()
                    ),
                ));
            }
            rows.push((line, row));
        }
        let mut sheet = Self { name, header_line, heads, rows, decimal_comma: false };
        sheet.take_units();
        sheet.settle_decimal_sign()?;
        if sheet.rows.len() < 2 {
            return Err(TableError::new(
                name,
                sheet.rows.first().map_or(header_line, |row| row.0),
                format!("the table has {} point(s); at least two are needed", sheet.rows.len()),
            ));
        }
        Ok(sheet)
    }

    /// A first row without any number, such as `Hz;Ohm;H`, holds the units of heads that have none.
    fn take_units(&mut self) {
        let is_units = self.rows.first().is_some_and(|(_, row)| {
            row.iter().all(|cell| *cell == "-" || !begins_a_number(cell) && number(cell, true).is_none())
                && row.iter().any(|cell| bare(cell).len() < 8 && !cell.is_empty())
                && self.rows.len() > 2
        });
        if is_units {
            let (_, row) = self.rows.remove(0);
            for (head, cell) in self.heads.iter_mut().zip(row) {
                if head.1.is_empty() {
                    bare(cell).clone_into(&mut head.1);
                }
            }
        }
    }

    /// Points or commas: a table that has both in its numbers could mean thousands by one of them.
    fn settle_decimal_sign(&mut self) -> Result<(), TableError> {
        let mut seen: [Option<usize>; 2] = [None; 2];
        for (line, row) in &self.rows {
            for cell in row.iter().filter(|cell| looks_like_a_number(cell)) {
                for (place, sign) in ['.', ','].into_iter().enumerate() {
                    if cell.contains(sign) {
                        seen[place].get_or_insert(*line);
                    }
                }
            }
        }
        if let [Some(points), Some(commas)] = seen {
            return Err(TableError::new(
                self.name,
                points.max(commas),
                format!(
                    "numbers are written with a point (line {points}) and with a comma (line {commas}), and one of them \
                     could mean thousands; export with one decimal sign and no thousands"
                ),
            ));
        }
        self.decimal_comma = seen[1].is_some();
        Ok(())
    }

    /// The table's name in messages.
    pub(super) fn name(&self) -> &str {
        self.name
    }

    /// The header's line, from 1.
    pub(super) fn header_line(&self) -> usize {
        self.header_line
    }

    /// An error at a row.
    pub(super) fn at(&self, row: usize, message: impl Into<String>) -> TableError {
        TableError::new(self.name, self.rows[row].0, message)
    }

    /// The error about a column that is not there.
    pub(super) fn missing(&self, column: &Column) -> TableError {
        let heads: Vec<&str> = self.heads.iter().map(|(head, _)| head.as_str()).collect();
        TableError::new(
            self.name,
            self.header_line,
            format!(
                "the column {} is missing (also understood: {}); the header has {}",
                column.name,
                column.heads.join(", "),
                heads.join(", ")
            ),
        )
    }

    /// The values of a column in SI units, if the header has it.
    pub(super) fn values(&self, column: &Column) -> Result<Option<Vec<f64>>, TableError> {
        let fits = |(head, unit): &(String, String)| {
            column.heads.contains(&head.as_str()) && factor(column, unit).is_some()
        };
        let found: Vec<usize> = (0..self.heads.len()).filter(|&index| fits(&self.heads[index])).collect();
        let index = match found.as_slice() {
            [] => return self.wrong_unit(column),
            [index] => *index,
            _ => {
                return Err(TableError::new(
                    self.name,
                    self.header_line,
                    format!("more than one column reads as {}; keep one", column.name),
                ));
            }
        };
        let unit = &self.heads[index].1;
        let factor = factor(column, unit).unwrap_or(1.0);
        let mut values = Vec::with_capacity(self.rows.len());
        for (line, cells) in &self.rows {
            let cell = cells[index];
            let value = match (number(cell, self.decimal_comma), column.unit) {
                (Some(value), _) => value * factor,
                // A unit in the cell itself, such as "1.5 kHz".
                (None, Unit::Quantity(dimension)) if unit.is_empty() => {
                    let written = if self.decimal_comma { cell.replace(',', ".") } else { cell.to_owned() };
                    units::parse(&written, dimension).map_err(|_| self.no_number(*line, column, cell))?
                }
                _ => return Err(self.no_number(*line, column, cell)),
            };
            if !value.is_finite() {
                return Err(TableError::new(
                    self.name,
                    *line,
                    format!("{}: {cell} is not finite; remove the row or measure again", column.name),
                ));
            }
            values.push(value);
        }
        Ok(Some(values))
    }

    fn no_number(&self, line: usize, column: &Column, cell: &str) -> TableError {
        TableError::new(
            self.name,
            line,
            format!(
                "{}: \"{}\" is not a number; remove the row or measure again",
                column.name,
                shortened(cell)
            ),
        )
    }

    /// The right head with a unit of something else is a mistake worth naming.
    fn wrong_unit(&self, column: &Column) -> Result<Option<Vec<f64>>, TableError> {
        let wrong = self.heads.iter().find(|(head, unit)| {
            head.len() > 1
                && (column.heads[0] == head || column.heads.get(2) == Some(&head.as_str()))
                && factor(column, unit).is_none()
        });
        match wrong {
            Some((head, unit)) => Err(TableError::new(
                self.name,
                self.header_line,
                format!("\"{unit}\" is not a unit of the column {head}; {} is expected", column.name),
            )),
            None => Ok(None),
        }
    }

    /// The frequencies in Hz: positive and rising.
    pub(super) fn frequencies(&self) -> Result<Vec<f64>, TableError> {
        let values = self.values(&FREQUENCY)?.ok_or_else(|| self.missing(&FREQUENCY))?;
        for (row, &value) in values.iter().enumerate() {
            if value <= 0.0 {
                return Err(self.at(
                    row,
                    format!("the frequency is {value} Hz; it must be larger than 0 Hz (0 Hz has no place on a log axis)"),
                ));
            }
            if row > 0 && value == values[row - 1] {
                return Err(
                    self.at(row, format!("the frequency {value} Hz stands here a second time; keep one row"))
                );
            }
            if row > 0 && value < values[row - 1] {
                return Err(self.at(
                    row,
                    format!("the frequency {value} Hz follows {} Hz; sort the rows upwards", values[row - 1]),
                ));
            }
        }
        Ok(values)
    }

    /// Refuses values below 0.
    pub(super) fn not_negative(&self, column: &Column, values: Vec<f64>) -> Result<Vec<f64>, TableError> {
        match values.iter().position(|value| *value < 0.0) {
            Some(row) => Err(self.at(
                row,
                format!(
                    "{} is {}; a cable's is not negative: remove the row or measure again",
                    column.name, values[row]
                ),
            )),
            None => Ok(values),
        }
    }

    /// Refuses values that are not above 0.
    pub(super) fn positive(&self, column: &Column, values: Vec<f64>) -> Result<Vec<f64>, TableError> {
        match values.iter().position(|value| *value <= 0.0) {
            Some(row) => {
                Err(self.at(row, format!("{} is {}; it must be larger than 0", column.name, values[row])))
            }
            None => Ok(values),
        }
    }
}

/// The line number, from 1, of each piece between line feeds and carriage returns: a pair of the two ends one line.
fn line_numbers(text: &str) -> impl Iterator<Item = usize> {
    let mut number = 1;
    let mut before = '\0';
    std::iter::once(1).chain(text.chars().filter_map(move |letter| {
        let ends = matches!(letter, '\n' | '\r');
        if ends && !(letter == '\n' && before == '\r') {
            number += 1;
        }
        before = letter;
        ends.then_some(number)
    }))
}

fn separator_of(header: &str) -> Separator {
    [';', '\t', ',']
        .into_iter()
        .find(|sign| header.contains(*sign))
        .map_or(Separator::Blanks, Separator::Sign)
}

/// Cells of a row; quotes keep a separator inside a cell.
fn cells(row: &str, separator: Separator) -> Vec<&str> {
    let Separator::Sign(separator) = separator else {
        return row.split_whitespace().map(|cell| cell.trim_matches('"')).collect();
    };
    let mut cells = Vec::new();
    let (mut start, mut quoted) = (0, false);
    for (position, letter) in row.char_indices() {
        if letter == '"' {
            quoted = !quoted;
        } else if letter == separator && !quoted {
            cells.push(&row[start..position]);
            start = position + letter.len_utf8();
        }
    }
    cells.push(&row[start..]);
    cells.into_iter().map(|cell| cell.trim().trim_matches('"').trim()).collect()
}

/// A bare number; with a decimal comma only where the table has them.
fn number(cell: &str, decimal_comma: bool) -> Option<f64> {
    if decimal_comma && cell.matches(',').count() == 1 {
        return cell.replace(',', ".").parse().ok();
    }
    cell.parse().ok()
}

fn begins_a_number(cell: &str) -> bool {
    cell.starts_with(|letter: char| letter.is_ascii_digit() || letter == '-' || letter == '+')
}

/// Digits, signs and at most one point and one comma: neither a date nor a time.
fn looks_like_a_number(cell: &str) -> bool {
    cell.contains(|letter: char| letter.is_ascii_digit())
        && cell.chars().all(|letter| letter.is_ascii_digit() || "+-.,eE".contains(letter))
        && cell.matches('.').count() <= 1
        && cell.matches(',').count() <= 1
}

/// A unit without the brackets around it.
fn bare(cell: &str) -> &str {
    cell.trim().trim_matches(['(', ')', '[', ']', '{', '}', '<', '>']).trim()
}

/// So much of a text as a message can carry.
fn shortened(text: &str) -> String {
    let safe: String =
        text.chars().take(60).map(|letter| if letter.is_control() { '\u{fffd}' } else { letter }).collect();
    if text.chars().count() > 60 { format!("{safe}...") } else { safe }
}
