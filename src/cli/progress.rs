//! A progress bar on standard error for anything that takes longer than a second.

#![expect(clippy::disallowed_methods, reason = "progress is shown to a person who waits in real time")]

use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::filter::Progress;

/// How long nothing is shown.
const PATIENCE: Duration = Duration::from_secs(1);

/// Shows progress once a second has passed; nothing where standard error is no terminal.
#[derive(Debug)]
pub struct Bar {
    bar: ProgressBar,
    started: Instant,
}

impl Default for Bar {
    fn default() -> Self {
        let bar = ProgressBar::with_draw_target(Some(1), ProgressDrawTarget::hidden());
        bar.set_style(
            ProgressStyle::with_template("{msg} {wide_bar} {percent:>3} %")
                .unwrap_or_else(|_| ProgressStyle::default_bar())
                .progress_chars("#- "),
        );
        Self { bar, started: Instant::now() }
    }
}

impl Progress for Bar {
    fn step(&self, done: u64, total: u64, what: &str) {
        if self.started.elapsed() < PATIENCE {
            return;
        }
        if self.bar.is_hidden() {
            self.bar.set_draw_target(ProgressDrawTarget::stderr_with_hz(10));
        }
        self.bar.set_length(total);
        self.bar.set_message(what.to_owned());
        self.bar.set_position(done);
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
