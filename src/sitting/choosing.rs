//! What a listener sets for later: the level of the sitting, the loop on a clip; and when the seal is open, going through the
//! trials again, and the report.

use super::dialogue::{Choosing, Dialogue};
use super::{SittingError, pages, result};
use crate::conduct::listening::level;
use crate::screen::{Intent, Notice, PageScene, Stage as Shown};
use crate::trial::positions::When;
use crate::trial::{Event, Stage, View};

impl Dialogue<'_> {
    /// Measures both positions of a switch before the first and after the last trial, and in each rest that is offered, where
    /// that was agreed.
    fn prove_the_switch(&mut self, view: &View) -> Result<(), SittingError> {
        let agreed = view.terms.switcher.as_ref().is_some_and(|switcher| switcher.measured == Some(true));
        let when = match &view.stage {
            Stage::Announce { .. } if !self.measured => When::Before,
            // In a rest that the listener asked for, a trial is on.
            Stage::Rest { offered: true, next, .. } if self.measured_in_rest != Some(*next) => {
                self.measured_in_rest = Some(*next);
                When::Between
            }
            Stage::Counting => When::After,
            _ => return Ok(()),
        };
        if !agreed {
            return Ok(());
        }
        self.measured = true;
        let page = Shown::Page(pages::waiting("Measuring both positions with quiet sweeps", None));
        let mut scene = self.scene(view);
        scene.stage = page;
        self.face.show(&scene)?;
        let bench = self.environment.bench.as_ref();
        let done = self.driver.measure_positions(&self.request.session, bench, when);
        self.take_news();
        let missed = done.map_err(|stopped| self.stopped(stopped))?;
        self.notice = missed.map(Notice::Warning);
        if when == When::After { self.event(Event::Continue) } else { Ok(()) }
    }

    /// Starts what a stage needs: the proof of a switch, the sound of the level check.
    pub(super) fn prepare_stage(&mut self, view: &View) -> Result<(), SittingError> {
        self.prove_the_switch(view)?;
        if self.asking_level(view).is_some()
            && let Some(Choosing { decibels, sounding: sounding @ false, kept: false }) = &mut self.level
        {
            match self.driver.sound_level(*decibels) {
                Ok(sounds) => *sounding = sounds,
                Err(stopped) => return Err(self.stopped(stopped)),
            }
        }
        Ok(())
    }

    pub(super) fn asking_level(&self, view: &View) -> Option<Choosing> {
        let asked = matches!(view.stage, Stage::Announce { .. } | Stage::Trial(_) | Stage::Rest { .. });
        self.level.filter(|_| asked)
    }

    /// The page on which the level is chosen; it also says what comes next, so that no other page has to.
    pub(super) fn level_page(&self, view: &View, choosing: Choosing) -> PageScene {
        let mut next = match &view.stage {
            Stage::Announce { next, of } => pages::announcement(&view.terms, *next, *of, !self.announced),
            _ => Vec::new(),
        };
        if !self.announced {
            next.extend(pages::worth_knowing(&self.driver.stimuli().notes));
        }
        let page = if choosing.kept { pages::level_kept } else { pages::level };
        page(choosing.decibels, level::SOFTEST, next)
    }

    pub(super) fn take_level(
        &mut self,
        view: &View,
        choosing: Choosing,
        intent: &Intent,
    ) -> Result<(), SittingError> {
        let Choosing { decibels, kept, .. } = choosing;
        let now = match intent {
            // A level from before is set anew from the softest on.
            Intent::Louder | Intent::Softer if kept => level::SOFTEST,
            Intent::Louder => level::louder(decibels),
            Intent::Softer => level::softer(decibels),
            Intent::Proceed => {
                self.set_level(decibels)?;
                self.announced = true;
                // What comes next was said on the same page.
                return match view.stage {
                    Stage::Announce { .. } => self.event(Event::Continue),
                    _ => Ok(()),
                };
            }
            _ => return Ok(()),
        };
        if now != decibels || kept {
            self.level = Some(Choosing { decibels: now, sounding: false, kept: false });
        }
        Ok(())
    }

    /// Every stimulus is played at this level from now on. Cautions where the device's bit depth could hide a difference.
    fn set_level(&mut self, decibels: f64) -> Result<(), SittingError> {
        self.level = None;
        let done = self.driver.set_level(decibels);
        self.take_news();
        done.map_err(|stopped| self.stopped(stopped))?;
        let caution = self.driver.resolved().and_then(|facts| facts.caution(&self.request.session));
        self.notice = caution.map(Notice::Warning);
        Ok(())
    }

    /// Sets the loop of this trial, and keeps it for its clip.
    pub(super) fn kept_loop(&mut self, region: Option<(u64, u64)>) -> Event {
        if let Some(clip) = self.driver.clip() {
            match region {
                Some(region) => self.loops.insert(clip, region),
                None => self.loops.remove(&clip),
            };
        }
        Event::Loop(region)
    }

    /// Where an attempt has begun on a clip that a loop is kept for, sets it again. Which clip that is, a listener hears; it
    /// is the same whatever was drawn for its sides.
    pub(super) fn restore_loop(&mut self) -> Result<(), SittingError> {
        let Stage::Trial(trial) = self.view().stage else { return Ok(()) };
        if self.met.replace(trial.id) == Some(trial.id) {
            return Ok(());
        }
        let kept = self.driver.clip().and_then(|clip| self.loops.get(&clip)).copied();
        let Some(region) = kept else { return Ok(()) };
        self.event(Event::Loop(Some(region)))?;
        self.event(Event::Seek(region.0))
    }

    /// Gives the player the trial that is looked at.
    pub(super) fn load_review(&mut self) -> Result<(), SittingError> {
        let Some(review) = &mut self.review else { return Ok(()) };
        let (pair, sides) = review.presented();
        let heard = self
            .driver
            .replay(pair, &sides)
            .map_err(|stopped| SittingError::Stopped { file: self.driver.journal(), stopped })?;
        review.met(heard);
        Ok(())
    }

    /// Writes the report, and shows where it is.
    pub(super) fn write_report(&mut self, view: &View) -> Result<(), SittingError> {
        let Some(write) = self.environment.report.clone() else { return Ok(()) };
        self.notice = Some(Notice::news("Writing the report ..."));
        let scene = self.scene(view);
        self.face.show(&scene)?;
        self.notice = Some(match write(&self.request.session.file) {
            Ok(path) => {
                if let Some(page) = &mut self.result {
                    result::name_report(page, &path);
                }
                Notice::News(format!("Written: {}. Open it in a browser.", path.display()))
            }
            Err(why) => Notice::Warning(format!("There is no report. {}", pages::sentence(&why))),
        });
        Ok(())
    }

    /// The listener goes through the trials with open eyes: nothing of it is journalled.
    pub(super) fn take_in_review(&mut self, intent: &Intent) -> Result<(), SittingError> {
        let Some(review) = &mut self.review else { return Ok(()) };
        match intent {
            Intent::Next if review.turn(1) => return self.load_review(),
            Intent::Previous if review.turn(-1) => return self.load_review(),
            Intent::Back => {
                self.driver.pause();
                self.review = None;
            }
            intent => {
                let (extent, player) = (self.driver.extent(), self.driver.player());
                self.notice = review.listen(intent, extent, player).map(Notice::Warning);
            }
        }
        Ok(())
    }
}
