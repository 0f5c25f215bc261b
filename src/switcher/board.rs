//! A person as a switch: what is to be done stands on a board, and is confirmed there.
//!
//! The board knows terminals and labels, and nothing of trials, slots or answers. Whoever serves it to the operator's page
//! reads [`Board::shown`] and hands in [`Board::confirm`].

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use super::{Switch, SwitchError, Terminal};

/// What the operator is to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Task {
    /// Nothing: hands off.
    Wait,
    /// Stick label 1 on the cable that is named first, label 2 on the other.
    Label([String; 2]),
    /// Disconnect both ends of both cables.
    Disconnect,
    /// Connect this terminal.
    Connect(Terminal),
    /// It is over.
    Over,
}

impl Task {
    /// What an order is to a person.
    pub fn of(terminal: Terminal) -> Self {
        match terminal {
            Terminal::Parked => Self::Disconnect,
            terminal => Self::Connect(terminal),
        }
    }
}

/// A task as the page shows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shown {
    /// Grows with each task.
    pub number: u64,
    /// The task.
    pub task: Task,
    /// It was confirmed.
    pub done: bool,
}

#[derive(Debug)]
struct State {
    shown: Shown,
    /// The names behind labels 1 and 2, once somebody was told.
    labels: Option<[String; 2]>,
    /// They are to be told.
    to_label: bool,
    /// Orders that were given, and those that were taken up: where another one waits, the one that is on is given up.
    given: u64,
    taken: u64,
    /// What the operator's page proves itself with.
    holder: Option<String>,
    /// Others who tried to become the operator.
    turned_away: u32,
}

/// What is to be done, between a sitting and its operator's page.
#[derive(Debug)]
pub struct Board {
    state: Mutex<State>,
    changed: Condvar,
}

impl Default for Board {
    fn default() -> Self {
        let shown = Shown { number: 0, task: Task::Wait, done: true };
        let state =
            State { shown, labels: None, to_label: false, given: 0, taken: 0, holder: None, turned_away: 0 };
        Self { state: Mutex::new(state), changed: Condvar::new() }
    }
}

impl State {
    /// Nothing is waited for any more.
    fn given_up(&self) -> bool {
        self.given > self.taken || self.shown.task == Task::Over
    }
}

impl Board {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What is to be done now.
    pub fn shown(&self) -> Shown {
        self.state().shown.clone()
    }

    /// The task with this number is done. Says whether it is the one that is on.
    pub fn confirm(&self, number: u64) -> bool {
        let mut state = self.state();
        let on = state.shown.number == number;
        if on {
            state.shown.done = true;
            self.changed.notify_all();
        }
        on
    }

    /// Somebody wants to be the operator. The first one is; nobody else after that.
    pub fn join(&self, holder: &str) -> bool {
        let mut state = self.state();
        let taken = state.holder.get_or_insert_with(|| holder.to_owned()) == holder;
        state.turned_away += u32::from(!taken);
        taken
    }

    /// What the operator's page proves itself with, once there is one.
    pub fn holder(&self) -> Option<String> {
        self.state().holder.clone()
    }

    /// How many others tried to become the operator since the last call.
    pub fn turned_away(&self) -> u32 {
        std::mem::take(&mut self.state().turned_away)
    }

    /// The cables that belong to labels 1 and 2: told before the next task where they are others than before.
    pub fn label(&self, names: [String; 2]) {
        let mut state = self.state();
        if state.labels.as_ref() != Some(&names) {
            state.labels = Some(names);
            state.to_label = true;
        }
    }

    /// An order is about to be given: the one that is waited for is given up.
    pub(super) fn give(&self) {
        self.state().given += 1;
        self.changed.notify_all();
    }

    /// Nothing is to be done any more.
    pub fn finish(&self) {
        let mut state = self.state();
        let number = state.shown.number + 1;
        state.shown = Shown { number, task: Task::Over, done: true };
        self.changed.notify_all();
    }

    /// Puts a task on the board and waits until it is confirmed or given up. Says whether it was confirmed.
    fn ask(&self, task: Task) -> bool {
        let mut state = self.state();
        if state.given_up() {
            return false;
        }
        let number = state.shown.number + 1;
        state.shown = Shown { number, task, done: false };
        while !state.shown.done && !state.given_up() {
            state = self.changed.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
        state.shown.number == number && state.shown.done
    }

    /// Carries out an order: labels first, where they are new.
    fn carry_out(&self, terminal: Terminal) {
        let names = {
            let mut state = self.state();
            state.taken = (state.taken + 1).min(state.given.max(state.taken));
            state.labels.clone().filter(|_| state.to_label)
        };
        if let Some(names) = names {
            let told = self.ask(Task::Label(names));
            self.state().to_label = !told;
        }
        self.ask(Task::of(terminal));
    }
}

/// The person at the board.
#[derive(Debug)]
pub struct Operator(pub Arc<Board>);

impl Switch for Operator {
    /// Waits as long as it takes: who gave the order says when it is given up. What was given up is no mistake of the
    /// operator's.
    fn connect(&mut self, terminal: Terminal) -> Result<(), SwitchError> {
        self.0.carry_out(terminal);
        Ok(())
    }

    fn board(&self) -> Option<Arc<Board>> {
        Some(Arc::clone(&self.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Waits until a task is on that is none of those before.
    fn next(board: &Board, after: u64) -> Shown {
        loop {
            let shown = board.shown();
            if shown.number > after && !shown.done {
                return shown;
            }
            std::thread::yield_now();
        }
    }

    #[test]
    fn tasks_are_confirmed_one_by_one_and_an_older_confirmation_is_none() {
        let board = Arc::new(Board::default());
        board.label(["thick".to_owned(), "thin".to_owned()]);
        let mut operator = Operator(Arc::clone(&board));
        let work = std::thread::spawn(move || {
            for terminal in [Terminal::Parked, Terminal::Two] {
                operator.connect(terminal).expect("a person is no broken relay");
            }
        });
        let mut seen = Vec::new();
        let mut number = 0;
        for _ in 0..3 {
            let shown = next(&board, number);
            assert!(!board.confirm(number), "the task before is over");
            number = shown.number;
            seen.push(shown.task);
            assert!(board.confirm(number));
        }
        work.join().expect("it ends");
        let labels = Task::Label(["thick".to_owned(), "thin".to_owned()]);
        assert_eq!(seen, [labels, Task::Disconnect, Task::Connect(Terminal::Two)]);
        assert!(board.join("first") && !board.join("second") && board.join("first"));
        assert_eq!((board.turned_away(), board.turned_away()), (1, 0));
    }
}
