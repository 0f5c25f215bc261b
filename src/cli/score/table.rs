//! CSV files of counts, line by line: columns are found by their names, and complaints say file and line.

use std::path::Path;

use super::super::Failure;
use crate::ballot::paper::separator;
use crate::files;

/// A line of counts, its cells in the order of the columns that were asked for.
pub(super) struct Line<const N: usize> {
    place: String,
    columns: [&'static str; N],
    cells: [String; N],
}

impl<const N: usize> Line<N> {
    /// What stands in a column; nothing where the line is too short.
    pub(super) fn cell(&self, index: usize) -> &str {
        &self.cells[index]
    }

    /// A complaint about this line.
    pub(super) fn complaint(&self, message: impl std::fmt::Display) -> Failure {
        Failure::bad(format!("{}: {message}", self.place))
    }

    /// A complaint about a cell that must be something else.
    pub(super) fn wrong(&self, index: usize, what: &str) -> Failure {
        self.complaint(format!("{} is \"{}\", but must be {what}", self.columns[index], self.cells[index]))
    }

    /// A count.
    pub(super) fn whole(&self, index: usize) -> Result<u64, Failure> {
        self.cells[index].parse().map_err(|_| self.wrong(index, "a whole number, 0 or more"))
    }
}

/// The lines of a CSV file below its header; a line that cannot be read is an error in its place.
///
/// # Errors
/// The file cannot be read, or a column is missing.
pub(super) fn lines<const N: usize>(
    path: &Path,
    columns: [&'static str; N],
) -> Result<Vec<Result<Line<N>, Failure>>, Failure> {
    let at = path.display();
    let table =
        files::read(path, files::LARGEST_TABLE_BYTES).map_err(Failure::of_file(path, "cannot be read"))?;
    let table = table.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&table);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator(table))
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(table);
    let header = reader
        .headers()
        .map_err(|error| Failure::bad(format!("{at}: the header cannot be read: {error}")))?
        .clone();
    let mut places = [0; N];
    for (place, column) in places.iter_mut().zip(columns) {
        *place = header.iter().position(|name| name.eq_ignore_ascii_case(column)).ok_or_else(|| {
            Failure::bad(format!(
                "{at}: there is no column \"{column}\": the header must name {}",
                columns.join(",")
            ))
        })?;
    }
    let line = |record: csv::Result<csv::StringRecord>| {
        let record = record.map_err(|error| Failure::bad(format!("{at}: {error}")))?;
        let number = record.position().map_or(0, csv::Position::line);
        let cells = places.map(|place| record.get(place).unwrap_or("").to_owned());
        Ok(Line { place: format!("{at}, line {number}"), columns, cells })
    };
    Ok(reader.records().map(line).collect())
}
