//! The kit that every figure is drawn with: axes, lines, bands, marks, labels and a legend as hand-written SVG.
//!
//! Comes in: numbers and words. Goes out: [`Figure`] in two drawings, one for pages and one for phones and columns; the same
//! bytes for the same input. Colours are classes, so that a
//! figure follows the page into dark mode and onto paper; every tone has a dash or shape of its own, so that nothing is
//! told by colour alone. Lengths are in the units of the view box.

mod axis;
mod chart;
mod labels;
mod literal;
mod outlines;
mod pdf;

use std::fmt::Write as _;

pub use axis::Axis;
pub use chart::{Chart, NARROW, WIDTH, panels};

/// Colours and strokes of figures, for the page and for figures that stand alone.
pub const STYLE: &str = include_str!("figure.css");

/// A finished figure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// What it shows, in a few words.
    pub title: String,
    /// Everything it says, for whoever does not see it.
    pub description: String,
    /// The SVG element, styled by [`STYLE`] of the page around it.
    pub inline: String,
    /// The same, drawn anew for a phone's screen or a column of print.
    pub narrow: String,
}

/// Width of a column of print, in mm.
const COLUMN_MM: f64 = 85.0;

impl Figure {
    /// The figure as a file of its own, with its style inside.
    pub fn standalone(&self) -> String {
        alone(&self.inline)
    }

    /// The narrow drawing as a file of its own, as wide as a column of print.
    pub fn column(&self) -> String {
        alone(&self.narrow.replacen("<svg ", &format!("<svg width=\"{COLUMN_MM:.0}mm\" "), 1))
    }

    /// The narrow drawing as a page of PDF, as wide as a column of print.
    pub fn pdf(&self) -> Vec<u8> {
        pdf::page(&literal::with_attributes(&self.narrow), &self.title, COLUMN_MM)
    }

    /// Letters that [`Figure::pdf`] shows as question marks: no western European ones, and no font of this machine has them, or
    /// they cannot be set one after the other. The SVG has them all.
    pub fn lacking_in_pdf(&self) -> Vec<char> {
        pdf::lacking(&self.narrow)
    }
}

fn alone(svg: &str) -> String {
    let style = format!(
        "<style>{}</style><rect class=\"paper\" width=\"100%\" height=\"100%\"/>",
        literal::dark_style()
    );
    let body = match svg.find('>') {
        Some(at) => format!("{}{style}{}", &svg[..=at], &svg[at + 1..]),
        None => svg.to_owned(),
    };
    format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n", literal::with_attributes(&body))
}

/// Minus signs in place of the hyphens before numbers.
pub fn minus(text: &str) -> String {
    let letters: Vec<char> = text.chars().collect();
    let is_minus = |index: usize| {
        letters[index] == '-'
            && letters.get(index + 1).is_some_and(char::is_ascii_digit)
            && (index == 0 || !letters[index - 1].is_alphanumeric())
    };
    (0..letters.len()).map(|index| if is_minus(index) { '\u{2212}' } else { letters[index] }).collect()
}

/// How a line, band or mark looks. Each has a colour and a dash or shape.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// The main thing shown: solid.
    First,
    /// The second of several: long dashes.
    Second,
    /// The third: dots.
    Third,
    /// The fourth: dash and dot.
    Fourth,
    /// What a guesser does.
    Chance,
    /// The line that decides.
    Critical,
    /// Background.
    Quiet,
}

impl Tone {
    /// The tone of the series with this index, in turn.
    pub fn of(index: usize) -> Self {
        [Self::First, Self::Second, Self::Third, Self::Fourth][index % 4]
    }

    fn class(self) -> &'static str {
        match self {
            Self::First => "t1",
            Self::Second => "t2",
            Self::Third => "t3",
            Self::Fourth => "t4",
            Self::Chance => "chance",
            Self::Critical => "critical",
            Self::Quiet => "quiet",
        }
    }
}

/// Text with the characters that mean something to SVG and HTML replaced.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            // XML 1.0 has no other control characters.
            '\u{0}'..='\u{8}' | '\u{b}' | '\u{c}' | '\u{e}'..='\u{1f}' | '\u{fffe}' | '\u{ffff}' => {
                safe.push('\u{fffd}');
            }
            other => safe.push(other),
        }
    }
    safe
}

/// A text cut to at most `most` characters.
pub fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        text.to_owned()
    } else {
        let mut short: String = text.chars().take(most.saturating_sub(1)).collect();
        short.push('…');
        short
    }
}

/// A mark at a point of the view box.
fn mark(tone: Tone, x: f64, y: f64) -> String {
    let class = tone.class();
    match tone {
        Tone::Second => {
            format!("<path class=\"mark {class}\" d=\"M{x:.1} {:.1}l5 5l-5 5l-5 -5Z\"/>", y - 5.0)
        }
        Tone::Third => format!(
            "<rect class=\"mark {class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"8\" height=\"8\"/>",
            x - 4.0,
            y - 4.0
        ),
        Tone::Fourth => format!("<path class=\"mark {class}\" d=\"M{x:.1} {:.1}l5 9l-10 0Z\"/>", y - 5.0),
        _ => format!("<circle class=\"mark {class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>"),
    }
}

/// One SVG file with the figures below each other, each under its title.
pub fn stacked(figures: &[Figure]) -> String {
    let mut body = String::new();
    let mut top = 0.0;
    for figure in figures {
        let height = view_height(&figure.inline);
        let _ = write!(
            body,
            "<text class=\"label\" x=\"12\" y=\"{:.0}\">{}</text>",
            top + 18.0,
            escape(&figure.title)
        );
        let placed = format!("<svg y=\"{:.0}\" width=\"{WIDTH:.0}\" height=\"{height:.0}\" ", top + 24.0);
        body.push_str(&figure.inline.replacen("<svg ", &placed, 1));
        top += height + 40.0;
    }
    let svg = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"figure\" viewBox=\"0 0 \
         {WIDTH:.0} {top:.0}\" width=\"{WIDTH:.0}\" height=\"{top:.0}\"><style>{}</style><rect class=\"paper\" \
         width=\"100%\" height=\"100%\"/>{body}</svg>\n",
        literal::dark_style()
    );
    literal::with_attributes(&svg)
}

fn view_height(svg: &str) -> f64 {
    svg.split("viewBox=\"")
        .nth(1)
        .and_then(|rest| rest.split('"').next())
        .and_then(|numbers| numbers.split_whitespace().nth(3))
        .and_then(|height| height.parse().ok())
        .unwrap_or(300.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart() -> Chart {
        Chart::new("Level", Axis::logarithmic("frequency, Hz", 20.0, 20_000.0), Axis::linear("dB", -1.0, 1.0))
    }

    #[test]
    fn unusable_ends_still_give_a_chart() {
        let mut chart = Chart::new("t", Axis::linear("x", f64::NAN, f64::NAN), Axis::linear("y", 3.0, 3.0));
        chart.line(Tone::First, &[(0.0, f64::NAN), (0.5, 3.5)]);
        let svg = chart.finish("nothing").inline;
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    }

    #[test]
    fn words_are_text_whatever_they_hold() {
        let mut chart = chart();
        chart.name(Tone::First, "<script>alert(1)</script>\u{0}");
        chart.words("a & \"b\"", (100.0, 0.0), "start", 0.0, 0.0);
        let figure = chart.finish("says <b>");
        assert!(figure.inline.contains("&lt;script&gt;alert(1)&lt;/script&gt;\u{fffd}"));
        assert!(figure.inline.contains("a &amp; &quot;b&quot;"));
        assert!(!figure.inline.contains("<b>") && !figure.inline.contains("<script"));
        assert!(figure.standalone().contains("prefers-color-scheme"));
    }

    #[test]
    fn numbers_have_minus_signs_and_names_keep_their_hyphens() {
        assert_eq!(minus("-0.5 to (-1), a-1 2026-01-02 -x"), "\u{2212}0.5 to (\u{2212}1), a-1 2026-01-02 -x");
    }

    #[test]
    fn every_tone_has_its_place_in_the_style() {
        for tone in
            [Tone::First, Tone::Second, Tone::Third, Tone::Fourth, Tone::Chance, Tone::Critical, Tone::Quiet]
        {
            assert!(STYLE.contains(&format!(".{}", tone.class())), "{tone:?}");
        }
    }
}
