//! A chart with two axes, filled piece by piece in its own units, and drawn for any width.

use std::fmt::Write as _;

use super::labels::{self, Area, LETTER};
use super::{Axis, Figure, Tone, cut, escape, mark, minus};

/// Width of a page's drawing, in units of the view box.
pub const WIDTH: f64 = 560.0;
/// Width of a phone's and of a column's.
pub const NARROW: f64 = 360.0;
/// Room at the left of axes with a frequency: the same in all, so that drawings below one another share their edge.
const FREQUENCY_LEFT: f64 = 76.0;
/// Least room between two labels of an axis.
const BETWEEN: f64 = 4.0;
/// Most room at the left of a narrow drawing, for names.
const NARROW_LEFT: f64 = 150.0;
/// Room below the axis for its label.
const LABEL_HEIGHT: f64 = 18.0;

/// A point in the units of the axes.
type Point = (f64, f64);

/// A piece of a chart, in the units of the axes.
#[derive(Debug, Clone)]
enum Piece {
    Line { tone: Tone, points: Vec<Point> },
    Band { tone: Tone, around: Vec<Point> },
    Bar { tone: Tone, low: Point, high: Point },
    Mark { tone: Tone, at: Point },
    Disc { tone: Tone, at: Point, radius: f64 },
    Words { text: String, at: Point, anchor: &'static str, by: Point, named: Option<Tone> },
}

/// How the legend shows a tone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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

/// A chart with two axes, filled piece by piece.
#[derive(Debug, Clone)]
pub struct Chart {
    title: String,
    x: Axis,
    y: Axis,
    height: f64,
    left: f64,
    right: f64,
    pieces: Vec<Piece>,
    legend: Vec<Entry>,
    bare: bool,
}

/// Where a chart's axes lie in a drawing, and how wide that is.
struct Place<'c> {
    chart: &'c Chart,
    width: f64,
    area: Area,
}

impl Chart {
    /// An empty chart of the usual size.
    pub fn new(title: impl Into<String>, x: Axis, y: Axis) -> Self {
        let widest = y.ticks.iter().map(|(_, text)| text.chars().count()).max().unwrap_or(0);
        let left = 34.0 + 7.0 * widest as f64;
        Self {
            title: title.into(),
            left: if x.logarithmic { left.max(FREQUENCY_LEFT) } else { left },
            x,
            y,
            height: 300.0,
            right: 16.0,
            pieces: Vec::new(),
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

    /// More room at the left.
    #[must_use]
    pub fn left(mut self, left: f64) -> Self {
        self.left = left;
        self
    }

    /// As much room at the left as these names take, within reason.
    #[must_use]
    pub fn left_for<'n>(self, names: impl Iterator<Item = &'n str>) -> Self {
        let longest = names.map(|name| name.chars().count()).max().unwrap_or(0);
        self.left((18.0 + LETTER * longest as f64).clamp(60.0, 236.0))
    }

    /// More room at the right, for values.
    #[must_use]
    pub fn right(mut self, right: f64) -> Self {
        self.right = right;
        self
    }

    fn entry(&mut self, tone: Tone, text: impl Into<String>, sign: Sign) {
        self.legend.push(Entry { tone, text: minus(&text.into()), sign });
    }

    /// Names a tone: on its line where there is room, else in the legend.
    pub fn name(&mut self, tone: Tone, text: impl Into<String>) {
        self.entry(tone, text, Sign::Stroke);
    }

    /// Names a band in the legend, with a patch in place of a stroke.
    pub fn name_band(&mut self, tone: Tone, text: impl Into<String>) {
        self.entry(tone, text, Sign::Patch);
    }

    /// Names a tone's mark in the legend.
    pub fn name_mark(&mut self, tone: Tone, text: impl Into<String>) {
        self.entry(tone, text, Sign::Mark);
    }

    /// A line through points.
    pub fn line(&mut self, tone: Tone, points: &[Point]) {
        self.pieces.push(Piece::Line { tone, points: points.to_vec() });
    }

    /// The area between two lines over the same x.
    pub fn band(&mut self, tone: Tone, lower: &[Point], upper: &[Point]) {
        let around = upper.iter().chain(lower.iter().rev()).copied().collect();
        self.pieces.push(Piece::Band { tone, around });
    }

    /// A box from corner to corner, for bars.
    pub fn bar(&mut self, tone: Tone, low: Point, high: Point) {
        self.pieces.push(Piece::Bar { tone, low, high });
    }

    /// A mark at a point: each tone has its shape.
    pub fn mark(&mut self, tone: Tone, x: f64, y: f64) {
        self.pieces.push(Piece::Mark { tone, at: (x, y) });
    }

    /// A circle of a radius in the view box's units.
    pub fn disc(&mut self, tone: Tone, x: f64, y: f64, radius: f64) {
        self.pieces.push(Piece::Disc { tone, at: (x, y), radius });
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

    /// Words at a point: `anchor` is `start`, `middle` or `end`; `dx` and `dy` move them in the view box's units. What does
    /// not fit into the drawing is cut.
    pub fn words(&mut self, text: &str, at: Point, anchor: &'static str, dx: f64, dy: f64) {
        self.pieces.push(Piece::Words { text: minus(text), at, anchor, by: (dx, dy), named: None });
    }

    /// Words in a tone's colour and heavier, for what a figure is about.
    pub fn named(&mut self, tone: Tone, text: &str, at: Point, anchor: &'static str, dx: f64, dy: f64) {
        self.pieces.push(Piece::Words { text: minus(text), at, anchor, by: (dx, dy), named: Some(tone) });
    }

    /// The figure; `description` says in words what the picture says.
    pub fn finish(self, description: impl Into<String>) -> Figure {
        let title = self.title.clone();
        panels(&title, vec![(self, description.into())])
    }

    fn left_in(&self, width: f64) -> f64 {
        if width < WIDTH { self.left.min(NARROW_LEFT) } else { self.left }
    }

    /// The chart from `top` down; returns its elements and where it ends. Only the last of several over one axis names it.
    fn draw(&self, (width, left, top): (f64, f64, f64), labelled: bool) -> (String, f64) {
        let area = Area { x0: left, x1: width - self.right, y0: top + 14.0, y1: top + self.height - 46.0 };
        let place = Place { chart: self, width, area };
        let mut svg = String::new();
        place.frame(&mut svg, labelled);
        let is_under = |piece: &&Piece| matches!(piece, Piece::Band { .. } | Piece::Bar { .. });
        for piece in self.pieces.iter().filter(is_under) {
            place.put(&mut svg, piece);
        }
        for piece in self.pieces.iter().filter(|piece| !is_under(piece)) {
            place.put(&mut svg, piece);
        }
        let legend = place.label(&mut svg);
        let end = top + self.height - if labelled { 0.0 } else { LABEL_HEIGHT };
        let rows = rows(&legend, width);
        for (row, entries) in rows.iter().enumerate() {
            let y = end + 20.0 * row as f64 + 6.0;
            for (x, entry) in entries {
                sign(&mut svg, entry, *x, y);
            }
        }
        (svg, end + 20.0 * rows.len() as f64)
    }
}

/// One figure of several charts below one another, over one axis and with one left edge; each with what it says.
pub fn panels(title: &str, charts: Vec<(Chart, String)>) -> Figure {
    let said: Vec<String> = charts.iter().map(|(_, words)| minus(words)).collect();
    let description = said.join(" ");
    let several = charts.len() > 1;
    let draw = |width: f64| {
        let left = charts.iter().map(|(chart, _)| chart.left_in(width)).fold(0.0, f64::max);
        let mut body = String::new();
        let mut top = 0.0;
        for (order, (chart, _)) in charts.iter().enumerate() {
            if several {
                let letter = char::from(b'a' + order as u8);
                let _ = write!(
                    body,
                    "<text class=\"letter\" x=\"4\" y=\"{:.1}\">{letter}</text><text class=\"label\" x=\"20\" y=\"{:.1}\">{}</text>",
                    top + 15.0,
                    top + 15.0,
                    escape(&minus(&chart.title))
                );
                top += 12.0;
            }
            let (drawn, end) = chart.draw((width, left, top), order + 1 == charts.len());
            body.push_str(&drawn);
            top = end;
        }
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"figure\" role=\"img\" viewBox=\"0 0 {width:.0} {top:.0}\" \
             aria-label=\"{}\"><title>{}</title>{body}</svg>",
            escape(&format!("{}. {description}", minus(title))),
            escape(&minus(title)),
        )
    };
    let (inline, narrow) = (draw(WIDTH), draw(NARROW));
    Figure { title: title.to_owned(), description, inline, narrow }
}

fn sign(svg: &mut String, Entry { tone, text, sign }: &Entry, x: f64, y: f64) {
    let class = tone.class();
    let _ = match sign {
        Sign::Patch => write!(svg, "<path class=\"band {class}\" d=\"M{x:.1} {:.1}h24v12h-24Z\"/>", y - 6.0),
        Sign::Stroke => write!(svg, "<path class=\"line {class}\" d=\"M{x:.1} {y:.1}h24\"/>"),
        Sign::Mark => write!(svg, "{}", mark(*tone, x + 12.0, y)),
    };
    let _ = write!(svg, "<text x=\"{:.1}\" y=\"{:.1}\">{}</text>", x + 30.0, y + 4.0, escape(text));
}

/// The legend in rows that fit the drawing.
fn rows(legend: &[Entry], width: f64) -> Vec<Vec<(f64, Entry)>> {
    let mut rows: Vec<Vec<(f64, Entry)>> = Vec::new();
    let mut x = f64::INFINITY;
    for entry in legend {
        let text = cut(&entry.text, ((width - 50.0) / LETTER) as usize);
        let wide = 50.0 + 7.0 * text.chars().count() as f64;
        if x + wide > width - 8.0 {
            x = 12.0;
            rows.push(Vec::new());
        }
        if let Some(row) = rows.last_mut() {
            row.push((x, Entry { text, ..entry.clone() }));
        }
        x += wide;
    }
    rows
}

impl Place<'_> {
    fn at(&self, (x, y): Point) -> Point {
        let Area { x0, x1, y0, y1 } = self.area;
        (x0 + (x1 - x0) * self.chart.x.place(x), y0 + (y1 - y0) * (1.0 - self.chart.y.place(y)))
    }

    fn along(&self, points: &[Point]) -> Vec<Point> {
        points.iter().filter(|(x, y)| x.is_finite() && y.is_finite()).map(|point| self.at(*point)).collect()
    }

    fn path(&self, points: &[Point]) -> String {
        let mut path = String::new();
        for (index, (x, y)) in self.along(points).iter().enumerate() {
            let _ = write!(path, "{}{x:.1} {y:.1}", if index == 0 { 'M' } else { 'L' });
        }
        path
    }

    fn put(&self, svg: &mut String, piece: &Piece) {
        let _ = match piece {
            Piece::Line { tone, points } => {
                write!(svg, "<path class=\"line {}\" d=\"{}\"/>", tone.class(), self.path(points))
            }
            Piece::Band { tone, around } => {
                write!(svg, "<path class=\"band {}\" d=\"{}Z\"/>", tone.class(), self.path(around))
            }
            Piece::Bar { tone, low, high } => {
                let ((x0, y1), (x1, y0)) = (self.at(*low), self.at(*high));
                write!(
                    svg,
                    "<rect class=\"bar {}\" x=\"{x0:.1}\" y=\"{y0:.1}\" width=\"{:.1}\" height=\"{:.1}\"/>",
                    tone.class(),
                    (x1 - x0).max(0.0),
                    (y1 - y0).max(0.0)
                )
            }
            Piece::Mark { tone, at } => {
                let (x, y) = self.at(*at);
                write!(svg, "{}", mark(*tone, x, y))
            }
            Piece::Disc { tone, at, radius } => {
                let (x, y) = self.at(*at);
                let class = tone.class();
                write!(svg, "<circle class=\"mark {class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\"/>")
            }
            Piece::Words { text, at, anchor, by, named } => {
                let (x, y) = self.at(*at);
                let (x, y) = (x + by.0, y + by.1);
                let room = match *anchor {
                    "end" => x - 2.0,
                    "start" => self.width - 2.0 - x,
                    _ => self.width,
                };
                let text = if named.is_some() { text.clone() } else { cut(text, (room / LETTER) as usize) };
                let class =
                    named.map_or_else(String::new, |tone| format!(" class=\"name {}\"", tone.class()));
                write!(
                    svg,
                    "<text{class} text-anchor=\"{anchor}\" x=\"{x:.1}\" y=\"{y:.1}\">{}</text>",
                    escape(&text)
                )
            }
        };
    }

    /// Writes the names of lines at their lines; returns what is left for the legend.
    fn label(&self, svg: &mut String) -> Vec<Entry> {
        let lines: Vec<(Tone, Vec<Point>)> = self
            .chart
            .pieces
            .iter()
            .filter_map(|piece| match piece {
                Piece::Line { tone, points } => Some((*tone, self.along(points))),
                _ => None,
            })
            .collect();
        let mut taken: Vec<Area> = Vec::new();
        for piece in &self.chart.pieces {
            match piece {
                Piece::Bar { low, high, .. } => {
                    let ((x0, y1), (x1, y0)) = (self.at(*low), self.at(*high));
                    taken.push(Area { x0, x1, y0, y1 });
                }
                Piece::Mark { at, .. } => taken.push(Area::around(self.at(*at), 6.0)),
                Piece::Disc { at, radius, .. } => taken.push(Area::around(self.at(*at), radius + 2.0)),
                _ => {}
            }
        }
        let mut left = Vec::new();
        for entry in &self.chart.legend {
            let mut own = lines.iter().filter(|(tone, _)| *tone == entry.tone);
            let only = own.next().filter(|_| entry.sign == Sign::Stroke && own.next().is_none());
            let room = only.and_then(|(_, line)| {
                labels::beside(line, &entry.text, lines.iter().map(|(_, line)| line), &taken, self.area)
            });
            let Some(room) = room else {
                left.push(entry.clone());
                continue;
            };
            let _ = write!(
                svg,
                "<text class=\"direct {}\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                entry.tone.class(),
                room.x0,
                room.y1 - 3.0,
                escape(&entry.text)
            );
            taken.push(room);
        }
        left
    }

    fn frame(&self, svg: &mut String, labelled: bool) {
        let Area { x0, x1, y0, y1 } = self.area;
        let (x, y, bare) = (&self.chart.x, &self.chart.y, self.chart.bare);
        let grid = |path: String| {
            if bare { String::new() } else { format!("<path class=\"grid\" d=\"{path}\"/>") }
        };
        let mut short = String::new();
        for value in &x.minor {
            let (px, _) = self.at((*value, y.low));
            let _ = write!(short, "M{px:.1} {y1:.1}v-4");
        }
        for value in &y.minor {
            let (_, py) = self.at((x.low, *value));
            let _ = write!(short, "M{x0:.1} {py:.1}h4");
        }
        // Where there is no room for all, the last one has it before the one next to it.
        let half = |text: &str| LETTER * text.chars().count() as f64 / 2.0;
        let end = x.ticks.last().map(|(value, text)| self.at((*value, y.low)).0 - half(text));
        let mut free = f64::NEG_INFINITY;
        for (index, (value, text)) in x.ticks.iter().enumerate() {
            let (px, _) = self.at((*value, y.low));
            svg.push_str(&grid(format!("M{px:.1} {y0:.1}V{y1:.1}")));
            let half = half(text);
            let is_last = index + 1 == x.ticks.len();
            if px - half >= free && (is_last || end.is_none_or(|end| px + half + BETWEEN <= end)) {
                let _ = write!(
                    svg,
                    "<text text-anchor=\"middle\" x=\"{px:.1}\" y=\"{:.1}\">{}</text>",
                    y1 + 16.0,
                    escape(text)
                );
                free = px + half + BETWEEN;
            }
        }
        for (value, text) in &y.ticks {
            let (_, py) = self.at((x.low, *value));
            let _ = write!(
                svg,
                "{}<text text-anchor=\"end\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                grid(format!("M{x0:.1} {py:.1}H{x1:.1}")),
                x0 - 6.0,
                py + 4.0,
                escape(text)
            );
        }
        let top = if bare { y1 } else { y0 };
        let _ = write!(svg, "<path class=\"axis\" d=\"{short}M{x0:.1} {top:.1}V{y1:.1}H{x1:.1}\"/>");
        if labelled {
            let middle = f64::midpoint(x0, x1);
            let most = (2.0 * middle.min(self.width - middle) / LETTER) as usize;
            let _ = write!(
                svg,
                "<text class=\"label\" text-anchor=\"middle\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                middle,
                y1 + 36.0,
                escape(&cut(&x.label, most))
            );
        }
        if !y.label.is_empty() {
            let middle = f64::midpoint(y0, y1);
            let _ = write!(
                svg,
                "<text class=\"label\" text-anchor=\"middle\" transform=\"translate(14 {middle:.1}) rotate(-90)\">{}</text>",
                escape(&cut(&y.label, ((y1 - y0 + 30.0) / LETTER) as usize))
            );
        }
    }
}
