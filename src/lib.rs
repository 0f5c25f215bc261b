//! Earwitness conducts blind listening tests of loudspeaker cables and says honestly what the answers prove.
//!
//! # The rooms
//!
//! Data flows down this list. A room may use the rooms above it, never the ones below; a test reads the imports and
//! holds it. Down to [`stats`] the rooms are a crate of their own, `earwitness-numerics` (`src/numerics.rs`), compiled for speed.
//!
//! | room | what lives there | to change |
//! | --- | --- | --- |
//! | [`system`] | what is asked of the operating system beyond the standard library | a system call |
//! | [`units`] | quantities as people write them: `"10 ft"`, `"14 AWG"`, `"0.2 uH/ft"` | a unit or its spelling |
//! | [`files`] | input files, opened in one guarded way | which files are read |
//! | [`circuit`] | amplifier, cable and loudspeaker as two-ports; the result is a transfer function H(f) | a formula, a measured format |
//! | [`filter`] | H(f) to an impulse response; offline convolution | accuracy or speed of filtering |
//! | [`clip`] | decode, excerpt, resample, synthesise, level, dither, write | a file format, a synthesised clip |
//! | [`hearing`] | how large a difference is to an ear on a given clip | a threshold, a loudness measure |
//! | [`stats`] | everything numeric about answers; pure functions of counts and draws | a protocol, a test, an interval, a plan |
//! | [`session`] | `session.toml` to a validated [`session::Session`]; complaints name file, line and key | a key of the session file |
//! | [`stimulus`] | a session's comparisons and controls as pairs of stimuli ready to play | how filters, levels and clips meet |
//! | [`trial`] | protocols, draws, seal, journal, and the conductor: (state, event) to (state, effects) | a record, a draw |
//! | [`player`] | the real-time engine and its outputs: sound device, WAV file, silent | switching, fades, devices |
//! | [`switcher`] | real cables: a relay, and the same steps at the same times before every presentation | how a relay is spoken to |
//! | [`bench`](mod@bench) | sweeps, captures, responses, impedance, distortion, null tests | a measurement |
//! | [`evidence`] | journals to facts: verification, one table of answers, what counts, what is missing | what counts |
//! | [`verdict`] | facts to findings: one judge for phone, screen, `score` and report; caveats and sentences | a sentence, a caveat |
//! | [`report`] | figures, HTML, CSV, JSON of findings | a figure, a column |
//! | [`screen`] | the terminal user interface: draws a view, turns keys into events | a key, a layout |
//! | [`conduct`] | one driver for a conductor with clock, disk and player, for sittings and nights alike | how records and sound are carried out |
//! | [`sitting`] | one listener at this machine: screen, plain lines, simulated listener | a page, a face |
//! | [`ballot`] | the web server of club nights and witnesses: same conductor, other people | phones, paper, the room's display, the witness's page |
//! | [`cli`] | one file per command: parse, call, print | an option, an exit status |
//!
//! # Words
//!
//! *session*: what is to be tested, written before anyone listens. *comparison*: side A and side B on one or more
//! clips. *clip*: a piece of sound. *stimulus*: one clip through one side's filter. *trial*: one presentation and one
//! answer. *sitting*: one listener's trials, from opening to closing. *journal*: the append-only record of a sitting.
//! *receipt*: the hash of a journal's last record, as four groups of three words. *seal*: the commitment to the draws. *control*: a trial
//! whose right answer is known to be audible or impossible. *verdict*: what the answers support, in one plain sentence.

#![cfg_attr(
    test,
    allow(clippy::disallowed_methods, reason = "tests wait in real time and write whatever files they need")
)]

pub use earwitness_numerics::{circuit, clip, files, filter, hearing, stats, system, units};

pub mod ballot;
pub mod bench;
pub mod cli;
pub mod conduct;
pub mod evidence;
pub mod player;
pub mod report;
pub mod screen;
pub mod session;
pub mod sitting;
pub mod stimulus;
pub mod switcher;
pub mod trial;
pub mod verdict;
