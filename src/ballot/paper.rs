//! Paper ballots: to print, and what comes back.
//!
//! Ballots count like votes from phones and are marked as paper. They hold the trials of the main part in order; which of
//! them are controls is drawn, so they look alike.

use std::io::Read;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::seats::{MOST_SEATS, clean_alias};
use crate::trial::Definition;
use crate::units::foreign::shortened;

/// Why something from paper was not understood.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct PaperError(pub String);

/// Answers as the host types them: alternatives by name with spaces between, `-` where there is none; where every name
/// is one character the spaces may be left out. Fewer than `trials` is fine: what is missing is missing.
///
/// # Errors
/// A word that is no alternative, or more answers than trials.
pub fn answers(text: &str, definition: &Definition, trials: u32) -> Result<Vec<Option<usize>>, PaperError> {
    let single = definition.alternatives.iter().all(|alternative| alternative.name.chars().count() == 1);
    let mut words: Vec<String> = Vec::new();
    for word in
        text.split(|c: char| c.is_whitespace() || c == ',' || c == ';').filter(|word| !word.is_empty())
    {
        if single {
            words.extend(word.chars().map(String::from));
        } else {
            words.push(word.to_owned());
        }
    }
    if words.is_empty() {
        return Err(PaperError(
            "no answers: type one for each trial, - for none, such as: 7 a b - a".to_owned(),
        ));
    }
    if words.len() > trials as usize {
        return Err(PaperError(format!("{} answers, but the night has {trials} trials", words.len())));
    }
    words.iter().map(|word| answer(word, definition)).collect()
}

fn answer(word: &str, definition: &Definition) -> Result<Option<usize>, PaperError> {
    if matches!(word, "" | "-") {
        return Ok(None);
    }
    let names =
        || definition.alternatives.iter().map(|alternative| alternative.name).collect::<Vec<_>>().join(", ");
    definition
        .alternatives
        .iter()
        .position(|alternative| alternative.name.eq_ignore_ascii_case(word))
        .map(Some)
        .ok_or_else(|| {
            PaperError(format!("\"{}\" is none of {}, and not - for none", shortened(word), names()))
        })
}

/// One listener's ballot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PaperBallot {
    /// Number of the seat.
    pub seat: u32,
    /// Name; empty if the column is.
    pub alias: String,
    /// Table, where the file has a column for it.
    pub table: Option<u32>,
    /// For each trial of the main part in order the alternative, or none.
    pub answers: Vec<Option<usize>>,
}

/// What separates the cells of a table that a spreadsheet wrote, by its header: a semicolon or a tab where there is one,
/// as in places where the comma is the decimal sign. Lines that begin with `#` are remarks.
pub fn separator(table: &[u8]) -> u8 {
    let header = table.split(|&byte| byte == b'\n').find(|line| !line.starts_with(b"#")).unwrap_or_default();
    [b';', b'\t'].into_iter().find(|sign| header.contains(sign)).unwrap_or(b',')
}

/// Reads ballots from CSV: a header, then for each ballot `seat`, `name` (may be empty), `table` (where the night has
/// tables; the column may be left out), and one column for each trial of the main part in order. An empty cell or `-` is no answer. Lines that begin with `#` are remarks.
///
/// # Errors
/// The line, and what is wrong with it. Nothing is taken unless all is understood.
pub fn import(
    mut input: impl Read,
    definition: &Definition,
    trials: u32,
) -> Result<Vec<PaperBallot>, PaperError> {
    let mut table = Vec::new();
    input
        .read_to_end(&mut table)
        .map_err(|error| PaperError(format!("the table cannot be read: {error}")))?;
    let table = table.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&table);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator(table))
        .comment(Some(b'#'))
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(table);
    let headers =
        reader.headers().map_err(|error| PaperError(format!("the table cannot be read: {error}")))?.clone();
    let head: Vec<String> = headers.iter().map(str::to_lowercase).collect();
    if head.first().map(String::as_str) != Some("seat")
        || !matches!(head.get(1).map(String::as_str), Some("name" | "alias"))
    {
        return Err(PaperError(
            "the first line must be the header: seat, name, table (where there are tables), then one column for each trial"
                .to_owned(),
        ));
    }
    let has_table = head.get(2).map(String::as_str) == Some("table");
    let mut ballots: Vec<PaperBallot> = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| PaperError(format!("the table cannot be read: {error}")))?;
        let line = record.position().map_or(0, csv::Position::line);
        let wrong = |message: String| PaperError(format!("line {line}: {message}"));
        let number = record.get(0).unwrap_or_default();
        let seat: u32 =
            number.parse().ok().filter(|seat| (1..=MOST_SEATS).contains(seat)).ok_or_else(|| {
                wrong(format!("\"{}\" is not a seat from 1 to {MOST_SEATS}", shortened(number)))
            })?;
        if ballots.iter().any(|ballot| ballot.seat == seat) {
            return Err(wrong(format!("seat {seat} is there twice")));
        }
        let typed = record.get(1).unwrap_or_default();
        let alias = if typed.is_empty() {
            String::new()
        } else {
            clean_alias(typed).ok_or_else(|| {
                wrong(format!("\"{}\" is not a name of 1 to 40 characters", shortened(typed)))
            })?
        };
        let typed = record.get(2).filter(|typed| has_table && !typed.is_empty());
        let table = typed
            .map(|typed| {
                let number = typed.parse().ok().filter(|table| *table > 0);
                number.ok_or_else(|| {
                    wrong(format!("\"{}\" is not a table: give a number from 1", shortened(typed)))
                })
            })
            .transpose()?;
        let cells: Vec<&str> = record.iter().skip(2 + usize::from(has_table)).collect();
        if cells.len() > trials as usize {
            return Err(wrong(format!("{} answers, but the night has {trials} trials", cells.len())));
        }
        let answers = cells
            .iter()
            .enumerate()
            .map(|(index, cell)| {
                answer(cell, definition).map_err(|error| wrong(format!("trial {}: {error}", index + 1)))
            })
            .collect::<Result<Vec<_>, _>>()?;
        ballots.push(PaperBallot { seat, alias, table, answers });
    }
    Ok(ballots)
}

/// What is printed on the ballots.
#[derive(Debug, Clone)]
pub struct Sheet<'s> {
    /// Title of the session.
    pub title: &'s str,
    /// The protocol.
    pub definition: &'static Definition,
    /// The session's attribute, where the protocol asks for one.
    pub attribute: Option<&'s str>,
    /// Warm-up trials.
    pub warm_up: u32,
    /// Trials of the main part.
    pub trials: u32,
    /// Number of the first seat.
    pub first: u32,
    /// How many ballots.
    pub count: u32,
    /// Listeners sit at tables.
    pub tables: bool,
    /// The data is invented.
    pub invented: bool,
}

const STYLE: &str = "
@page { size: A4; margin: 12mm; }
body { font: 10.5pt/1.3 Georgia, 'DejaVu Serif', serif; color: #000; background: #fff; margin: 0; }
.ballot { border: 1.5pt solid #000; padding: 5mm 6mm; margin: 0 0 6mm; break-inside: avoid; page-break-inside: avoid; }
.ballot h1 { font-size: 13pt; margin: 0; font-weight: normal; }
.seat { float: right; border: 1pt solid #000; padding: 1mm 3mm; font-size: 15pt; }
.name { margin: 4mm 0 2mm; } .name span { display: inline-block; border-bottom: 1pt solid #000; width: 70mm; } .name .short { width: 14mm; }
.trials { columns: 2; column-gap: 8mm; margin: 2mm 0 0; padding: 0; list-style: none; }
.trials li { display: flex; flex-wrap: wrap; gap: 0 3mm; break-inside: avoid; padding: 1mm 0; font-size: 10pt; border-bottom: .4pt dotted #000; }
.trials .number { min-width: 7mm; font-size: 9.5pt; }
.trials .box { white-space: nowrap; }
.trials .box i { display: inline-block; width: 3.4mm; height: 3.4mm; border: 1pt solid #000; margin-right: 1.5mm; vertical-align: -.4mm; }
small { font-size: 9pt; }
";

/// Numbered ballots as a page to print, whole in one file.
pub fn ballots(sheet: &Sheet<'_>) -> String {
    let last = sheet.first.saturating_add(sheet.count.saturating_sub(1)).min(MOST_SEATS);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                title { "Ballots: " (sheet.title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    @for seat in sheet.first..=last {
                        (ballot(sheet, seat))
                    }
                }
            }
        }
    }
    .into_string()
}

fn ballot(sheet: &Sheet<'_>, seat: u32) -> Markup {
    let warm_up = (1..=sheet.warm_up).map(|number| format!("Warm-up {number}"));
    let trials = warm_up.chain((1..=sheet.trials).map(|number| number.to_string()));
    html! {
        section.ballot {
            p.seat { "Seat " (seat) }
            h1 { (sheet.title) @if sheet.invented { " (invented)" } }
            p.name { "Name to show: " span {} @if sheet.tables { " Table: " span.short {} } }
            p { (sheet.definition.question(sheet.attribute)) " Tick one box for each trial. If you are not sure, guess: guessing is part of the test." }
            ol.trials {
                @for name in trials {
                    li {
                        span.number { (name) }
                        @for alternative in sheet.definition.alternatives {
                            span.box { i {} (alternative.label(sheet.attribute)) " (" (alternative.name) ")" }
                        }
                    }
                }
            }
            p { small { "Hand this in after the last trial, before the seal is opened. The night's journal keeps this name and \
                these answers, and may be published." } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::Protocol;

    #[test]
    fn a_table_of_ballots_is_read_whole_or_not_at_all() {
        let abx = Definition::of(Protocol::Abx);
        let read = |text: &str| import(text.as_bytes(), abx, 3);
        let good = read("seat,name,1,2,3\n# a remark\n7,Ida,a,b,-\n9,,B\n").expect("good");
        assert_eq!(
            good[0],
            PaperBallot {
                seat: 7,
                alias: "Ida".to_owned(),
                table: None,
                answers: vec![Some(0), Some(1), None]
            }
        );
        assert_eq!(
            good[1],
            PaperBallot { seat: 9, alias: String::new(), table: None, answers: vec![Some(1)] }
        );
        assert_eq!(
            read("\u{feff}Seat;Name;1;2;3\r\n# a remark\r\n7;Ida;a;b;-\r\n9;;B\r\n").expect("as good"),
            good
        );
        let tables = read("seat,name,table,1\n7,Ida,2,a\n9,,,b\n").expect("good");
        assert_eq!(tables.iter().map(|ballot| ballot.table).collect::<Vec<_>>(), [Some(2), None]);
        assert_eq!(tables[0].answers, [Some(0)], "the table is no answer");
        for (text, word) in [
            ("seat,name,table,1\n7,Ida,0,a\n", "not a table"),
            ("7,Ida,a\n", "header"),
            ("seat,name,1\n0,Ida,a\n", "seat"),
            ("seat,name,1\n7,Ida,q\n", "trial 1"),
            ("seat,name,1\n7,Ida,a\n7,Ola,b\n", "twice"),
            ("seat,name,1\n7,Ida,a,b,a,b\n", "4 answers"),
        ] {
            let error = read(text).expect_err(text);
            assert!(error.to_string().contains(word), "{text}: {error}");
        }
    }

    #[test]
    fn longer_names_need_spaces() {
        let tetrad = Definition::of(Protocol::Tetrad);
        assert_eq!(answers("12-34 - 14-23", tetrad, 3), Ok(vec![Some(0), None, Some(2)]));
        assert!(answers("", tetrad, 3).is_err());
    }

    #[test]
    fn ballots_are_numbered_and_escape_the_title() {
        let sheet = Sheet {
            title: "<script>Flex & braid",
            definition: Definition::of(Protocol::Abx),
            attribute: None,
            warm_up: 1,
            trials: 2,
            first: 5,
            count: 2,
            invented: true,
            tables: false,
        };
        let page = ballots(&sheet);
        assert!(!page.contains("<script>"));
        assert!(page.contains("&lt;script&gt;Flex &amp; braid"));
        assert_eq!(page.matches("<section class=\"ballot\">").count(), 2);
        assert!(page.contains("Seat 5") && page.contains("Seat 6") && !page.contains("Seat 7"));
        assert_eq!(page.matches("class=\"box\"").count(), 2 * 3 * 2);
    }
}
