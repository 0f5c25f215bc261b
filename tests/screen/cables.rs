//! Real cables on a virtual clock: everything that leaves the program is the same, byte by byte and millisecond by millisecond,
//! whichever cable is drawn; only the number of the terminal follows the draw.

use std::path::Path;
use std::sync::{Arc, Mutex};

use earwitness::ballot::operating;
use earwitness::ballot::witnessing::Code;
use earwitness::bench::recording::Recording;
use earwitness::conduct::environment::Bench;
use earwitness::conduct::{Clock, Environment};
use earwitness::screen::{Scene, Stage};
use earwitness::sitting::Resuming;
use earwitness::switcher::{Board, Switch, SwitchError, Task, Terminal};
use earwitness::trial::{OutputKind, Part, TrialId};

use super::rig::{self, Sat, Setting, keys, sit_in};
use crate::blind;
use crate::commands;

/// What went to the switch, and when, in milliseconds.
pub(crate) type Log = Arc<Mutex<Vec<(u128, String)>>>;

/// A relay that answers at once, or a person who does.
struct Recorded {
    log: Log,
    clock: Arc<dyn Clock>,
    board: Option<Arc<Board>>,
    /// The cable that is to be connected as the one with this number is not.
    fails: Option<usize>,
    connected: usize,
}

impl Switch for Recorded {
    fn connect(&mut self, terminal: Terminal) -> Result<(), SwitchError> {
        let mut log = self.log.lock().unwrap();
        let at_ms = self.clock.elapsed().as_millis();
        let sent = match &self.board {
            // What the page gets, its mask taken off.
            Some(_) => {
                let (code, holder) = (Code::new("CODE"), "aa");
                let task = Task::of(terminal);
                let state = operating::state(&task, log.len() as u64, true, &code, holder, (0.2, 0.2));
                let mask = operating::mask(&code, holder, state.number);
                let meant = (state.masked + 3 - mask) % 3;
                let masked = serde_json::to_string(&state).unwrap();
                format!("{} {meant}", masked.replace(&format!("\"masked\":{}", state.masked), "\"masked\":m"))
            }
            None => format!("{}\n?\n", terminal.digit()),
        };
        log.push((at_ms, sent));
        self.connected += usize::from(terminal != Terminal::Parked);
        let fails = terminal != Terminal::Parked && self.fails == Some(self.connected);
        if fails { Err(SwitchError::Wrong) } else { Ok(()) }
    }

    fn board(&self) -> Option<Arc<Board>> {
        self.board.clone()
    }
}

/// The terminals alike.
pub(crate) fn masked(log: &[(u128, String)]) -> Vec<(u128, String)> {
    let alike = |sent: &String| match sent.strip_suffix(" 2") {
        Some(rest) => format!("{rest} 1"),
        None if sent.starts_with('2') => sent.replacen('2', "1", 1),
        None => sent.clone(),
    };
    log.iter().map(|(at_ms, sent)| (*at_ms, alike(sent))).collect()
}

fn is_connection(masked: &str) -> bool {
    masked.starts_with('1') || masked.ends_with(" 1")
}

struct Seen {
    bytes: Vec<u8>,
    calls: Vec<String>,
    journal: String,
    log: Vec<(u128, String)>,
    /// What the listener read of presentations.
    said: String,
}

fn seen(sat: Sat, log: &Log) -> Seen {
    let said = |scene: &Scene| {
        let about = if let Stage::Trial(trial) = &scene.stage { trial.about.clone() } else { String::new() };
        format!("{about} {}\n", scene.notice.as_ref().map_or("", |notice| notice.text()))
    };
    let said = sat.scenes.iter().map(said).collect();
    let finished = sat.result.unwrap_or_else(|error| panic!("{error}"));
    let journal = std::fs::read_to_string(finished.journal).unwrap();
    Seen {
        bytes: sat.bytes,
        calls: sat.calls,
        journal: blind::without_digests(&journal),
        log: log.lock().unwrap().clone(),
        said,
    }
}

impl Seen {
    fn assert_same(&self, other: &Self, what: &str) {
        assert!(self.bytes == other.bytes, "{what}: the terminal's bytes differ");
        assert!(
            self.journal == other.journal,
            "{what}: the journals differ\n{}\n{}",
            self.journal,
            other.journal
        );
        assert_eq!(self.calls, other.calls, "{what}: calls to the player differ");
        assert_eq!(masked(&self.log), masked(&other.log), "{what}: the switch's traffic differs");
    }
}

/// Everything that goes to the switch, or to the operator's page, is written down.
pub(crate) fn with_switch(environment: &mut Environment, log: &Log, by_hand: bool, fails: Option<usize>) {
    let (log, clock) = (Arc::clone(log), Arc::clone(&environment.clock));
    environment.switch = Arc::new(move |_| {
        let board = by_hand.then(Arc::default);
        Ok(Box::new(Recorded {
            log: Arc::clone(&log),
            clock: Arc::clone(&clock),
            board,
            fails,
            connected: 0,
        }))
    });
}

/// A sitting that is left in its second trial and goes on under a fresh seal, both with this order in every trial but the
/// first; an order to the switch fails on the way.
fn played(folder: &Path, by_hand: bool, order: usize) -> (Seen, Seen) {
    let kind = if by_hand { "kind = \"operator\"" } else { "kind = \"serial\"\nport = \"none\"" };
    let table = format!(
        "[switcher]\n{kind}\nterminals = [\"flex\", \"none\"]\napart = \"200 ms\"\nsettle = \"300 ms\"\nspread = \"0 s\"\n"
    );
    let session = rig::session(folder, "abx", 4, "", &table);
    let mut setting = Setting::new(&session);
    // A cable makes the difference, and not the sound.
    setting.apart = 0.0;
    setting.hidden = true;
    let draft = blind::draft_of_session(&session, &rig::stimuli_alike(&session));
    let round = |trial, attempt| (TrialId { part: Part::Main, trial, attempt }, 1);
    let first = [round(1, 1), round(2, 1)];
    setting.secret =
        blind::secret_where(&draft, &["hi"], None, &[0, order, order], |key| blind::in_order(key, &first, 4));
    let begin = ". . PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn Enter . h i Enter Enter . PgDn Enter";
    let resume = ". PgDn PgDn Enter . . PgDn PgDn PgDn Enter Enter . PgDn Enter";
    // A round of four presentations takes four looks at the clock each; what is pressed meanwhile changes nothing.
    let trial = format!(". Space . . . a . . Space . Down . . r {} . . Down . Enter . .", ". ".repeat(14));
    let log = Log::default();
    let first = sit_in(&setting, keys(&format!("{begin} {trial} x . . . . . . . . . . .")), |environment| {
        // Four presentations of the first trial, the second of the second one's.
        with_switch(environment, &log, by_hand, Some(6));
    });
    let first = seen(first, &log);
    let next = TrialId { part: Part::Main, trial: 2, attempt: 3 };
    let key = setting.secret.key(2, [b"hi".as_slice()]);
    // The third trial is presented twice.
    let rounds = [round(2, 3), round(3, 1), (round(3, 1).0, 2)];
    setting.secret =
        blind::fresh_secret_where(&draft, key, next, &[order, order], |key| blind::in_order(key, &rounds, 4));
    setting.resuming = Resuming::Resume;
    let log = Log::default();
    let second = sit_in(
        &setting,
        keys(&format!("{resume} {trial} Space {} {trial}", ". ".repeat(20))),
        |environment| {
            with_switch(environment, &log, by_hand, None);
        },
    );
    (first, seen(second, &log))
}

#[test]
fn whichever_cable_is_drawn_every_byte_and_every_time_is_the_same() {
    for by_hand in [false, true] {
        let folder = || tempfile::tempdir().unwrap();
        let (one, other) = (folder(), folder());
        let (left, went_on) = played(one.path(), by_hand, 0);
        let (other_left, other_went_on) = played(other.path(), by_hand, 1);
        let count = |seen: &Seen, text: &str| seen.journal.matches(text).count();
        assert_eq!(count(&left, "\"kind\":\"answer\""), 1, "{}", left.journal);
        assert_eq!(count(&left, "\"kind\":\"void\""), 1, "the order that failed: {}", left.journal);
        assert_eq!(count(&went_on, "\"kind\":\"answer\""), 3, "{}", went_on.journal);
        assert_eq!(count(&went_on, "\"kind\":\"resumed\""), 1);
        assert_eq!(
            count(&went_on, "\"apart_ms\":200}"),
            18,
            "four rounds of four, and a part: {}",
            went_on.journal
        );
        let connected =
            |seen: &Seen| masked(&seen.log).iter().filter(|(_, sent)| is_connection(sent)).count();
        assert_eq!((connected(&left), connected(&went_on)), (6, 12), "{:?}", left.log);

        left.assert_same(&other_left, "until it was left");
        went_on.assert_same(&other_went_on, "after it went on");
        assert_ne!(went_on.log, other_went_on.log, "the draw is real: the terminals are others");
        assert!(left.said.contains("4 of 4: silent by design"), "{}", left.said);
        assert!(left.said.contains("goes on to its end"), "nothing cuts a round short: {}", left.said);
    }
}

/// A bench without devices: what is connected now changes the sweep by so many dB, and a little noise comes with it.
pub(crate) fn virtual_bench(connected_db: impl Fn() -> f64 + Send + Sync + 'static) -> Bench {
    Arc::new(move |sweep| {
        let gain = 10_f64.powf(connected_db() / 20.0);
        let reference = sweep.samples().map_err(|error| error.to_string())?;
        let mut state = 7_u64;
        let response = reference
            .iter()
            .map(|sample| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                gain * sample + 1e-6 * ((state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0)
            })
            .collect();
        Recording::new("virtual", sweep.rate_hz, vec![reference, response]).map_err(|error| error.to_string())
    })
}

/// A sitting of one trial whose positions are measured on a virtual bench: what cable 1 and cable 2 do to the sound, in dB.
/// Gives the kinds of the report's caveats, and what the journal says.
fn proved(gains_db: [f64; 2]) -> (Vec<String>, String) {
    let folder = tempfile::tempdir().unwrap();
    let table = "[switcher]\nkind = \"serial\"\nport = \"none\"\nterminals = [\"flex\", \"none\"]\napart = \"200 ms\"\nsettle = \
                 \"200 ms\"\nproof = \"measured\"\n";
    let session = rig::session(folder.path(), "abx", 1, "", table);
    let mut setting = Setting::new(&session);
    (setting.apart, setting.kind, setting.format) = (0.0, OutputKind::Device, "f32");
    let log = Log::default();
    let connected = Arc::clone(&log);
    let script = ". . PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn Enter . h i Enter Enter . PgDn PgDn Enter . PgDn \
                  Enter . . Space . . . . . . . . . . . . . . . . . . . . . Down . Enter . . . PgDn PgDn PgDn PgDn Enter";
    let sat = sit_in(&setting, keys(script), |environment| {
        with_switch(environment, &log, false, None);
        environment.bench = Some(virtual_bench(move || {
            let last = connected.lock().unwrap().last().map(|(_, sent)| sent.clone()).unwrap();
            match &last[..1] {
                "1" => gains_db[0],
                "2" => gains_db[1],
                other => panic!("nothing is connected: {other}"),
            }
        }));
    });
    let journal =
        std::fs::read_to_string(sat.result.unwrap_or_else(|error| panic!("{error}")).journal).unwrap();
    assert_eq!(journal.matches("\"kind\":\"measured\"").count(), 2, "{journal}");
    let measured = |when: &str| journal.find(&format!("\"when\":\"{when}\"")).unwrap();
    let answered = journal.find("\"kind\":\"answer\"").unwrap();
    assert!(measured("before") < answered && answered < measured("after"), "{journal}");
    assert!(journal.contains("\"kind\":\"closing\""), "{journal}");
    commands::succeeded(folder.path(), &["verify", "."]);
    let report = commands::json(folder.path(), &["report", ".", "--json"]);
    let caveats = report["caveats"].as_array().unwrap();
    let kinds = caveats.iter().map(|caveat| format!("{} {}", caveat["kind"], caveat["text"])).collect();
    (kinds, journal)
}

#[test]
fn a_bench_proves_that_the_switch_switches_and_catches_interchanged_cables_and_a_dead_switch() {
    // Of the session's cable the circuit predicts -0.30 dB against none: R of 0.276 ohm into 8 ohm, by the divider's rule.
    let divider_db = 20.0 * (8.0_f64 / (8.0 + 2.0 * 6.0 * 1.724e-8 / 0.75e-6)).log10();
    let of = |gains: [f64; 2]| -> Vec<String> {
        let (caveats, _) = proved(gains);
        caveats
            .into_iter()
            .filter(|caveat| caveat.contains("switch-unproven") || caveat.contains("terminal-levels"))
            .collect()
    };
    let right = of([divider_db, 0.0]);
    assert!(right.len() == 1 && right[0].contains("0.29"), "the level alone is told: {right:?}");
    let interchanged = of([0.0, divider_db]);
    assert!(interchanged.iter().any(|caveat| caveat.contains("interchanged")), "{interchanged:?}");
    let dead = of([divider_db, divider_db]);
    assert!(
        dead.iter().any(|caveat| caveat.contains("could not be told apart by measurement either")),
        "{dead:?}"
    );
}
