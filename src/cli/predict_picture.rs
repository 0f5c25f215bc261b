//! Pictures of `earwitness predict`: an SVG file and a chart for the terminal.

use std::path::Path;

use super::{Failure, whole};
use crate::evidence::Anonymiser;
use crate::hearing::Difference;
use crate::hearing::difference::{BAND_HZ, logarithmic};
use crate::report::distortion_figure::distortion;
use crate::report::svg::stacked;
use crate::report::{length_figures, response_figures};
use crate::screen::terminal::{InputSource as _, Keyboard};
use crate::session::{Comparison, Session};

/// Most and fewest columns of the terminal's chart, and what its labels take; with them it fits 80 columns.
const COLUMNS: usize = 66;
const FEWEST_COLUMNS: usize = 24;
const LABELS: usize = 13;
/// Rows of the terminal's chart.
const ROWS: usize = 11;

/// Writes the figures of every comparison to `path`, whole or not at all.
pub(super) fn write(session: &Session, path: &Path) -> Result<(), Failure> {
    // Whoever asks for a picture wrote the names in it.
    let session = &Anonymiser::SHOWS.session(session);
    let mut all = Vec::new();
    for comparison in &session.comparisons {
        all.extend(response_figures::of_comparison(session, comparison).map_err(Failure::bad)?);
    }
    all.extend(distortion(session));
    all.extend(length_figures::at_every_load(session).map_err(Failure::bad)?);
    whole::write(path, &stacked(&all))
}

/// The difference over frequency as lines of text, without colour.
pub(super) fn terminal(session: &Session, comparison: &Comparison) -> Result<Vec<String>, Failure> {
    let width = Keyboard.size().map_or(80, |(columns, _)| usize::from(columns));
    let columns = width.saturating_sub(LABELS).clamp(FEWEST_COLUMNS, COLUMNS);
    let frequencies = logarithmic(BAND_HZ.0, BAND_HZ.1, columns);
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let difference = Difference::between(&a, &b, &frequencies).map_err(Failure::bad)?;
    Ok(chart(&difference.gain_db))
}

/// A chart of one value per column from 20 Hz to 20 kHz.
fn chart(gains: &[f64]) -> Vec<String> {
    let finite = gains.iter().copied().filter(|gain| gain.is_finite());
    let high = finite.clone().fold(0.0, f64::max);
    let low = finite.fold(0.0, f64::min);
    let span = (high - low).max(1e-6);
    let row_of = |gain: f64| (((high - gain) / span) * (ROWS - 1) as f64).round() as usize;
    let zero = row_of(0.0);
    let mut lines = vec!["  A minus B in dB, over frequency in Hz".to_owned()];
    for row in 0..ROWS {
        let value = high - span * row as f64 / (ROWS - 1) as f64;
        let label = if row % 5 == 0 { format!("{value:+9.4} ") } else { " ".repeat(10) };
        let cells: String = gains
            .iter()
            .map(|gain| match (gain.is_finite() && row_of(*gain) == row, row == zero) {
                (true, _) => '*',
                (false, true) => '-',
                (false, false) => ' ',
            })
            .collect();
        lines.push(format!("{label}|{cells}").trim_end().to_owned());
    }
    let columns = gains.len();
    let mut axis = vec![' '; columns + 14];
    for (frequency, name) in [(20.0, "20"), (100.0, "100"), (1e3, "1k"), (1e4, "10k"), (2e4, "20k")] {
        let share = (frequency / BAND_HZ.0).ln() / (BAND_HZ.1 / BAND_HZ.0).ln();
        let column = 11 + (share * (columns - 1) as f64).round() as usize;
        for (offset, letter) in name.chars().enumerate() {
            axis[column - usize::from(frequency > 1e4) + offset] = letter;
        }
    }
    lines.push(axis.into_iter().collect::<String>().trim_end().to_owned());
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chart_fits_a_terminal_and_shows_both_ends() {
        let gains: Vec<f64> = (0..COLUMNS).map(|i| 0.5 - i as f64 / 65.0).collect();
        let lines = chart(&gains);
        assert_eq!(lines.len(), ROWS + 2);
        assert!(lines.iter().all(|line| line.chars().count() <= 80), "{lines:#?}");
        assert!(lines[1].starts_with("  +0.5000 |*"), "{}", lines[1]);
        assert!(lines[ROWS].ends_with('*') && lines[ROWS].starts_with("  -0.5000"), "{}", lines[ROWS]);
        assert!(lines[6].contains("---"), "the line of no difference");
        let narrow = chart(&[0.25; 47]);
        assert!(narrow.iter().all(|line| line.chars().count() <= 60), "{narrow:#?}");
        assert!(chart(&[0.0; COLUMNS]).iter().any(|line| line.contains("***")));
    }
}
