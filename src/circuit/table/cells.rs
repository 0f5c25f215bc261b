//! Bytes to text, text to cells, cells to numbers.

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
        // Without the mark: a text has letters of one byte, so every other byte is 0.
        [_, 0, _, 0, ..] => wide(bytes, u16::from_le_bytes),
        [0, _, 0, _, ..] => wide(bytes, u16::from_be_bytes),
        _ => match std::str::from_utf8(bytes) {
            Ok(text) => text.trim_start_matches('\u{feff}').to_owned(),
            Err(_) => bytes.iter().map(|byte| char::from(*byte)).collect(),
        },
    }
}

/// How cells are told apart.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Separator {
    Sign(char),
    Blanks,
}

/// The line number, from 1, of each piece between line feeds and carriage returns: a pair of the two ends one line.
pub(super) fn line_numbers(text: &str) -> impl Iterator<Item = usize> {
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

pub(super) fn separator_of(header: &str) -> Separator {
    [';', '\t', ',']
        .into_iter()
        .find(|sign| header.contains(*sign))
        .map_or(Separator::Blanks, Separator::Sign)
}

/// Cells of a row; quotes keep a separator inside a cell.
pub(super) fn cells(row: &str, separator: Separator) -> Vec<&str> {
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
pub(super) fn number(cell: &str, decimal_comma: bool) -> Option<f64> {
    if decimal_comma && cell.matches(',').count() == 1 {
        return cell.replace(',', ".").parse().ok();
    }
    cell.parse().ok()
}

/// No instrument says a larger number: what does is no reading, and no mark either.
pub(super) const LARGEST: f64 = 1e38;

/// What meters show when they have no reading; 9.9e37 is what their remote control sends (SCPI-99 7.2.1.5).
pub(super) fn is_mark(cell: &str) -> bool {
    const MARKS: [&str; 16] = [
        "ol",
        "o.l",
        "o.l.",
        "+ol",
        "-ol",
        "-ol-",
        "ovl",
        "ovld",
        "over",
        "overload",
        "over range",
        "overrange",
        "inf",
        "-inf",
        "nan",
        "error",
    ];
    let dashes = cell.len() > 1 && cell.chars().all(|letter| matches!(letter, '-' | '_' | '*' | '.'));
    dashes
        || MARKS.contains(&cell.to_lowercase().as_str())
        || cell.parse::<f64>().is_ok_and(|value| (9e36..=LARGEST).contains(&value.abs()))
}

/// A number with the prefix of a unit and no unit: `1k`, `2.1u`.
pub(super) fn with_prefix(cell: &str) -> Option<f64> {
    let last = cell.chars().next_back()?;
    let worth = match last {
        'k' | 'K' => 1e3,
        'M' => 1e6,
        'm' => 1e-3,
        'u' | '\u{b5}' | '\u{3bc}' => 1e-6,
        'n' => 1e-9,
        'p' => 1e-12,
        _ => return None,
    };
    cell[..cell.len() - last.len_utf8()]
        .trim_end()
        .parse::<f64>()
        .ok()
        .filter(|value| value.is_finite())
        .map(|value| value * worth)
}

pub(super) fn begins_a_number(cell: &str) -> bool {
    cell.starts_with(|letter: char| letter.is_ascii_digit() || letter == '-' || letter == '+')
}

/// Digits, signs and at most one point and one comma: neither a date nor a time.
pub(super) fn looks_like_a_number(cell: &str) -> bool {
    cell.contains(|letter: char| letter.is_ascii_digit())
        && cell.chars().all(|letter| letter.is_ascii_digit() || "+-.,eE".contains(letter))
        && cell.matches('.').count() <= 1
        && cell.matches(',').count() <= 1
}

/// A unit without the brackets around it.
pub(super) fn bare(cell: &str) -> &str {
    cell.trim().trim_matches(['(', ')', '[', ']', '{', '}', '<', '>']).trim()
}
