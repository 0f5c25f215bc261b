//! The register held against the journals in its folder.

use std::collections::{HashMap, HashSet};

use super::Anonymiser;
use super::facts::RegisterFacts;
use super::journal::{Gathered, Readings};
use crate::trial::Digest;
use crate::trial::register::Entry;

/// Announced sittings against journals.
pub(super) fn held(readings: &[Readings], anonymiser: &Anonymiser) -> RegisterFacts {
    let mut facts = RegisterFacts::default();
    for reading in readings {
        facts.gone.extend(&reading.gone);
        let journals: Vec<&Gathered> =
            reading.journals.iter().filter_map(|journal| journal.content.as_deref().ok()).collect();
        let register = match &reading.register {
            Ok(register) => register,
            Err(problem) => {
                facts.problem.get_or_insert_with(|| anonymiser.text(problem));
                facts.unregistered += journals.len();
                continue;
            }
        };
        let closed: HashSet<&str> = register
            .entries
            .iter()
            .filter_map(|entry| match entry {
                Entry::Closed { journal, .. } => Some(journal.as_str()),
                Entry::Opened { .. } => None,
            })
            .collect();
        let lines: HashSet<Digest> = register.digests.iter().copied().collect();
        let known: HashMap<Digest, &&Gathered> =
            journals.iter().map(|journal| (journal.opening.register, journal)).collect();
        for (entry, line) in register.entries.iter().zip(&register.digests) {
            let Entry::Opened { utc, journal: name, .. } = entry else { continue };
            facts.announced += 1;
            match known.get(line) {
                Some(journal) => {
                    let open = journal.opened.is_none() && !closed.contains(name.as_str());
                    facts.unfinished += usize::from(open);
                }
                // The file's name would hold the listener's, whatever alias was chosen.
                None => facts.missing.push(format!(
                    "a sitting opened {}",
                    utc.chars()
                        .take(if anonymiser.hides() { 10 } else { 19 })
                        .collect::<String>()
                        .replace('T', " ")
                )),
            }
        }
        facts.unregistered +=
            journals.iter().filter(|journal| !lines.contains(&journal.opening.register)).count();
    }
    facts
}
