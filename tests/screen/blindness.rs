//! Blindness is tested, not promised: same keys, same clock, every draw forced to each alternative. All bytes sent to the
//! terminal, the journal, the sizes of all files and the calls to the player are the same up to the closing.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use earwitness::screen::Input;
use earwitness::session::Session;
use earwitness::sitting::Ending;
use earwitness::stats::Protocol;
use earwitness::trial::{Definition, Outcome};

use super::rig::{self, Sat, Setting, keys, sit};

/// Trials of each sitting here.
const TRIALS: u32 = 3;

/// A sitting's keys up to the last confirmation, which comes only if `finish` says so.
fn script(protocol: Protocol, trials: u32, finish: bool) -> Vec<Option<Input>> {
    let definition = Definition::of(protocol);
    let mut text = String::from(". . PgDn PgDn PgDn Enter . h i Enter m e Enter Enter Enter . Enter");
    for trial in 0..trials {
        for slot in definition.slots {
            let _ = write!(text, " {} . .", slot.label.to_lowercase());
        }
        let first = definition.slots[0].label.to_lowercase();
        let _ = write!(text, " [ . . {first} ] Left Space . Space Right Home w . ? . a Down");
        for _ in 0..trial as usize % definition.alternatives.len() {
            text.push_str(" Down");
        }
        text.push_str(" . i . Esc Down");
        if finish || trial + 1 < trials {
            text.push_str(" Enter . .");
        }
    }
    if finish {
        text.push_str(" . . PgDn PgDn PgDn Enter");
    }
    keys(&text)
}

/// Sizes of all files below a folder.
fn sizes(folder: &Path) -> BTreeMap<String, u64> {
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).expect("the folder is there") {
        let entry = entry.expect("an entry");
        let (path, name) = (entry.path(), entry.file_name().to_string_lossy().into_owned());
        if path.is_dir() {
            found.extend(sizes(&path).into_iter().map(|(inner, size)| (format!("{name}/{inner}"), size)));
        } else {
            found.insert(name, entry.metadata().expect("metadata").len());
        }
    }
    found
}

fn session_of(protocol: Protocol, folder: &Path) -> Session {
    let head =
        if protocol == Protocol::TwoAfc { "attribute = \"brighter\"\nattribute_side = \"b\"" } else { "" };
    rig::session(folder, protocol.name(), TRIALS, head, "")
}

struct Seen {
    sat: Sat,
    journal: Vec<u8>,
    sizes: BTreeMap<String, u64>,
}

fn play(protocol: Protocol, orders: &[usize], finish: bool) -> Seen {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = session_of(protocol, folder.path());
    let mut setting = Setting::new(&session);
    setting.orders = orders.to_vec();
    let sat = sit(&setting, script(protocol, TRIALS, finish));
    let finished = sat.result.as_ref().unwrap_or_else(|error| panic!("{protocol}: {error}"));
    let journal = std::fs::read(&finished.journal).expect("the journal is there");
    Seen { journal, sizes: sizes(folder.path()), sat }
}

#[test]
fn nothing_that_can_be_seen_depends_on_the_draw() {
    for protocol in Protocol::ALL {
        let orders = Definition::of(protocol).orders.len();
        let reference = play(protocol, &[0], false);
        assert_eq!(reference.sat.result.as_ref().expect("it ran").ending, Ending::Left);
        let answers = String::from_utf8_lossy(&reference.journal).matches("\"kind\":\"answer\"").count();
        assert_eq!(answers, TRIALS as usize - 1, "{protocol}: the keys have to reach the last trial");
        assert!(reference.sat.bytes.len() > 10_000, "{protocol}: the screen has to be drawn");
        let mixed: Vec<usize> = (0..orders).rev().collect();
        let forced = (1..orders).map(|order| vec![order]).chain([mixed]);
        for forced in forced {
            let other = play(protocol, &forced, false);
            assert!(
                other.sat.bytes == reference.sat.bytes,
                "{protocol} {forced:?}: the terminal's bytes differ"
            );
            assert!(other.journal == reference.journal, "{protocol} {forced:?}: the journals differ");
            assert_eq!(other.sizes, reference.sizes, "{protocol} {forced:?}");
            assert_eq!(other.sat.calls, reference.sat.calls, "{protocol} {forced:?}");
        }
    }
}

#[test]
fn the_draw_is_real_it_decides_the_score_at_the_end() {
    for protocol in Protocol::ALL {
        let orders = Definition::of(protocol).orders.len();
        let before_closing = |journal: &[u8]| {
            let text = String::from_utf8(journal.to_vec()).expect("a journal is text");
            let mut lines: Vec<String> = text.lines().map(str::to_string).collect();
            (lines.pop().expect("a last line"), lines)
        };
        let (mut closings, mut rest) = (std::collections::BTreeSet::new(), Vec::new());
        for order in 0..orders {
            let seen = play(protocol, &[order], true);
            assert_eq!(
                seen.sat.result.as_ref().expect("it ran").ending,
                Ending::Closed(Outcome::AllTrials),
                "{protocol}"
            );
            let (closing, before) = before_closing(&seen.journal);
            assert!(closing.contains("\"kind\":\"closing\""), "{closing}");
            closings.insert(closing);
            rest.push(before);
        }
        assert!(closings.len() > 1, "{protocol}: the score never changed, so nothing was tested");
        assert!(rest.windows(2).all(|pair| pair[0] == pair[1]), "{protocol}");
    }
}

#[test]
fn a_disturbance_looks_the_same_whatever_was_drawn() {
    let seen: Vec<Seen> = (0..2)
        .map(|order| {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let session = session_of(Protocol::Abx, folder.path());
            let mut setting = Setting::new(&session);
            setting.orders = vec![order];
            setting.disturb_after = 14;
            let sat = sit(&setting, script(Protocol::Abx, TRIALS, false));
            let journal = sat.result.as_ref().expect("it ran").journal.clone();
            Seen { journal: std::fs::read(journal).expect("there"), sizes: sizes(folder.path()), sat }
        })
        .collect();
    assert!(String::from_utf8_lossy(&seen[0].journal).contains("\"kind\":\"void\""), "nothing was disturbed");
    assert!(seen[0].sat.bytes == seen[1].sat.bytes && seen[0].journal == seen[1].journal);
    assert_eq!((&seen[0].sizes, &seen[0].sat.calls), (&seen[1].sizes, &seen[1].sat.calls));
}
