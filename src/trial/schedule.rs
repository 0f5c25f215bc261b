//! Which pair of stimuli is presented in which trial and in which order: everything that is drawn.
//!
//! # The written format, for strangers
//!
//! All draws come from the [`Stream`] of the sitting's key, in this order. `below` and `shuffle` are defined
//! in [`seal`](super::seal). A *stimulus* is an index in the opening's `stimuli`; the stimuli of a comparison are those
//! with its index and `control` null, those of a control the ones with its index as `control`, in the list's order.
//!
//! 0. **Once for the whole sitting** ([`balance`]), where the panel asks for it: for each comparison in turn
//!    `below(2)`, and where it is 1 the comparison's stimuli and controls are heard with their sides exchanged, in all
//!    parts; then `below` draws one of the opening's `rows`.
//! 1. **Qualification**, if the terms have it: the positive controls (all but `identical`) in the terms' order, one
//!    after the other and from the start again, until there are `qualification.trials` of them; `shuffle`; then, for
//!    each in turn, `below` draws one of the control's stimuli.
//! 2. **Warm-up**: for each of `warm_up` trials, `below` draws one of all stimuli whose `control` is null.
//! 3. **Main part**:
//!    - for each comparison in turn, a list of its stimuli, shuffled; while it is shorter than `trials`, the
//!      comparison's stimuli are shuffled anew (from the list's order) and put behind; it is cut to `trials`;
//!    - for each block b from 0 to `trials` - 1: the comparisons (0, 1, 2, ...) are shuffled; each contributes item b of
//!      its list; with a row, instead, the comparisons follow one another in its order, each with its whole list, and each
//!      is a *stretch*;
//!    - controls: control 0 `trials` times, then control 1, and so on; `shuffle`; then for each in turn, first `below`
//!      draws one of its stimuli, then `below(length + 1)` draws the place in the main part where it is put in before
//!      what stands there, of whose stretch it is; behind the last trial it is of the last one's.
//! 4. **A later sealing** (format 2): for each part in turn (qualification, warm-up, main part), the trials that have not
//!    been answered, in the order in which they stood, are shuffled under the new key, each stretch by itself; those answered keep their places.
//! 5. **A witnessed attempt** ([`witness`](super::witness)): under the attempt's own key, `below` draws which of the part's
//!    unfinished trials of the same stretch it is, which changes places with the one that stands there; then its order.
//! 6. **Sizes**, where a threshold is looked for: what is drawn is the real pair on a clip; it is presented at the size that
//!    the answers to the comparison's counted trials so far lead to ([`track`](crate::stats::threshold::track)), in a
//!    warm-up trial at the largest. Nothing of it comes from the stream.
//! 7. **Presentation orders**: at the start of each attempt at a trial (qualification, warm-up, main part; a void
//!    attempt is followed by another one at the same trial), `below` draws the index of the order in
//!    [`Definition::orders`]; in a qualification that has a protocol of its own, in the orders of that one.
//!
//! Real cables come in [rounds](super::rounds), at [times](super::waits) that are derived from the key; nothing of it comes from
//! the stream.

use super::balance;
use super::closing::DrawnOnce;
use super::digest::Digest;
use super::protocol::{Definition, Side};
use super::record::{Occasion, Opening, Part, StimulusTerms, TrialId};
use super::seal::Stream;
use crate::stats::threshold::grid::LEVELS;
use crate::stats::threshold::track::{MOST_STEPS, Method};
use crate::stimulus::PairKind;

/// What a trial is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Subject {
    /// The comparison with this index.
    Comparison(usize),
    /// The control with this index.
    Control(usize),
}

/// A trial of the schedule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Scheduled {
    /// What it is about.
    pub subject: Subject,
    /// Index in [`Opening::stimuli`].
    pub stimulus: usize,
    /// Which of the stretches it is in that follow one another: 0 where comparisons come mixed.
    pub stretch: usize,
}

/// All trials of a sitting, before presentation orders.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Schedule {
    /// Positive controls first.
    pub qualification: Vec<Scheduled>,
    /// Uncounted trials.
    pub warm_up: Vec<Scheduled>,
    /// Counted trials and controls.
    pub main: Vec<Scheduled>,
}

/// Trials of each part, known before anything is drawn.
pub fn trials_of(opening: &Opening, part: Part) -> u32 {
    let terms = &opening.terms;
    match part {
        Part::Qualification => terms.qualification.map_or(0, |qualification| qualification.trials),
        Part::WarmUp => terms.warm_up,
        Part::Main => {
            let counted = u64::from(terms.trials) * terms.comparisons.len() as u64;
            let controls: u64 = terms.controls.iter().map(|control| u64::from(control.trials)).sum();
            u32::try_from(counted + controls).unwrap_or(u32::MAX)
        }
    }
}

/// Most trials of one sitting, all parts together: far more than a person can bear, and small enough for any machine.
pub const MAX_TRIALS: u64 = 100_000;

/// Whether a schedule can be drawn for an opening; the message says what is missing.
pub fn check(opening: &Opening) -> Result<(), String> {
    let terms = &opening.terms;
    if terms.comparisons.is_empty() || terms.trials == 0 {
        return Err("there is no comparison or no trial to conduct".to_owned());
    }
    let total = u64::from(terms.trials)
        .saturating_mul(terms.comparisons.len() as u64)
        .saturating_add(terms.controls.iter().map(|control| u64::from(control.trials)).sum())
        .saturating_add(u64::from(terms.warm_up))
        .saturating_add(u64::from(terms.qualification.map_or(0, |qualification| qualification.trials)));
    if total > MAX_TRIALS {
        return Err(format!("{total} trials are more than the {MAX_TRIALS} that one sitting can hold"));
    }
    balance::check(terms, opening.rows.as_deref())?;
    for (index, comparison) in terms.comparisons.iter().enumerate() {
        if of_comparison(opening, index).is_empty() {
            return Err(format!("comparison `{}` has no stimulus", comparison.name));
        }
    }
    if let Some(threshold) = &terms.threshold {
        threshold.grid(terms.protocol)?;
        match threshold.method {
            Method::Ladder { steps } if !(2..=MOST_STEPS).contains(&steps) => {
                return Err(format!("a ladder of {steps} steps: 2 to {MOST_STEPS} are possible"));
            }
            Method::Ladder { .. } if threshold.narrow_enough.is_some() => {
                return Err("a ladder has no early end".to_owned());
            }
            Method::Bayes | Method::Staircase { .. } if opening.occasion == Occasion::Night => {
                return Err("one listener's answers would choose the sizes of all: a night needs [threshold] method = \"ladder\", whose \
                            sizes are fixed"
                    .to_owned());
            }
            _ => {}
        }
        let real = |stimulus: &&StimulusTerms| stimulus.control.is_none() && stimulus.level.is_none();
        for stimulus in opening.stimuli.iter().filter(real) {
            let sizes = opening.stimuli.iter().filter(|other| {
                (other.comparison, other.clip) == (stimulus.comparison, stimulus.clip)
                    && other.level.is_some()
            });
            let mut levels: Vec<usize> = sizes.filter_map(|size| size.level).collect();
            levels.sort_unstable();
            if levels != (0..LEVELS).collect::<Vec<_>>() {
                return Err(format!(
                    "each comparison and clip needs {LEVELS} sizes, and {} are there",
                    levels.len()
                ));
            }
        }
    } else if opening.stimuli.iter().any(|stimulus| stimulus.level.is_some()) {
        return Err("there are sizes, and no threshold is looked for".to_owned());
    }
    let qualifies = terms.qualification.is_some_and(|qualification| qualification.trials > 0);
    if qualifies && !terms.controls.iter().any(super::record::ControlTerms::is_positive) {
        return Err("a qualification needs a positive control".to_owned());
    }
    for (index, control) in terms.controls.iter().enumerate() {
        let needed = control.trials > 0 || (qualifies && control.is_positive());
        if needed && of_control(opening, index).is_empty() {
            return Err(format!("control {} (`{}`) has no stimulus", index + 1, control.control));
        }
    }
    Ok(())
}

fn of_comparison(opening: &Opening, comparison: usize) -> Vec<usize> {
    let wanted = |index: &usize| {
        let stimulus = &opening.stimuli[*index];
        stimulus.control.is_none() && stimulus.level.is_none() && stimulus.comparison == comparison
    };
    (0..opening.stimuli.len()).filter(wanted).collect()
}

fn of_control(opening: &Opening, control: usize) -> Vec<usize> {
    (0..opening.stimuli.len()).filter(|&index| opening.stimuli[index].control == Some(control)).collect()
}

impl Schedule {
    /// Draws the schedule; the opening has passed [`check`]. `once` was drawn before it.
    fn draw(opening: &Opening, once: Option<&DrawnOnce>, stream: &mut Stream) -> Self {
        let terms = &opening.terms;
        let controls: Vec<Vec<usize>> =
            (0..terms.controls.len()).map(|control| of_control(opening, control)).collect();
        let mut schedule = Self::default();

        if let Some(qualification) = terms.qualification {
            let positive: Vec<usize> =
                (0..terms.controls.len()).filter(|&control| terms.controls[control].is_positive()).collect();
            let mut chosen: Vec<usize> =
                positive.iter().copied().cycle().take(qualification.trials as usize).collect();
            stream.shuffle(&mut chosen);
            for control in chosen {
                let stimulus = controls[control][stream.below(controls[control].len())];
                let subject = Subject::Control(control);
                schedule.qualification.push(Scheduled { subject, stimulus, stretch: 0 });
            }
        }

        let all: Vec<usize> = (0..opening.stimuli.len())
            .filter(|&stimulus| {
                opening.stimuli[stimulus].control.is_none() && opening.stimuli[stimulus].level.is_none()
            })
            .collect();
        for _ in 0..terms.warm_up {
            let stimulus = all[stream.below(all.len())];
            let subject = Subject::Comparison(opening.stimuli[stimulus].comparison);
            schedule.warm_up.push(Scheduled { subject, stimulus, stretch: 0 });
        }

        let trials = terms.trials as usize;
        let mut sequences = Vec::with_capacity(terms.comparisons.len());
        for comparison in 0..terms.comparisons.len() {
            let stimuli = of_comparison(opening, comparison);
            let mut sequence = Vec::with_capacity(trials + stimuli.len());
            while sequence.len() < trials {
                let mut run = stimuli.clone();
                stream.shuffle(&mut run);
                sequence.extend(run);
            }
            sequence.truncate(trials);
            sequences.push(sequence);
        }
        let of = |comparison: usize, block: usize, stretch: usize| Scheduled {
            subject: Subject::Comparison(comparison),
            stimulus: sequences[comparison][block],
            stretch,
        };
        match once.and_then(|once| once.order(sequences.len())) {
            Some(order) => {
                for (stretch, comparison) in order.into_iter().enumerate() {
                    schedule.main.extend((0..trials).map(|block| of(comparison, block, stretch)));
                }
            }
            None => {
                for block in 0..trials {
                    let mut comparisons: Vec<usize> = (0..sequences.len()).collect();
                    stream.shuffle(&mut comparisons);
                    schedule.main.extend(comparisons.into_iter().map(|comparison| of(comparison, block, 0)));
                }
            }
        }
        let mut chosen: Vec<usize> = terms
            .controls
            .iter()
            .enumerate()
            .flat_map(|(control, terms)| std::iter::repeat_n(control, terms.trials as usize))
            .collect();
        stream.shuffle(&mut chosen);
        for control in chosen {
            let stimulus = controls[control][stream.below(controls[control].len())];
            let place = stream.below(schedule.main.len() + 1);
            let there = schedule.main.get(place).or(schedule.main.last());
            let stretch = there.map_or(0, |there| there.stretch);
            let subject = Subject::Control(control);
            schedule.main.insert(place, Scheduled { subject, stimulus, stretch });
        }
        schedule
    }

    /// The trials of a part.
    pub fn part(&self, part: Part) -> &[Scheduled] {
        match part {
            Part::Qualification => &self.qualification,
            Part::WarmUp => &self.warm_up,
            Part::Main => &self.main,
        }
    }
}

/// An attempt with everything that was drawn for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Presented {
    /// Which attempt.
    pub id: TrialId,
    /// What it is about.
    pub subject: Subject,
    /// Index in [`Opening::stimuli`].
    pub stimulus: usize,
    /// Index in [`Definition::orders`].
    pub order: usize,
    /// The sides of its stimulus have changed places: what the session calls A is heard as B.
    pub exchanged: bool,
}

/// Everything that a key draws: the schedule, and presentation orders attempt by attempt.
#[derive(Debug)]
pub struct Draws {
    schedule: Schedule,
    once: Option<DrawnOnce>,
    stream: Stream,
    /// Comparison of each stimulus.
    of: Vec<usize>,
    /// Numbers of orders in the qualification and in the other parts.
    orders: (usize, usize),
}

impl Draws {
    /// The draws of a sitting's first sealing; the opening has passed [`check`].
    pub fn new(opening: &Opening, key: Digest) -> Self {
        let mut stream = Stream::new(key);
        let once = DrawnOnce::draw(&opening.terms, opening.rows.as_deref(), &mut stream);
        let schedule = Schedule::draw(opening, once.as_ref(), &mut stream);
        let orders_of = |part| opening.terms.asked_in(part).orders.len();
        let orders = (orders_of(Part::Qualification), orders_of(Part::Main));
        let of = opening.stimuli.iter().map(|stimulus| stimulus.comparison).collect();
        Self { schedule, once, stream, of, orders }
    }

    /// A later sealing: everything from the trial `next` on is drawn anew.
    pub fn seal_anew(&mut self, key: Digest, next: TrialId) {
        self.stream = Stream::new(key);
        for (part, trials) in [
            (Part::Qualification, &mut self.schedule.qualification),
            (Part::WarmUp, &mut self.schedule.warm_up),
            (Part::Main, &mut self.schedule.main),
        ] {
            let answered = match part.cmp(&next.part) {
                std::cmp::Ordering::Less => trials.len(),
                std::cmp::Ordering::Equal => (next.trial as usize).saturating_sub(1).min(trials.len()),
                std::cmp::Ordering::Greater => 0,
            };
            for stretch in trials[answered..].chunk_by_mut(|one, next| one.stretch == next.stretch) {
                self.stream.shuffle(stretch);
            }
        }
    }

    /// A witnessed attempt at the trial `next`: which of its stretch's trials that are left it is, and all that follows, is drawn
    /// under a key of its own.
    pub fn draw_anew(&mut self, key: Digest, next: TrialId) {
        self.stream = Stream::new(key);
        let trials = match next.part {
            Part::Qualification => &mut self.schedule.qualification,
            Part::WarmUp => &mut self.schedule.warm_up,
            Part::Main => &mut self.schedule.main,
        };
        let place = (next.trial as usize).saturating_sub(1);
        if place < trials.len() {
            let left = trials[place..].iter().take_while(|one| one.stretch == trials[place].stretch).count();
            let chosen = place + self.stream.below(left);
            trials.swap(place, chosen);
        }
    }

    /// What was drawn once for the whole sitting.
    pub fn once(&self) -> Option<&DrawnOnce> {
        self.once.as_ref()
    }

    /// The schedule.
    pub fn schedule(&self) -> &Schedule {
        &self.schedule
    }

    /// The next attempt; `None` if the schedule has no such trial. Call it once for each attempt, in order.
    pub fn present(&mut self, id: TrialId) -> Option<Presented> {
        let scheduled = *self.schedule.part(id.part).get((id.trial as usize).checked_sub(1)?)?;
        let (first, other) = self.orders;
        let order = self.stream.below(if id.part == Part::Qualification { first } else { other });
        let Scheduled { subject, stimulus, .. } = scheduled;
        let exchanged = self.once.as_ref().is_some_and(|once| once.is_exchanged(self.of[stimulus]));
        Some(Presented { id, subject, stimulus, order, exchanged })
    }
}

impl Presented {
    /// The pair of stimuli to load.
    pub fn pair(&self, opening: &Opening) -> PairKind {
        let stimulus = &opening.stimuli[self.stimulus];
        let (comparison, clip) = (stimulus.comparison, stimulus.clip);
        match (stimulus.control, stimulus.level) {
            (Some(control), _) => PairKind::Control { control, comparison, clip },
            (None, Some(level)) => PairKind::Level { comparison, clip, level },
            (None, None) => PairKind::Comparison { comparison, clip },
        }
    }

    /// The same attempt on the same clip at a size. What is drawn stays as it is: answers decide sizes, the key sides.
    ///
    /// # Errors
    /// The opening has no such stimulus.
    pub(super) fn at_level(mut self, opening: &Opening, level: usize) -> Result<Self, String> {
        let of = &opening.stimuli[self.stimulus];
        let wanted = |stimulus: &StimulusTerms| {
            (stimulus.comparison, stimulus.clip, stimulus.control, stimulus.level)
                == (of.comparison, of.clip, None, Some(level))
        };
        self.stimulus = opening
            .stimuli
            .iter()
            .position(wanted)
            .ok_or_else(|| format!("there is no stimulus of size {} for this trial", level + 1))?;
        Ok(self)
    }

    /// What it is asked with.
    fn asked(&self, opening: &Opening) -> &'static Definition {
        opening.terms.asked_in(self.id.part)
    }

    /// The side of the stimulus in each slot. Here, and nowhere else, A as it is heard becomes the side that it is: right
    /// and wrong, and all that is shown, are about what is heard.
    pub fn sides(&self, opening: &Opening) -> Vec<Side> {
        let heard = self.asked(opening).orders[self.order].iter();
        heard.map(|side| if self.exchanged { side.other() } else { *side }).collect()
    }

    /// The side that holds more of the attribute: by claim for a comparison; of a control the one that its terms name, in format 1 the altered side B.
    fn more(&self, opening: &Opening) -> Side {
        match self.subject {
            Subject::Comparison(_) => opening.terms.attribute_side,
            Subject::Control(control) => {
                opening.terms.controls.get(control).and_then(|control| control.more).unwrap_or(Side::B)
            }
        }
    }

    /// Index of the right alternative; `None` where the protocol has none.
    pub fn right(&self, opening: &Opening) -> Option<usize> {
        self.asked(opening).right(self.order, self.more(opening))
    }

    /// The side that an alternative points to.
    pub fn chosen(&self, opening: &Opening, alternative: usize) -> Option<Side> {
        self.asked(opening).chosen(self.order, alternative)
    }

    /// Whether an answer is right; for preference whether it is for side B.
    pub fn counts_as_correct(&self, opening: &Opening, alternative: usize) -> bool {
        match self.right(opening) {
            Some(right) => right == alternative,
            None => self.chosen(opening, alternative) == Some(Side::B),
        }
    }
}
