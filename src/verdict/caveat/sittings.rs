//! Caveats about how sittings went.

use super::{Case, Caveat, Kind, MOST_NAMED, Weight, listed, when};
use crate::clip::dither::WordLength;
use crate::evidence::{SittingFacts, State};
use crate::stats::binomial;
use crate::stats::protocol::Definition;
use crate::trial::positions::{Found, MATCHED_DB, When};
use crate::trial::record::{OutputPath, Part, Terms};
use crate::units::printed;
use crate::units::printed::{count, percent, verb};

use super::answers::{HASTY_MS, OFTEN};

fn counted<'c>(case: &Case<'c>) -> impl Iterator<Item = &'c SittingFacts> + use<'c> {
    case.evidence.sittings.iter().filter(|sitting| sitting.counted)
}

/// Sittings that came to their end and satisfy this, and whether one of them counts.
fn finished(case: &Case<'_>, of: impl Fn(&SittingFacts) -> bool) -> (u64, bool) {
    let ended = |sitting: &&SittingFacts| matches!(sitting.state, State::Complete | State::Decided);
    let sittings = case.evidence.sittings.iter().filter(ended).filter(|sitting| of(sitting)).count() as u64;
    (sittings, counted(case).any(of))
}

pub(super) fn abandoned(case: &Case<'_>) -> Vec<Caveat> {
    let sittings = case.in_state(State::Unfinished);
    when(sittings > 0, || Caveat {
        kind: Kind::Abandoned,
        weight: Weight::Serious,
        text: format!(
            "{} {} opened and never finished. The seal of such a sitting stays closed and its answers count for nothing, but \
             leaving the bad ones unfinished makes the rest look good.",
            count(sittings, "sitting"),
            verb(sittings, "was", "were")
        ),
        remedy: "Finish them with the `run` command, or ask why they were left.",
    })
}

pub(super) fn stopped_early(case: &Case<'_>) -> Vec<Caveat> {
    let sittings = case.in_state(State::StoppedEarly);
    when(sittings > 0, || Caveat {
        kind: Kind::StoppedEarly,
        weight: Weight::Serious,
        text: format!(
            "{} {} stopped before the agreed number of trials and {} left out of the verdict.",
            count(sittings, "sitting"),
            verb(sittings, "was", "were"),
            verb(sittings, "is", "are")
        ),
        remedy: "Hold complete sittings, or agree on a sequential rule beforehand.",
    })
}

pub(super) fn not_qualified(case: &Case<'_>) -> Vec<Caveat> {
    let Some(agreed) = case.agreed.terms.qualification else { return Vec::new() };
    let failed = case.evidence.sittings.iter().filter(|sitting| sitting.state == State::NotQualified);
    let reached: Vec<String> = failed
        .filter_map(|sitting| sitting.qualification)
        .map(|score| format!("{} of {}", score.correct, score.trials))
        .collect();
    when(!reached.is_empty(), || Caveat {
        kind: Kind::NotQualified,
        weight: Weight::Minor,
        text: format!(
            "{} ended at the qualification ({}; the agreed {} of {} was not reached), so the counted trials never started.",
            count(reached.len() as u64, "sitting"),
            reached.join(", "),
            agreed.correct,
            agreed.trials
        ),
        remedy: "Check the equipment, train with the `audition` command, and sit again.",
    })
}

pub(super) fn weak(case: &Case<'_>) -> Vec<Caveat> {
    // A room has no qualification.
    let sat = counted(case).any(|sitting| !sitting.night);
    weak_qualification(&case.agreed.terms).filter(|_| sat).into_iter().collect()
}

/// That a qualification keeps nobody out, where a guesser passes it more often than once in five (common practice, no
/// source).
pub fn weak_qualification(terms: &Terms) -> Option<Caveat> {
    let qualification = terms.qualification?;
    let (trials, correct) = (u64::from(qualification.trials), u64::from(qualification.correct));
    let passes = binomial::upper(correct, trials, terms.asked_in(Part::Qualification).protocol.chance());
    (passes > 0.2).then(|| Caveat {
        kind: Kind::WeakQualification,
        weight: Weight::Minor,
        text: format!(
            "A guesser passes the qualification of {correct} right of {trials} in {} of tries, so it says little.",
            percent(passes)
        ),
        remedy: "Ask for more trials or more right ones.",
    })
}

pub(super) fn simulated(case: &Case<'_>) -> Vec<Caveat> {
    let (sittings, only) = finished(case, |sitting| sitting.simulated.is_some());
    when(sittings > 0, || Caveat {
        kind: Kind::Simulated,
        weight: if only { Weight::Decisive } else { Weight::Minor },
        text: if only {
            format!(
                "Every answer came from a simulated listener ({}). Nobody listened.",
                count(sittings, "sitting")
            )
        } else {
            format!(
                "{} with a simulated listener {} listed and left out of the verdict.",
                count(sittings, "sitting"),
                verb(sittings, "is", "are")
            )
        },
        remedy: "Let a person listen.",
    })
}

pub(super) fn silent(case: &Case<'_>) -> Vec<Caveat> {
    let (sittings, only) = finished(case, |sitting| sitting.silent && sitting.simulated.is_none());
    when(sittings > 0, || Caveat {
        kind: Kind::Silent,
        weight: if only { Weight::Decisive } else { Weight::Minor },
        text: if only {
            format!("Nothing was played aloud in {}: nothing could be heard.", count(sittings, "sitting"))
        } else {
            format!(
                "{} in which nothing was played aloud {} listed and left out of the verdict.",
                count(sittings, "sitting"),
                verb(sittings, "is", "are")
            )
        },
        remedy: "Play through a device.",
    })
}

pub(super) fn disturbed(case: &Case<'_>) -> Vec<Caveat> {
    let attempts: u64 = counted(case).map(|sitting| sitting.void).sum();
    let answered: u64 = counted(case).map(|sitting| sitting.answered).sum();
    when(attempts > 0, || Caveat {
        kind: Kind::Disturbed,
        weight: Weight::Minor,
        text: format!(
            "{} {} disturbed (a dropout, a lost device) and repeated with a fresh draw, next to {}.",
            count(attempts, "attempt"),
            verb(attempts, "was", "were"),
            count(answered, "answered trial")
        ),
        remedy: "Use a larger buffer, or close other programs.",
    })
}

/// A program that records a sound server's output can subtract A from X. Where nothing is at stake nobody gains by it.
pub(super) fn sound_server(case: &Case<'_>) -> Vec<Caveat> {
    let through = |path| counted(case).filter(|sitting| sitting.output_path == Some(path)).count() as u64;
    let (surely, perhaps) = (through(OutputPath::SoundServer), through(OutputPath::Unknown));
    when(case.agreed.terms.wager.is_some() && surely + perhaps > 0, || Caveat {
        kind: Kind::SoundServer,
        weight: Weight::Serious,
        text: format!(
            "{} of this wager {} played {} a sound server. A program on the same computer could have recorded A, B and X, and \
             known X by subtraction.",
            count(surely + perhaps, "sitting"),
            verb(surely + perhaps, "was", "were"),
            if surely > 0 { "through" } else { "perhaps through" }
        ),
        remedy: "Choose a device whose name begins with hw:, on a computer that nobody prepared.",
    })
}

pub(super) fn resumed(case: &Case<'_>) -> Vec<Caveat> {
    let sittings = counted(case).filter(|sitting| sitting.resumed > 0).count() as u64;
    when(sittings > 0, || Caveat {
        kind: Kind::Resumed,
        weight: Weight::Minor,
        text: format!(
            "{} {} interrupted and resumed.",
            count(sittings, "sitting"),
            verb(sittings, "was", "were")
        ),
        remedy: "Compare the running receipt that was shown before the cut with the journal.",
    })
}

pub(super) fn no_hands(case: &Case<'_>) -> Vec<Caveat> {
    let sittings = counted(case).filter(|sitting| sitting.hands.is_empty()).count() as u64;
    when(sittings > 0, || Caveat {
        kind: Kind::NoHands,
        weight: Weight::Minor,
        text: format!(
            "In {} nobody gave a hand, so the computer's secret alone decided the draws.",
            count(sittings, "sitting")
        ),
        remedy: "Don't trust the computer? Type a hand after it shows the seal.",
    })
}

pub(super) fn shared_room(case: &Case<'_>) -> Vec<Caveat> {
    let nights = counted(case).filter(|sitting| sitting.night).count() as u64;
    when(nights > 0, || Caveat {
        kind: Kind::SharedRoom,
        weight: Weight::Minor,
        text: format!(
            "In {} all listeners heard the same draw, so their answers are not independent. The result allows for that exactly; \
             intervals and shares do not, and are too narrow.",
            count(nights, "night")
        ),
        remedy: "For more certainty add trials; more seats help little.",
    })
}

pub(super) fn several_sittings(case: &Case<'_>) -> Vec<Caveat> {
    let agreed = case.evidence.panel.as_ref().map_or(1, |panel| panel.agreed.sittings_each as usize);
    let again: Vec<String> = case
        .evidence
        .listeners
        .iter()
        .filter_map(|listener| {
            let counts = |sitting: &&usize| case.evidence.sittings[**sitting].counted;
            let sittings = listener.sittings.iter().filter(counts).count();
            (sittings > agreed).then(|| format!("{} sat {sittings} times", listener.name))
        })
        .collect();
    let told: Vec<&str> = again.iter().map(String::as_str).collect();
    when(!told.is_empty(), || Caveat {
        kind: Kind::SeveralSittings,
        weight: Weight::Minor,
        text: format!("{}. All of these sittings count together.", listed(&told)),
        remedy: "Agree on the number of sittings beforehand.",
    })
}

/// Of a night nothing is known of how somebody listened.
pub(super) fn hurried(case: &Case<'_>) -> Vec<Caveat> {
    let evidence = case.evidence;
    let asked = Definition::of(case.agreed.terms.protocol).asked_about().count() as u64;
    let least_ms = asked * u64::from(case.agreed.terms.heard_at_least_ms.unwrap_or(HASTY_MS as u32));
    let under_ms = least_ms + least_ms / 2;
    // Trials and hasty answers of each listener, counted in one pass: a panel can be large.
    let mut own = vec![(0_u64, 0_u64); evidence.listeners.len()];
    for trial in &evidence.trials {
        let sitting = &evidence.sittings[trial.sitting as usize];
        let counted = sitting.counted && !sitting.night && sitting.simulated.is_none();
        let listener = trial.listener.and_then(|index| own.get_mut(index as usize));
        if let Some((trials, answers)) = listener.filter(|_| counted && crate::evidence::counts(trial)) {
            *trials += 1;
            *answers += u64::from(trial.heard_ms < under_ms);
        }
    }
    let often =
        |&(_, (trials, answers)): &(_, (u64, u64))| answers > 0 && answers as f64 >= OFTEN * trials as f64;
    let hurried = evidence.listeners.iter().zip(own).filter(often).map(|(listener, (trials, answers))| Caveat {
        kind: Kind::Hurried,
        weight: Weight::Serious,
        text: format!(
            "{} hurried: {answers} of {trials} answers came after less than {} s of sound in all. Somebody who hurries can \
             miss a difference that is there.",
            listener.name,
            under_ms as f64 / 1000.0
        ),
        remedy: "Take the time, or agree on more with `heard_at_least` in the session, and sit again.",
    });
    hurried.take(MOST_NAMED).collect()
}

/// Without a name where names are withheld.
pub(super) fn prepared_session(case: &Case<'_>) -> Vec<Caveat> {
    let evidence = case.evidence;
    let names: Vec<&String> = evidence
        .preparers
        .iter()
        .filter_map(|index| evidence.listeners.get(*index))
        .filter(|listener| listener.counted)
        .map(|listener| &listener.name)
        .collect();
    let who = match names.len() {
        0 => Vec::new(),
        listeners if evidence.anonymous => vec![count(listeners as u64, "listener")],
        _ => names.into_iter().take(MOST_NAMED).cloned().collect(),
    };
    let caveat = |who: String| Caveat {
        kind: Kind::PreparedSession,
        weight: Weight::Serious,
        text: format!(
            "{who} prepared this session and listened too. The draws stayed hidden, but someone who chose cables, clips and trials is \
             no outside listener."
        ),
        remedy: "Let somebody who does not listen write the session.",
    };
    who.into_iter().map(caveat).collect()
}

/// Comparison by comparison, with the device on which it stood out least.
pub(super) fn words_could_hide(case: &Case<'_>) -> Vec<Caveat> {
    struct Hidden<'c> {
        comparison: &'c str,
        sittings: u64,
        words: WordLength,
        clip: &'c str,
        margin_db: f64,
    }
    let mut hidden: Vec<Hidden<'_>> = Vec::new();
    for facts in counted(case).filter_map(|sitting| sitting.words.as_ref()).filter(|facts| facts.could_hide) {
        let (Some(comparison), Some(clip), Some(margin_db)) =
            (&facts.comparison, &facts.clip, facts.margin_db)
        else {
            continue;
        };
        let one = Hidden { comparison, sittings: 1, words: facts.words, clip, margin_db };
        match hidden.iter_mut().find(|same| same.comparison == comparison) {
            None => hidden.push(one),
            Some(same) if margin_db < same.margin_db => *same = Hidden { sittings: same.sittings + 1, ..one },
            Some(same) => same.sittings += 1,
        }
    }
    let caveat = |Hidden { comparison, sittings, words, clip, margin_db }| Caveat {
        kind: Kind::WordsCouldHide,
        weight: Weight::Serious,
        text: format!(
            "{comparison}: in {} the sound device's bit depth ({words}) could hide the difference. On {clip} it stood only \
             {margin_db} out of the noise in its strongest ERB band, and 10 dB are wanted. Someone who heard nothing may not \
             have been given it to hear.",
            count(sittings, "sitting"),
            margin_db = printed::fixed(margin_db, 0, "dB")
        ),
        remedy: match words {
            WordLength::Bits16 => {
                "Choose a device (or its setting) of 24 or 32 bits, turn the level in the program up and the amplifier down, or \
                 use a louder clip."
            }
            WordLength::Bits24 | WordLength::Float32 => {
                "Choose a clip on which the difference is larger, or a louder one."
            }
        },
    };
    hidden.into_iter().take(MOST_NAMED).map(caveat).collect()
}

/// Real cables were switched in a sitting that counts, and no measurement shows that they were.
pub(super) fn switch_unproven(case: &Case<'_>) -> Vec<Caveat> {
    let Some(switcher) = &case.agreed.terms.switcher else { return Vec::new() };
    let of = |found: Option<Found>| {
        counted(case)
            .filter(|sitting| match found {
                Some(found) => sitting.positions.iter().any(|own| own.found == found),
                None => [When::Before, When::After]
                    .iter()
                    .any(|when| sitting.positions.iter().all(|own| own.when != *when)),
            })
            .count() as u64
    };
    let caveat = |sittings: u64, weight: Weight, what: &str, remedy: &'static str| {
        when(sittings > 0, || Caveat {
            kind: Kind::SwitchUnproven,
            weight,
            text: format!("Real cables, in {}: {what}.", count(sittings, "sitting")),
            remedy,
        })
    };
    let remedy = "Check the switch and the labels of the cables, and sit again.";
    if switcher.measured != Some(true) {
        let remedy = "Write proof = \"measured\" into [switcher], and give `run` the --input that records the terminals.";
        return caveat(
            of(None),
            Weight::Minor,
            "nobody measured whether the switch connects what it is told to",
            remedy,
        );
    }
    let said = [
        (
            None,
            Weight::Serious,
            "the two positions were not measured both before the first and after the last trial",
        ),
        (Some(Found::Interchanged), Weight::Serious, "measured, the two cables were interchanged"),
        (
            Some(Found::None),
            Weight::Serious,
            "the two positions could not be told apart by measurement either",
        ),
        (
            Some(Found::Another),
            Weight::Serious,
            "measured, the two positions differ otherwise than the circuit predicts",
        ),
        (
            Some(Found::TooSmall),
            Weight::Minor,
            "the predicted difference is too small for the measurement that was made",
        ),
    ];
    said.into_iter().flat_map(|(found, weight, what)| caveat(of(found), weight, what, remedy)).collect()
}

/// A person was the switch in a sitting that counts.
pub(super) fn switched_by_hand(case: &Case<'_>) -> Vec<Caveat> {
    let by_hand = case.agreed.terms.switcher.as_ref().filter(|switcher| switcher.kind == "operator");
    let Some(switcher) = by_hand.filter(|_| counted(case).next().is_some()) else { return Vec::new() };
    let learns = if switcher.filled == Some(true) {
        "The order of the terminals told that person nothing, but no file shows that nobody heard which presentation was silent, or \
         signalled which cable was connected."
    } else {
        "The order of the terminals can tell that person what X was, and no file shows that the listener was not told."
    };
    vec![Caveat {
        kind: Kind::SwitchedByHand,
        weight: Weight::Minor,
        text: format!("A person switched the real cables. {learns}"),
        remedy: "Keep the operator out of everybody's sight and hearing until the seal is open, or take a relay.",
    }]
}

/// The levels at the loudspeaker's terminals were not matched.
pub(super) fn terminal_levels(case: &Case<'_>) -> Vec<Caveat> {
    let levels = counted(case).flat_map(|sitting| &sitting.positions).map(|own| own.level_db);
    let largest = levels.max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(0.0);
    when(largest.abs() > MATCHED_DB, || Caveat {
        kind: Kind::TerminalLevels,
        weight: Weight::Minor,
        text: format!(
            "Measured at the terminals, the levels of the two cables differ by {}, more than {}. What was heard may be the level.",
            printed::signed(largest, 2, "dB"),
            printed::fixed(MATCHED_DB, 1, "dB")
        ),
        remedy: "That is what these cables do as wired; a cable of the same resistance would take the level away.",
    })
}
