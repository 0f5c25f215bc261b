//! A drawing of the kit as a page of PDF: what its SVG says in literal colours, said again in the other language.
//!
//! Text is set in Helvetica, which every reader of PDF brings along. Other letters are drawn as [`outlines`] of a font of this
//! machine; those that none has become question marks, which [`lacking`] names; Ω is written out then.

use std::sync::Arc;

use pdf_writer::types::LineCapStyle;
use pdf_writer::{Content, Finish as _, Name, Pdf, Rect, Ref, Str, TextStr};

use super::outlines::{self, Outline, Piece};

/// Points (1/72 inch) of a millimetre.
const POINTS_PER_MM: f64 = 72.0 / 25.4;
/// Share of its size that half a circle's arc needs for its control points: Bezier's approximation.
const ARC: f64 = 0.552_285;
/// Widths of Helvetica's letters from space to tilde, in thousandths of the size (Adobe's metrics of the font; from memory,
/// as every reader of PDF has them).
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556,
    556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278,
    500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469,
    556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500,
    278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];
/// Characters beyond Latin-1 that get a place of their own, and Helvetica's names for them.
const MORE: [(char, &[u8]); 11] = [
    ('\u{2212}', b"minus"),
    ('\u{2013}', b"endash"),
    ('\u{2014}', b"emdash"),
    ('\u{2018}', b"quoteleft"),
    ('\u{2019}', b"quoteright"),
    ('\u{201c}', b"quotedblleft"),
    ('\u{201d}', b"quotedblright"),
    ('\u{2026}', b"ellipsis"),
    ('\u{2022}', b"bullet"),
    ('\u{2264}', b"lessequal"),
    ('\u{2265}', b"greaterequal"),
];
/// Code of the first of these.
const FIRST_MORE: u8 = 128;
/// The tints of areas that figures use, as the style sheet has them.
const TINTS: [(&str, &str, f32); 2] = [("0.12", "A12", 0.12), ("0.32", "A32", 0.32)];

/// One element of the drawing: its name, its attributes and the text in it.
struct Element<'s> {
    name: &'s str,
    attributes: &'s str,
    text: &'s str,
}

impl<'s> Element<'s> {
    fn get(&self, name: &str) -> Option<&'s str> {
        let from = self.attributes.find(&format!(" {name}=\""))? + name.len() + 3;
        self.attributes[from..].split('"').next()
    }

    fn number(&self, name: &str) -> f64 {
        let text = self.get(name).unwrap_or_default();
        text.trim_end_matches("px").parse().unwrap_or(0.0)
    }

    fn colour(&self, name: &str) -> Option<[f32; 3]> {
        let hex = self.get(name)?.strip_prefix('#')?;
        let wide: String =
            if hex.len() == 3 { hex.chars().flat_map(|digit| [digit; 2]).collect() } else { hex.to_owned() };
        let part = |at: usize| u8::from_str_radix(wide.get(at..at + 2)?, 16).ok();
        Some([part(0)?, part(2)?, part(4)?].map(|part| f32::from(part) / 255.0))
    }
}

fn elements(svg: &str) -> impl Iterator<Item = Element<'_>> {
    svg.split('<').skip(1).filter(|piece| !piece.starts_with(['/', '?', '!'])).map(|piece| {
        let (tag, text) = piece.split_once('>').unwrap_or((piece, ""));
        let at = tag.find([' ', '/']).unwrap_or(tag.len());
        Element { name: &tag[..at], attributes: tag[at..].trim_end_matches('/'), text }
    })
}

/// A page as wide as `width_mm`, with a drawing of the kit in literal colours.
pub(super) fn page(svg: &str, title: &str, width_mm: f64) -> Vec<u8> {
    let view: Vec<f64> = elements(svg)
        .find_map(|element| element.get("viewBox"))
        .unwrap_or("0 0 1 1")
        .split(' ')
        .filter_map(|number| number.parse().ok())
        .collect();
    let (wide, high) = (view.get(2).copied().unwrap_or(1.0), view.get(3).copied().unwrap_or(1.0));
    let scale = width_mm * POINTS_PER_MM / wide;
    let [catalog, pages, page, content, plain, bold, info] = [1, 2, 3, 4, 5, 6, 7].map(Ref::new);
    let mut pdf = Pdf::new();
    pdf.catalog(catalog).pages(pages);
    pdf.document_info(info).title(TextStr(title));
    pdf.pages(pages).kids([page]).count(1);
    let mut leaf = pdf.page(page);
    leaf.parent(pages).contents(content);
    leaf.media_box(Rect::new(0.0, 0.0, (wide * scale) as f32, (high * scale) as f32));
    let mut resources = leaf.resources();
    resources.fonts().pair(Name(b"F"), plain).pair(Name(b"G"), bold);
    let mut states = resources.ext_g_states();
    for (number, (_, name, _)) in TINTS.iter().enumerate() {
        states.pair(Name(name.as_bytes()), Ref::new(8 + number as i32));
    }
    states.pair(Name(b"A100"), Ref::new(8 + TINTS.len() as i32));
    states.finish();
    resources.finish();
    leaf.finish();
    for (id, face) in [(plain, b"Helvetica".as_slice()), (bold, b"Helvetica-Bold")] {
        let mut font = pdf.type1_font(id);
        font.base_font(Name(face));
        let mut encoding = font.encoding_custom();
        encoding.base_encoding(Name(b"WinAnsiEncoding"));
        encoding.differences().consecutive(FIRST_MORE, MORE.iter().map(|(_, name)| Name(name)));
    }
    for (number, alpha) in TINTS.iter().map(|tint| tint.2).chain([1.0]).enumerate() {
        pdf.ext_graphics(Ref::new(8 + number as i32)).non_stroking_alpha(alpha);
    }
    let mut out = Content::new();
    // From here on y grows downwards, as in the drawing.
    out.transform([scale as f32, 0.0, 0.0, -scale as f32, 0.0, (high * scale) as f32]);
    for element in elements(svg) {
        match element.name {
            "text" => text(&mut out, &element),
            "path" | "rect" | "circle" => shape(&mut out, &element),
            _ => {}
        }
    }
    pdf.stream(content, &out.finish());
    pdf.finish()
}

fn shape(out: &mut Content, element: &Element<'_>) {
    let (fill, stroke) = (element.colour("fill"), element.colour("stroke"));
    if fill.is_none() && stroke.is_none() {
        return;
    }
    out.save_state();
    let opacity = element.get("fill-opacity").unwrap_or("1").trim_start_matches('0');
    let tint = TINTS.iter().find(|(known, ..)| known.trim_start_matches('0') == opacity);
    out.set_parameters(Name(tint.map_or(b"A100", |(_, name, _)| name.as_bytes())));
    if let Some([r, g, b]) = fill {
        out.set_fill_rgb(r, g, b);
    }
    if let Some([r, g, b]) = stroke {
        out.set_stroke_rgb(r, g, b);
        out.set_line_width(element.number("stroke-width").max(0.1) as f32);
        out.set_line_cap(LineCapStyle::ButtCap);
        if let Some(dashes) = element.get("stroke-dasharray") {
            let dashes = dashes.split([' ', ',']).filter_map(|dash| dash.parse::<f32>().ok());
            out.set_dash_pattern(dashes, 0.0);
        }
    }
    match element.name {
        "rect" => {
            let [x, y, width, height] = ["x", "y", "width", "height"].map(|name| element.number(name) as f32);
            out.rect(x, y, width, height);
        }
        "circle" => circle(out, element.number("cx"), element.number("cy"), element.number("r")),
        _ => path(out, element.get("d").unwrap_or_default()),
    }
    match (fill.is_some(), stroke.is_some()) {
        (true, true) => out.fill_nonzero_and_stroke(),
        (true, false) => out.fill_nonzero(),
        _ => out.stroke(),
    };
    out.restore_state();
}

fn circle(out: &mut Content, x: f64, y: f64, radius: f64) {
    let at = |dx: f64, dy: f64| ((x + radius * dx) as f32, (y + radius * dy) as f32);
    let start = at(1.0, 0.0);
    out.move_to(start.0, start.1);
    for [one, other, end] in [
        [at(1.0, ARC), at(ARC, 1.0), at(0.0, 1.0)],
        [at(-ARC, 1.0), at(-1.0, ARC), at(-1.0, 0.0)],
        [at(-1.0, -ARC), at(-ARC, -1.0), at(0.0, -1.0)],
        [at(ARC, -1.0), at(1.0, -ARC), start],
    ] {
        out.cubic_to(one.0, one.1, other.0, other.1, end.0, end.1);
    }
    out.close_path();
}

/// Moves and lines, absolute and relative: all that the kit draws.
fn path(out: &mut Content, commands: &str) {
    let (mut x, mut y) = (0.0_f64, 0.0_f64);
    let mut rest = commands;
    while let Some(command) = rest.chars().next() {
        rest = &rest[command.len_utf8()..];
        let end = rest.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(rest.len());
        let (values, after) = rest.split_at(end);
        rest = after;
        let spaced = values.replace('-', " -");
        let numbers: Vec<f64> = spaced.split([' ', ',']).filter_map(|number| number.parse().ok()).collect();
        let one = numbers.first().copied().unwrap_or(0.0);
        let other = numbers.get(1).copied().unwrap_or(0.0);
        match command {
            'M' | 'L' => (x, y) = (one, other),
            'm' | 'l' => (x, y) = (x + one, y + other),
            'H' => x = one,
            'h' => x += one,
            'V' => y = one,
            'v' => y += one,
            _ => {
                out.close_path();
                continue;
            }
        }
        if matches!(command, 'M' | 'm') {
            out.move_to(x as f32, y as f32);
        } else {
            out.line_to(x as f32, y as f32);
        }
    }
}

/// The letters of a drawing for which the page shows question marks: each once, in order.
pub(super) fn lacking(svg: &str) -> Vec<char> {
    let mut letters: Vec<char> = Vec::new();
    for element in elements(svg).filter(|element| element.name == "text") {
        let other =
            || plain(element.text).chars().filter(|letter| code(*letter).is_none()).collect::<Vec<_>>();
        let drawn = outlines::of(other().into_iter(), is_bold(&element));
        letters.extend(other().into_iter().filter(|letter| *letter != 'Ω' && !drawn.contains_key(letter)));
    }
    letters.sort_unstable();
    letters.dedup();
    letters
}

/// A letter's place in the fonts' encoding.
fn code(letter: char) -> Option<u8> {
    match (u32::from(letter), MORE.iter().position(|(known, _)| *known == letter)) {
        (_, Some(place)) => Some(FIRST_MORE + place as u8),
        (code @ (32..=126 | 160..=255), None) => Some(code as u8),
        _ => None,
    }
}

/// A text as it is read.
fn plain(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&#39;", "'")
        .replace("&amp;", "&")
}

fn is_bold(element: &Element<'_>) -> bool {
    element.get("font-weight").is_some()
}

/// A stretch of a text.
enum Run {
    /// In the fonts' encoding.
    Set(Vec<u8>),
    Drawn(Arc<Outline>),
}

impl Run {
    /// Its width as a share of its size.
    fn width(&self) -> f64 {
        let width = |byte: &u8| {
            let known = byte.checked_sub(32).and_then(|place| WIDTHS.get(usize::from(place)));
            f64::from(known.copied().unwrap_or(556)) / 1000.0
        };
        match self {
            Self::Set(bytes) => bytes.iter().map(width).sum(),
            Self::Drawn(outline) => outline.advance,
        }
    }
}

/// A text in stretches; what can neither be set nor drawn is a question mark.
fn runs(text: &str, bold: bool) -> Vec<Run> {
    let text = plain(text);
    let drawn = outlines::of(text.chars().filter(|letter| code(*letter).is_none()), bold);
    let mut runs = Vec::new();
    for letter in text.chars() {
        if let Some(outline) = drawn.get(&letter) {
            runs.push(Run::Drawn(Arc::clone(outline)));
            continue;
        }
        let bytes = if letter == 'Ω' { b"ohm".to_vec() } else { vec![code(letter).unwrap_or(b'?')] };
        match runs.last_mut() {
            Some(Run::Set(before)) => before.extend(bytes),
            _ => runs.push(Run::Set(bytes)),
        }
    }
    runs
}

fn text(out: &mut Content, element: &Element<'_>) {
    let size = match element.number("font-size") {
        0.0 => 12.5,
        size => size,
    };
    let bold = is_bold(element);
    let runs = runs(element.text, bold);
    let back = match element.get("text-anchor") {
        Some("middle") => 0.5,
        Some("end") => 1.0,
        _ => 0.0,
    } * runs.iter().map(Run::width).sum::<f64>()
        * size;
    // The kit turns nothing but the label of an upright axis: "translate(14 150.0) rotate(-90)".
    let turned = element.get("transform").and_then(|transform| {
        let (x, y) = transform.strip_prefix("translate(")?.split_once(')')?.0.split_once(' ')?;
        Some((x.parse::<f64>().ok()?, y.parse::<f64>().ok()?))
    });
    let [r, g, b] = element.colour("fill").unwrap_or_default();
    let face: &[u8] = if bold { b"G" } else { b"F" };
    out.save_state().set_fill_rgb(r, g, b).set_parameters(Name(b"A100"));
    let mut done = -back;
    for run in runs {
        let matrix = match turned {
            Some((x, y)) => [0.0, -1.0, -1.0, 0.0, x, y - done],
            None => [1.0, 0.0, 0.0, -1.0, element.number("x") + done, element.number("y")],
        };
        match &run {
            Run::Set(bytes) => {
                out.begin_text().set_font(Name(face), size as f32);
                out.set_text_matrix(matrix.map(|value| value as f32)).show(Str(bytes)).end_text();
            }
            Run::Drawn(outline) => {
                let [a, b, c, d, x, y] = matrix;
                out.save_state();
                out.transform([a * size, b * size, c * size, d * size, x, y].map(|value| value as f32));
                draw(out, outline);
                out.restore_state();
            }
        }
        done += run.width() * size;
    }
    out.restore_state();
}

fn draw(out: &mut Content, outline: &Outline) {
    for piece in &outline.pieces {
        match *piece {
            Piece::Move([x, y]) => out.move_to(x, y),
            Piece::Line([x, y]) => out.line_to(x, y),
            Piece::Curve([[x1, y1], [x2, y2], [x, y]]) => out.cubic_to(x1, y1, x2, y2, x, y),
            Piece::Close => out.close_path(),
        };
    }
    out.fill_nonzero();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drawing_becomes_a_page_of_the_right_width() {
        let svg = "<svg viewBox=\"0 0 360 200\"><title>t</title><path fill=\"none\" stroke=\"#0b5e6b\" stroke-width=\"2\" \
                   stroke-dasharray=\"9 4\" d=\"M10 20L30 40v-4h8Z\"/><text fill=\"#1d2327\" text-anchor=\"end\" x=\"40.0\" \
                   y=\"50.0\">a &lt; \u{2212}3 mΩ</text></svg>";
        let pdf = page(svg, "t", 85.0);
        let text = String::from_utf8_lossy(&pdf);
        // 85 mm are 240.94 points, and the height follows: 133.86.
        assert!(text.starts_with("%PDF-") && text.contains("[0 0 240.94"), "{text}");
        assert!(text.contains("10 20 m\n30 40 l\n30 36 l\n38 36 l\nh\nS"), "{text}");
        assert!(text.contains("/Differences [128 /minus"), "{text}");
    }

    #[test]
    fn letters_have_their_widths_and_are_set_drawn_or_named() {
        // "mohm" is 833 + 556 + 556 + 833.
        let [Run::Set(bytes)] = &runs("mohm", false)[..] else { panic!("one stretch") };
        assert_eq!((bytes.as_slice(), Run::Set(bytes.clone()).width()), (b"mohm".as_slice(), 2.778));
        match &runs("mΩ", false)[..] {
            [Run::Set(before), Run::Drawn(_)] => assert_eq!(before, b"m"),
            [Run::Set(whole)] => assert_eq!(whole, b"mohm", "no font here has it"),
            _ => panic!("one or two stretches"),
        }
        // No font of ours: Hebrew is marked everywhere, Cyrillic where no font of the machine has it.
        let [Run::Set(bytes)] = &runs("\u{2212}1\u{5d0}", false)[..] else { panic!("one stretch") };
        assert_eq!(bytes, &[128, b'1', b'?']);
        let svg = "<svg><title>\u{4e2d}</title><text x=\"1\">\u{41e}\u{5d0}, \u{3b8} \u{2265} 3 Ω &amp; 1</text></svg>";
        let named = lacking(svg);
        assert!(
            named.contains(&'\u{5d0}') && !named.contains(&'\u{4e2d}') && !named.contains(&'Ω'),
            "{named:?}"
        );
        let drawn = runs("\u{41e}\u{3b8}", false).iter().filter(|run| matches!(run, Run::Drawn(_))).count();
        assert_eq!(named.len() + drawn, 3, "each of the three is drawn or named: {named:?}");
        let shape = Arc::new(Outline {
            advance: 0.5,
            pieces: vec![Piece::Move([0.0, 0.0]), Piece::Line([0.5, 1.0]), Piece::Close],
        });
        let mut out = Content::new();
        draw(&mut out, &shape);
        assert_eq!(String::from_utf8_lossy(&out.finish()).trim(), "0 0 m\n0.5 1 l\nh\nf");
    }
}
