//! Tables that become cards on a phone: each cell carries the label of its column.

use maud::{Markup, html};

use super::sources::traced;
use super::wide;

/// A column: its head, the same as plain text, and whether it holds numbers.
pub(super) struct Column {
    head: Markup,
    label: String,
    is_number: bool,
}

/// A column of words.
pub(super) fn words(label: &str) -> Column {
    Column { head: html! { (label) }, label: label.to_owned(), is_number: false }
}

/// A column of numbers.
pub(super) fn numbers(label: &str) -> Column {
    Column { is_number: true, ..words(label) }
}

/// A column of numbers that are explained.
pub(super) fn explained(label: &str, id: &str) -> Column {
    Column { head: traced(label, id), ..numbers(label) }
}

/// A row: its cells, the first of which names it.
#[derive(Default)]
pub(super) struct Row {
    /// Does not count.
    pub(super) is_out: bool,
    /// Number of its sitting, for the script that checks the page.
    pub(super) sitting: Option<usize>,
    /// An anchor.
    pub(super) id: Option<String>,
    pub(super) cells: Vec<Markup>,
}

impl From<Vec<Markup>> for Row {
    fn from(cells: Vec<Markup>) -> Self {
        Self { cells, ..Self::default() }
    }
}

/// A table with a caption; nothing without rows.
pub(super) fn table<R: Into<Row>>(
    label: &str,
    caption: &Markup,
    columns: &[Column],
    rows: impl IntoIterator<Item = R>,
) -> Markup {
    let rows: Vec<Row> = rows.into_iter().map(Into::into).collect();
    let class = |column: &Column| column.is_number.then_some("n");
    html! {
        @if !rows.is_empty() {
            (wide(label, html! {
                table.cards {
                    caption { (caption) }
                    thead { tr { @for column in columns { th class=[class(column)] scope="col" { (column.head) } } } }
                    tbody {
                        @for row in &rows {
                            tr.out[row.is_out] data-sitting=[row.sitting] id=[row.id.as_ref()] {
                                @for (place, (column, cell)) in columns.iter().zip(&row.cells).enumerate() {
                                    @if place == 0 {
                                        th class=[class(column)] scope="row" { (cell) }
                                    } @else {
                                        td class=[class(column)] data-label=(column.label) { (cell) }
                                    }
                                }
                            }
                        }
                    }
                }
            }))
        }
    }
}
