//! `check` on one screen: the test, each comparison in a few lines, what to be careful of. `--full` says the rest.

use std::io::Write;

use super::rounds_time::RoundsTime;
use super::{Failure, check_words, item, paragraph};
use crate::hearing::{Expected, OnClip, Summary, Uncertainty};
use crate::screen::Block;
use crate::session::cheating::STILL_POSSIBLE;
use crate::session::{Caution, Comparison, ControlKind, Levels, Session};
use crate::sitting::agreed::{TOLD_LATER, agreed, claim_words};
use crate::stats::protocol::Asks;
use crate::stimulus::on_paper::SizesOnPaper;
use crate::trial::Terms;
use crate::units::printed;

/// Width of the names before the values.
const NAMES: usize = 14;
/// A difference below this, in dB, is printed as none: what is left of one that is level alone.
const NOTHING_DB: f64 = 0.005;

/// Where less than this share of a difference is left with equal levels, it is level almost alone.
const NEARLY_LEVEL: f64 = 0.1;

/// What was found out about a session.
pub(super) struct Page<'c> {
    /// The session as it was typed.
    pub(super) typed: &'c std::path::Path,
    pub(super) session: &'c Session,
    /// The difference of each comparison, and how well it is known.
    pub(super) summaries: &'c [(Summary, Option<Uncertainty>)],
    /// The difference on each comparison's clips, by name; `None` on a silent clip.
    pub(super) on_clips: &'c [Vec<(String, Option<OnClip>)>],
    pub(super) on_paper: &'c [SizesOnPaper],
    pub(super) cautions: &'c [Caution],
    pub(super) notes: &'c [&'c String],
    pub(super) device: &'c check_words::Found,
}

/// Numbered sources, each said once at the end of the page.
#[derive(Default)]
struct Sources {
    told: Vec<&'static str>,
}

impl Sources {
    fn mark(&mut self, source: &'static str) -> String {
        let at = self.told.iter().position(|told| *told == source).unwrap_or_else(|| {
            self.told.push(source);
            self.told.len() - 1
        });
        format!("[{}]", at + 1)
    }
}

const TONES: &str = "Steps in level just heard in a pure tone, 71 % right: Jesteadt, Wier & Green 1977; ISO 226; Schroeder, Atal \
                     & Hall 1979. Music is not pure tones: only a blind test can tell.";
const MODEL: &str = "Heard where the excitation of the ear differs by 1 dB (Glasberg & Moore 1990; Zwicker), from the clip's \
                     long-term spectrum at 80 dB SPL. A guide, not a verdict.";

impl Page<'_> {
    pub(super) fn write(&self, out: &mut dyn Write) -> Result<(), Failure> {
        let mut sources = Sources::default();
        let invented = if self.session.invented { " (invented data)" } else { "" };
        writeln!(out, "{}{invented}", self.session.title.as_written())?;
        self.terms(out)?;
        for (index, claim) in agreed_claims(self.session).iter().enumerate() {
            writeln!(out)?;
            self.comparison((index, claim.as_str()), &mut sources, out)?;
        }
        writeln!(out)?;
        for (index, line) in check_words::short(self.session, self.device).iter().enumerate() {
            pair(if index == 0 { "Sound device" } else { "" }, line, out)?;
        }
        for (index, note) in self.notes.iter().enumerate() {
            pair(if index == 0 { "Worth knowing" } else { "" }, note, out)?;
        }
        if let Some(offer) = yardstick_offer(self.session) {
            pair("Before a bet", &offer, out)?;
        }
        let witness = "If you distrust this computer: `run --witness` gives a phone half of every draw.";
        pair("Witness", witness, out)?;
        writeln!(out, "\nBe careful")?;
        for caution in self.cautions {
            let text = match caution.source() {
                Some(source) => format!("{} {} {}", caution.text(), caution.remedy(), sources.mark(source)),
                None => caution.line(),
            };
            item(out, &text)?;
        }
        if !sources.told.is_empty() {
            writeln!(out)?;
        }
        for (index, source) in sources.told.iter().enumerate() {
            for (place, line) in paragraph(4, source).iter().enumerate() {
                let mark = if place == 0 { format!("[{}]", index + 1) } else { String::new() };
                writeln!(out, "{mark:<4}{}", line.trim_start())?;
            }
        }
        writeln!(
            out,
            "\nEverything else, and {} ways to cheat that remain: earwitness check {} --full",
            STILL_POSSIBLE.len(),
            self.typed.display()
        )?;
        Ok(())
    }

    /// The terms as the listener will read them, from the same data.
    fn terms(&self, out: &mut dyn Write) -> Result<(), Failure> {
        for block in agreed(&Terms::of(self.session)) {
            match block {
                Block::Pair(name, value) if !TOLD_LATER.contains(&name.as_str()) => pair(&name, &value, out)?,
                Block::Caution(text) => pair("!", &text, out)?,
                _ => {}
            }
        }
        if let Some(wager) = &self.session.wager {
            let words = format!(
                "{} claims: \"{}\". {} doubts it.",
                wager.claimant.as_written(),
                wager.claim.as_written(),
                wager.skeptic.as_written()
            );
            pair("Wager", &words, out)?;
        }
        let controls: Vec<String> = self
            .session
            .controls
            .iter()
            .filter(|control| control.trials > 0)
            .map(|control| format!("{} x {}", control.trials, control_words(control.kind)))
            .collect();
        if !controls.is_empty() {
            pair("Controls", &controls.join(", "), out)?;
        }
        if let Some(time) = RoundsTime::of(self.session)? {
            pair("Time", &time.words(), out)?;
        }
        let qualifying: Vec<String> = self
            .session
            .controls
            .iter()
            .filter(|control| control.trials == 0)
            .map(|control| control_words(control.kind))
            .collect();
        if !qualifying.is_empty() {
            pair("Qualification", &format!("before the counted trials: {}", qualifying.join(", ")), out)?;
        }
        Ok(())
    }

    fn comparison(
        &self,
        (index, claim): (usize, &str),
        sources: &mut Sources,
        out: &mut dyn Write,
    ) -> Result<(), Failure> {
        let session = self.session;
        let Comparison { name, a, b, .. } = &session.comparisons[index];
        let (summary, unknown) = &self.summaries[index];
        let name = name.as_written();
        writeln!(
            out,
            "{name}: A is {}, B is {}{claim}",
            session.cables[*a].name.as_written(),
            session.cables[*b].name.as_written()
        )?;
        pair("Difference", &difference(session, summary, unknown.as_ref()), out)?;
        for (clip, on_clip) in &self.on_clips[index] {
            let words = match on_clip {
                Some(on_clip) => self.on_clip(index, clip, on_clip, sources),
                None => "silent, so nothing differs.".to_owned(),
            };
            pair(&format!("On {clip}"), &words, out)?;
        }
        if let Some(threshold) = session.threshold {
            let words = threshold.scale.words(threshold.range.smallest);
            pair("Sizes", &format!("from {words}; --full says how large each one is"), out)?;
        }
        Ok(())
    }

    /// How large the difference is on a clip, as it is played, and how large a difference has to be to be heard.
    fn on_clip(&self, index: usize, clip: &str, found: &OnClip, sources: &mut Sources) -> String {
        let matched = self.session.levels == Levels::Matched;
        let nearest = if matched { found.matched_nearest } else { found.nearest };
        let mut words = match nearest {
            Some(nearest) => format!(
                "{} at {}; a tone needs {} {}.",
                printed::decibels(nearest.difference_db.abs()),
                printed::hertz(nearest.centre_hz),
                printed::decibels(nearest.step_db),
                sources.mark(TONES)
            ),
            None => "nothing from 200 Hz to 8 kHz stands out enough to say.".to_owned(),
        };
        let paper = &self.on_paper[index];
        let model = match paper.clips.iter().find(|on| on.clip == clip).and_then(|on| on.expected) {
            Some(Expected::At(size, _)) => {
                format!(
                    " A hearing model expects it from {} {}.",
                    paper.scale.words(size),
                    sources.mark(MODEL)
                )
            }
            Some(Expected::Above(size)) => {
                format!(
                    " A hearing model does not expect it even at {} {}.",
                    paper.scale.words(size),
                    sources.mark(MODEL)
                )
            }
            None => String::new(),
        };
        words.push_str(&model);
        words
    }
}

/// What is claimed of each comparison beyond "A and B sound different".
fn agreed_claims(session: &Session) -> Vec<String> {
    let terms = Terms::of(session);
    let of = |comparison| match terms.protocol.asks() {
        Asks::Difference => String::new(),
        Asks::Attribute | Asks::Preference => format!("; claim: {}", claim_words(&terms, comparison)),
    };
    terms.comparisons.iter().map(of).collect()
}

/// How large the difference of two cables is, and of what kind.
fn difference(session: &Session, summary: &Summary, unknown: Option<&Uncertainty>) -> String {
    let matched = session.levels == Levels::Matched;
    let (level, shape) = (summary.level_db, summary.shape_max_abs_db);
    if summary.max_abs_db < NOTHING_DB {
        return "None: both sides play alike, within 0.01 dB.".to_owned();
    }
    let size = |value: f64, of: fn(&Uncertainty) -> f64| {
        unknown.map_or_else(|| printed::decibels(value), |unknown| printed::plus_minus(value, of(unknown)))
    };
    if shape < NOTHING_DB {
        let alone =
            format!("This is a difference in level of {} and nothing else.", printed::decibels(level.abs()));
        return if matched {
            format!("{alone} The levels are matched, so nothing is left to hear.")
        } else {
            alone
        };
    }
    if !matched && shape < NEARLY_LEVEL * summary.max_abs_db {
        return format!(
            "This is a difference in level of {} and almost nothing else: with equal levels {} would be left.",
            printed::decibels(level.abs()),
            printed::decibels(shape)
        );
    }
    let mut words = if matched {
        format!(
            "{} at most, at {}, with matched levels; {} without.",
            size(shape, |unknown| unknown.shape_max_abs_db),
            printed::hertz(summary.shape_max_abs_at_hz),
            printed::decibels(summary.max_abs_db)
        )
    } else {
        format!(
            "{} at most, at {}. With equal levels {} would be left.",
            size(summary.max_abs_db, |unknown| unknown.max_abs_db),
            printed::hertz(summary.max_abs_at_hz),
            printed::decibels(shape)
        )
    };
    match unknown {
        Some(unknown) if !unknown.is_exceeded(summary, matched) => words.push_str(
            " That is no more than what is unknown about the cables: they could be alike, or differ twice as much.",
        ),
        Some(_) => {}
        None => words.push_str(" The session gives no tolerances, so how sure that is cannot be said."),
    }
    words
}

/// A name and its value, wrapped beside it.
fn pair(name: &str, value: &str, out: &mut dyn Write) -> Result<(), Failure> {
    for (index, line) in paragraph(NAMES + 2, value).iter().enumerate() {
        let name = if index == 0 { name } else { "" };
        writeln!(out, "  {name:<NAMES$}{}", line.trim_start())?;
    }
    Ok(())
}

/// What is altered in a control.
pub(super) fn control_words(kind: ControlKind) -> String {
    match kind {
        ControlKind::Level { decibels } => format!("level step of {decibels:+} dB"),
        ControlKind::Tilt { decibels } => format!("spectral tilt of {decibels:+} dB from 20 Hz to 20 kHz"),
        ControlKind::HeadMovement { metres } => format!("head movement of {:.0} cm", 100.0 * metres),
        ControlKind::Identical => "identical pair".to_owned(),
        ControlKind::Largest { size, scale } => {
            format!("trials at the largest size, {}", scale.words(size))
        }
    }
}

/// What is worth five minutes before a bet: `None` where nobody bets, or it was done.
pub(super) fn yardstick_offer(session: &Session) -> Option<String> {
    let wager = session.wager.as_ref()?;
    (session.yardstick.is_none() && session.threshold.is_none()).then(|| {
        format!(
            "Find {}'s smallest audible step first: README, \"Your own smallest step\".",
            wager.claimant.as_written()
        )
    })
}
