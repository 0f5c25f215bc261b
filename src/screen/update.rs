//! How input becomes intents: what fits on the screen decides what a key does.

use super::keys::{Action, Input, Key, StageKind, action, answer_of};
use super::model::{Model, Overlay};
use super::render::{body, next_keys, page_overflow, too_small};
use super::scene::{Intent, PageScene, Scene, Stage, TrialScene};
use super::trial_stage::{Spot, spot};

/// Characters that a typed line may hold; more are refused.
const LONGEST_LINE: usize = 400;

/// Takes one input; says what the listener wants.
pub fn update(model: &mut Model, scene: &Scene, input: &Input) -> Vec<Intent> {
    model.meet(scene);
    if *input == Input::Resize {
        return Vec::new();
    }
    // The way out works at every size and over everything.
    if *input == Input::Key(Key::Interrupt) {
        // A host who means to copy a line is asked first, once.
        if model.overlay == Overlay::Leave
            || too_small(model.columns, model.rows)
            || !scene.stage.asks_before_leaving()
        {
            return vec![Intent::Leave];
        }
        model.overlay = Overlay::Leave;
        return Vec::new();
    }
    if too_small(model.columns, model.rows) {
        return Vec::new();
    }
    match model.overlay {
        Overlay::Keys => {
            if matches!(input, Input::Key(_) | Input::Click { .. }) {
                match next_keys(model, scene) {
                    Some(next) => model.keys_from = next,
                    None => (model.overlay, model.keys_from) = (Overlay::None, 0),
                }
            }
            Vec::new()
        }
        Overlay::Leave => match input {
            Input::Key(Key::Character('y' | 'Y')) => {
                model.overlay = Overlay::None;
                vec![Intent::Leave]
            }
            Input::Key(Key::Character('s' | 'S')) if scene.stage.stoppable() => {
                model.overlay = Overlay::None;
                vec![Intent::Stop]
            }
            Input::Key(_) | Input::Click { .. } => {
                model.overlay = Overlay::None;
                Vec::new()
            }
            _ => Vec::new(),
        },
        Overlay::Fold(_) => {
            in_fold(model, scene, input);
            Vec::new()
        }
        Overlay::None => match &scene.stage {
            Stage::Page(page) => on_page(model, scene, page, input),
            Stage::Trial(trial) => on_trial(model, scene, trial, input),
        },
    }
}

fn on_page(model: &mut Model, scene: &Scene, page: &PageScene, input: &Input) -> Vec<Intent> {
    if let Some(entry) = &page.entry {
        match input {
            Input::Key(Key::Character(character)) if !character.is_control() => {
                push_typed(model, *character);
                return Vec::new();
            }
            Input::Key(Key::Backspace) => {
                model.typed.pop();
                return Vec::new();
            }
            Input::Paste(text) => {
                text.chars().filter(|c| !c.is_control()).for_each(|c| push_typed(model, c));
                return Vec::new();
            }
            Input::Key(Key::Enter) => {
                let typed = std::mem::take(&mut model.typed);
                // An empty line is no hand: it means to go on. A hidden line is handed over as it is.
                return if typed.is_empty() && !entry.hidden {
                    page.proceed.iter().map(|_| Intent::Proceed).collect()
                } else {
                    vec![Intent::Typed(typed)]
                };
            }
            _ => {}
        }
    }
    if let Some(by) = scrolled(model, page.kind, input) {
        let most = page_overflow(model, scene);
        model.scroll = model.scroll.saturating_add_signed(by).min(most);
        return Vec::new();
    }
    let Input::Key(key) = input else { return Vec::new() };
    match action(page.kind, *key) {
        Some(Action::Proceed) => {
            if page.proceed.is_none() {
                return Vec::new();
            }
            // What is below the edge has to be seen before one goes on.
            let most = page_overflow(model, scene);
            if model.scroll < most && page.entry.is_none() {
                model.scroll =
                    most.min(model.scroll + body(model.columns, model.rows).height.saturating_sub(3));
                return Vec::new();
            }
            vec![Intent::Proceed]
        }
        Some(Action::Louder) => vec![Intent::Louder],
        Some(Action::Softer) => vec![Intent::Softer],
        Some(Action::Back) => vec![Intent::Back],
        Some(Action::Anew) => vec![Intent::Anew],
        Some(Action::Report) => vec![Intent::Report],
        Some(Action::Others) if page.entry.as_ref().is_some_and(|entry| entry.others) => vec![Intent::Next],
        Some(opens @ (Action::Cautions | Action::Details | Action::Trials)) => {
            if let Some(fold) = page.fold(opens) {
                (model.overlay, model.keys_from) = (Overlay::Fold(fold), 0);
            }
            Vec::new()
        }
        // There is nothing left to lose.
        Some(Action::Leave) if page.kind == StageKind::Verdict => vec![Intent::Leave],
        Some(Action::Help) => {
            model.overlay = Overlay::Keys;
            Vec::new()
        }
        Some(Action::Leave) => {
            model.overlay = Overlay::Leave;
            Vec::new()
        }
        _ => Vec::new(),
    }
}

/// By how many lines an input scrolls.
fn scrolled(model: &Model, kind: StageKind, input: &Input) -> Option<i16> {
    let key = match input {
        Input::Key(key) => *key,
        Input::Wheel(turns) => return Some(*turns * 3),
        _ => return None,
    };
    match (action(kind, key), key) {
        (Some(Action::ScrollUp), Key::PageUp) => Some(-(model.rows as i16) / 2),
        (Some(Action::ScrollDown), Key::PageDown) => Some(model.rows as i16 / 2),
        (Some(Action::ScrollUp), _) => Some(-1),
        (Some(Action::ScrollDown), _) => Some(1),
        _ => None,
    }
}

/// Over a page lies the text behind a key: Enter reads on and goes back at its end, any other key goes back at once.
fn in_fold(model: &mut Model, scene: &Scene, input: &Input) {
    let most = page_overflow(model, scene);
    if let Some(by) = scrolled(model, StageKind::Page, input) {
        model.keys_from = model.keys_from.saturating_add_signed(by).min(most);
    } else if *input == Input::Key(Key::Enter) && model.keys_from < most {
        let on = body(model.columns, model.rows).height.saturating_sub(3);
        model.keys_from = most.min(model.keys_from + on);
    } else if matches!(input, Input::Key(_) | Input::Click { .. }) {
        (model.overlay, model.keys_from) = (Overlay::None, 0);
    }
}

fn push_typed(model: &mut Model, character: char) {
    if model.typed.chars().count() < LONGEST_LINE {
        model.typed.push(character);
    }
}

fn on_trial(model: &mut Model, scene: &Scene, trial: &TrialScene, input: &Input) -> Vec<Intent> {
    match input {
        Input::Key(key) => on_trial_key(model, trial, *key),
        Input::Click { column, row } => {
            match spot(body(model.columns, model.rows), scene, trial, *column, *row) {
                Some(Spot::Slot(index)) => vec![Intent::Listen(index)],
                Some(Spot::Time(seconds)) => vec![Intent::SeekTo(seconds)],
                Some(Spot::Answer(index)) => vec![Intent::Choose(index)],
                Some(Spot::Record) => vec![Intent::Confirm],
                Some(Spot::Confidence(value)) => vec![Intent::Confidence(value)],
                None => Vec::new(),
            }
        }
        Input::Wheel(turns) => vec![Intent::Seek(f64::from(*turns) * 0.5)],
        _ => Vec::new(),
    }
}

fn on_trial_key(model: &mut Model, trial: &TrialScene, key: Key) -> Vec<Intent> {
    if trial.kind != StageKind::Confidence
        && let Key::Character(character) = key
        && let Some(slot) = trial.slots.iter().position(|slot| slot.key() == character.to_ascii_lowercase())
    {
        return vec![Intent::Listen(slot)];
    }
    let count = trial.answers.len();
    let Some(action) = action(trial.kind, key) else { return Vec::new() };
    match action {
        Action::ChooseAbove if count > 0 => {
            vec![Intent::Choose(trial.chosen.map_or(count - 1, |at| (at + count - 1) % count))]
        }
        Action::ChooseBelow if count > 0 => {
            vec![Intent::Choose(trial.chosen.map_or(0, |at| (at + 1) % count))]
        }
        Action::Answer => answer_of(key).filter(|at| *at < count).map(Intent::Choose).into_iter().collect(),
        Action::Confirm => vec![Intent::Confirm],
        Action::Confidence => match key {
            Key::Character(digit) => {
                digit.to_digit(10).map(|value| Intent::Confidence(value as u8)).into_iter().collect()
            }
            _ => Vec::new(),
        },
        Action::Back => vec![Intent::Back],
        Action::TogglePause => vec![Intent::TogglePause],
        Action::SeekBack => vec![Intent::Seek(-0.5)],
        Action::SeekOn => vec![Intent::Seek(0.5)],
        Action::LeapBack => vec![Intent::Seek(-2.0)],
        Action::LeapOn => vec![Intent::Seek(2.0)],
        Action::Restart => vec![Intent::Restart],
        Action::LoopStart => vec![Intent::LoopStart],
        Action::LoopEnd => vec![Intent::LoopEnd],
        Action::LoopOff => vec![Intent::LoopOff],
        Action::Receipt => vec![Intent::Receipt],
        Action::Rest => vec![Intent::Rest],
        Action::Next => vec![Intent::Next],
        Action::Previous => vec![Intent::Previous],
        Action::Train => vec![Intent::Train],
        Action::Proceed => vec![Intent::Proceed],
        Action::Help => {
            model.overlay = Overlay::Keys;
            Vec::new()
        }
        Action::Leave => {
            model.overlay = Overlay::Leave;
            Vec::new()
        }
        _ => Vec::new(),
    }
}
