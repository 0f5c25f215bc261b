//! A thread that waits for the switch, so that the screen goes on.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

use super::board::Board;
use super::{Switch, SwitchError, Terminal};

/// A switch, most often on a thread of its own. Orders are carried out one after the other and answered in their order.
pub enum Worker {
    /// Its thread waits.
    Apart {
        /// Taken away at the end.
        orders: Option<Sender<Terminal>>,
        /// Of the orders, in their order.
        answers: Receiver<Result<(), SwitchError>>,
        /// Where it waits.
        thread: Option<JoinHandle<()>>,
        /// Where a person is the switch.
        board: Option<Arc<Board>>,
    },
    /// Whoever orders waits: where time stands still meanwhile.
    Here {
        /// The switch.
        switch: Box<dyn Switch>,
        /// Of the orders, in their order.
        answers: VecDeque<Result<(), SwitchError>>,
    },
}

impl std::fmt::Debug for Worker {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter.debug_struct("Worker").finish_non_exhaustive()
    }
}

impl Worker {
    /// Takes the switch.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(mut switch: Box<dyn Switch>) -> std::io::Result<Self> {
        let board = switch.board();
        let (orders, ordered) = channel::<Terminal>();
        let (answer, answers) = channel();
        let thread = std::thread::Builder::new().name("switch".to_owned()).spawn(move || {
            for terminal in ordered {
                // At the end nobody takes the answers any more, and the last order counts all the same.
                let _ = answer.send(switch.connect(terminal));
            }
        })?;
        Ok(Self::Apart { orders: Some(orders), answers, thread: Some(thread), board })
    }

    /// Takes the switch, and carries orders out as they come.
    pub fn here(switch: Box<dyn Switch>) -> Self {
        Self::Here { switch, answers: VecDeque::new() }
    }

    /// Orders; what comes of it is answered later.
    pub fn order(&mut self, terminal: Terminal) {
        match self {
            Self::Apart { orders, board, .. } => {
                if let Some(board) = board {
                    board.give();
                }
                // A thread that is gone answers nothing, and silence is an answer.
                let _ = orders.as_ref().map(|orders| orders.send(terminal));
            }
            Self::Here { switch, answers } => answers.push_back(switch.connect(terminal)),
        }
    }

    /// The next answer, if it has come.
    pub fn answer(&mut self) -> Option<Result<(), SwitchError>> {
        match self {
            Self::Apart { answers, .. } => answers.try_recv().ok(),
            Self::Here { answers, .. } => answers.pop_front(),
        }
    }
}

impl Drop for Worker {
    /// What was ordered last is carried out: a switch that is left is parked.
    fn drop(&mut self) {
        let Self::Apart { orders, thread, board, .. } = self else { return };
        drop(orders.take());
        if let Some(board) = board {
            board.finish();
        }
        if let Some(thread) = thread.take() {
            // A thread that panicked has nothing left to do.
            let _ = thread.join();
        }
    }
}
