//! Blindness is tested, not promised: same keys, same clock, secrets that draw each order. All bytes sent to the
//! terminal, the journal, the sizes of all files and the calls to the player are the same up to the closing.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use earwitness::clip::Playable;
use earwitness::conduct::Environment;
use earwitness::player::PlayerEvent;
use earwitness::screen::{Input, Notice, Scene, Stage, StageKind};
use earwitness::session::Session;
use earwitness::sitting::{Ending, Resuming};
use earwitness::stats::Protocol;
use earwitness::stimulus::Stimulus;
use earwitness::trial::OutputKind;
use earwitness::trial::schedule::Draws;
use earwitness::trial::{Definition, Outcome, Part, TrialId};

use crate::blind;

use super::rig::{self, Sat, Setting, keys, sit, sit_plain};

/// Counted trials of each sitting here.
const TRIALS: u32 = 3;

/// What a sitting has beside its trials.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// Nothing.
    Bare,
    /// Controls of every kind, confidence, a wager, an opponent's passphrase.
    Full,
    /// A sequential rule.
    Sequential,
    /// A sound device, whose level is set.
    OnDevice,
}

impl Kind {
    /// Trials of the main part.
    fn trials(self) -> u32 {
        match self {
            Self::Bare | Self::OnDevice => TRIALS,
            Self::Full => TRIALS + 4,
            Self::Sequential => 30,
        }
    }
}

/// A sitting's keys up to the last confirmation, which comes only if `finish` says so. The same alternatives are chosen
/// whatever was drawn.
fn script(protocol: Protocol, kind: Kind, trials: u32, finish: bool) -> Vec<Option<Input>> {
    let definition = Definition::of(protocol);
    let full = kind == Kind::Full;
    let mut text = String::from(
        // What waits behind the page's keys is looked at, too.
        ". . c PgDn . Esc t PgDn . Esc PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn Enter .",
    );
    if full {
        // The wager's other side, and the other party's passphrase, twice.
        text.push_str(" PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn Enter . s e c r e t s e c r e t Enter . s e c r e t s e c r e t Enter .");
    }
    text.push_str(if full { " h i Enter Enter Enter ." } else { " h i Enter Enter ." });
    if kind == Kind::OnDevice {
        // A step up and down; the page says what comes next, and no other does.
        text.push_str(" + . - . Enter .");
    } else {
        text.push_str(" PgDn Enter");
    }
    for trial in 0..trials {
        for slot in definition.slots {
            let _ = write!(text, " {} . .", slot.label.to_lowercase());
        }
        let first = definition.slots[0].label.to_lowercase();
        if kind == Kind::Sequential {
            text.push_str(" Down .");
        } else {
            // A loop that is left goes on in the trials after it.
            let whole = if trial % 2 == 1 { "w" } else { "." };
            let _ = write!(text, " [ . . {first} ] Left Space . Space Right Home {whole} . ? . a Down");
            for _ in 0..trial as usize % definition.alternatives.len() {
                text.push_str(" Down");
            }
            // Each answer by its own key, also where there is none with it.
            // And the keys that go through the trials once the seal is open.
            text.push_str(" . i . Esc k . l . t n p . j");
        }
        if full {
            text.push_str(" Enter .");
        }
        if finish || trial + 1 < trials {
            let confirm = if full { (1 + trial % 5).to_string() } else { "Enter".to_string() };
            let _ = write!(text, " {confirm} . .");
        }
    }
    if finish {
        text.push_str(" . . PgDn PgDn PgDn PgDn PgDn PgDn PgDn Enter");
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

const SEQUENTIAL: &str = "stopping = { kind = \"sequential\", alpha = 0.05, beta = 0.1, proportion = 0.8 }\n";

const CONTROLS: &str = r#"[[controls]]
kind = "level"
amount = "2 dB"
trials = 1
[[controls]]
kind = "tilt"
amount = "2 dB"
trials = 1
[[controls]]
kind = "head-movement"
amount = "10 cm"
trials = 1
[[controls]]
kind = "identical"
trials = 1
"#;

fn session_of(protocol: Protocol, kind: Kind, folder: &Path) -> Session {
    let mut head = String::new();
    if protocol == Protocol::TwoAfc {
        head.push_str("attribute = \"rounder\"\nattribute_side = \"b\"\n");
    }
    let (trials, tail) = match kind {
        Kind::Bare | Kind::OnDevice => (TRIALS, String::new()),
        Kind::Full => {
            head.push_str("confidence = true\n");
            let mut controls = CONTROLS.to_owned();
            if protocol == Protocol::TwoAfc {
                // Nobody can know which side of a control is rounder: the session says it.
                controls = controls.replace("\"\ntrials", "\"\nmore = \"b\"\ntrials");
                controls = controls.replace("identical\"\nmore = \"b\"", "identical\"");
            }
            let favoured = if protocol == Protocol::Preference { "cable = \"flex\"\n" } else { "" };
            (TRIALS, format!("{}{favoured}{controls}", rig::WAGER))
        }
        Kind::Sequential => {
            head.push_str(SEQUENTIAL);
            (kind.trials(), String::new())
        }
    };
    rig::session(folder, protocol.name(), trials, &head, &tail)
}

struct Seen {
    sat: Sat,
    /// Without digests.
    journal: String,
    sizes: BTreeMap<String, u64>,
}

impl Seen {
    fn new(sat: Sat, folder: &Path) -> Self {
        let finished = sat.result.as_ref().unwrap_or_else(|error| panic!("{error}"));
        let journal = std::fs::read_to_string(&finished.journal).expect("the journal is there");
        Self { journal: blind::without_digests(&journal), sizes: sizes(folder), sat }
    }

    fn lines(&self) -> Vec<&str> {
        self.journal.split_inclusive('\n').collect()
    }

    fn answers(&self) -> usize {
        self.journal.matches("\"kind\":\"answer\"").count()
    }

    /// Insists that nothing of this sitting differs from another one.
    fn assert_same(&self, other: &Self, what: &str) {
        assert!(other.sat.bytes == self.sat.bytes, "{what}: the terminal's bytes differ");
        assert!(other.journal == self.journal, "{what}: the journals differ");
        assert_eq!(other.sizes, self.sizes, "{what}: sizes of files differ");
        assert_eq!(other.sat.calls, self.sat.calls, "{what}: calls to the player differ");
    }
}

/// The same order in each of the first trials.
fn only(order: usize) -> [usize; TRIALS as usize] {
    [order; TRIALS as usize]
}

fn play(protocol: Protocol, kind: Kind, orders: &[usize], trials: u32, finish: bool) -> Seen {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = session_of(protocol, kind, folder.path());
    let mut setting = Setting::new(&session);
    setting.draw(&["hi"], orders);
    setting.opponent = kind == Kind::Full;
    Seen::new(sit(&setting, script(protocol, kind, trials, finish)), folder.path())
}

/// A sitting with a sequential rule under the secret with this number.
fn play_sequential(protocol: Protocol, number: u64, trials: u32, finish: bool) -> Seen {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let session = session_of(protocol, Kind::Sequential, folder.path());
    let mut setting = Setting::new(&session);
    (setting.secret, setting.hidden) = (blind::secret(number), true);
    Seen::new(sit(&setting, script(protocol, Kind::Sequential, trials, finish)), folder.path())
}

#[test]
fn nothing_that_can_be_seen_depends_on_the_draw() {
    for kind in [Kind::Bare, Kind::Full] {
        for protocol in Protocol::ALL {
            let orders = Definition::of(protocol).orders.len();
            let reference = play(protocol, kind, &only(0), kind.trials(), false);
            assert_eq!(reference.sat.result.as_ref().expect("it ran").ending, Ending::Left);
            let answers = kind.trials() as usize - 1;
            assert_eq!(reference.answers(), answers, "{protocol}: the keys have to reach the last trial");
            assert!(reference.sat.bytes.len() > 10_000, "{protocol}: the screen has to be drawn");
            let opened = |scene: &Scene| match &scene.stage {
                Stage::Page(page) => page.kind == StageKind::Verdict,
                Stage::Trial(trial) => trial.kind == StageKind::Replay || !trial.trail.is_empty(),
            };
            assert!(!reference.sat.scenes.iter().any(opened), "{protocol}: the seal is closed");
            assert!(reference.sizes.keys().any(|name| name.ends_with(".secret")), "{protocol}");
            let mixed = (0..orders).rev().cycle().take(TRIALS as usize).collect();
            let forced = (1..orders).map(|order| only(order).to_vec()).chain([mixed]);
            for forced in forced {
                let other = play(protocol, kind, &forced, kind.trials(), false);
                reference.assert_same(&other, &format!("{protocol} {kind:?} {forced:?}"));
            }
        }
    }
}

/// Stimuli that are too long for memory are read while they play; what the player is asked for says no more than else.
#[test]
fn nothing_depends_on_the_draw_where_stimuli_are_long() {
    let samples: Vec<f32> = (0..3_200_000_u32).map(|n| (n % 997) as f32 / 4e3).collect();
    let sound = |gain: f32| Playable {
        rate_hz: rig::RATE,
        channels: 1,
        samples: samples.iter().map(|sample| gain * sample).collect(),
    };
    let kept = Stimulus::keep(&[sound(1.0), sound(0.9)]).expect("a disk");
    assert!(kept.iter().all(Stimulus::is_long));
    for protocol in Protocol::ALL {
        let played = |order: usize| {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let session = session_of(protocol, Kind::Bare, folder.path());
            let mut setting = Setting::new(&session);
            setting.draw(&["hi"], &only(order));
            let mut made = rig::stimuli(&session);
            for pair in &mut made.pairs {
                (pair.a, pair.b) = (kept[0].clone(), kept[1].clone());
            }
            let keys = script(protocol, Kind::Bare, TRIALS, false);
            let long = |environment: &mut Environment| {
                environment.prepare = Arc::new(move |_, _| Ok(made.clone()));
            };
            Seen::new(rig::sit_in(&setting, keys, long), folder.path())
        };
        let reference = played(0);
        assert_eq!(reference.answers(), TRIALS as usize - 1, "{protocol}");
        assert!(reference.sat.calls.iter().any(|call| call.contains("3200000x1")), "{protocol}");
        reference.assert_same(&played(Definition::of(protocol).orders.len() - 1), protocol.name());
    }
}

#[test]
fn nothing_that_plain_lines_say_depends_on_the_draw() {
    for protocol in Protocol::ALL {
        let definition = Definition::of(protocol);
        let played = |order: usize| {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let session = session_of(protocol, Kind::Full, folder.path());
            let mut setting = Setting::new(&session);
            setting.draw(&["our hand"], &only(order));
            let mut lines = String::from("\n\nour hand\n\n\n\nhelp\n");
            for trial in 0..Kind::Full.trials() {
                for slot in definition.slots {
                    let _ = writeln!(lines, "{}\nat 1.0", slot.label.to_lowercase());
                }
                let choice = 1 + trial as usize % definition.alternatives.len();
                let _ = writeln!(lines, "receipt\nnonsense\nanswer {choice}\nrecord");
                // The last answer is not given: its confidence would end the sitting.
                if trial + 1 < Kind::Full.trials() {
                    let _ = writeln!(lines, "{}", 1 + trial % 5);
                }
            }
            let sat = sit_plain(&setting, &lines);
            let finished = sat.result.as_ref().unwrap_or_else(|error| panic!("{protocol}: {error}"));
            assert_eq!(finished.ending, Ending::Left, "{protocol}");
            Seen::new(sat, folder.path())
        };
        let reference = played(0);
        assert_eq!(reference.answers() as u32, Kind::Full.trials() - 1, "{protocol}");
        for order in 1..definition.orders.len() {
            reference.assert_same(&played(order), &format!("{protocol} in plain lines, order {order}"));
        }
    }
}

/// A sitting is left in its second trial and goes on under a fresh seal, on a screen with a lock and its passphrase, and in
/// plain lines without, and on a device whose level is kept: what the second trial was, and what it is now, shows nowhere. A loop
/// of the first trial is kept in the second.
#[test]
fn a_sitting_that_goes_on_under_a_fresh_seal_looks_the_same_whatever_is_drawn() {
    const KEYS: [&str; 2] = [
        ". PgDn PgDn PgDn Enter . s e c r e t s e c r e t Enter . s e c r e t s e c r e t Enter . h i Enter Enter . \
         Enter x . [ . . ] . Down Enter . x . Down .",
        ". . s e c r e t s e c r e t Enter . Enter . Enter . x . Down . i . Esc . ? . a .",
    ];
    const LINES: [&str; 2] = [
        "\nhi\n\n\nx\nwait 1.2\nanswer 1\nrecord\nx\nwait 1.2\nanswer 2\n",
        "\n\n\nx\nwait 1.2\nanswer 2\nreceipt\nhelp\n",
    ];
    let played = |(plain, device): (bool, bool), order: usize| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let session = rig::session(folder.path(), "abx", 2, "", "");
        let mut setting = Setting::new(&session);
        setting.opponent = !plain;
        // The key that begins the first trial elsewhere takes the level here, and keeps it when the sitting goes on.
        setting.kind = if device { OutputKind::Device } else { OutputKind::Silent };
        setting.draw(&["hi"], &[0, order]);
        let part = |setting: &Setting<'_>, part: usize| {
            let sat = if plain { sit_plain(setting, LINES[part]) } else { sit(setting, keys(KEYS[part])) };
            Seen::new(sat, folder.path())
        };
        let before = part(&setting, 0);
        let draft = blind::draft_of_session(&session, &rig::stimuli(&session));
        let next = TrialId { part: Part::Main, trial: 2, attempt: 2 };
        let key = setting.secret.key(2, [b"hi".as_slice()]);
        setting.secret = blind::fresh_secret_for(&draft, key, next, &[order]);
        (setting.opponent, setting.resuming) = (false, Resuming::Resume);
        (before, part(&setting, 1))
    };
    for (plain, device) in [(false, false), (true, false), (false, true)] {
        let (left, went_on) = played((plain, device), 0);
        let heard = |seen: &Seen| (seen.answers(), seen.journal.matches("\"kind\":\"resumed\"").count());
        assert_eq!((heard(&left), heard(&went_on)), ((1, 0), (1, 1)), "plain: {plain}");
        assert_eq!(went_on.journal.contains("\"proof\":"), !plain);
        assert!(went_on.journal.contains("\"cause\":\"interrupted\""));
        assert!(
            went_on.sat.scenes.iter().any(|scene| matches!(scene.stage, Stage::Trial(_))),
            "plain: {plain}"
        );
        let headings: Vec<_> = went_on.sat.scenes.iter().map(super::few_keys::heading).collect();
        assert_eq!(headings.contains(&"The level is as before"), device, "{headings:?}");
        let (other_left, other_went_on) = played((plain, device), 1);
        left.assert_same(&other_left, "until it was left");
        went_on.assert_same(&other_went_on, "after it went on");
    }
}

/// Facts are asked and sealed before the draws, and the seal draws which cable is A: neither shows, whatever is drawn.
#[test]
fn facts_and_a_drawn_cable_show_nothing_of_the_draw() {
    let mut cables = std::collections::BTreeSet::new();
    let mut played = |first: usize, second: usize| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let panel = "[panel]\nlisteners = 4\ncable_a = \"drawn\"";
        let session = rig::session(folder.path(), "abx", 2, "facts = [\"trained\", \"room\"]", panel);
        let mut setting = Setting::new(&session);
        setting.draw(&["hi"], &[first, second]);
        let draft = blind::draft_of_session(&session, &rig::stimuli(&session));
        let opening = blind::opening(&draft, &setting.secret);
        let draws = Draws::new(&opening, setting.secret.key(2, [b"hi".as_slice()]));
        cables.insert(draws.once().expect("drawn once").is_exchanged(0));
        let lines =
            "\nperhaps\nyes\nStudio 2\nhi\n\n\nx\nwait 1.2\nanswer 1\nrecord\nx\nwait 1.2\nanswer 2\n";
        Seen::new(sit_plain(&setting, lines), folder.path())
    };
    let reference = played(0, 0);
    assert_eq!(reference.answers(), 1, "the lines have to reach the last trial");
    assert!(reference.journal.contains("\"fact\":\"room\",\"answer\":\"Studio 2\""), "{}", reference.journal);
    for (first, second) in [(0, 1), (1, 0), (1, 1)] {
        reference.assert_same(&played(first, second), &format!("orders {first} {second}"));
    }
    assert_eq!(cables.len(), 2, "each cable was A once");
}

#[test]
fn the_draw_is_real_it_decides_the_score_at_the_end() {
    for protocol in Protocol::ALL {
        let orders = Definition::of(protocol).orders.len();
        let (mut closings, mut rest) = (std::collections::BTreeSet::new(), Vec::new());
        for order in 0..orders {
            let seen = play(protocol, Kind::Bare, &only(order), TRIALS, true);
            assert_eq!(
                seen.sat.result.as_ref().expect("it ran").ending,
                Ending::Closed(Outcome::AllTrials),
                "{protocol}"
            );
            let lines = seen.lines();
            let (closing, before) = lines.split_last().expect("a last line");
            assert!(closing.contains("\"kind\":\"closing\""), "{closing}");
            closings.insert((*closing).to_owned());
            rest.push(before.concat());
        }
        assert!(closings.len() > 1, "{protocol}: the score never changed, so nothing was tested");
        assert!(rest.windows(2).all(|pair| pair[0] == pair[1]), "{protocol}");
    }
}

#[test]
fn with_a_sequential_rule_only_the_moment_of_stopping_depends_on_the_draw() {
    for protocol in Protocol::ALL.into_iter().filter(|protocol| *protocol != Protocol::Preference) {
        let most = Kind::Sequential.trials();
        let mut whole: Vec<(u64, Seen)> = Vec::new();
        for number in 0..40 {
            let seen = play_sequential(protocol, number, most, true);
            let answers = seen.answers();
            if answers < most as usize && whole.iter().all(|(_, other)| other.answers() != answers) {
                whole.push((number, seen));
            }
            if whole.len() == 3 {
                break;
            }
        }
        assert_eq!(whole.len(), 3, "{protocol}: three sittings have to end at three moments");
        let first = whole.iter().map(|(_, seen)| seen.answers()).min().expect("some sitting");
        // Up to the key that ends the first of them all are the same in everything.
        let reference = play_sequential(protocol, whole[0].0, first as u32, false);
        for (number, _) in &whole[1..] {
            let other = play_sequential(protocol, *number, first as u32, false);
            reference.assert_same(&other, &format!("{protocol}, secret {number}"));
        }
        // After it those that end have a closing record, the others go on as they would have anyway.
        let before_closing = |seen: &Seen| seen.lines().len() - 1;
        let (_, longest) = whole.iter().max_by_key(|(_, seen)| seen.answers()).expect("some sitting");
        for (_, seen) in &whole {
            assert_eq!(seen.sat.result.as_ref().expect("it ran").ending, Ending::Closed(Outcome::Sequential));
            let lines = before_closing(seen);
            assert_eq!(seen.lines()[..lines], longest.lines()[..lines], "{protocol}");
        }
    }
}

#[test]
fn a_disturbance_looks_the_same_whatever_was_drawn() {
    let seen: Vec<Seen> = (0..2)
        .map(|order| {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let session = session_of(Protocol::Abx, Kind::Bare, folder.path());
            let mut setting = Setting::new(&session);
            setting.draw(&["hi"], &only(order));
            setting.disturb_after = 14;
            Seen::new(sit(&setting, script(Protocol::Abx, Kind::Bare, TRIALS, false)), folder.path())
        })
        .collect();
    assert!(seen[0].journal.contains("\"kind\":\"void\""), "nothing was disturbed");
    assert!(seen[0].sat.bytes == seen[1].sat.bytes && seen[0].journal == seen[1].journal);
    assert_eq!((&seen[0].sizes, &seen[0].sat.calls), (&seen[1].sizes, &seen[1].sat.calls));
}

/// A device of so many bits says the same of its words whichever side X is: they are held against all comparisons alike.
#[test]
fn what_is_said_of_a_devices_words_is_the_same_whatever_was_drawn() {
    // At -36 dB, in a band that holds about 1/60 of the noise: 0.1 apart stands some 55 dB out of the noise of 16 bits; three
    // millionths lie far below it and 13 dB above that of 24 bits.
    for (format, apart, hidden) in [
        ("s16", 0.1, false),
        ("s16", 3e-6, true),
        ("s24", 3e-3, false),
        ("s24", 3e-6, false),
        ("s24", 3e-7, true),
        ("f32", 3e-6, false),
    ] {
        let what = format!("{format}, sides {apart} apart");
        let sit_with = |protocol: Protocol, orders: &[usize], event: Option<PlayerEvent>| {
            let folder = tempfile::tempdir().expect("a temporary folder");
            let session = session_of(protocol, Kind::OnDevice, folder.path());
            let mut setting = Setting::new(&session);
            (setting.kind, setting.format, setting.apart) = (OutputKind::Device, format, apart);
            setting.draw(&["hi"], orders);
            if let Some(event) = event {
                (setting.disturb_after, setting.disturb_with) = (14, event);
            }
            Seen::new(sit(&setting, script(protocol, Kind::OnDevice, TRIALS, false)), folder.path())
        };
        let words = |seen: &Seen| {
            let notices = seen.sat.scenes.iter().filter_map(|scene| scene.notice.as_ref().map(Notice::text));
            let cautions = notices.filter(|notice| notice.contains("samples could hide")).count();
            (seen.journal.contains("\"kind\":\"resolution\""), cautions > 0)
        };
        for protocol in [Protocol::Abx, Protocol::Triangle] {
            let reference = sit_with(protocol, &only(0), None);
            assert_eq!(
                reference.answers() as u32,
                TRIALS - 1,
                "{what}: the keys have to reach the last trial"
            );
            assert_eq!(words(&reference), (true, hidden), "{what}");
            for order in 1..Definition::of(protocol).orders.len() {
                reference.assert_same(
                    &sit_with(protocol, &only(order), None),
                    &format!("{protocol}, {what}, order {order}"),
                );
            }
        }
        for event in [PlayerEvent::DeviceChanged, PlayerEvent::RateSuspected { measured_hz: 44_100 }] {
            let disturbed = sit_with(Protocol::Abx, &only(0), Some(event.clone()));
            assert!(
                disturbed.journal.contains("\"kind\":\"void\""),
                "{what}: {event:?} has to disturb a trial"
            );
            let other = sit_with(Protocol::Abx, &only(1), Some(event.clone()));
            disturbed.assert_same(&other, &format!("{what}, {event:?}"));
        }
    }
}
