//! The operator's page and the listener's screen count down to the same moments.

use std::sync::{Arc, Mutex};

use earwitness::ballot::operating;
use earwitness::ballot::witnessing::Code;
use earwitness::conduct::Clock;
use earwitness::screen::Notice;
use earwitness::switcher::{Board, Switch, SwitchError, Task, Terminal};

use super::rig::{self, Setting, keys, sit_in};

/// What the operator's page got, and when.
type Shown = Arc<Mutex<Vec<(f64, operating::State)>>>;

/// An operator who confirms at once.
struct AtOnce {
    shown: Shown,
    clock: Arc<dyn Clock>,
    board: Arc<Board>,
    seconds: (f64, f64),
}

impl Switch for AtOnce {
    fn connect(&mut self, terminal: Terminal) -> Result<(), SwitchError> {
        let mut shown = self.shown.lock().unwrap();
        let (number, code) = (shown.len() as u64, Code::new("CODE"));
        let state = operating::state(&Task::of(terminal), number, false, &code, "aa", self.seconds);
        shown.push((self.clock.elapsed().as_secs_f64(), state));
        Ok(())
    }

    fn board(&self) -> Option<Arc<Board>> {
        Some(Arc::clone(&self.board))
    }
}

#[test]
fn the_operator_and_the_listener_count_down_to_the_same_moments() {
    // How the page counts from when a task came; it asks for tasks two or three times a second.
    let script = include_str!("../../src/ballot/pages/operator.js");
    assert!(script.contains("Math.ceil(state.seconds - (Date.now() - since) / 1000)"));
    let folder = tempfile::tempdir().unwrap();
    let table = "[switcher]\nkind = \"operator\"\nterminals = [\"flex\", \"none\"]\napart = \"7 s\"\nsettle = \"5 s\"\nspread = \"0 s\"\n";
    let session = rig::session(folder.path(), "abx", 1, "", table);
    let seconds = operating::seconds(session.switcher.as_ref().expect("a switcher"));
    assert_eq!(seconds, (7.0, 5.0));
    let mut setting = Setting::new(&session);
    setting.apart = 0.0;
    let shown = Shown::default();
    let begin = ". . PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn PgDn Enter . h i Enter Enter . PgDn Enter";
    let sat = sit_in(&setting, keys(&format!("{begin} . Space {}", ". ".repeat(60))), |environment| {
        let (shown, clock) = (Arc::clone(&shown), Arc::clone(&environment.clock));
        environment.switch = Arc::new(move |_| {
            let (shown, clock, board) = (Arc::clone(&shown), Arc::clone(&clock), Arc::default());
            Ok(Box::new(AtOnce { shown, clock, board, seconds }))
        });
    });
    let tasks = shown.lock().unwrap().clone();
    let (mut apart, mut connected) = (0, 0);
    for (scene, at) in sat.scenes.iter().zip(&sat.shown) {
        let Some(Notice::News(news)) = &scene.notice else { continue };
        let Some(left) = news.split("sound in ").nth(1) else { continue };
        let listener: f64 = left.split(' ').next().and_then(|left| left.parse().ok()).expect("seconds");
        let at = at.as_secs_f64();
        let (since, state) = tasks.iter().rfind(|(since, _)| *since <= at).expect("a task");
        let operator = (state.seconds - (at - since)).ceil();
        match state.task.as_str() {
            "disconnect" => {
                assert_eq!(operator + seconds.1, listener, "{news}, {state:?} since {since}, at {at}");
                apart += 1;
            }
            // A task comes when the clock is looked at next: here every 1.1 s, for people 20 times a second.
            "connect" => {
                let late = since + state.seconds - (at + listener);
                assert!(late > -1.0 && late < 1.1, "{news}, {state:?} since {since}, at {at}");
                connected += 1;
            }
            other => panic!("{other}: {news}"),
        }
    }
    assert!(apart >= 4 && connected >= 4, "{apart} {connected} {tasks:?}");
}
