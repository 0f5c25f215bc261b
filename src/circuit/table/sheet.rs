//! The text of a table as cells, whoever exported it.
//!
//! Understood: UTF-8, UTF-16 with a byte order mark, Windows-1252; any line ends; separators `;`, tab, `,` or blanks;
//! decimal points, or decimal commas where the separator is another sign; lines before the header; a row of units under
//! it; units in cells; rows in any order, with a frequency more than once; lines under the table. What could be read in two
//! ways is refused; what was put in order, averaged or left out is said in [`Sheet::notes`].

use super::cells::{
    Separator, bare, begins_a_number, cells, is_mark, line_numbers, looks_like_a_number, number,
    separator_of, with_prefix,
};
use super::columns::{Column, FREQUENCY, Plausible, Unit, factor, head_and_unit};
use super::error::TableError;
use crate::units;
use crate::units::foreign::shortened;
use crate::units::printed::{count, verb};

/// Highest frequency in Hz of a table: whoever writes more has slipped.
const HIGHEST_HZ: f64 = 1e12;
/// Heads that a message names: every table that a meter writes has fewer.
const MOST_HEADS: usize = 12;

/// A text as cells with their lines.
pub(super) struct Sheet<'t> {
    name: &'t str,
    header_line: usize,
    heads: Vec<(String, String)>,
    rows: Vec<(usize, Vec<&'t str>)>,
    decimal_comma: bool,
    /// Rows of each frequency, upwards.
    order: Vec<Vec<usize>>,
    notes: Vec<String>,
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
            let sheet = Self {
                name,
                header_line: first_line,
                heads,
                rows: Vec::new(),
                decimal_comma: false,
                order: Vec::new(),
                notes: Vec::new(),
            };
            return Err(sheet.missing(&FREQUENCY));
        };
        let (header_line, written) = lines[header];
        let separator = separator_of(written);
        let mut heads: Vec<(String, String)> =
            cells(written, separator).iter().map(|cell| head_and_unit(cell)).collect();
        while heads.last().is_some_and(|(head, unit)| head.is_empty() && unit.is_empty()) {
            heads.pop();
        }
        let mut rows: Vec<(usize, Vec<&str>)> = lines[header + 1..]
            .iter()
            .map(|&(line, row)| {
                let mut row = cells(row, separator);
                while row.len() > heads.len() && row.last().is_some_and(|cell| cell.is_empty()) {
                    row.pop();
                }
                (line, row)
            })
            .collect();
        let at = heads.iter().position(|(head, _)| FREQUENCY.heads.contains(&head.as_str())).unwrap_or(0);
        // Meters also write under the table: means, dates, a word of farewell.
        let holds = |(_, row): &(usize, Vec<&str>)| {
            row.len() == heads.len() && row.get(at).is_some_and(|cell| begins_a_number(cell) || is_mark(cell))
                || row.len() > 1 && row.iter().all(|cell| begins_a_number(cell))
        };
        let end = rows.iter().rposition(holds).map_or(rows.len(), |last| last + 1);
        let mut notes = Vec::new();
        if let Some((line, _)) = rows.get(end) {
            notes.push(format!("what stands under the table from line {line} on is not read"));
            rows.truncate(end);
        }
        for (line, row) in &rows {
            if row.len() != heads.len() {
                let hint = if separator == Separator::Sign(',') && row.len() > heads.len() {
                    "; if the decimal sign is a comma, export with semicolons between cells"
                } else {
                    ""
                };
                return Err(TableError::new(
                    name,
                    *line,
                    format!(
                        "{} cells stand under {} heads; each row needs one per head{hint}",
                        row.len(),
                        heads.len()
                    ),
                ));
            }
        }
        let mut sheet =
            Self { name, header_line, heads, rows, decimal_comma: false, order: Vec::new(), notes };
        sheet.take_units();
        sheet.leave_out_marks();
        sheet.settle_decimal_sign()?;
        if sheet.rows.is_empty() {
            return Err(TableError::new(
                name,
                header_line,
                "the table has 0 point(s); at least two are needed",
            ));
        }
        sheet.put_in_order()?;
        Ok(sheet)
    }

    /// Rows in which a meter shows no reading, `OL` or `----`, in a column that has readings elsewhere.
    fn leave_out_marks(&mut self) {
        let measured: Vec<bool> = (0..self.heads.len())
            .map(|column| {
                self.rows.iter().any(|(_, row)| begins_a_number(row[column]) && !is_mark(row[column]))
            })
            .collect();
        let (kept, marked): (Vec<_>, Vec<_>) =
            std::mem::take(&mut self.rows).into_iter().partition(|(_, row)| {
                !row.iter().zip(&measured).any(|(cell, measured)| *measured && is_mark(cell))
            });
        if let Some((line, _)) = marked.first() {
            self.notes.push(format!(
                "{} without a reading (overload marks, from line {line} on) {} left out",
                count(marked.len() as u64, "row"),
                verb(marked.len() as u64, "is", "are")
            ));
        }
        self.rows = kept;
    }

    /// Rows by frequency, upwards; those of the same frequency together.
    fn put_in_order(&mut self) -> Result<(), TableError> {
        let Some(frequencies) = self.raw(&FREQUENCY)? else { return Err(self.missing(&FREQUENCY)) };
        if let Some(row) = frequencies.iter().position(|value| *value <= 0.0) {
            return Err(TableError::new(
                self.name,
                self.rows[row].0,
                format!(
                    "the frequency is {} Hz; it must be larger than 0 Hz (0 Hz has no place on a log axis)",
                    frequencies[row]
                ),
            ));
        }
        if let Some(row) = frequencies.iter().position(|value| *value > HIGHEST_HZ) {
            let message = format!("the frequency is {} Hz; at most 1e12 Hz is allowed", frequencies[row]);
            return Err(TableError::new(self.name, self.rows[row].0, message));
        }
        let mut sorted: Vec<usize> = (0..frequencies.len()).collect();
        sorted.sort_by(|a, b| frequencies[*a].total_cmp(&frequencies[*b]));
        if !frequencies.is_sorted() {
            self.notes.push("its rows were sorted by frequency".to_owned());
        }
        for row in sorted {
            match self.order.last_mut() {
                Some(same) if frequencies[same[0]] == frequencies[row] => same.push(row),
                _ => self.order.push(vec![row]),
            }
        }
        match self.order.iter().filter(|same| same.len() > 1).count() {
            0 => {}
            1 => self
                .notes
                .push("1 frequency stands in it more than once: its readings are averaged".to_owned()),
            several => self.notes.push(format!(
                "{several} frequencies stand in it more than once: their readings are averaged"
            )),
        }
        Ok(())
    }

    /// What was put in order, averaged or left out.
    pub(super) fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Refuses a table of one point.
    pub(super) fn at_least_two(&self) -> Result<(), TableError> {
        if self.order.len() >= 2 {
            return Ok(());
        }
        let mut message = format!("the table has {} point(s); at least two are needed", self.order.len());
        for note in &self.notes {
            message = format!("{message} ({note})");
        }
        Err(self.at(0, message))
    }

    /// Whether the header has a column with a unit that fits.
    pub(super) fn has(&self, column: &Column) -> bool {
        self.heads
            .iter()
            .any(|(head, unit)| column.heads.contains(&head.as_str()) && factor(column, unit).is_some())
    }

    /// Whether the column stands there without a unit.
    pub(super) fn is_bare(&self, column: &Column) -> bool {
        self.heads.iter().any(|(head, unit)| column.heads.contains(&head.as_str()) && unit.is_empty())
    }

    /// A first row without any number, such as `Hz;Ohm;H`, holds the units of heads that have none.
    fn take_units(&mut self) {
        let is_units = self.rows.first().is_some_and(|(_, row)| {
            row.iter().all(|cell| *cell == "-" || !begins_a_number(cell) && number(cell, true).is_none())
                && row.iter().any(|cell| bare(cell).len() < 8 && !cell.is_empty())
                && self.rows.len() > 1
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
        TableError::new(self.name, self.rows[self.order[row][0]].0, message)
    }

    /// The error about a column that is not there.
    pub(super) fn missing(&self, column: &Column) -> TableError {
        let named = self.heads.iter().take(MOST_HEADS).map(|(head, _)| shortened(head));
        let mut heads: Vec<String> = named.collect();
        if let Some(more) = self.heads.len().checked_sub(MOST_HEADS).filter(|more| *more > 0) {
            heads.push(format!("and {more} more"));
        }
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

    /// The values of a column in SI units, if the header has it: one for each frequency, the mean where there are several.
    pub(super) fn values(&self, column: &Column) -> Result<Option<Vec<f64>>, TableError> {
        let Some(raw) = self.raw(column)? else { return Ok(None) };
        let mean = |rows: &Vec<usize>| {
            let first = raw[rows[0]];
            // Phases on both sides of half a turn are averaged where they meet.
            let turn = if matches!(column.unit, Unit::Angle) { std::f64::consts::TAU } else { f64::INFINITY };
            let beyond = |row: &usize| {
                let step = raw[*row] - first;
                if turn.is_finite() { step - turn * (step / turn).round() } else { step }
            };
            first + rows.iter().map(beyond).sum::<f64>() / rows.len() as f64
        };
        Ok(Some(self.order.iter().map(mean).collect()))
    }

    fn raw(&self, column: &Column) -> Result<Option<Vec<f64>>, TableError> {
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
                // A unit in the cell itself, such as "1.5 kHz", or the prefix alone, such as "2.1u".
                (None, Unit::Quantity(dimension)) => {
                    let written = if self.decimal_comma { cell.replace(',', ".") } else { cell.to_owned() };
                    let prefixed = with_prefix(&written).filter(|_| factor == 1.0);
                    match prefixed {
                        Some(value) => value,
                        None => units::parse(&written, dimension)
                            .map_err(|_| self.no_number(*line, column, cell))?,
                    }
                }
                (None, Unit::Percent) if cell.ends_with('%') => {
                    number(cell.trim_end_matches('%').trim(), self.decimal_comma)
                        .ok_or_else(|| self.no_number(*line, column, cell))?
                }
                _ => return Err(self.no_number(*line, column, cell)),
            };
            if !value.is_finite() || value.abs() > column.largest() {
                return Err(TableError::new(
                    self.name,
                    *line,
                    format!(
                        "{}: {} is no reading; remove the row or measure again",
                        column.name,
                        shortened(cell)
                    ),
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
            Some((head, unit)) if unit.to_lowercase().trim_end_matches('s') == "mohm" => {
                Err(TableError::new(
                    self.name,
                    self.header_line,
                    format!(
                        "\"{unit}\" of the column {head} is megohm as it is written, and a cable has milliohm; write mohm if that is \
                     what the meter showed"
                    ),
                ))
            }
            Some((head, unit)) => Err(TableError::new(
                self.name,
                self.header_line,
                format!(
                    "\"{}\" is not a unit of the column {head}; {} is expected",
                    shortened(unit),
                    column.name
                ),
            )),
            None => Ok(None),
        }
    }

    /// The frequencies in Hz: positive and rising.
    pub(super) fn frequencies(&self) -> Result<Vec<f64>, TableError> {
        self.values(&FREQUENCY)?.ok_or_else(|| self.missing(&FREQUENCY))
    }

    /// Refuses values of a cable that are absurd for its length in a column without a unit, and names the likely one.
    pub(super) fn plausible(
        &self,
        column: &Column,
        values: &[f64],
        plausible: &Plausible,
        length_m: f64,
    ) -> Result<(), TableError> {
        let (low, high) = plausible.per_metre;
        let middle = {
            let mut sorted: Vec<f64> = values.iter().map(|value| value.abs() / length_m).collect();
            sorted.sort_by(f64::total_cmp);
            sorted[sorted.len() / 2]
        };
        if !self.is_bare(column) || middle == 0.0 || (low..=high).contains(&middle) {
            return Ok(());
        }
        let likely = plausible.meant.iter().find(|(_, worth)| (low..=high).contains(&(middle * worth)));
        let meant = match likely {
            Some((unit, _)) => format!(
                "if the meter showed {unit}, write it into the head, as in {} ({unit})",
                self.written(column)
            ),
            None => "write its unit into the head".to_owned(),
        };
        Err(TableError::new(
            self.name,
            self.header_line,
            format!(
                "the column {} has no unit, and read as {} it gives {middle:.3e} per metre of this sample ({length_m} m), which no \
                 cable has; {meant}",
                self.written(column),
                column.name
            ),
        ))
    }

    /// The head of a column as it is in the table.
    fn written(&self, column: &Column) -> &str {
        self.heads
            .iter()
            .find(|(head, _)| column.heads.contains(&head.as_str()))
            .map_or(column.name, |(head, _)| head.as_str())
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
