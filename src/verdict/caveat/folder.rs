//! Caveats about the folder: session, journals, register, files, stimuli.

use std::collections::HashMap;

use super::{Case, Caveat, Kind, Weight, when};
use crate::evidence::State;
use crate::trial::told;
use crate::units::printed::{count, verb};

pub(super) fn invented(case: &Case<'_>) -> Vec<Caveat> {
    when(case.agreed.invented, || {
        Caveat {
        kind: Kind::Invented,
        weight: Weight::Decisive,
        text: "The session says that everything in it is invented: cables, loudspeaker and names exist nowhere else."
            .to_owned(),
        remedy: "Describe your own circuit to learn something about it.",
    }
    })
}

pub(super) fn no_sittings(case: &Case<'_>) -> Vec<Caveat> {
    when(case.evidence.sittings.is_empty() && case.evidence.unusable.is_empty(), || Caveat {
        kind: Kind::NoSittings,
        weight: Weight::Decisive,
        text: "No sitting has been held: there is nothing to judge yet.".to_owned(),
        remedy: "Hold one with the `run` or the `night` command.",
    })
}

pub(super) fn invalid_journals(case: &Case<'_>) -> Vec<Caveat> {
    let journals = case.in_state(State::Invalid) + case.evidence.unusable.len() as u64;
    when(journals > 0, || Caveat {
        kind: Kind::InvalidJournals,
        weight: Weight::Serious,
        text: format!(
            "{} {} not pass the check and {} left out of every number. {} listed with the reason.",
            count(journals, "journal"),
            verb(journals, "does", "do"),
            verb(journals, "is", "are"),
            verb(journals, "It is", "They are")
        ),
        remedy: "Look at them with the `verify` command, and ask for the receipts.",
    })
}

pub(super) fn foreign_journals(case: &Case<'_>) -> Vec<Caveat> {
    let journals = case.in_state(State::Foreign);
    let counted = case.evidence.sittings.iter().any(|sitting| sitting.counted);
    when(journals > 0, || Caveat {
        kind: Kind::ForeignJournals,
        weight: if counted { Weight::Minor } else { Weight::Serious },
        text: format!(
            "The session file is not the one that {} {} made with: {} left out.",
            count(journals, "journal"),
            verb(journals, "was", "were"),
            verb(journals, "it is", "they are")
        ),
        remedy: "If you changed it after a sitting, put back the text that it had then. If the journals are another session's, \
                 keep them with their own session file.",
    })
}

/// What to do where the register and the folder do not fit.
const ASK_FOR_ALL: &str =
    "Ask for the whole session folder, and compare each journal with the receipt that its listener kept.";

pub(super) fn register_broken(case: &Case<'_>) -> Vec<Caveat> {
    let problem = case.evidence.register.problem.iter();
    let caveat = |problem: &String| Caveat {
        kind: Kind::RegisterBroken,
        weight: Weight::Serious,
        text: format!("The register of sittings cannot be trusted: {}.", problem.trim_end_matches('.')),
        remedy: ASK_FOR_ALL,
    };
    problem.map(caveat).collect()
}

pub(super) fn journals_missing(case: &Case<'_>) -> Vec<Caveat> {
    let sittings = case.evidence.register.missing.len() as u64;
    when(sittings > 0, || Caveat {
        kind: Kind::JournalsMissing,
        weight: Weight::Serious,
        text: format!(
            "The register announces {} whose {} not in the folder.",
            count(sittings, "sitting"),
            verb(sittings, "journal is", "journals are")
        ),
        remedy: ASK_FOR_ALL,
    })
}

pub(super) fn sittings_gone(case: &Case<'_>) -> Vec<Caveat> {
    let said = told::sentence(&case.evidence.register.gone).into_iter();
    let caveat = |text| Caveat {
        kind: Kind::SittingsGone,
        weight: Weight::Serious,
        text,
        remedy: "Ask for them. Seals, receipts and witnesses' copies of these sittings tell what they were; somebody who began anew on \
                 purpose says so, and deletes the report too.",
    };
    said.map(caveat).collect()
}

pub(super) fn unregistered(case: &Case<'_>) -> Vec<Caveat> {
    let journals = case.evidence.register.unregistered as u64;
    when(journals > 0, || Caveat {
        kind: Kind::Unregistered,
        weight: Weight::Serious,
        text: format!(
            "{} {} not announced by the register: sittings may have been moved here or the register exchanged.",
            count(journals, "journal"),
            verb(journals, "is", "are")
        ),
        remedy: ASK_FOR_ALL,
    })
}

const PUT_BACK: &str =
    "Put back the files that were sealed: their lengths and digests are listed under \"How to check it\".";

pub(super) fn inputs_changed(case: &Case<'_>) -> Vec<Caveat> {
    let files = case.evidence.changed_inputs();
    let mut caveats = when(!files.is_empty(), || Caveat {
        kind: Kind::InputsChanged,
        weight: Weight::Decisive,
        text: format!(
            "{} changed after the sittings were opened. What stands in the folder now is not what was heard: the answers are \
             about the stimuli whose digests the sittings published.",
            files.join(", ")
        ),
        remedy: PUT_BACK,
    });
    let photographs = case.evidence.changed_photographs();
    caveats.extend(when(!photographs.is_empty(), || Caveat {
        kind: Kind::InputsChanged,
        weight: Weight::Serious,
        text: format!(
            "{} changed after the sittings were opened, so this report does not show it: what stands in the folder now may be another set-up.",
            photographs.join(", ")
        ),
        remedy: PUT_BACK,
    }));
    caveats
}

pub(super) fn stimuli_differ(case: &Case<'_>) -> Vec<Caveat> {
    let mut published: HashMap<_, _> = HashMap::new();
    let mut pairs = case.evidence.stimuli.iter().flat_map(|set| &set.pairs);
    let differ = pairs.any(|pair| {
        let digests = (&pair.a_sha256, &pair.b_sha256);
        let of = (&pair.comparison, &pair.clip, &pair.control, &pair.size, pair.rate_hz);
        *published.entry(of).or_insert(digests) != digests
    });
    when(differ, || Caveat {
        kind: Kind::StimuliDiffer,
        weight: Weight::Serious,
        text: format!(
            "The sittings did not all play the same stimuli: {} sets of digests were published for one rate. A clip, a table \
             or the program was changed in between.",
            case.evidence.stimuli.len()
        ),
        remedy: "Compare the digests below; `verify --session` makes the stimuli again and says which ones agree.",
    })
}

pub(super) fn not_computed(case: &Case<'_>) -> Vec<Caveat> {
    let caveat = |problem: &String| Caveat {
        kind: Kind::NotComputed,
        weight: Weight::Serious,
        text: format!("Part of the description could not be computed: {}.", problem.trim_end_matches('.')),
        remedy: "See what the `check` command says.",
    };
    case.on_paper.problems.iter().map(caveat).collect()
}
