//! A thread that waits for the relay, so that the screen goes on.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

use super::{Switch, SwitchError, Terminal};

/// A switch on a thread of its own. Orders are carried out one after the other and answered in their order.
#[derive(Debug)]
pub struct Worker {
    /// Taken away at the end.
    orders: Option<Sender<Terminal>>,
    answers: Receiver<Result<(), SwitchError>>,
    thread: Option<JoinHandle<()>>,
}

impl Worker {
    /// Takes the switch.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(mut switch: Box<dyn Switch>) -> std::io::Result<Self> {
        let (orders, ordered) = channel::<Terminal>();
        let (answer, answers) = channel();
        let thread = std::thread::Builder::new().name("switch".to_owned()).spawn(move || {
            for terminal in ordered {
                // At the end nobody takes the answers any more, and the last order counts all the same.
                let _ = answer.send(switch.connect(terminal));
            }
        })?;
        Ok(Self { orders: Some(orders), answers, thread: Some(thread) })
    }

    /// Orders; what comes of it is answered later.
    pub fn order(&self, terminal: Terminal) {
        // A thread that is gone answers nothing, and silence is an answer.
        let _ = self.orders.as_ref().map(|orders| orders.send(terminal));
    }

    /// The next answer, if it has come.
    pub fn answer(&self) -> Option<Result<(), SwitchError>> {
        self.answers.try_recv().ok()
    }
}

impl Drop for Worker {
    /// What was ordered last is carried out: a switch that is left is parked.
    fn drop(&mut self) {
        drop(self.orders.take());
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has nothing left to do.
            let _ = thread.join();
        }
    }
}
