//! The kit that every figure is drawn with: axes, lines, bands, marks and a legend as hand-written SVG.
//!
//! Comes in: numbers and words. Goes out: [`Figure`], the same bytes for the same input. Colours are classes, so that a
//! figure follows the page into dark mode and onto paper; every tone has a dash or shape of its own, so that nothing is
//! told by colour alone. Lengths are in the units of the view box.

mod axis;
mod literal;

use std::fmt::Write as _;

pub use axis::Axis;

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
}

impl Figure {
    /// The figure as a file of its own, with its style inside.
    pub fn standalone(&self) -> String {
        let style = format!(
            "<style>{}</style><rect class=\"paper\" width=\"100%\" height=\"100%\"/>",
            literal::dark_style()
        );
        let body = match self.inline.find('>') {
            Some(at) => format!("{}{style}{}", &self.inline[..=at], &self.inline[at + 1..]),
            None => self.inline.clone(),
        };
        format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{}\n", literal::with_attributes(&body))
    }
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

/// How the legend shows a tone.
#[derive(Debug, Clone, Copy)]
enum Sign {
    Stroke,
    Patch,
    Mark,
}

/// A line of the legend: a stroke, a patch or a mark, and what it stands for.
#[derive(Debug, Clone)]
struct Entry {
    tone: Tone,
    text: String,
    sign: Sign,
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

/// A chart with two axes, filled piece by piece.
#[derive(Debug, Clone)]
pub struct Chart {
    title: String,
    x: Axis,
    y: Axis,
    width: f64,
    height: f64,
    left: f64,
    top: f64,
    right: f64,
    bottom: f64,
    under: String,
    body: String,
    legend: Vec<Entry>,
    bare: bool,
}

/// Width of every figure's view box.
pub const WIDTH: f64 = 560.0;

impl Chart {
    /// An empty chart of the usual size.
    pub fn new(title: impl Into<String>, x: Axis, y: Axis) -> Self {
        let widest = y.ticks.iter().map(|(_, text)| text.chars().count()).max().unwrap_or(0);
        Self {
            title: title.into(),
            x,
            y,
            width: WIDTH,
            height: 300.0,
            left: 34.0 + 7.0 * widest as f64,
            top: 14.0,
            right: 16.0,
            bottom: 46.0,
            under: String::new(),
            body: String::new(),
            legend: Vec::new(),
            bare: false,
        }
    }

    /// Without grid and without an axis at the left: only the line that the picture stands on.
    #[must_use]
    pub fn bare(mut self) -> Self {
        self.bare = true;
        self
    }

    /// Another height of the view box.
    #[must_use]
    pub fn tall(mut self, height: f64) -> Self {
        self.height = height;
        self
    }

    /// More room at the left, for names.
    #[must_use]
    pub fn left(mut self, left: f64) -> Self {
        self.left = left;
        self
    }

    /// More room at the right, for values.
    #[must_use]
    pub fn right(mut self, right: f64) -> Self {
        self.right = right;
        self
    }

    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let across = self.width - self.left - self.right;
        let down = self.height - self.top - self.bottom;
        (self.left + across * self.x.place(x), self.top + down * (1.0 - self.y.place(y)))
    }

    /// Names a tone in the legend.
    pub fn name(&mut self, tone: Tone, text: impl Into<String>) {
        self.legend.push(Entry { tone, text: minus(&text.into()), sign: Sign::Stroke });
    }

    /// Names a band in the legend, with a patch in place of a stroke.
    pub fn name_band(&mut self, tone: Tone, text: impl Into<String>) {
        self.legend.push(Entry { tone, text: minus(&text.into()), sign: Sign::Patch });
    }

    /// Names a tone's mark in the legend.
    pub fn name_mark(&mut self, tone: Tone, text: impl Into<String>) {
        self.legend.push(Entry { tone, text: minus(&text.into()), sign: Sign::Mark });
    }

    fn path(&self, points: &[(f64, f64)]) -> String {
        let mut path = String::new();
        for (index, (x, y)) in points.iter().filter(|(x, y)| x.is_finite() && y.is_finite()).enumerate() {
            let (px, py) = self.at(*x, *y);
            let _ = write!(path, "{}{px:.1} {py:.1}", if index == 0 { 'M' } else { 'L' });
        }
        path
    }

    /// A line through points.
    pub fn line(&mut self, tone: Tone, points: &[(f64, f64)]) {
        let path = self.path(points);
        let _ = write!(self.body, "<path class=\"line {}\" d=\"{path}\"/>", tone.class());
    }

    /// The area between two lines over the same x.
    pub fn band(&mut self, tone: Tone, lower: &[(f64, f64)], upper: &[(f64, f64)]) {
        let mut around: Vec<(f64, f64)> = upper.to_vec();
        around.extend(lower.iter().rev());
        let path = self.path(&around);
        let _ = write!(self.under, "<path class=\"band {}\" d=\"{path}Z\"/>", tone.class());
    }

    /// A box from corner to corner, for bars.
    pub fn bar(&mut self, tone: Tone, low: (f64, f64), high: (f64, f64)) {
        let (x0, y1) = self.at(low.0, low.1);
        let (x1, y0) = self.at(high.0, high.1);
        let _ = write!(
            self.under,
            "<rect class=\"bar {}\" x=\"{x0:.1}\" y=\"{y0:.1}\" width=\"{:.1}\" height=\"{:.1}\"/>",
            tone.class(),
            (x1 - x0).max(0.0),
            (y1 - y0).max(0.0)
        );
    }

    /// A mark at a point: each tone has its shape.
    pub fn mark(&mut self, tone: Tone, x: f64, y: f64) {
        let (px, py) = self.at(x, y);
        self.body.push_str(&mark(tone, px, py));
    }

    /// A circle of a radius in the view box's units.
    pub fn disc(&mut self, tone: Tone, x: f64, y: f64, radius: f64) {
        let (px, py) = self.at(x, y);
        let class = tone.class();
        let _ = write!(
            self.body,
            "<circle class=\"mark {class}\" cx=\"{px:.1}\" cy=\"{py:.1}\" r=\"{radius:.1}\"/>"
        );
    }

    /// A line across at a value of y.
    pub fn across(&mut self, tone: Tone, y: f64) {
        let (low, high) = (self.x.low, self.x.high);
        self.line(tone, &[(low, y), (high, y)]);
    }

    /// A line from bottom to top at a value of x.
    pub fn upright(&mut self, tone: Tone, x: f64) {
        let (low, high) = (self.y.low, self.y.high);
        self.line(tone, &[(x, low), (x, high)]);
    }

    /// Words at a point: `anchor` is `start`, `middle` or `end`; `dx` and `dy` move them in the view box's units.
    pub fn words(&mut self, text: &str, point: (f64, f64), anchor: &str, dx: f64, dy: f64) {
        let (px, py) = self.at(point.0, point.1);
        let _ = write!(
            self.body,
            "<text text-anchor=\"{anchor}\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
            px + dx,
            py + dy,
            escape(&minus(text))
        );
    }

    /// Words in a tone's colour and heavier, for what a figure is about.
    pub fn named(&mut self, tone: Tone, text: &str, point: (f64, f64), anchor: &str, dx: f64, dy: f64) {
        let (px, py) = self.at(point.0, point.1);
        let _ = write!(
            self.body,
            "<text class=\"name {}\" text-anchor=\"{anchor}\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
            tone.class(),
            px + dx,
            py + dy,
            escape(&minus(text))
        );
    }

    /// The figure; `description` says in words what the picture says.
    pub fn finish(self, description: impl Into<String>) -> Figure {
        let description = minus(&description.into());
        let legend_rows = self.legend_rows();
        let height = self.height + 20.0 * legend_rows.len() as f64;
        let mut svg = String::with_capacity(self.under.len() + self.body.len() + 2048);
        let _ = write!(
            svg,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"figure\" role=\"img\" viewBox=\"0 0 {:.0} {height:.0}\" \
             aria-label=\"{}\"><title>{}</title>",
            self.width,
            escape(&format!("{}. {description}", self.title)),
            escape(&self.title),
        );
        self.frame(&mut svg);
        svg.push_str(&self.under);
        svg.push_str(&self.body);
        for (row, entries) in legend_rows.iter().enumerate() {
            let y = self.height + 20.0 * row as f64 + 6.0;
            for (x, Entry { tone, text, sign }) in entries {
                let class = tone.class();
                let _ = match sign {
                    Sign::Patch => {
                        write!(svg, "<path class=\"band {class}\" d=\"M{x:.1} {:.1}h24v12h-24Z\"/>", y - 6.0)
                    }
                    Sign::Stroke => write!(svg, "<path class=\"line {class}\" d=\"M{x:.1} {y:.1}h24\"/>"),
                    Sign::Mark => write!(svg, "{}", mark(*tone, x + 12.0, y)),
                };
                let _ =
                    write!(svg, "<text x=\"{:.1}\" y=\"{:.1}\">{}</text>", x + 30.0, y + 4.0, escape(text));
            }
        }
        svg.push_str("</svg>");
        Figure { title: self.title, description, inline: svg }
    }

    fn legend_rows(&self) -> Vec<Vec<(f64, Entry)>> {
        let mut rows: Vec<Vec<(f64, Entry)>> = Vec::new();
        let mut x = f64::INFINITY;
        for entry in &self.legend {
            let text = cut(&entry.text, 70);
            let width = 50.0 + 7.0 * text.chars().count() as f64;
            if x + width > self.width - 8.0 {
                x = 12.0;
                rows.push(Vec::new());
            }
            if let Some(row) = rows.last_mut() {
                row.push((x, Entry { text, ..entry.clone() }));
            }
            x += width;
        }
        rows
    }

    fn frame(&self, svg: &mut String) {
        let (x0, x1) = (self.left, self.width - self.right);
        let (y0, y1) = (self.top, self.height - self.bottom);
        let grid = |path: String| {
            if self.bare { String::new() } else { format!("<path class=\"grid\" d=\"{path}\"/>") }
        };
        for value in &self.x.minor {
            let (px, _) = self.at(*value, self.y.low);
            let _ = write!(svg, "<path class=\"grid minor\" d=\"M{px:.1} {y0:.1}V{y1:.1}\"/>");
        }
        for value in &self.y.minor {
            let (_, py) = self.at(self.x.low, *value);
            let _ = write!(svg, "<path class=\"grid minor\" d=\"M{x0:.1} {py:.1}H{x1:.1}\"/>");
        }
        for (value, text) in &self.x.ticks {
            let (px, _) = self.at(*value, self.y.low);
            let _ = write!(
                svg,
                "{}<text text-anchor=\"middle\" x=\"{px:.1}\" y=\"{:.1}\">{}</text>",
                grid(format!("M{px:.1} {y0:.1}V{y1:.1}")),
                y1 + 16.0,
                escape(text)
            );
        }
        for (value, text) in &self.y.ticks {
            let (_, py) = self.at(self.x.low, *value);
            let _ = write!(
                svg,
                "{}<text text-anchor=\"end\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                grid(format!("M{x0:.1} {py:.1}H{x1:.1}")),
                x0 - 6.0,
                py + 4.0,
                escape(text)
            );
        }
        let top = if self.bare { y1 } else { y0 };
        let _ = write!(svg, "<path class=\"axis\" d=\"M{x0:.1} {top:.1}V{y1:.1}H{x1:.1}\"/>");
        let _ = write!(
            svg,
            "<text class=\"label\" text-anchor=\"middle\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
            f64::midpoint(x0, x1),
            y1 + 36.0,
            escape(&self.x.label)
        );
        if !self.y.label.is_empty() {
            let middle = f64::midpoint(y0, y1);
            let _ = write!(
                svg,
                "<text class=\"label\" text-anchor=\"middle\" transform=\"translate(14 {middle:.1}) rotate(-90)\">{}</text>",
                escape(&self.y.label)
            );
        }
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
