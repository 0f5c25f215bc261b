//! What tests of blindness share: secrets that give wanted draws, and what is seen without the digests that the seal
//! publishes. Nothing replaces a draw: a secret is chosen whose draws are the wanted ones.

use earwitness::screen::{Block, Scene, Stage};
use earwitness::stimulus::StimulusSet;
use earwitness::trial::rounds::order;
use earwitness::trial::schedule::{Draws, trials_of};
use earwitness::trial::witness::{Links, trial_key};
use earwitness::trial::words::{RECEIPT_WORDS, words};
use earwitness::trial::{Digest, Draft, Opening, Part, Secret, TrialId};

/// The opening record of a draft under a secret.
pub(crate) fn opening(draft: &Draft, secret: &Secret) -> Opening {
    let mut opening = Opening {
        format: earwitness::trial::record::FORMAT,
        program: "earwitness test".to_owned(),
        utc: draft.utc.clone(),
        occasion: draft.occasion,
        listener: draft.listener.clone(),
        alias: draft.alias.clone(),
        commitment: secret.commitment(earwitness::trial::record::FORMAT),
        register: Digest::NOTHING,
        session: draft.session,
        terms: draft.terms.clone(),
        stimuli: draft.stimuli.clone(),
        output: draft.output.clone(),
        simulated: draft.simulated,
        invented: draft.invented,
        sitting: Some(1),
        lock: None,
        inputs: Some(draft.inputs.clone()),
        earlier: None,
        facts: (!draft.facts.is_empty()).then(|| draft.facts.clone()),
        rows: earwitness::trial::balance::rows(&draft.terms, &[]),
    };
    let wager = opening.terms.wager.as_ref();
    opening.earlier = wager.filter(|wager| opening.is_claimants(wager)).map(|_| Vec::new());
    opening
}

/// The secret with this number.
pub(crate) fn secret(number: u64) -> Secret {
    Secret::from_bytes(Digest::of(&number.to_be_bytes()).0)
}

/// The first secret, counted from 0, under which the first attempts of a sitting with these hands are presented in
/// these orders.
pub(crate) fn secret_for(draft: &Draft, hands: &[&str], orders: &[usize]) -> Secret {
    secret_under(draft, hands, None, orders)
}

/// The same, where a witness opens the links of this chain, one for each attempt.
pub(crate) fn secret_under(draft: &Draft, hands: &[&str], links: Option<&Links>, orders: &[usize]) -> Secret {
    secret_where(draft, hands, links, orders, |_| true)
}

/// Whether these rounds over real cables, each an attempt's and its number in it, come in the order of the slots with the fillings
/// behind them, under a key.
pub(crate) fn in_order(key: &Digest, rounds: &[(TrialId, usize)], places: usize) -> bool {
    let plain = |(id, number): &(TrialId, usize)| order(key, *id, *number, places).into_iter().eq(0..places);
    rounds.iter().all(plain)
}

/// The same, where the key is also held against something else.
pub(crate) fn secret_where(
    draft: &Draft,
    hands: &[&str],
    links: Option<&Links>,
    orders: &[usize],
    also: impl Fn(&Digest) -> bool,
) -> Secret {
    let opening = opening(draft, &secret(0));
    let parts = [Part::Qualification, Part::WarmUp, Part::Main];
    let attempts: Vec<TrialId> = parts
        .into_iter()
        .flat_map(|part| {
            (1..=trials_of(&opening, part)).map(move |trial| TrialId { part, trial, attempt: 1 })
        })
        .take(orders.len())
        .collect();
    assert_eq!(attempts.len(), orders.len(), "the sitting has fewer trials than orders that are wanted");
    (0..1_000_000)
        .map(secret)
        .find(|secret| {
            let key = secret.key(2, hands.iter().map(|hand| hand.as_bytes()));
            if !also(&key) {
                return false;
            }
            let mut draws = Draws::new(&opening, key);
            attempts.iter().zip(orders).enumerate().all(|(index, (id, order))| {
                if let Some(link) = links.and_then(|links| links.link(index + 1)) {
                    draws.draw_anew(trial_key(&key, &[link]), *id);
                }
                draws.present(*id).is_some_and(|presented| presented.order == *order)
            })
        })
        .expect("one secret of a million gives a few orders")
}

/// The first fresh secret, counted from a million, under which a sitting that goes on without hands presents these orders
/// from the trial `next` on; `key` is the one of its first sealing.
pub(crate) fn fresh_secret_for(draft: &Draft, key: Digest, next: TrialId, orders: &[usize]) -> Secret {
    fresh_secret_where(draft, key, next, orders, |_| true)
}

/// The same, where the fresh key is also held against something else.
pub(crate) fn fresh_secret_where(
    draft: &Draft,
    key: Digest,
    next: TrialId,
    orders: &[usize],
    also: impl Fn(&Digest) -> bool,
) -> Secret {
    let opening = opening(draft, &secret(0));
    let wanted = |fresh: &Secret| {
        if !also(&fresh.key(2, [])) {
            return false;
        }
        let mut draws = Draws::new(&opening, key);
        draws.seal_anew(fresh.key(2, []), next);
        (next.trial..).zip(orders).all(|(trial, order)| {
            let id = TrialId { trial, ..next };
            draws.present(id).is_some_and(|presented| presented.order == *order)
        })
    };
    (1_000_000..2_000_000).map(secret).find(wanted).expect("one secret of a million gives a few orders")
}

/// [`secret_for`] of a session.
pub(crate) fn secret_of_session(
    session: &earwitness::session::Session,
    stimuli: &StimulusSet,
    hands: &[&str],
    orders: &[usize],
) -> Secret {
    secret_for(&draft_of_session(session, stimuli), hands, orders)
}

/// A draft of a sitting of this session.
pub(crate) fn draft_of_session(session: &earwitness::session::Session, stimuli: &StimulusSet) -> Draft {
    let output = earwitness::trial::Output {
        kind: earwitness::trial::OutputKind::Silent,
        name: String::new(),
        host: String::new(),
        rate_hz: 8000,
        format: "f32".to_owned(),
        buffer_frames: 0,
        channels: 1,
        path: None,
    };
    Draft::new(session, stimuli, output, "listener", "2026-01-05T19:30:00Z").expect("its files are there")
}

/// A text without digests: runs of 64 or 16 hex digits become zeros, the words of a digest become equal words. What stays
/// must not depend on the draw.
pub(crate) fn without_digests(text: &str) -> String {
    let pieces: Vec<String> = text.split('"').map(without_words).collect();
    let text = pieces.join("\"");
    let mut kept = String::with_capacity(text.len());
    let mut run = String::new();
    for character in text.chars().chain(['\0']) {
        if character.is_ascii_digit() || ('a'..='f').contains(&character) {
            run.push(character);
            continue;
        }
        if matches!(run.len(), 64 | 16) {
            kept.extend(std::iter::repeat_n('0', run.len()));
        } else {
            kept.push_str(&run);
        }
        run.clear();
        kept.push(character);
    }
    kept.pop();
    kept
}

fn without_words(text: &str) -> String {
    let parts: Vec<&str> =
        text.split(|c: char| !c.is_alphanumeric()).filter(|part| !part.is_empty()).collect();
    let known = |part: &&str| words().binary_search(part).is_ok();
    let Some(before) = parts.len().checked_sub(RECEIPT_WORDS) else { return text.to_owned() };
    if parts[before..].iter().all(known) {
        // The parts are slices of the text, so the first word's place in it is known.
        let place = parts[before].as_ptr() as usize - text.as_ptr() as usize;
        return format!("{}{}", &text[..place], ["word"; RECEIPT_WORDS].join(" "));
    }
    text.to_owned()
}

/// A scene without digests.
pub(crate) fn scene_without_digests(scene: &Scene) -> Scene {
    let mut scene = scene.clone();
    match &mut scene.stage {
        Stage::Page(page) => page.blocks.iter_mut().for_each(hide),
        Stage::Trial(trial) => trial.receipt = trial.receipt.as_deref().map(without_digests),
    }
    scene
}

fn hide(block: &mut Block) {
    match block {
        Block::Loud(text) | Block::Digits(text) | Block::Pair(_, text) | Block::Text(text) => {
            *text = without_digests(text);
        }
        Block::Beside(_, blocks) => blocks.iter_mut().for_each(hide),
        _ => {}
    }
}
