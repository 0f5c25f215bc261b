//! What the host's screen and a second terminal as the room's display show, from what everybody in the room may know.
//!
//! Comes in: the snapshot of a running night, or what its server tells the room's display. Goes out: a [`NightScene`].

use std::collections::VecDeque;

use super::display::{RoomFacts, RunningNight};
use super::hosting::{self, HostedNight, ShownNight, ranges};
use super::night::Now;
use super::{Phase, view};
use crate::screen::night::NightScene;
use crate::screen::{Block, PageScene, Progress, Scene, Stage, StageKind};
use crate::session::Session;

/// What has happened, for the host's screen: the latest lines. The reveal begins without them, since they are old by then.
#[derive(Debug, Default)]
pub struct News {
    lines: VecDeque<String>,
    phase: Option<Phase>,
}

impl News {
    /// Most lines that are kept.
    const MOST: usize = 6;

    /// Something has happened.
    pub fn add(&mut self, lines: impl IntoIterator<Item = String>) {
        self.lines.extend(lines);
        self.lines.drain(..self.lines.len().saturating_sub(Self::MOST));
    }

    /// The evening has come to this phase. Says whether the reveal begins.
    pub fn reach(&mut self, phase: Phase) -> bool {
        let before = self.phase.replace(phase);
        let begins = phase == Phase::Result && before.is_some_and(|before| before != phase);
        if begins {
            self.lines.clear();
        }
        begins
    }

    /// The lines for which there is room next to so many others.
    pub fn beside(&self, others: usize) -> Vec<String> {
        let first = (self.lines.len() + others).saturating_sub(Self::MOST);
        self.lines.iter().skip(first).cloned().collect()
    }
}

/// What the host's screen shows of a night.
pub fn host(night: &HostedNight, news: Vec<String>, page: u64) -> NightScene {
    let shown = night.snapshot();
    let trial = shown.trial.as_ref();
    let heading = match (shown.phase, trial) {
        (Phase::Ears, _) => "Open ears: not part of the test".to_owned(),
        (Phase::Ready | Phase::Presenting | Phase::Voting, Some(trial)) => trial.name(),
        (phase, _) => match night.step() {
            Some((_, at, of)) => format!("The reveal: {at} of {of}"),
            None => {
                let words = hosting::words(phase).split(';').next().unwrap_or_default();
                let (first, rest) = words.split_at(words.chars().next().map_or(0, char::len_utf8));
                first.to_uppercase() + rest
            }
        },
    };
    let in_trial = matches!(shown.phase, Phase::Ready | Phase::Presenting | Phase::Voting);
    NightScene {
        title: shown.title.clone(),
        host: "host".to_owned(),
        marks: marks(shown.silent, shown.invented),
        heading,
        hint: format!("Now: {}.", night.next_step()),
        question: match (&shown.ears, trial) {
            (Some(ears), _) => ears.said.clone(),
            (None, trial) => trial.map(|trial| trial.question.clone()).unwrap_or_default(),
        },
        slots: match (&shown.ears, trial) {
            (Some(ears), _) => ears.slots.iter().map(|&slot| slot.to_owned()).collect(),
            (None, Some(trial)) if in_trial => trial.slots.iter().map(|&slot| slot.to_owned()).collect(),
            _ => Vec::new(),
        },
        playing: match shown.now {
            Now::Playing { slot } => Some(slot),
            _ => None,
        },
        left: shown.until_ms.map(|until| until.saturating_sub(night.now_ms()).div_ceil(1000)),
        joining: matches!(shown.phase, Phase::Welcome | Phase::Joining),
        open: shown.open,
        votes: (shown.voted, shown.taken),
        missing: ranges(&night.missing()),
        join: night.join_address(),
        code: night.room_code(),
        qr: night.qr_lines().to_vec(),
        seal: (shown.commitment.words.clone(), shown.commitment.hex.clone()),
        cautions: if matches!(shown.phase, Phase::Welcome | Phase::Joining) {
            vec![view::CAUTION.to_owned()]
        } else {
            Vec::new()
        },
        news,
        list: Vec::new(),
        said: Vec::new(),
        results: match (night.step(), night.results()) {
            (Some((_, at, of)), Some(results)) if at == of => results.lines(),
            (Some((step, ..)), _) => step.lines(),
            _ => Vec::new(),
        },
        page: page + night.step().map_or(0, |(_, at, _)| at as u64),
    }
}

/// What the host's screen shows of a closed night that is brought back.
pub fn shown(night: &ShownNight, news: Vec<String>) -> NightScene {
    let facts = night.snapshot();
    let (step, at, of) = night.step();
    NightScene {
        title: facts.title.clone(),
        host: "host".to_owned(),
        marks: marks(facts.silent, facts.invented),
        heading: format!("The reveal, shown again: {at} of {of}"),
        hint: "next, back, results, quit".to_owned(),
        votes: (0, facts.taken),
        join: night.join_address(),
        seal: (facts.commitment.words.clone(), facts.commitment.hex.clone()),
        news,
        results: if at == of { night.results().lines() } else { step.lines() },
        page: at as u64,
        ..NightScene::default()
    }
}

/// What the room's display shows.
pub fn room(running: &RunningNight, facts: &RoomFacts) -> NightScene {
    let trial = facts.trial.as_ref();
    let in_trial = matches!(facts.phase, Phase::Ready | Phase::Presenting | Phase::Voting);
    let heading = match trial {
        Some(trial) if in_trial => {
            format!("{} {} of {}", trial.part.title(), trial.number, trial.of)
        }
        _ => match facts.phase {
            Phase::Welcome | Phase::Joining => "Take a seat",
            Phase::Ears => "Open ears: not part of the test",
            Phase::Break => "A break: rest your ears",
            Phase::Counting => "All trials are over",
            Phase::Result => "The reveal",
            Phase::Ready | Phase::Presenting | Phase::Voting | Phase::Stopped => "A moment, please",
        }
        .to_owned(),
    };
    NightScene {
        title: facts.title.clone(),
        host: String::new(),
        marks: marks(facts.silent, facts.invented),
        heading,
        hint: match (facts.open, facts.now) {
            (_, Now::Silent) => "Silent by design.".to_owned(),
            (true, _) => "Vote now.".to_owned(),
            (false, _) => String::new(),
        },
        question: match (&facts.ears, trial) {
            (Some(ears), _) => ears.said.clone(),
            (None, trial) => trial.map(|trial| trial.question.clone()).unwrap_or_default(),
        },
        slots: match (&facts.ears, trial) {
            (Some(ears), _) => ears.slots.clone(),
            (None, Some(trial)) if in_trial => trial.slots.clone(),
            _ => Vec::new(),
        },
        playing: match facts.now {
            Now::Playing { slot } => Some(slot),
            Now::Gap { .. } | Now::Silent | Now::None => None,
        },
        left: facts.left_ms.map(|left| left.div_ceil(1000)),
        joining: matches!(facts.phase, Phase::Welcome | Phase::Joining),
        open: facts.open,
        votes: (facts.voted, facts.seats),
        missing: String::new(),
        join: running.join_address(),
        code: running.code().to_owned(),
        qr: running.qr_lines().to_vec(),
        seal: (facts.commitment.words.clone(), facts.commitment.hex.clone()),
        cautions: if in_trial || facts.reveal.is_some() { Vec::new() } else { vec![facts.caution.clone()] },
        news: Vec::new(),
        list: Vec::new(),
        said: Vec::new(),
        results: facts.reveal.as_ref().map(|reveal| reveal.lines.clone()).unwrap_or_default(),
        page: facts.reveal.as_ref().map_or(0, |reveal| reveal.at as u64 + 1),
    }
}

fn marks(silent: bool, invented: bool) -> Vec<String> {
    let marks = [(silent, "SILENT OUTPUT"), (invented, "INVENTED DATA")];
    marks.into_iter().filter(|(applies, _)| *applies).map(|(_, mark)| mark.to_owned()).collect()
}

/// What the host sees while the stimuli are prepared; nobody can take part before they are.
pub fn preparing(
    session: &Session,
    host: &str,
    silent: bool,
    progress: Option<Progress>,
    notice: Option<String>,
) -> Scene {
    let failed = notice.is_some();
    Scene {
        title: session.title.as_written().to_owned(),
        listener: host.to_owned(),
        marks: marks(silent, session.invented),
        notice: None,
        stage: Stage::Page(PageScene {
            kind: if failed { StageKind::Result } else { StageKind::Page },
            id: u64::MAX - u64::from(failed),
            heading: if failed { "The night cannot be opened" } else { "Preparing the stimuli" }.to_owned(),
            blocks: match notice {
                Some(why) => vec![Block::caution(why)],
                None => vec![
                    Block::text("The doors open when the stimuli are ready. Nothing is on the disk yet."),
                    Block::Gap,
                    Block::caution(view::CAUTION),
                ],
            },
            entry: None,
            proceed: failed.then(|| "leave".to_owned()),
            progress,
            stoppable: false,
            folds: Vec::new(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn old_news_is_gone_when_the_reveal_begins() {
        let mut news = News::default();
        news.add((1..=8).map(|number| format!("note {number}")));
        assert!(!news.reach(Phase::Joining) && !news.reach(Phase::Counting));
        assert_eq!(news.beside(4), ["note 7", "note 8"]);
        assert_eq!(news.beside(0).len(), 6);
        assert!(news.reach(Phase::Result));
        assert!(news.beside(0).is_empty(), "{news:?}");
        news.add(["the journal is closed".to_owned()]);
        assert!(!news.reach(Phase::Result), "it begins once");
        assert_eq!(news.beside(0), ["the journal is closed"]);
        // A night that is found in its reveal says what is to be said of it.
        let mut found = News::default();
        found.add(["This night was cut off and goes on.".to_owned()]);
        assert!(!found.reach(Phase::Result));
        assert_eq!(found.beside(0).len(), 1);
    }
}
