//! The kit that every figure is drawn with: axes, lines, bands, marks and a legend as hand-written SVG.
//!
//! Comes in: numbers and words. Goes out: [`Figure`], the same bytes for the same input. Colours are classes, so that a
//! figure follows the page into dark mode and onto paper; every tone has a dash or shape of its own, so that nothing is
//! told by colour alone. Lengths are in the units of the view box.

use std::fmt::Write as _;

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
        let style = format!("<style>{STYLE}</style><rect class=\"paper\" width=\"100%\" height=\"100%\"/>");
        let body = match self.inline.find('>') {
            Some(at) => format!("{}{style}{}", &self.inline[..=at], &self.inline[at + 1..]),
            None => self.inline.clone(),
        };
        format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{body}\n")
    }
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

/// One direction of a chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    label: String,
    low: f64,
    high: f64,
    logarithmic: bool,
    ticks: Vec<(f64, String)>,
}

impl Axis {
    /// Evenly divided from `low` to `high`, about five round ticks. Equal or unordered ends are moved apart.
    pub fn linear(label: impl Into<String>, low: f64, high: f64) -> Self {
        let (low, high) = apart(low, high);
        let step = round_step((high - low) / 5.0);
        let places = (-step.log10().floor()).max(0.0) as usize;
        let first = (low / step - 1e-9).ceil() as i64;
        let last = (high / step + 1e-9).floor() as i64;
        let ticks = (first..=last)
            .map(|k| {
                let value = k as f64 * step;
                (value, format!("{:.places$}", value + 0.0))
            })
            .collect();
        Self { label: label.into(), low, high, logarithmic: false, ticks }
    }

    /// Logarithmic from `low` to `high`, both above 0; ticks at 1, 2 and 5 of each decade, with k for thousands.
    pub fn logarithmic(label: impl Into<String>, low: f64, high: f64) -> Self {
        let low = low.max(f64::MIN_POSITIVE);
        let high = if high > low { high } else { low * 10.0 };
        let mut ticks = Vec::new();
        for decade in low.log10().floor() as i32..=high.log10().ceil() as i32 {
            for digit in [1.0, 2.0, 5.0] {
                let value = digit * 10.0_f64.powi(decade);
                if value >= low * (1.0 - 1e-9) && value <= high * (1.0 + 1e-9) {
                    ticks.push((value, short(value)));
                }
            }
        }
        if ticks.len() > 14 {
            ticks.retain(|(value, _)| (value.log10() - value.log10().round()).abs() < 1e-9);
        }
        Self { label: label.into(), low, high, logarithmic: true, ticks }
    }

    /// With ticks of the caller's choice.
    #[must_use]
    pub fn with_ticks(mut self, ticks: Vec<(f64, String)>) -> Self {
        self.ticks = ticks;
        self
    }

    /// Place along the axis, 0 to 1, held at the ends.
    fn place(&self, value: f64) -> f64 {
        let share = if self.logarithmic {
            (value.max(self.low) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        };
        if share.is_nan() { 0.0 } else { share.clamp(0.0, 1.0) }
    }
}

fn apart(low: f64, high: f64) -> (f64, f64) {
    let low = if low.is_finite() { low } else { 0.0 };
    if high.is_finite() && high > low { (low, high) } else { (low, low + 1.0) }
}

fn round_step(step: f64) -> f64 {
    let decade = 10.0_f64.powf(step.log10().floor());
    let lead = step / decade;
    decade
        * if lead <= 1.0 {
            1.0
        } else if lead <= 2.0 {
            2.0
        } else if lead <= 5.0 {
            5.0
        } else {
            10.0
        }
}

/// 20000 as "20k", 0.002 as "0.002".
fn short(value: f64) -> String {
    if value >= 1000.0 { format!("{}k", tidy(value / 1000.0)) } else { tidy(value) }
}

fn tidy(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
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
    legend: Vec<(Tone, String)>,
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
        }
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
        self.legend.push((tone, text.into()));
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
        let class = tone.class();
        let _ = match tone {
            Tone::Second => write!(
                self.body,
                "<path class=\"mark {class}\" d=\"M{px:.1} {:.1}l5 5l-5 5l-5 -5Z\"/>",
                py - 5.0
            ),
            Tone::Third => write!(
                self.body,
                "<rect class=\"mark {class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"8\" height=\"8\"/>",
                px - 4.0,
                py - 4.0
            ),
            Tone::Fourth => {
                write!(self.body, "<path class=\"mark {class}\" d=\"M{px:.1} {:.1}l5 9l-10 0Z\"/>", py - 5.0)
            }
            _ => write!(self.body, "<circle class=\"mark {class}\" cx=\"{px:.1}\" cy=\"{py:.1}\" r=\"4\"/>"),
        };
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
            escape(text)
        );
    }

    /// The figure; `description` says in words what the picture says.
    pub fn finish(self, description: impl Into<String>) -> Figure {
        let description = description.into();
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
            for (x, tone, text) in entries {
                let class = tone.class();
                let _ = write!(
                    svg,
                    "<path class=\"line {class}\" d=\"M{x:.1} {y:.1}h24\"/>\
                     <text x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                    x + 30.0,
                    y + 4.0,
                    escape(text)
                );
            }
        }
        svg.push_str("</svg>");
        Figure { title: self.title, description, inline: svg }
    }

    fn legend_rows(&self) -> Vec<Vec<(f64, Tone, String)>> {
        let mut rows: Vec<Vec<(f64, Tone, String)>> = Vec::new();
        let mut x = f64::INFINITY;
        for (tone, text) in &self.legend {
            let text = cut(text, 70);
            let width = 50.0 + 7.0 * text.chars().count() as f64;
            if x + width > self.width - 8.0 {
                x = 12.0;
                rows.push(Vec::new());
            }
            if let Some(row) = rows.last_mut() {
                row.push((x, *tone, text));
            }
            x += width;
        }
        rows
    }

    fn frame(&self, svg: &mut String) {
        let (x0, x1) = (self.left, self.width - self.right);
        let (y0, y1) = (self.top, self.height - self.bottom);
        for (value, text) in &self.x.ticks {
            let (px, _) = self.at(*value, self.y.low);
            let _ = write!(
                svg,
                "<path class=\"grid\" d=\"M{px:.1} {y0:.1}V{y1:.1}\"/>\
                 <text text-anchor=\"middle\" x=\"{px:.1}\" y=\"{:.1}\">{}</text>",
                y1 + 16.0,
                escape(text)
            );
        }
        for (value, text) in &self.y.ticks {
            let (_, py) = self.at(self.x.low, *value);
            let _ = write!(
                svg,
                "<path class=\"grid\" d=\"M{x0:.1} {py:.1}H{x1:.1}\"/>\
                 <text text-anchor=\"end\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                x0 - 6.0,
                py + 4.0,
                escape(text)
            );
        }
        let _ = write!(svg, "<path class=\"axis\" d=\"M{x0:.1} {y0:.1}V{y1:.1}H{x1:.1}\"/>");
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

#[cfg(test)]
mod tests {
    use super::*;

    fn chart() -> Chart {
        Chart::new("Level", Axis::logarithmic("frequency, Hz", 20.0, 20_000.0), Axis::linear("dB", -1.0, 1.0))
    }

    #[test]
    fn round_ticks() {
        let texts = |axis: Axis| axis.ticks.into_iter().map(|(_, text)| text).collect::<Vec<_>>();
        assert_eq!(texts(Axis::linear("", 0.0, 1.0)), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        assert_eq!(
            texts(Axis::linear("", -0.003, 0.002)),
            ["-0.003", "-0.002", "-0.001", "0.000", "0.001", "0.002"]
        );
        assert_eq!(texts(Axis::linear("", 0.0, 16.0)), ["0", "5", "10", "15"]);
        assert_eq!(
            texts(Axis::logarithmic("", 20.0, 20_000.0)),
            ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
        );
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
    fn every_tone_has_its_place_in_the_style() {
        for tone in
            [Tone::First, Tone::Second, Tone::Third, Tone::Fourth, Tone::Chance, Tone::Critical, Tone::Quiet]
        {
            assert!(STYLE.contains(&format!(".{}", tone.class())), "{tone:?}");
        }
    }
}
