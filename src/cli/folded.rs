//! Lines that a person reads, as wide as the terminal that shows them: a terminal breaks in the middle of words.

use std::io::{self, IsTerminal, Write};

use unicode_width::UnicodeWidthStr as _;

use crate::units::printed;

/// The widest line, in cells: a longer one is hard to read.
pub(super) const WIDEST: usize = 100;

/// The narrowest that lines are folded for: on less, only the terminal's own breaks keep anything together.
const NARROWEST: usize = 40;

/// Columns that text has on this stream: those of its terminal up to [`WIDEST`]; `None` where no terminal shows it, since files and
/// programs take lines as they come.
pub(super) fn columns(of: &impl IsTerminal) -> Option<usize> {
    let columns = of.is_terminal().then(crate::screen::terminal::columns).flatten()?;
    (columns >= NARROWEST).then(|| columns.min(WIDEST))
}

/// A writer that folds each line which is too wide.
pub(super) struct Folded<W> {
    inner: W,
    columns: Option<usize>,
    line: Vec<u8>,
}

impl<W: Write> Folded<W> {
    /// For so many columns; with `None` everything passes as it is.
    pub(super) fn new(inner: W, columns: Option<usize>) -> Self {
        Self { inner, columns, line: Vec::new() }
    }

    pub(super) fn get_ref(&self) -> &W {
        &self.inner
    }
}

impl<W: Write> Write for Folded<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let Some(columns) = self.columns else { return self.inner.write(bytes) };
        for piece in bytes.split_inclusive(|byte| *byte == b'\n') {
            self.line.extend_from_slice(piece);
            if piece.ends_with(b"\n") {
                let line = std::mem::take(&mut self.line);
                self.inner.write_all(folded(&String::from_utf8_lossy(&line), columns).as_bytes())?;
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        let rest = std::mem::take(&mut self.line);
        self.inner.write_all(&rest)?;
        self.inner.flush()
    }
}

/// Lines of at most so many cells, broken at spaces. What continues a line stands below its text: behind a list's dash, beside a
/// name. A word that is too long stays whole. So does what is to be copied: a command from the program's name on, and what
/// stands between backticks.
pub(super) fn folded(text: &str, columns: usize) -> String {
    let mut all = String::with_capacity(text.len() + 8);
    for line in text.split_inclusive('\n') {
        let (line, end) = line.strip_suffix('\n').map_or((line, ""), |line| (line, "\n"));
        if line.width() <= columns {
            all.push_str(line);
        } else {
            fold(line, columns, &mut all);
        }
        all.push_str(end);
    }
    all
}

fn fold(line: &str, columns: usize, all: &mut String) {
    let hanging = hanging(line).min(columns / 2);
    let (prose, command) = line.split_at(command_at(line));
    let kept = printed::unbroken_to_copy(prose);
    let mut width = 0;
    let mut gap = "";
    let mut rest = kept.as_str();
    loop {
        let word = rest.find([' ']).map_or(rest, |end| &rest[..end]);
        put(word, &mut gap, &mut width, (columns, hanging), all);
        rest = &rest[word.len()..];
        if rest.is_empty() {
            break;
        }
        let spaces = rest.len() - rest.trim_start_matches(' ').len();
        (gap, rest) = rest.split_at(spaces);
    }
    if !command.is_empty() {
        put(command.trim_start(), &mut " ", &mut width, (columns, hanging), all);
    }
}

/// Where a line goes on with a command: at the program's name outside of backticks, unless its version follows.
fn command_at(line: &str) -> usize {
    const NAME: &str = " earwitness ";
    let is_command = |place: &usize| {
        let version = line[place + NAME.len()..].starts_with(|first: char| first.is_ascii_digit());
        !version && line[..*place].matches('`').count().is_multiple_of(2)
    };
    line.match_indices(NAME).map(|(place, _)| place).find(is_command).unwrap_or(line.len())
}

/// A word behind its gap, on the next line where it has no room.
fn put(word: &str, gap: &mut &str, width: &mut usize, (columns, hanging): (usize, usize), all: &mut String) {
    if *width > hanging && *width + gap.len() + word.width() > columns {
        all.push('\n');
        all.push_str(&" ".repeat(hanging));
        *width = hanging;
    } else {
        all.push_str(gap);
        *width += gap.len();
    }
    all.push_str(&word.replace('\u{a0}', " "));
    *width += word.width();
}

/// Where a line's text begins, in cells: behind its indent and its mark (dash, warning, number of a note), or beside a name that
/// several spaces follow.
fn hanging(line: &str) -> usize {
    let text = line.trim_start_matches(' ');
    let indent = line.len() - text.len();
    if let Some(place) = text.find("  ") {
        let beside = text[place..].trim_start_matches(' ');
        return line.width() - beside.width();
    }
    let mark = text.split(' ').next().unwrap_or_default();
    let marks = matches!(mark, "-" | "!") || (mark.starts_with('[') && mark.ends_with(']'));
    if marks { indent + mark.width() + 1 } else { indent }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_folded_at_spaces_below_its_text() {
        let wide = "  - Moving or shorting a cable can destroy a running amplifier. Switch it off first, always.\nshort\n";
        assert_eq!(
            folded(wide, 50),
            "  - Moving or shorting a cable can destroy a\n    running amplifier. Switch it off first,\n    always.\nshort\n"
        );
        assert_eq!(
            folded("  heard in     0 % of trials, 0 % to 51 % (two-sided); at most 44 %", 40),
            "  heard in     0 % of trials, 0 % to\n               51 % (two-sided); at most\n               44 %"
        );
    }

    #[test]
    fn a_command_and_a_long_word_stay_whole() {
        let line = "Everything else, and five ways to cheat that remain: earwitness check my-bet --full";
        assert_eq!(
            folded(line, 60),
            "Everything else, and five ways to cheat that remain:\nearwitness check my-bet --full"
        );
        let long = "  a ".to_owned() + &"x".repeat(60) + " b";
        assert_eq!(folded(&long, 40), format!("  a\n  {}\n  b", "x".repeat(60)));
    }

    #[test]
    fn what_stands_between_backticks_and_a_version_are_not_broken() {
        assert_eq!(
            folded("What differs is listed: see `earwitness check my-bet --full` for all of it.", 50),
            "What differs is listed: see\n`earwitness check my-bet --full` for all of it."
        );
        assert_eq!(
            folded("Two of them: `a b c d e f` and `g h i j k l` and an odd ` one that stays alone.", 40),
            "Two of them: `a b c d e f` and\n`g h i j k l` and an odd ` one that\nstays alone."
        );
        assert_eq!(
            folded("  program      a journal written by an older earwitness 0.9.12 is read as it was", 50),
            "  program      a journal written by an older\n               earwitness 0.9.12 is read as it was"
        );
    }

    #[test]
    fn a_writer_folds_whole_lines_however_they_come() {
        let mut writer = Folded::new(Vec::new(), Some(40));
        for piece in ["to be shown: that thin and ", "thick sound different, twice\nquestion"] {
            writer.write_all(piece.as_bytes()).expect("memory takes everything");
        }
        writer.flush().expect("memory takes everything");
        assert_eq!(writer.inner, b"to be shown: that thin and thick sound\ndifferent, twice\nquestion");
        let mut plain = Folded::new(Vec::new(), None);
        plain.write_all(&[b'x'; 200]).expect("memory takes everything");
        assert_eq!(plain.inner.len(), 200);
    }
}
